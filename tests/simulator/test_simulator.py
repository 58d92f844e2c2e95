"""The simulated survey: its truth is exact, its walk does what it says, its files hold what the notes report."""

import csv
import json
import re
from pathlib import Path

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

SAMPLE = Path(__file__).resolve().parents[2] / "sample_project"


@pytest.fixture(scope="module")
def sample(simulate, tmp_path_factory):
    """The sample as written, its folder and its grids by name."""
    folder = tmp_path_factory.mktemp("sample")
    return folder, {grid.plan.grid: grid for grid in simulate.write_sample(folder)}


def table(path):
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def files(folder):
    return {p.relative_to(folder).as_posix(): p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()}


# ------------------------------------------------------------------------------------------------- the ground


@pytest.mark.parametrize("channel", ["eca_05", "eca_10", "inphase_10"])
@pytest.mark.parametrize(("p", "q"), [(22, 34), (34, 34), (46, 6), (8, 27), (70, 32)])
def test_truth_is_the_bare_ground_under_the_footprint(simulate, channel, p, q):
    # Reference: scipy.ndimage.gaussian_filter. The narrowest shape has a standard deviation of 0.13 m, so sampling at
    # 0.05 m folds back less than exp(-2 pi^2 (0.13/0.05)^2) of it, and a kernel cut off at 8 standard deviations leaves
    # out less than 1e-14. The residual is the rounding of northings of 6e6 m, 5e-10 m, on slopes of up to 20 mS/m a
    # metre.
    cell = 0.05
    x0, y0 = simulate.SITE.to_map(p, q)
    x, y = np.meshgrid(x0 + cell * np.arange(-120, 121), y0 + cell * np.arange(-120, 121))
    bare = simulate.truth(x, y, channel, footprint_m=0.0)
    smeared = gaussian_filter(bare, simulate.FOOTPRINT_M / cell, truncate=8.0)
    edge = round(8 * simulate.FOOTPRINT_M / cell)
    inside = slice(edge, -edge)
    assert np.ptp(bare[inside, inside]) > 0.05
    expected = simulate.truth(x[inside, inside], y[inside, inside], channel)
    np.testing.assert_allclose(smeared[inside, inside], expected, rtol=0, atol=1e-8)


def test_endless_ditch_keeps_its_area_under_the_footprint(simulate):
    # Gaussians convolve to a Gaussian of the summed variance with the same area (any textbook of probability).
    ditch = simulate.Ditch(simulate.Peak(0, 3.0), np.array([(-100.0, 0.0), (100.0, 0.0)]), 0.5)
    q = np.arange(-600, 601) * 0.01
    for footprint in (0.0, 0.35):
        profile = np.zeros(len(q))
        ditch.add(profile, np.zeros(len(q)), q, footprint, "eca_10")
        assert profile[600] == pytest.approx(3.0 * 0.5 / np.hypot(0.5, footprint), rel=1e-12)
        assert profile.sum() * 0.01 == pytest.approx(3.0 * 0.5 * np.sqrt(2 * np.pi), rel=1e-12)


def test_ditch_does_not_show_where_its_pieces_meet(simulate):
    peak = simulate.Peak(0, 3.0)
    whole = simulate.Ditch(peak, np.array([(0.0, 0.0), (10.0, 0.0)]), 0.5)
    pieces = simulate.Ditch(peak, np.stack([np.linspace(0, 10, 24), np.zeros(24)], axis=1), 0.5)
    p, q = np.random.default_rng(1).uniform(-2, 12, (2, 400))
    profiles = np.zeros((2, 400))
    for row, ditch in zip(profiles, (whole, pieces)):
        ditch.add(row, p, q / 5, 0.35, "eca_10")
    np.testing.assert_allclose(profiles[0], profiles[1], rtol=0, atol=1e-12)


def test_leaving_out_far_shapes_does_not_show(simulate, monkeypatch):
    x, y = simulate.SITE.to_map(*np.random.default_rng(2).uniform(0, 60, (2, 2000)))
    near = simulate.truth(x, y, "eca_10")
    monkeypatch.setattr(simulate.shapes, "REACH", 1e6)
    np.testing.assert_allclose(near, simulate.truth(x, y, "eca_10"), rtol=0, atol=1e-12)


