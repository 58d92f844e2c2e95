"""The adjustment of the mosaic against the stated model, solved directly.

The model of docs/methods/balance-grids.md is written down with dense matrices over all pieces of all seams of a small
mosaic: everything but the levels of the grids and the reading of the base spot is put into the covariance of the steps,
and the levels follow by generalised least squares (Aitken 1936; Rao, Linear Statistical Inference, 1973, section 4a).
"""

import numpy as np
import pytest
from turnrow.processing_provider.engine.core.readings import concatenate
from turnrow.processing_provider.engine.mosaic import adjustment, normal_equations
from turnrow.processing_provider.engine.mosaic.base_stations import BaseStations
from turnrow.processing_provider.engine.mosaic.borders import borders_of
from turnrow.processing_provider.engine.mosaic.cosine_modes import waves_of
from turnrow.processing_provider.engine.mosaic.edge_steps import seams_of
from turnrow.processing_provider.engine.mosaic.line_segments import segments_of, variogram_of
from turnrow.processing_provider.engine.mosaic.observations import ALONG_BORDER, Terms, steps_of

GRIDS, COSINES = 4, 8
NOISE, SCATTER, DRIFT, FRACTION = 1.3, 0.8, 0.5, 0.2
FRACTION_VARIANCE = 0.5**2 * FRACTION * (1 - FRACTION)
WEIGHT = np.array([1.0, 2.0, 3.0, 4.0])


@pytest.fixture(scope="module")
def mosaic(walk):
    """Segments and seams of two by two grids of 10 m, in units of the signal's roughness."""
    walks = walk.block(np.random.default_rng(5), walk.usual(0.3), across=2, size_m=10.0, level=1.0)
    segments = segments_of(concatenate([w.readings for w in walks]), "eca")
    nugget, factor = variogram_of(segments)
    unit = np.sqrt(nugget + factor)
    segments = segments.in_units_of(unit)
    return segments, list(seams_of(segments, nugget / unit**2, factor / unit**2))


def coefficients(segments, seams):
    """Steps d (N,), and what each level (N, G) and each cosine of a grid's drift (N, G, COSINES) adds to them."""
    steps, levels, cosines = [], [], []
    for seam in seams:
        for of_piece, weight in zip(seam.segment, seam.weight):
            steps.append(weight @ segments.value[of_piece])
            level, modes = np.zeros(GRIDS), np.zeros((GRIDS, COSINES))
            for row, one in zip(of_piece, weight):
                level[segments.grid[row]] += one
                modes[segments.grid[row]] += one * np.cos(np.pi * np.arange(1, COSINES + 1) * segments.across[row])
            levels.append(level)
            cosines.append(modes)
    return np.array(steps), np.array(levels), np.array(cosines)


def covariance(segments, seams, cosines, wave):
    """Covariance (N, N) of the steps: pieces, lines, seams, borders, drift and its fraction of the waves."""
    sizes = [len(seam.variance) for seam in seams]
    of_seam = np.repeat(np.arange(len(seams)), sizes)
    total = np.diag(np.concatenate([NOISE * seam.variance / seam.count for seam in seams]))
    for number, seam in enumerate(seams):
        shares = np.zeros((len(seam.variance), segments.line.max() + 1))
        for piece, (of_piece, weight) in enumerate(zip(seam.segment, seam.weight)):
            np.add.at(shares[piece], segments.line[of_piece], weight * segments.error[of_piece])
        mine = np.ix_(of_seam == number, of_seam == number)
        total[mine] += SCATTER * shares @ shares.T + (1 - ALONG_BORDER) * seam.common
    along = np.sqrt(ALONG_BORDER * np.array([seam.common for seam in seams]))[of_seam]
    border = borders_of(segments, seams)[of_seam]
    total += np.where(border[:, None] == border, np.outer(along, along), 0.0)
    for n in range(COSINES):
        alike = np.eye(GRIDS) + normal_equations.SHARED
        total += DRIFT / (n + 1) ** 2 * cosines[:, :, n] @ alike @ cosines[:, :, n].T
    waves = np.einsum("igm,gm->i", cosines, wave)
    return total + FRACTION_VARIANCE * np.outer(waves, waves), waves


