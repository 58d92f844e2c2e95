"""Lines read on one spot."""

import numpy as np
import pytest
from turnrow.processing_provider.engine.core.scheme import Scheme
from turnrow.processing_provider.engine.mistakes.detect import possible_mistakes
from turnrow.processing_provider.engine.mistakes.stationary import still_lines

SCHEME = Scheme(grid="A", length_m=20, width_m=20, spacing_m=0.5, readings_per_m=8)
STEP = 0.125


def with_still_line(walk, line, seed=1):
    """An ordinary walk over geology in which one line was read on one spot, while the level drifts by 0.3 mS/m."""
    rng = np.random.default_rng(seed)
    readings = walk.walk(walk.site(20.0, rng), rng, walk.usual(0.3)).readings
    rows = np.flatnonzero(readings.line == line)
    values = readings.channels["eca"].copy()
    values[rows] = 15.0 + np.linspace(0.0, 0.3, len(rows)) + rng.normal(0, 0.15, len(rows))
    return readings.replace(channels={"eca": values})


@pytest.mark.parametrize("line", [1, 2, 20, 40])
def test_line_read_on_one_spot_is_found(walk, line):
    (mistake,) = [d for d in possible_mistakes(with_still_line(walk, line), SCHEME) if d.finding.line == line]
    assert mistake.finding.code == "line-strange"
    assert "hardly change along the line" in mistake.finding.found
    assert [(p.line, p.note.kind) for p in mistake.proposals] == [(line, "dummy")]
    assert mistake.certainty > 0.9


def test_flat_ground_is_no_standing_still():
    noise = np.random.default_rng(2).normal(0, 0.15, (20, 160))
    assert still_lines(noise, STEP) == []
    # A pit that one line crosses does not make its neighbours dummies.
    noise[10, 70:90] += 3.0
    assert still_lines(noise, STEP) == []


def test_flat_ground_beside_features_is_no_standing_still():
    """Without noise, the flank of a swell of 3 mS/m along the lines' middle fades to nothing at the first lines."""
    u, v = np.arange(20)[:, None] * 0.5, np.arange(160) * STEP
    ground = 3.0 * np.exp(-((u - 8.0) ** 2) / 4.0) * np.exp(-((v - 10.0) ** 2) / 8.0)
    assert still_lines(ground, STEP) == []
    assert still_lines(np.full((20, 160), 15.0), STEP) == []


def test_gaps_and_short_lines_tell_nothing():
    matrix = np.random.default_rng(3).normal(0, 1.0, (9, 160)).cumsum(axis=1)
    matrix[4] = np.nan
    matrix[5, 20:] = np.nan
    matrix[5, :20] = 0.0
    assert still_lines(matrix, STEP) == []
    assert still_lines(np.zeros((0, 0)), STEP) == []
