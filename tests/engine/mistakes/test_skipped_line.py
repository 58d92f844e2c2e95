"""A line left out on the way, told by the features that cross the lines, where the log is one line short."""

import numpy as np
import pytest
from turnrow.processing_provider.engine.compare.compare import compare_notes
from turnrow.processing_provider.engine.core.notes import Note
from turnrow.processing_provider.engine.core.scheme import Scheme
from turnrow.processing_provider.engine.mistakes import spacing_by_shape as shapes
from turnrow.processing_provider.engine.mistakes.detect import possible_mistakes
from turnrow.processing_provider.engine.mistakes.skipped_line import last_line_missing

SITES = range(300, 310)
SCHEME = Scheme(grid="A", length_m=20, width_m=20, spacing_m=0.5, readings_per_m=8)


def walked(walk, ground, rng, faults, left_out=None):
    """A grid of 40 lines without the last one; from line ``left_out`` on all lie a spacing farther than recorded."""

    class Elsewhere(walk.Field):
        def at(self, u, v):
            line = np.rint(u / 0.5 + 0.5)
            return super().at(u + np.where(line >= (left_out or 99), 0.5, 0.0), v)

    readings = walk.walk(Elsewhere(20.0, ground.values), rng, faults).readings
    return readings.take(readings.line < 40)


def on_site(walk, seed, left_out=None):
    rng = np.random.default_rng(seed)
    return walked(walk, walk.site(20.0, rng), rng, walk.usual(0.3), left_out)


def careful(walk):
    """Walked without errors along the lines, with the usual noise."""
    return walk.Faults(noise=0.15, stripe=0.5)


def skips(readings, notes=()):
    return [d for d in possible_mistakes(readings, SCHEME, notes) if d.finding.code == "line-skipped"]


@pytest.mark.parametrize("line", [9, 20, 31])
def test_line_left_out_of_busy_ground_is_found(walk, line):
    readings = walked(walk, walk.busy(), np.random.default_rng(1), careful(walk), left_out=line)
    (mistake,) = skips(readings)
    assert line in mistake.among
    assert len(mistake.among) <= 5
    finding = mistake.finding
    assert (finding.severity, finding.walk_again) == ("warning", False)
    # The last line in the log lies at 19.25 m as recorded, and truly where line 40 would be.
    assert "Measure with a tape where line 39 lies. At 19.25 m" in finding.advice
    assert "At 19.75 m a line was left out" in finding.advice
    assert told(mistake) >= 0.3
    shares = [float(part.split("of ")[-1]) for part in finding.found.split("%")[:-1]]
    # Each of three is rounded to a whole percent.
    assert sum(shares) == pytest.approx(100, abs=1.5)
    assert "none but the last, line 40" in finding.found


def test_proposals_move_all_lines_behind_the_gap(walk):
    readings = walked(walk, walk.busy(), np.random.default_rng(1), careful(walk), left_out=20)
    (mistake,) = skips(readings)
    # (line + 0.5) / 2: a spacing beyond (line - 0.5) / 2, where it is recorded.
    assert [(p.line, p.note.position_m) for p in mistake.proposals] == [
        (n, (n + 0.5) / 2) for n in range(mistake.finding.line, 40)
    ]
    assert 0 < mistake.certainty <= 1


def test_busy_ground_clears_lines_that_lie_right(walk):
    readings = walked(walk, walk.busy(), np.random.default_rng(1), careful(walk))
    assert skips(readings) == []


def told(mistake):
    return float(mistake.finding.found.split("probability of ")[1].split("%")[0]) / 100


def test_lines_left_out_of_ordinary_sites(walk):
    found, least = 0, []
    for seed in range(300, 316):
        for mistake in skips(on_site(walk, seed, left_out=18)):
            found += 18 in mistake.among
            least.append(told(mistake))
            assert mistake.finding.line in mistake.among
            assert len(mistake.among) <= 5
    # At 50 % detection 4 of 16 or fewer have a chance of 4 %.
    assert found >= 5
    # From 20 % on, in whole percent.
    assert min(least) >= 0.195


def test_last_line_not_walked_is_told_with_little_probability(walk):
    stated = [told(d) for seed in SITES for d in skips(on_site(walk, seed))]
    # Where both cases are as frequent half of all probability is that of a line left out, and most of it is where one
    # was: grids without one have less than half each, so of ten 5 together is more than chance gives.
    assert sum(stated) < 0.5 * len(SITES)
    assert sum(p >= 0.5 for p in stated) <= 3


def test_nothing_is_said_when_the_notes_speak_of_the_last_line(walk):
    readings = walked(walk, walk.busy(), np.random.default_rng(1), careful(walk), left_out=20)
    assert skips(readings)
    assert skips(readings, [Note("A", 40, kind="obstacle")]) == []


def test_ground_without_contrast_tells_nothing(walk):
    flat = walked(walk, walk.Field(20.0), np.random.default_rng(1), careful(walk))
    assert skips(flat) == []


