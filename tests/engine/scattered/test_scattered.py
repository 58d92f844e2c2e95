"""Scattered points onto a raster: which cells are filled, and how far their errors may be trusted."""

import numpy as np
import pytest
from turnrow.processing_provider.engine.core.errors import EngineError
from turnrow.processing_provider.engine.core.readings import Readings, concatenate
from turnrow.processing_provider.engine.geometry.lattice import Lattice
from turnrow.processing_provider.engine.interpolate.interpolate import interpolate_readings
from turnrow.processing_provider.engine.scattered import scattered

METHODS = ("minimum curvature", "kriging")


def ground(x, y):
    return 15 + 2 * np.sin(x / 2.5) * np.cos(y / 3)


def walked(spacing=0.5, noise=0.1, seed=0, corner=(0.0, 0.0), name="A"):
    rng = np.random.default_rng(seed)
    u, v = (a.ravel() for a in np.meshgrid(np.arange(spacing / 2, 15, spacing), np.arange(0.1, 15, 0.2), indexing="ij"))
    x, y = u + corner[0], v + corner[1]
    z = ground(x, y) + noise * rng.normal(size=len(u))
    return Readings.build(np.rint(u / spacing + 0.5).astype(int), {"eca": z}, grids=(name,), u_m=u, v_m=v, x=x, y=y)


def truth(lattice):
    return ground(lattice.x[None, :], lattice.y[:, None])


@pytest.mark.parametrize("method", METHODS)
def test_ground_between_lines_is_found_with_its_error(method):
    lattice = Lattice.covering(0, 0, 15, 15, 0.25)
    covered, wrong = [], []
    for seed in range(3):
        result = interpolate_readings(walked(1.0, seed=seed), "eca", lattice, method=method)
        off = np.abs(result.values - truth(lattice))
        covered.append(np.mean(off < 2 * result.standard_error))
        wrong.append(np.sqrt(np.mean(off**2)))
    # Normal errors lie within two standard errors 95 times of 100; error between lines is guessed on the safe side.
    assert 0.88 < np.mean(covered)
    assert np.mean(wrong) < 0.15


@pytest.mark.parametrize("method", METHODS)
def test_points_need_no_lines(method):
    rng = np.random.default_rng(4)
    x, y = rng.uniform(0, 20, (2, 900))
    readings = Readings.build(np.zeros(900, int), {"eca": ground(x, y)}, x=x, y=y)
    lattice = Lattice.covering(2, 2, 18, 18, 0.5)
    result = interpolate_readings(readings, "eca", lattice, method=method)
    off = (result.values - truth(lattice))[np.isfinite(result.values)]
    assert len(off) > 0.9 * lattice.rows * lattice.cols
    assert np.sqrt(np.mean(off**2)) < 0.1
    assert result.record.figures["readings used"] == 900


@pytest.mark.parametrize("turn_deg", [0.0, 30.0, 110.0])
def test_the_axis_of_the_variogram_is_the_direction_of_the_traverses(turn_deg):
    """Turned by an angle against the clock, traverses that led north lead that angle west of it."""
    readings, angle = walked(), np.radians(turn_deg)
    x = np.cos(angle) * readings.u_m - np.sin(angle) * readings.v_m
    y = np.sin(angle) * readings.u_m + np.cos(angle) * readings.v_m
    azimuth = scattered._azimuth(readings.replace(x=x, y=y))
    assert np.exp(1j * azimuth) == pytest.approx(np.exp(-1j * angle), abs=1e-9)


@pytest.mark.parametrize("spacing", [0.25, 0.5, 0.75])
def test_distance_between_lines_is_reported(spacing):
    result = interpolate_readings(walked(spacing), "eca", Lattice.covering(0, 0, 15, 15, 0.5), method=METHODS[0])
    assert result.record.figures["spacing_m"] == pytest.approx(spacing, abs=1e-6)


@pytest.mark.parametrize("noise", [0.1, 0.5])
@pytest.mark.parametrize("lines", [True, False])
def test_two_standard_errors_of_a_surface_cover_the_truth(lines, noise):
    """Normal errors lie within two standard errors 95 times of 100."""
    lattice, covered = Lattice.covering(1, 1, 14, 14, 0.25), []
    for seed in range(3):
        readings = walked(noise=noise, seed=seed)
        if not lines:
            x, y = np.random.default_rng(seed).uniform(0, 15, (2, 900))
            z = ground(x, y) + noise * np.random.default_rng(seed + 9).normal(size=900)
            readings = Readings.build(np.zeros(900, int), {"eca": z}, x=x, y=y)
        result = interpolate_readings(readings, "eca", lattice, method="minimum curvature")
        known = np.isfinite(result.values)
        covered.append(np.mean((np.abs(result.values - truth(lattice)) < 2 * result.standard_error)[known]))
    assert 0.90 < np.mean(covered) < 0.99


def off_by_error(readings, lattice, ground, chosen):
    """Error by standard error of chosen cells of a minimum-curvature surface."""
    result = interpolate_readings(readings, "eca", lattice, method="minimum curvature")
    x, y = np.meshgrid(lattice.x, lattice.y)
    inner = chosen(x, y) & (np.minimum(x, y) > 1) & (np.maximum(x, y) < 19) & np.isfinite(result.values)
    return ((result.values - ground.at(x, y)) / result.standard_error)[inner]