def test_truth_is_archaeology_in_conductivity(simulate):
    p, q = np.meshgrid(np.arange(0, 54, 0.5), np.arange(0, 62, 0.5))
    values = simulate.truth(*simulate.SITE.to_map(p, q), "eca_10")
    low, high = np.percentile(values, [1, 99])
    assert 12 < low < high < 27
    ditch = next(s for s in simulate.SITE.shapes if getattr(s, "name", "") == "enclosure ditch")
    on_ditch = np.zeros(len(ditch.points))
    ditch.add(on_ditch, *ditch.points.T, simulate.FOOTPRINT_M, "eca_10")
    assert 1 < np.median(on_ditch) < 5


# --------------------------------------------------------------------------------------------------- the walk


def test_without_errors_a_reading_is_the_truth_at_its_place(simulate):
    for plan in simulate.sample_plans():
        grid = simulate.simulate_grid(plan, faults=simulate.Faults())
        placed = np.isfinite(grid.x)
        assert placed.sum() > 2000
        for name, values in grid.channels.items():
            expected = simulate.truth(grid.x[placed], grid.y[placed], name)
            np.testing.assert_allclose(values[placed], expected, rtol=0, atol=1e-12)


def test_stations_lie_in_the_middle_of_their_intervals(sample):
    # A national archaeological laboratory's standard-procedures annex: first and last reading half an interval in.
    for grid in sample[1].values():
        plan, walked = grid.plan, np.isin(grid.kind, ["survey", "redo", "dummy", "void"])
        v = (grid.station[walked] - plan.first_station + 0.5) / plan.readings_per_m
        ahead = grid.heading[walked] * plan.sensor_ahead_m
        np.testing.assert_allclose(grid.v_m[walked], v + ahead, rtol=0, atol=1e-12)
        u = (grid.line[walked] - plan.first_line + 0.5) * plan.spacing_m
        np.testing.assert_allclose(grid.u_m[walked], u, rtol=0, atol=1e-12)


def test_places_follow_the_written_corners(sample):
    # Reference: skimage.transform's similarity (Umeyama 1991, doi:10.1109/34.88573); mirrored grids turn v over.
    estimate_transform = pytest.importorskip("skimage.transform").estimate_transform

    corners = table(sample[0] / "corners.csv")
    for name, grid in sample[1].items():
        own = [row for row in corners if row["grid"] == name]
        flip = np.array([1, -1 if grid.plan.mirrored else 1])
        local = np.array([grid.plan.local_corners()[row["corner"]] for row in own]) * flip
        on_map = np.array([(float(row["x"]), float(row["y"])) for row in own])
        origin = on_map.mean(axis=0)
        fitted = estimate_transform("similarity", local, on_map - origin)
        expected = fitted(np.stack([grid.u_m, grid.v_m], axis=1) * flip) + origin
        np.testing.assert_allclose(np.stack([grid.x, grid.y], axis=1), expected, rtol=0, atol=1e-6)


def lone(simulate, **faults):
    """A grid with these faults and no others, and the local displacement of its readings."""
    plan = simulate.sample_plans()[1]
    grid = simulate.simulate_grid(plan, faults=simulate.Faults(**faults))
    angle = np.radians(plan.turn_deg)
    dx, dy = grid.true_x - grid.x, grid.true_y - grid.y
    du, dv = np.cos(angle) * dx + np.sin(angle) * dy, -(np.cos(angle) * dy - np.sin(angle) * dx)
    return grid, du, dv


def test_lag_moves_readings_against_the_heading(simulate):
    grid, du, dv = lone(simulate, lag_m=0.3)
    assert grid.plan.mirrored
    # Corners are written to 0.1 mm, so the frame's scale and turn are good to about 1e-5.
    np.testing.assert_allclose(dv, -0.3 * grid.heading, rtol=0, atol=1e-5)
    np.testing.assert_allclose(du, 0, atol=1e-5)


def test_pace_wanders_between_exact_ends(simulate):
    grid, du, dv = lone(simulate, pace_m=0.15)
    ends = np.flatnonzero(np.diff(grid.recording, prepend=-1, append=99))
    np.testing.assert_allclose(dv[ends[:-1]], 0, atol=1e-5)
    np.testing.assert_allclose(dv[ends[1:] - 1], 0, atol=1e-5)
    # 30 lines, 60 % of the variance in one normal number a line: relative error of a mean square about 0.2.
    assert np.mean(dv**2) == pytest.approx(0.15**2, rel=0.8)
    np.testing.assert_allclose(du, 0, atol=1e-5)


