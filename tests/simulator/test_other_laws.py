"""Surveys by other laws: a perfect walk reads the ground, and each error stands in the log as the truth has it."""

import csv
import importlib
import io
from dataclasses import replace

import numpy as np
import pytest

laws = importlib.import_module("turnrow.sample_project.simulator.other_laws")
ground_module = importlib.import_module("turnrow.sample_project.simulator.other_laws.ground")
walking = importlib.import_module("turnrow.sample_project.simulator.other_laws.walking")
workflow = importlib.import_module("turnrow.processing_provider.engine.workflow")

# Noise of scale 0.02 is Student t of 4 degrees (variance 2) by sqrt 2, and 0.2 of the last one is added: its standard
# deviation is 0.02 / sqrt(1 - 0.04), and rounding to 0.01 adds 0.01^2 / 12 to the variance.
NOISE_SD = np.hypot(0.02 / np.sqrt(0.96), 0.01 / np.sqrt(12))


def table(text):
    return list(csv.DictReader(io.StringIO(text)))


def logged(survey, grid="A1", channel="eca_10"):
    """Values of a grid's log by (line, run)."""
    found = {}
    for row in table(survey.files[f"logs/{grid}.csv"]):
        found.setdefault((int(row["line"]), int(row["run"])), []).append(float(row[channel]))
    return {key: np.array(values) for key, values in found.items()}


def survey_values(survey, grid="A1"):
    """(lines, readings) of the survey lines of a grid, from its log."""
    return np.stack([values for (line, _), values in logged(survey, grid).items() if line < 900])


@pytest.mark.parametrize("form", laws.FORMS)
@pytest.mark.parametrize("name", ["ditches", "slope", "boundary along a shared edge, two grids"])
def test_perfect_walk_reads_the_ground(name, form):
    survey = laws.PERFECT_WALKS[name].walk(5, form)
    truth = survey.truth
    off = []
    for stroke, values in zip(truth.strokes, truth.values["eca_10"]):
        true = truth.ground.seen(*stroke.places["eca_10"], along_u=stroke.kind == "tie")
        np.testing.assert_allclose(logged(survey, stroke.grid)[stroke.line, stroke.run], values, rtol=0, atol=0.005)
        off.append(values - true)
    # The fourth moment of Student t of 4 degrees is infinite, so the sample's deviation scatters by more than
    # 1 / sqrt(2 n); a tenth is far beyond that at 7,000 readings and more.
    assert np.std(np.concatenate(off)) == pytest.approx(NOISE_SD, rel=0.1)
    assert abs(np.mean(np.concatenate(off))) < 0.002


def test_readings_of_a_perfect_walk_are_placed_where_the_coils_were(tmp_path):
    survey = laws.PERFECT_WALKS["road along a shared edge, four grids"].walk(2, "ties")
    survey.write(tmp_path)
    tables = [table(survey.files[f"{name}.csv"]) for name in ("register", "corners", "notes")]
    sources = workflow.gather_sources(*tables, tmp_path)
    results = list(workflow.read_grids(sources.grids, sources.notes, search=False))
    assert [r.grid for r in results] == ["A1", "A2", "B1", "B2"]
    for result in results:
        strokes = [s for s in survey.truth.strokes if s.grid == result.grid]
        for stroke in strokes:
            mine = result.readings.line == stroke.line
            u, v = stroke.places["eca_10"]
            # Corners are written to 0.1 mm.
            np.testing.assert_allclose(result.readings.x[mine] - laws.ORIGIN[0], u, rtol=0, atol=1e-4)
            np.testing.assert_allclose(result.readings.y[mine] - laws.ORIGIN[1], v, rtol=0, atol=1e-4)
        assert [f for f in result.findings if f.severity == "error"] == []


@pytest.mark.parametrize("name", laws.CASES)
def test_case_logs_every_recording(name):
    survey = laws.CASES[name].walk(3)
    layout = survey.truth.layout
    assert [row["grid"] for row in table(survey.files["register.csv"])] == list(layout.grids)
    assert len(table(survey.files["corners.csv"])) == 4 * len(layout.grids)
    noted = [(row["grid"], int(row["line"])) for row in table(survey.files["notes.csv"])]
    assert noted == [(s.grid, s.line) for s in survey.truth.strokes if s.kind != "survey"]
    for grid in layout.grids:
        lengths = {(s.line, s.run): len(s.station) for s in survey.truth.strokes if s.grid == grid}
        assert {key: len(values) for key, values in logged(survey, grid).items()} == lengths
        assert sum(line < 900 for line, _ in lengths) == layout.lines
    assert not laws.CASES[name].twin or laws.CASES[name].twin in laws.CASES


def test_seed_gives_the_survey():
    walk = laws.CASES["feature along an edge"].walk
    assert walk(3).files == walk(3).files
    assert walk(4).files != walk(3).files