def is_honest(off):
    """Two standard errors hold 95 of 100 normal errors, and the mean square is 1. Ground that is rough in few places
    has errors that are not normal; 0.7 to 1.4 is a fifth off in the standard error either way, twice is 0.25."""
    return 0.90 < np.mean(np.abs(off) < 2) < 0.985 and 0.7 < np.mean(off**2) < 1.4


@pytest.mark.parametrize("noise", [0.05, 0.15])
@pytest.mark.parametrize("cell_m", [0.5, 0.25])
@pytest.mark.parametrize("kind", ["geology", "site"])
def test_standard_errors_across_lines_that_are_missing_are_honest(walk, kind, cell_m, noise):
    lattice, off = Lattice.covering(0, 0, 20, 20, cell_m), []
    missing = np.arange(5, 38, 4)
    for seed in range(2000, 2010):
        rng = np.random.default_rng(seed)
        ground = getattr(walk, kind)(20.0, rng)
        readings = walk.walk(ground, rng, walk.Faults(noise=noise)).readings
        across = (missing - 0.5) * 0.5

        def bridged(x, y, across=across):
            return np.abs(x[..., None] - across).min(axis=-1) < 0.26

        off.append(off_by_error(readings.take(~np.isin(readings.line, missing)), lattice, ground, bridged))
    assert is_honest(np.concatenate(off))


@pytest.mark.parametrize("spacing", [0.5, 1.0])
@pytest.mark.parametrize("offset", [0.0, 0.125])
def test_noise_alone_is_in_the_standard_error(walk, spacing, offset):
    """On level ground all error is noise."""
    level, off = walk.Field(20.0), []
    lattice = Lattice.covering(offset, 0, 20 + offset, 20, 0.25)
    for seed in range(2000, 2006):
        rng = np.random.default_rng(seed)
        readings = walk.walk(level, rng, walk.Faults(noise=0.3), spacing=spacing).readings
        off.append(off_by_error(readings, lattice, level, lambda x, y: x > 0))
    assert is_honest(np.concatenate(off))


@pytest.mark.parametrize("method", METHODS)
def test_cells_far_from_readings_are_left_empty(method):
    readings = walked()
    hole = (np.abs(readings.x - 7) < 2.5) & (np.abs(readings.y - 7) < 2.5)
    lattice = Lattice.covering(0, 0, 15, 15, 0.25)
    values = interpolate_readings(readings.take(~hole), "eca", lattice, method=method, max_gap_m=1.0).values
    x, y = np.meshgrid(lattice.x, lattice.y)
    away = np.min(np.hypot(x[..., None] - readings.x[~hole], y[..., None] - readings.y[~hole]), axis=-1)
    np.testing.assert_array_equal(np.isfinite(values), away <= 1.0)


def test_distant_grids_have_surfaces_of_their_own():
    near, far = walked(noise=0.0), walked(noise=0.0, corner=(1800.0, 1800.0), name="B")
    lattice = Lattice.covering(0, 0, 1820, 1820, 0.25)
    both = interpolate_readings(concatenate([near, far]), "eca", lattice, method="minimum curvature")
    assert len(both.value_blocks.blocks) <= 4
    small = lattice.sub(lattice.window(0, 0, 15, 15))
    alone = interpolate_readings(near, "eca", small, method="minimum curvature").values
    row0, row1, col0, col1 = lattice.window(0, 0, 15, 15)
    together = both.value_blocks.window(row0, row1, col0, col1)
    inner = slice(8, -8), slice(8, -8)
    # One surface ends at the lattice, the other two cells beyond; both are solved to about 1e-3 of the range of 4.
    assert np.nanmax(np.abs(together - alone)[inner]) < 0.01


@pytest.mark.parametrize("method", METHODS)
def test_errors_of_corrections_come_on_top(method):
    readings = walked()
    lattice = Lattice.covering(0, 0, 15, 15, 0.5)
    plain = interpolate_readings(readings, "eca", lattice, method=method).standard_error
    with_error = readings.replace(se={"eca": np.full(len(readings), 0.4)})
    total = interpolate_readings(with_error, "eca", lattice, method=method).standard_error
    np.testing.assert_allclose(total, np.hypot(plain, 0.4), rtol=1e-9)


def test_too_few_readings_fail_in_a_sentence():
    readings = walked().take(np.arange(9))
    with pytest.raises(EngineError, match="9 readings of eca .* at least 10"):
        interpolate_readings(readings, "eca", Lattice.covering(0, 0, 5, 5, 0.5), method="kriging")


def questions(readings, cell_m, method):
    """The fractions that the work reports; it may be ended at each."""
    fractions = []
    lattice = Lattice.covering(0, 0, 15, 15, cell_m)
    interpolate_readings(readings, "eca", lattice, method=method, progress=fractions.append)
    assert fractions == sorted(fractions)
    assert 0.0 <= fractions[0] < fractions[-1] <= 1.0
    return np.array(fractions)


def test_a_surface_asks_at_every_step_of_its_solution():
    # Conjugate gradients take more steps the more cells there are, and each of them asks.
    few, many = (questions(walked(1.0), cell_m, "minimum curvature") for cell_m in (0.5, 0.125))
    assert len(few) > 30
    assert len(many) > 1.5 * len(few)
    assert np.diff(many).max() < 0.15


def test_kriging_asks_while_it_chooses_the_variogram():
    fractions = questions(walked(1.0), 0.5, "kriging")
    # Once a class of distance, a model, and a model and turn of readings left out, before the first cell.
    assert np.count_nonzero(fractions < scattered.CHOICE) > 20
    assert np.diff(fractions).max() < 0.15