def test_direction_is_the_difference_between_out_and_back(simulate):
    grid, _, _ = lone(simulate, direction=0.5)
    offset = grid.channels["eca_10"] - grid.clean["eca_10"]
    np.testing.assert_allclose(offset, 0.25 * grid.heading, rtol=0, atol=1e-12)


def test_stripe_is_one_offset_a_recording(simulate):
    grid, _, _ = lone(simulate, stripe=0.5)
    offset = grid.channels["eca_10"] - grid.clean["eca_10"]
    levels = np.array([offset[grid.recording == k] for k in range(len(grid.recordings))], dtype=object)
    assert max(np.ptp(level.astype(float)) for level in levels) < 1e-12
    # Standard deviation of 30 normal numbers: relative error 1/sqrt(58) = 0.13, taken four times.
    assert np.std([level[0] for level in levels], ddof=1) == pytest.approx(0.5, rel=0.53)


def test_noise_has_the_asked_standard_deviation(simulate):
    grid, _, _ = lone(simulate, noise=0.15)
    residual = grid.channels["eca_10"] - grid.clean["eca_10"]
    assert np.std(residual) == pytest.approx(0.15, rel=5 / np.sqrt(2 * len(residual)))


def test_drift_forgets_itself_in_its_time(simulate):
    # White noise under a Gaussian kernel of standard deviation s has the correlation exp(-t^2 / (4 s^2)): the kernel's
    # correlation with itself (any textbook of random processes). Here s = drift_s / sqrt(2).
    faults = simulate.Faults(drift=2.0, drift_s=400.0)
    at = np.array([0.0, 400.0])
    steps = 42 + 2 * simulate.faults.drift_reach(faults)
    white = np.random.default_rng(5).standard_normal((2000, steps))
    drift = np.array([simulate.faults.drift(at, faults, row) for row in white])
    assert np.var(drift, axis=0) == pytest.approx([4.0, 4.0], rel=5 * np.sqrt(2 / 2000))
    assert np.corrcoef(drift.T)[0, 1] == pytest.approx(np.exp(-0.5), abs=5 / np.sqrt(2000))


def test_spikes_and_dropouts_have_the_asked_fraction(simulate):
    plan = simulate.block_plans(1, 1)[0]
    grid = simulate.simulate_grid(plan, faults=simulate.Faults(spikes=0.01, dropouts=0.02))
    residual, n = grid.channels["eca_10"] - grid.clean["eca_10"], len(grid)
    assert np.mean(np.isnan(residual)) == pytest.approx(0.02, abs=5 * np.sqrt(0.02 / n))
    assert np.mean(np.abs(residual) > 1) == pytest.approx(0.01, abs=5 * np.sqrt(0.01 / n))
    assert (np.isnan(residual) == np.array(["missing" in f for f in grid.flag])).all()


def test_plain_block_comes_to_the_size_asked_for(simulate):
    plans = simulate.block_plans(4, 4)
    assert len(plans) == 16
    assert sum(plan.lines * plan.readings for plan in plans) == 409_600
    assert plans[0].corners()["baseline"] == plans[1].corners()["start"]


# -------------------------------------------------------------------------------------------------- the files


def test_same_seed_writes_the_same_bytes(simulate, sample, tmp_path):
    simulate.write_sample(tmp_path / "again")
    assert files(tmp_path / "again") == files(sample[0])
    simulate.write_sample(tmp_path / "other", seed=simulate.SEED + 1)
    other = files(tmp_path / "other")
    assert other["corners.csv"] == files(sample[0])["corners.csv"]
    assert other["logs/plot_a.csv"] != files(sample[0])["logs/plot_a.csv"]


def test_files_kept_here_are_those_of_the_default_seed(sample):
    kept = files(SAMPLE)
    written = files(sample[0])
    assert sum(map(len, written.values())) < 6e6
    assert [name for name, content in written.items() if kept.get(name) != content] == []