@pytest.mark.parametrize("size", [1, 2, 4])
def test_reset_stands_in_the_log_from_its_time_on(size):
    reset, twin = laws.CASES[f"reset of {size}"].walk(1), laws.CASES["one grid"].walk(1)
    change = np.concatenate(list(logged(reset).values())) - np.concatenate(list(logged(twin).values()))
    time_s = np.concatenate([stroke.time_s for stroke in reset.truth.strokes])
    after = time_s > reset.truth.reset_s
    assert 0.3 < np.mean(after) < 0.7
    # Every second digit may be rounded the other way; seed 1 has digits of 0.01 to 0.1.
    np.testing.assert_allclose(change[~after], 0, atol=1e-9)
    np.testing.assert_allclose(np.abs(change[after]), size, atol=0.1 + 1e-9)
    assert np.isnan(twin.truth.reset_s)


def test_steps_stand_inside_their_lines_alone():
    stepped, twin = laws.CASES["steps inside lines"].walk(2), laws.CASES["one grid"].walk(2)
    change = survey_values(stepped) - survey_values(twin)
    lines = np.flatnonzero(np.abs(change).max(axis=1) > 1)
    assert len(lines) == len(stepped.truth.steps) == 3
    for row, step in zip(change[lines], stepped.truth.steps):
        on = np.abs(row) > 1
        # From its beginning up to the end of the line.
        assert not on[0]
        assert on[-1]
        assert np.count_nonzero(np.diff(on.astype(int))) == 1
        np.testing.assert_allclose(row[on], step.size, atol=0.1 + 1e-9)
    assert np.abs(np.delete(change, lines, axis=0)).max() == 0


def test_readings_at_full_scale_are_counted():
    cut, whole = laws.CASES["full scale"].walk(4), laws.CASES["full scale, not reached"].walk(4)
    scale, values = cut.truth.scale["eca_10"], survey_values(cut)
    at_scale = np.isclose(values, scale, atol=0.005)
    assert values.max() == pytest.approx(scale, abs=0.005)
    assert np.count_nonzero(at_scale) == len(cut.truth.clipped())
    # One in a hundred, and those that the last digit puts on the scale.
    assert 0.01 * values.size <= np.count_nonzero(at_scale) < 0.03 * values.size
    np.testing.assert_array_equal(survey_values(whole)[~at_scale], values[~at_scale])
    assert survey_values(whole).max() > scale + 1


def test_lag_is_a_time():
    walked = np.arange(100) * 0.2
    # At 0.2 m a reading and 0.25 s a reading, 0.5 s are two readings: 0.4 m.
    np.testing.assert_allclose(walking.late(walked, 0.25, 0.5), walked - 0.4, atol=1e-12)
    survey = laws.CASES["lag by channel"].walk(6)
    line = survey.truth.strokes[0]
    behind = line.places["eca_10"][1] - line.places["eca_05"][1]
    speed = np.ptp(line.places["eca_10"][1]) / np.ptp(line.time_s)
    assert np.mean(behind) == pytest.approx(0.25 * speed, rel=0.05)


def test_missed_beat_moves_the_rest_of_a_line_by_a_pace():
    gait = replace(walking.PERFECT, missed=1.0)
    for seed in range(5):
        walked = walking.progress(gait, 0.125, 160, 0, np.random.default_rng(seed))
        off = walked - (np.arange(160) + 0.5) * 0.125
        jump = np.diff(off)
        assert np.count_nonzero(np.abs(jump) > 1e-9) == 1
        assert 0.7 <= np.abs(jump).max() <= 1.1


def test_geology_has_the_spread_that_is_drawn():
    for seed in range(6):
        ground = laws.geology(20.0, 20.0, np.random.default_rng(seed))
        # 0.4 to 1.4 mS/m, times the spread of a marginal: of exp(0.6 z) / 0.8 it is 0.9 for a normal z (log-normal
        # distribution), of z^2 / sqrt(2) it is 1, of tanh(1.5 z) / 0.7 it is about 1; a
        # field that varies slowly is not quite normal.
        assert 0.3 < ground.geology.std() < 2.2
        # 15 mS/m times exp of a normal number of sd 0.4, four of them at most, and what is drawn on it.
        assert 3.0 < np.median(ground.geology) < 75.0


def test_coils_see_farther_along_the_walk():
    point = np.zeros((161, 161))
    point[80, 80] = 1.0
    seen = ground_module.blurred(point, along_u=True)
    assert seen.sum() == pytest.approx(1, abs=1e-3)
    away = (np.arange(161) - 80) * ground_module.CELL_M
    along, across = (np.sum(seen.sum(axis=1 - k) * away**2) for k in (0, 1))
    # A mixture's variance is the mean of its parts' (any textbook of probability); scipy ends Gaussians at 4 sd.
    for found, k in ((along, 1), (across, 2)):
        assert found == pytest.approx(sum(part[0] * part[k] ** 2 for part in ground_module.SEEN), rel=0.01)
    np.testing.assert_allclose(ground_module.blurred(point, along_u=False), seen.T, atol=1e-12)