def direct(mosaic, wave, held, stations=None):
    """Levels (G,) and their covariance (G, G) by generalised least squares; ``held`` (G, G) takes off what stays."""
    segments, seams = mosaic
    steps, levels, cosines = coefficients(segments, seams)
    total, waves = covariance(segments, seams, cosines, wave)
    steps = steps - FRACTION * waves
    design = levels[:, 1:]
    if stations is not None:
        # A base reading is the level of its grid and what the spot reads.
        known = stations.known
        design = np.block([
            [design, np.zeros((len(steps), 1))],
            [np.eye(GRIDS)[known][:, 1:], np.ones((known.sum(), 1))],
        ])  # fmt: skip
        steps = np.concatenate([steps, stations.level[known]])
        total = np.block([
            [total, np.zeros((len(total), known.sum()))],
            [np.zeros((known.sum(), len(total))), np.diag(stations.variance[known])],
        ])  # fmt: skip
    precision = design.T @ np.linalg.inv(total) @ design
    found = np.linalg.solve(precision, design.T @ np.linalg.solve(total, steps))[: GRIDS - 1]
    spread = np.zeros((GRIDS, GRIDS))
    spread[1:, 1:] = np.linalg.inv(precision)[: GRIDS - 1, : GRIDS - 1]
    return held @ np.append(0.0, found), held @ spread @ held.T


def adjusted(mosaic, wave, fixed, stations=None):
    segments, seams = mosaic
    terms = Terms(np.zeros((len(segments), 0)), np.zeros((GRIDS, 0)), np.ones(GRIDS, bool))
    steps = steps_of(segments, seams, terms, wave, -1)
    piece = np.where(steps.known, NOISE * steps.variance / steps.count, 1.0)
    inverse = adjustment._inverse(steps, piece, steps.common, SCATTER)
    group, border = np.zeros(GRIDS, int), np.ones(steps.border.max() + 1)
    normal = normal_equations.NormalEquations(steps, inverse, terms, group, DRIFT, FRACTION, border, stations)
    return normal.levels(WEIGHT, fixed)


@pytest.mark.parametrize("with_stations", [False, True])
@pytest.mark.parametrize("fixed", [-1, 2])
def test_levels_are_those_of_the_model_solved_directly(mosaic, fixed, with_stations):
    wave = waves_of(mosaic[0], GRIDS)
    stays = WEIGHT / WEIGHT.sum() if fixed < 0 else np.eye(GRIDS)[fixed]
    stations = None
    if with_stations:
        stations = BaseStations(np.array([3.0, 2.5, np.nan, 3.4]), np.array([0.01, 0.02, np.nan, 0.01]), 1.0)
    expected, spread = direct(mosaic, wave, np.eye(GRIDS) - stays, stations)
    found = adjusted(mosaic, wave, fixed, stations)
    # Least variances of 1e-6 in the code keep its sparse system solvable.
    np.testing.assert_allclose(found.value[:, 0], expected, atol=1e-4)
    np.testing.assert_allclose(found.covariance[:, 0, 0], np.diag(spread), rtol=1e-3, atol=1e-9)


def test_the_reference_notices_a_level_that_moved(mosaic):
    segments, seams = mosaic
    wave = waves_of(segments, GRIDS)
    held = np.eye(GRIDS) - WEIGHT / WEIGHT.sum()
    plain, _ = direct(mosaic, wave, held)
    moved = segments.in_units_of(1.0)
    moved.value[segments.grid == 3] += 2.0
    raised, _ = direct((moved, seams), wave, held)
    np.testing.assert_allclose(raised - plain, 2.0 * held[:, 3], atol=1e-9)