def test_sample_has_grids_of_many_kinds(sample):
    rows = {row["grid"]: row for row in table(sample[0] / "register.csv")}
    assert len(rows) >= 8
    assert len({(row["length_m"], row["width_m"]) for row in rows.values()}) >= 3
    assert {row["layout"] for row in rows.values()} == {f"layouts/{n}.json" for n in ("semicolon", "comma", "fixed")}
    assert [name for name, row in rows.items() if row["pattern"] == "one-way"] == ["D"]
    assert [name for name, row in rows.items() if row["first_heading"] == "back"] == ["H"]
    assert [row["log"] for row in rows.values()].count("logs/second_day.csv") == 3


def test_one_grid_is_mirrored_and_one_lies_apart(sample):
    place = {(row["grid"], row["corner"]): complex(float(row["x"]), float(row["y"])) for row in
             table(sample[0] / "corners.csv")}  # fmt: skip
    mirrored = []
    for name in sample[1]:
        start, baseline = place[name, "start"], place.get((name, "baseline"))
        head = place.get((name, "head"))
        if None not in (baseline, head) and ((baseline - start).conjugate() * (head - start)).imag < 0:
            mirrored.append(name)
    assert mirrored == ["B"]
    assert place["D", "start"] == place["A", "head"]
    assert place["E", "start"] == place["D", "baseline"] == place["B", "opposite"]
    apart = sample[1]["I"]
    others = np.concatenate([g.x + 1j * g.y for name, g in sample[1].items() if name != "I"])
    assert np.min(np.abs(others[:, None][::7] - (apart.x + 1j * apart.y)[24::31])) > 5


def test_notes_report_what_happened(sample):
    notes = table(sample[0] / "notes.csv")
    kinds = {(row["grid"], row["kind"]) for row in notes}
    assert {
        ("C", "dummy"),
        ("C", "redo"),
        ("D", "redo"),
        ("E", "obstacle"),
        ("H", "void"),
        ("A", "tie"),
        ("I", "base"),
    } <= kinds
    dummies = [int(row["line"]) for row in notes if row["kind"] == "dummy"]
    assert dummies == [0, sample[1]["C"].plan.lines + 1]
    redone = sample[1]["C"].flag[(sample[1]["C"].line == 13) & (sample[1]["C"].run == 1)]
    assert all("redone" in flag for flag in redone)
    assert not any("redone" in flag for flag in sample[1]["C"].flag[sample[1]["C"].run == 2])


def test_lines_stop_and_start_at_the_obstacle(sample):
    grid, notes = sample[1]["E"], table(sample[0] / "notes.csv")
    obstacles = [row for row in notes if row["grid"] == "E" and row["kind"] == "obstacle"]
    assert len(obstacles) == 6
    crossed = 0
    for row in obstacles:
        own = grid.line == int(row["line"])
        low, high = float(row["start_station"]), float(row["stop_station"])
        inside = own & (grid.station >= low) & (grid.station <= high)
        crossed += inside.any()
        assert {flag for flag in grid.flag[inside]} <= {"obstacle"}
        assert {low - 1, high + 1} <= set(grid.station[own])
    assert crossed == 1


def test_forgotten_settings_stand_in_the_log_and_are_noted(sample):
    notes = {(row["grid"], int(row["line"])): row for row in table(sample[0] / "notes.csv") if row["kind"] == "survey"}
    for name, line, heading in (("F", 8, "back"), ("F", 19, "out"), ("G", 6, "back")):
        grid = sample[1][name]
        own = grid.line == line
        assert (np.diff(grid.logged_station[own]) == 1).all()
        assert notes[name, line]["heading"] == heading
        assert float(notes[name, line]["start_station"]) == grid.station[own][0] != grid.logged_station[own][0]
        assert float(notes[name, line]["stop_station"]) == grid.station[own][-1]
    others = np.concatenate([(g.station == g.logged_station)[~np.isin(g.line, [6, 8, 19])] for g in sample[1].values()])
    assert others.all()


def test_one_line_is_short_and_nobody_noted_it(sample):
    grid = sample[1]["B"]
    own = grid.line == 22
    assert own.sum() == 74
    assert grid.station[own].min() > grid.plan.first_station + 20
    assert not [row for row in table(sample[0] / "notes.csv") if row["grid"] == "B"]