def test_only_the_last_line_may_be_missing(walk):
    whole = walk.walk(walk.Field(20.0), np.random.default_rng(1), walk.Faults()).readings
    assert not last_line_missing(whole, SCHEME)
    assert last_line_missing(whole.take(whole.line < 40), SCHEME)
    assert not last_line_missing(whole.take(whole.line != 12), SCHEME)
    assert not last_line_missing(whole.take((whole.line < 40) & (whole.line != 12)), SCHEME)
    beyond = whole.take(whole.line < 40).replace(line=np.where(whole.line == 5, 41, whole.line)[whole.line < 40])
    assert not last_line_missing(beyond, SCHEME)
    # Begun at the far edge, the line that is missing would be line 1.
    assert not last_line_missing(whole.take(np.flatnonzero(whole.line < 40)[::-1]), SCHEME)


def test_missing_last_line_tells_both_possibilities(walk):
    whole = walk.walk(walk.Field(20.0), np.random.default_rng(1), walk.Faults()).readings
    (last,) = [f for f in compare_notes(whole.take(whole.line < 40), SCHEME, []) if f.code == "line-missing"]
    assert "First measure where line 39 lies: if not at 19.25 m but one spacing farther" in last.advice
    inner = [f for f in compare_notes(whole.take(whole.line != 12), SCHEME, []) if f.code == "line-missing"]
    assert [f.line for f in inner] == [12]
    assert "First measure" not in inner[0].advice


def matrix_of(seed=3, lines=14, count=160):
    """Smooth random lines with noise, 8 readings a metre."""
    from scipy.ndimage import gaussian_filter

    rng = np.random.default_rng(seed)
    return gaussian_filter(rng.normal(size=(lines, count)), (1.0, 5.0)) * 20 + rng.normal(0, 0.1, (lines, count))


SINGLE = 0.005
"""Error of a gain. Derived: in single precision (1e-7) a density of some hundreds is right to 1e-4, and some thirty
tiles are summed."""


def gains(matrix, places="skipped", place=None):
    place = np.arange(len(matrix), dtype=float) if place is None else place
    return shapes.ShapeEvidence(matrix, place, 0.125, 0.5, shapes.LOGGED_M).gains(places)


def test_levels_of_lines_and_the_unit_of_the_readings_tell_nothing():
    matrix = matrix_of()
    before = matrix.copy()
    plain = gains(matrix)
    np.testing.assert_array_equal(matrix, before)
    inside = slice(shapes.BLOCK // 2, len(matrix) - shapes.BLOCK // 2 + 1)
    assert np.isfinite(plain[inside]).all()
    assert np.isneginf(plain[: inside.start]).all()
    assert np.isneginf(plain[inside.stop :]).all()
    np.testing.assert_allclose(gains(7.0 * matrix), plain, atol=SINGLE)
    levels = np.random.default_rng(5).normal(0, 5, (len(matrix), 1))
    np.testing.assert_allclose(gains(matrix + levels)[inside], plain[inside], atol=SINGLE)


def test_mirrored_lines_mirror_the_gains():
    matrix = matrix_of()
    count = len(matrix)
    # Before line k there are as many lines as after it in the mirror: k -> count - k.
    plain, mirrored = gains(matrix), gains(matrix[::-1])
    np.testing.assert_allclose([mirrored[count - k] for k in range(4, count - 3)], plain[4 : count - 3], atol=SINGLE)
    on_last, on_next = gains(matrix, "on-last"), gains(matrix[::-1], "on-next")
    np.testing.assert_allclose([on_next[count - k] for k in range(4, count - 3)], on_last[4 : count - 3], atol=SINGLE)


def test_blocks_with_a_line_missing_tell_nothing():
    place = np.arange(20.0)
    place[12:] += 1
    told = np.isfinite(gains(matrix_of(lines=20), place=place))
    # Eight lines a spacing apart: 0 to 11 and 12 to 19.
    assert np.flatnonzero(told).tolist() == [4, 5, 6, 7, 8, 16]


def test_too_few_or_too_short_lines_tell_nothing():
    assert np.isneginf(gains(matrix_of(lines=7))).all()
    assert np.isneginf(gains(matrix_of(count=12))).all()


def test_blurred_shape_is_the_mean_over_places():
    # A Gaussian blurred by a Gaussian against its mean over a million random places; standard error below 0.001.
    spread, blur = np.array([[0.5, 0.2], [0.2, 0.3]]), np.diag([0.005, 0.072])
    away = np.array([[0.3, 0.6], [0.0, 0.0], [1.0, -0.4]])
    moved = away[:, None] + np.random.default_rng(1).normal(size=(1_000_000, 2)) * np.sqrt(np.diag(blur))
    direct = np.exp(-0.5 * np.einsum("...i,ij,...j->...", moved, np.linalg.inv(spread), moved, optimize=True))
    np.testing.assert_allclose(shapes._gaussian(*away.T, spread, blur), direct.mean(axis=1), atol=0.002)
