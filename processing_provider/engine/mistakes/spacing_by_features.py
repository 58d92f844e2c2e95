"""Long features followed from line to line: where they break off, lines lie farther on or nearer than recorded."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Iterator, Optional, Sequence

import numpy as np

from ..core import band_pass, walk_shapes

GROUND_M = 1.5
"""Swells longer than this (standard deviation) are no feature that can be followed."""
SEED_LINES, SEED_M = 11, 0.25
"""Lines that a straight piece of a feature must cross for it to be followed, and the step along them."""
STEEPEST, SLANT_STEP = 2.6, 0.2
"""Slants that are looked for, metres along the traverse for each metre across: up to the first, in steps of the
second. Steeper features hardly cross the lines."""
ALIKE = 0.5
"""Share of the power of such a piece that its mean profile must explain."""
FAINT = 0.15
"""Least power of the mean profile, in those of the whole grid."""
MOST = 12
"""Features that are followed in a grid."""
TRIED = 40
"""Pieces from which following is tried."""
ZONE_M = 1.0
"""Nearer to each other than this two features are one."""
PROFILE_M = 1.0
"""Half of the length of the profile that is looked for on the next line."""
FADE_M, AGAIN_M = 0.5, 0.5
"""Length over which a profile fades out when it is taken off, and how far off it is looked for once more."""
LEAST_LIKENESS = 0.6
"""Correlation with the profile from which on it is found."""
SIZES = (0.35, 2.8)
"""How much fainter or stronger a feature may be on a line than on average."""
REACH_M, REACH_SPACINGS = 0.4, 0.6
"""The profile is looked for so far from where it is foretold: by walking, and by a line that lies a spacing off."""
LEASH = 0.4
"""What the correlation loses at a metre from where the profile is foretold, by the square."""
LOOK_BACK = 8
"""Lines from which the next place of a feature is foretold."""
STIFF_M = 0.5
"""The slant of the first piece counts as much as one line so far away does."""
GIVEN_UP = 3
"""Lines without the feature after which it has ended."""
LEAST_LINES = 12
"""Shorter features tell no slant."""
MEASURED_M = 0.12
"""Least standard error of a measured place: features are not of one profile on all lines."""
SLANT, ANYWHERE_M = 1.5, 2.0
"""Standard deviations of slant and place of a feature."""
BOW_M, BOW_LENGTH_M = 0.3, 6.0
"""Features are as straight as this standard deviation from a straight line says, over this length (common practice,
no source)."""
NODE_M = 0.375


@dataclass(frozen=True)
class Track:
    """A feature that crosses n lines.

    Attributes
    ----------
    line : (n,) int
        Places of the lines among those of the matrix, ascending.
    v_m : (n,) float
        Where it crosses them, metres from the first column of the matrix.
    variance : (n,) float
        Of that, in square metres, by measuring alone: how the lines were walked is not in it.
    """

    line: np.ndarray
    v_m: np.ndarray
    variance: np.ndarray


@dataclass(frozen=True)
class _Found:
    """A profile found on a line: the column, its variance in square metres, and how strong it is there."""

    column: float
    variance: float
    size: float


def tracks_of(matrix: np.ndarray, u_m: np.ndarray, step_m: float) -> list[Track]:
    """Return the features that can be followed from line to line, the clearest first.

    Parameters
    ----------
    matrix : (L, V) float
        Lines side by side in the order recorded, after the common lag; NaN where there are no readings.
    u_m : (L,) float
        Where the lines lie across as recorded, metres, ascending.
    step_m : float
        Between readings.

    Notes
    -----
    Where some lines show one profile along a straight line aslant, that profile is looked for on the next line and the
    next, near where the places found so far foretell it, both ways until it is lost. Where features cross each other
    they hide each other: each is measured once more with all others taken off.
    """
    band = band_pass(matrix, step_m, GROUND_M)
    taken, tried = np.zeros((2, *band.shape), bool)
    found, count = [], 0
    for row, column, slant in _seeds(band, u_m, step_m):
        piece = _near(np.arange(max(0, row - 2), min(len(band), row + 3)), row, column, slant, u_m / step_m, band.shape)
        if np.mean((taken | tried)[piece]) > 0.3:
            continue
        count += 1
        hits = _follow(band, u_m, step_m, row, column, slant)
        _mark(tried, *piece, round(ZONE_M / 2 / step_m))
        crossed = np.array(sorted(hits), int), np.array([round(hits[i].column) for i in sorted(hits)], int)
        if len(hits) >= LEAST_LINES and np.mean(taken[crossed]) <= 0.4:
            found.append(hits)
            _mark(taken, *crossed, round(ZONE_M / step_m))
        if len(found) == MOST or count == TRIED:
            break
    alone = [hits for hits in _measured_alone(band, found, step_m) if len(hits) >= LEAST_LINES]
    return [_track(hits, step_m) for hits in alone]


def farther(tracks: Sequence[Track], u_m: np.ndarray, length_m: float, by_m: float) -> np.ndarray:
    """Return (L,) log likelihood gained when all lines from this one on lie ``by_m`` metres farther than recorded.

    Parameters
    ----------
    tracks : sequence of Track
    u_m : (L,) float
        Where the lines lie across as recorded, metres, ascending.
    length_m : float
        Of the lines.
    by_m : float
        Negative for lines that lie nearer.

    Notes
    -----
    Where a feature crosses a line is a Gaussian process: of the feature, which is straight but for a bow of ``BOW_M``
    over ``BOW_LENGTH_M``; of the walk of that line, which all features of it share (see ``walk_shapes``); and of
    measuring. A feature aslant breaks off where lines lie otherwise than recorded, and how far its slant tells.
    """
    gains = np.zeros(len(u_m))
    if not tracks:
        return gains
    owner = np.repeat(np.arange(len(tracks)), [len(t.line) for t in tracks])
    line, v, variance = (np.concatenate([getattr(t, n) for t in tracks]) for n in ("line", "v_m", "variance"))
    nodes = np.arange(0.0, max(length_m, 2 * NODE_M), NODE_M)
    walk = np.stack([np.interp(v, nodes, shape) for shape in walk_shapes(nodes).T], axis=1)
    walked = np.where(line[:, None] == line, walk @ walk.T, 0.0) + np.diag(variance)
    same = owner[:, None] == owner
    middle_u, middle_v = (np.array([np.mean(c[owner == k]) for k in range(len(tracks))])[owner] for c in (u_m[line], v))

    def likelihood(u: np.ndarray) -> float:
        away = u[line] - middle_u
        return _density(v - middle_v, walked + np.where(same, _straight(away), 0.0))

    recorded = likelihood(u_m)
    for k in range(1, len(u_m)):
        gains[k] = likelihood(u_m + by_m * (np.arange(len(u_m)) >= k)) - recorded
    return gains


def _straight(away: np.ndarray) -> np.ndarray:
    """Return (n, n) covariances of the places of a feature, ``away`` (n,) metres across from its middle."""
    bow = BOW_M**2 * np.exp(-((away[:, None] - away) ** 2) / (2 * BOW_LENGTH_M**2))
    return ANYWHERE_M**2 + SLANT**2 * away[:, None] * away + bow


def _density(error: np.ndarray, covariance: np.ndarray) -> float:
    from scipy.linalg import cholesky, solve_triangular

    root = cholesky(covariance, lower=True, check_finite=False)
    white = solve_triangular(root, error, lower=True, check_finite=False)
    return float(-0.5 * white @ white - np.sum(np.log(np.diag(root))))


def _seeds(band: np.ndarray, u_m: np.ndarray, step_m: float) -> Iterator[tuple[int, int, float]]:
    """Yield (row, column, slant) of straight pieces with one profile, the strongest first."""
    every = max(1, round(SEED_M / step_m))
    coarse = band[:, ::every]
    half, count = SEED_LINES // 2, coarse.shape[1]
    found = []
    for slant in np.arange(-STEEPEST, STEEPEST + 1e-6, SLANT_STEP):
        ahead = np.rint(slant * u_m / (every * step_m)).astype(int)
        ahead -= ahead.min()
        power = _piece_power(coarse, ahead, FAINT * np.mean(band**2))[half : len(band) - half : 2]
        top = (power > 0) & (power >= np.roll(power, 1, axis=1)) & (power >= np.roll(power, -1, axis=1))
        at, shifted = np.nonzero(top)
        row = half + 2 * at
        column = shifted - ahead.max() + ahead[row]
        inside = (column >= 0) & (column < count)
        found += zip(power[at, shifted][inside], row[inside].tolist(), (column * every)[inside].tolist(),
                     [float(slant)] * len(row))  # fmt: skip
    for _, row, column, slant in sorted(found, reverse=True):
        yield row, column, slant


def _piece_power(band: np.ndarray, ahead: np.ndarray, least: float) -> np.ndarray:
    """Return (L, W) power of the mean profile of the lines around each one, each moved back by ``ahead`` columns.

    Nothing where that explains too little, is faint or where lines are not known. Column c of line i is column
    c + max(ahead) - ahead_i.
    """
    from scipy.ndimage import uniform_filter1d

    moved, there = np.zeros((2, len(band), band.shape[1] + ahead.max()))
    place = (ahead.max() - ahead)[:, None] + np.arange(band.shape[1])
    np.put_along_axis(moved, place, band, axis=1)
    np.put_along_axis(there, place, 1.0, axis=1)
    mean, square, share = (uniform_filter1d(a, SEED_LINES, axis=0, mode="constant") for a in (moved, moved**2, there))
    mean = uniform_filter1d(mean**2, 3, axis=1)
    alike = mean / np.maximum(uniform_filter1d(square * share, 3, axis=1), 1e-12)
    return np.where((share > 0.8) & (alike > ALIKE) & (mean > least), mean * alike, 0.0)


def _near(rows: np.ndarray, row: int, column: int, slant: float, u: np.ndarray, shape) -> tuple[np.ndarray, np.ndarray]:
    """Return the rows and columns on a straight line through (row, column), those inside; ``u`` in columns."""
    columns = np.rint(column + slant * (u[rows] - u[row])).astype(int)
    inside = (columns >= 0) & (columns < shape[1])
    return rows[inside], columns[inside]


def _mark(mask: np.ndarray, rows: np.ndarray, columns: np.ndarray, around: int) -> None:
    for i, c in zip(rows.tolist(), columns.tolist()):
        mask[i, max(0, c - around) : c + around + 1] = True


def _follow(band, u_m: np.ndarray, step_m: float, row: int, column: int, slant: float) -> dict[int, _Found]:
    """Return where the feature that shows at a row and column crosses the lines."""
    half, u = round(PROFILE_M / step_m), u_m / step_m
    rows = np.arange(max(0, row - SEED_LINES // 2), min(len(band), row + SEED_LINES // 2 + 1))
    wide = np.pad(band, ((0, 0), (half, half)))
    rows, columns = _near(rows, row, column, slant, u, band.shape)
    profile = np.mean(wide[rows[:, None], columns[:, None] + np.arange(2 * half + 1)], axis=0)
    found: dict[int, _Found] = {}
    if abs(np.arange(-half, half + 1) @ profile**2) > half / 2 * np.sum(profile**2):
        # The edge of something else.
        return found
    reach = int(np.ceil((REACH_M + REACH_SPACINGS * abs(slant) * float(np.median(np.diff(u_m)))) / step_m))
    stiff = (STIFF_M / step_m) ** 2
    for rows in (range(row, len(band)), range(row - 1, -1, -1)):
        lost = 0
        for i in rows:
            expected = _foretold(found, i, u, slant, column + slant * (u[i] - u[row]), stiff)
            hit = _match(band[i], profile, expected, reach, step_m, LEASH)
            lost = lost + 1 if hit is None else 0
            if hit is not None:
                found[i] = hit
            if lost == GIVEN_UP:
                break
    return found


def _foretold(found: dict, i: int, u: np.ndarray, slant: float, straight: float, stiff: float) -> float:
    """Return the column where a feature should cross a line, by those nearest of the lines on which it was found.

    ``stiff`` is how much the slant of the piece counts, in squared columns.
    """
    near = sorted(found, key=lambda k: abs(k - i))[:LOOK_BACK]
    if len(near) < 4:
        return straight
    away, column = u[near] - u[i], np.array([found[k].column for k in near])
    normal = np.array([[len(near), away.sum()], [away.sum(), away @ away + stiff]])
    return float(np.linalg.solve(normal, [column.sum(), away @ column + stiff * slant])[0])


def _match(line, profile: np.ndarray, expected: float, reach: int, step_m: float, leash: float) -> Optional[_Found]:
    """Return where a line shows the profile near the expected column, None where it does not."""
    half, middle = len(profile) // 2, round(expected)
    tried = np.arange(max(middle - reach, half), min(middle + reach, len(line) - half - 1) + 1)
    if len(tried) < 3:
        return None
    own = line[tried[:, None] + np.arange(-half, half + 1)]
    product, power, norm = own @ profile, np.sum(own**2, axis=1), float(profile @ profile)
    likeness = product / np.sqrt(power * norm + 1e-12)
    k = int(np.argmax(likeness - leash * ((tried - expected) * step_m) ** 2))
    size = product[k] / max(norm, 1e-12)
    if likeness[k] < LEAST_LIKENESS or k in (0, len(tried) - 1) or not SIZES[0] < size < SIZES[1]:
        return None
    low, here, high = (power - 2 * size * product + size**2 * norm)[k - 1 : k + 2]
    bend = low - 2 * here + high
    share = np.clip(0.5 * (low - high) / bend, -1.0, 1.0) if bend > 0 else 0.0
    slope = size**2 * step_m * float(np.sum(np.gradient(profile, step_m) ** 2))
    # What is left is alike over about a metre.
    variance = max(here, 0.0) / len(profile) / max(slope, 1e-12) + MEASURED_M**2
    return _Found(float(tried[k] + share), variance, float(size))


def _measured_alone(band: np.ndarray, found: list[dict], step_m: float) -> Iterator[dict[int, _Found]]:
    """Yield where each feature crosses the lines, the others taken off."""
    half, reach = round(PROFILE_M / step_m), round(AGAIN_M / step_m)
    drawn = [_drawn(band.shape, hits, _profile(band, hits, step_m)) for hits in found]
    rest = band - sum(drawn)
    for hits, own in zip(found, drawn):
        alone = rest + own
        profile = _profile(alone, hits, step_m)
        middle = len(profile) // 2
        profile = profile[middle - half : middle + half + 1]
        again = {i: _match(alone[i], profile, hit.column, reach, step_m, 0.0) for i, hit in hits.items()}
        yield {i: hit for i, hit in again.items() if hit is not None}


def _profile(band: np.ndarray, hits: dict[int, _Found], step_m: float) -> np.ndarray:
    """Return the mean of the lines around a feature, fading out at both ends."""
    half, fade = round((PROFILE_M + FADE_M) / step_m), round(FADE_M / step_m)
    away, column = np.arange(-half, half + 1), np.arange(band.shape[1])
    mean = np.mean([np.interp(hit.column + away, column, band[i], 0.0, 0.0) for i, hit in hits.items()], axis=0)
    return mean * np.minimum((half + 1 - np.abs(away)) / max(fade, 1), 1.0)


def _drawn(shape: tuple[int, int], hits: dict[int, _Found], profile: np.ndarray) -> np.ndarray:
    """Return (L, V) what a feature of this profile makes of the lines."""
    out, half, column = np.zeros(shape), len(profile) // 2, np.arange(shape[1])
    for i, hit in hits.items():
        out[i] = hit.size * np.interp(column - hit.column, np.arange(-half, half + 1), profile, 0.0, 0.0)
    return out


def _track(hits: dict[int, _Found], step_m: float) -> Track:
    line = np.array(sorted(hits))
    return Track(line, np.array([hits[i].column for i in line]) * step_m, np.array([hits[i].variance for i in line]))