def test_semicolon_log_reads_back(sample):
    grid = sample[1]["F"]
    rows = (sample[0] / "logs/plot_f.csv").read_text("utf-8").splitlines()
    assert rows[0].split(";")[:3] == ["line", "station", "clock"]
    fields = [row.replace(",", ".").split(";") for row in rows[1:]]
    assert [int(f[0]) for f in fields] == grid.line.tolist()
    assert [float(f[1]) for f in fields] == grid.logged_station.tolist()
    hours, minutes, seconds = np.array([f[2].split(":") for f in fields], float).T
    np.testing.assert_allclose(hours * 3600 + minutes * 60 + seconds, grid.time_s, rtol=0, atol=1e-6)
    values = np.array([np.nan if f[3] == "---" else float(f[3]) for f in fields])
    np.testing.assert_allclose(values, grid.channels["eca_10"], rtol=0, atol=0.005 + 1e-9)


def test_comma_log_holds_three_grids(sample):
    rows = (sample[0] / "logs/second_day.csv").read_text("utf-8").splitlines()
    assert rows[0].startswith("#")
    records = list(csv.DictReader(rows[1:]))
    for name in ("C", "E", "I"):
        grid, own = sample[1][name], [r for r in records if r["grid"] == name]
        assert [(int(r["line"]), int(r["run"])) for r in own] == list(zip(grid.line.tolist(), grid.run.tolist()))
        for column, channel, half in (("cond_05", "eca_05", 5e-3), ("inphase_10", "inphase_10", 5e-4)):
            values = np.array([float(r[column]) for r in own])
            lost = values == -999
            assert (lost == np.isnan(grid.channels[channel])).all()
            np.testing.assert_allclose(values[~lost], grid.channels[channel][~lost], rtol=0, atol=half + 1e-9)
    assert len(records) == sum(len(sample[1][name]) for name in ("C", "E", "I"))


def test_fixed_log_counts_on_from_its_opening_rows(simulate, sample):
    layout = json.loads((sample[0] / "layouts/fixed.json").read_text("utf-8"))
    grid, width = sample[1]["H"], layout["widths"][0]
    line, station, values, marks = [], [], [], 0
    for row in (sample[0] / "logs/plot_h.dat").read_text("utf-8").splitlines():
        opened = re.search(layout["line_start"], row)
        if opened:
            now, following, step = (int(opened[name]) for name in ("line", "station", "step"))
        elif re.search(layout["mark"], row):
            marks += 1
        elif not row.startswith(layout["comment"]):
            line.append(now)
            station.append(following)
            values.append(float(row[width:].replace("****", "nan")))
            following += step
    assert line == grid.line.tolist()
    assert station == grid.logged_station.tolist()
    np.testing.assert_allclose(values, grid.channels["eca_10"], rtol=0, atol=0.005 + 1e-9)
    # Pegs every 6 m of 30 m: six a line, 30 lines; the false start of 21 readings passed the first only.
    assert marks == grid.mark.sum() == 30 * 6 + 1


def test_fiducials_are_pressed_at_the_pegs(simulate):
    plan = next(p for p in simulate.sample_plans() if p.marks_m)
    grid = simulate.simulate_grid(plan, faults=simulate.Faults())
    before = grid.v_m[grid.mark == 1] - grid.heading[grid.mark == 1] * 0.5 / plan.readings_per_m
    np.testing.assert_allclose(before / plan.marks_m, np.round(before / plan.marks_m), rtol=0, atol=1e-9)


def test_excavation_plan_is_closed_and_lies_on_the_site(simulate, sample):
    plan = json.loads((sample[0] / "excavation_plan.geojson").read_text("utf-8"))
    assert plan["crs"]["properties"]["name"].endswith("EPSG::32631")
    kinds = {feature["properties"]["kind"] for feature in plan["features"]}
    assert kinds == {"trench", "ditch", "pit", "hearth", "kiln"}
    for feature in plan["features"]:
        ring = np.array(feature["geometry"]["coordinates"][0])
        assert (ring[0] == ring[-1]).all()
        p, q = simulate.SITE.to_site(*ring.T)
        assert 0 < p.min() < p.max() < 54
        assert 0 < q.min() < q.max() < 62
