"""Outliers: isolated readings that neither the traverse nor its neighbours explain."""

from __future__ import annotations

from typing import Optional, Sequence

import numpy as np

from ..core import (
    INSTRUMENT,
    GridStore,
    Lines,
    Progress,
    Readings,
    check_channels,
    check_in_grid,
    check_limits,
    check_positive,
    for_tables,
    least_step,
    lines_of,
    nearest_whole,
    noise_of_runs,
)
from .record import FlagFigures, FlaggedGrid, FlagRecord

HALF_WINDOWS = (2, 3)
"""Running medians of 5 and of 7 readings. Derived: a median of 2 h + 1 readings withstands h outlying ones, so they
suit one or two in a row, and three."""
GRADIENT_WEIGHT = 0.5
"""How much of the local gradient (a reading) adds to the noise. Derived: the top of a Gaussian anomaly stands out from
its 7-reading median by about one gradient at most, so at 6 noise units it stays below half of the limit."""
NEIGHBOUR_REACH_M = 0.3
"""How far along the lines a neighbouring line is looked at. Found by ``tests/calibration/flag.py``."""
NEIGHBOUR_FRACTION = 0.3
"""A neighbouring line that stands out by this fraction of the reading's own height confirms it. Found by
``tests/calibration/flag.py``."""
SHARPEST_M = INSTRUMENT.least_footprint_m
"""Coils blur every signal by a Gaussian of at least this standard deviation."""
SAFETY = 2.0
"""A signal may be so many times more curved than a Gaussian anomaly that is blurred so little. Found by
``tests/calibration/flag.py``."""
ALOOF = 1 / 3
"""A reading stands out of both its neighbours by this fraction of what it misses the four around it: the foot of a step
does not. Found by ``tests/calibration/flag.py``."""


@for_tables
def flag_outliers(
    grids: GridStore,
    *,
    channels: Optional[Sequence[str]] = None,
    threshold: float = 6.0,
    progress: Progress = None,
) -> FlagRecord:
    """Flag isolated readings as ``outlier``; their values stay as they are.

    Parameters
    ----------
    readings : Readings
        Placed readings of one or several grids. Flagged readings take no part.
    channels : sequence of str, optional
        Channels to look at; all when not given. A reading that is an outlier in one of them is out of use in all.
    threshold : float
        How many noise units (noise plus half the local gradient) a reading must stand out of the running median.
    progress : callable, optional
        Called with the fraction done.

    Returns
    -------
    Readings, FlagRecord
        The same readings, outliers flagged, and the record.

    Raises
    ------
    EngineError
        When the threshold is not above zero, a channel is not there, or readings lie in no grid.

    Notes
    -----
    One to three readings in a row can be outliers, if the traverse returns to its level on both sides. What is
    wider, or what a neighbouring line shows at the same position, is signal; unless it is sharper than coils can see.
    Where the readings' spacing d is at most ``SHARPEST_M``, the cubic through the two readings on either side of a
    reading, (-1 4 . 4 -1) / 6, misses a Gaussian anomaly of that standard deviation by d^4 / 6 times its fourth
    derivative, no more than (d / SHARPEST_M)^2 / 2 of the range of the four. What misses by more than ``SAFETY`` times
    that, and by the threshold times the noise of the five, is no signal, also on the flank of iron. Noise comes from
    second differences along the traverses.
    """
    threshold = check_limits("threshold", check_positive("threshold", threshold), "of the outliers")
    chosen = check_channels(channels, grids.channels)
    flagged, used, table = 0, 0, []
    for i, (name, part) in enumerate(grids.items()):
        check_in_grid(name, part)
        lines, outlying = lines_of(part), np.zeros(len(part), bool)
        for channel in chosen:
            found, noise = _outlying(part, lines, part.channels[channel], threshold)
            outlying[found] = True
            table.append(FlaggedGrid(name, channel, len(found), noise))
        flagged += int(np.count_nonzero(outlying))
        used += int(np.count_nonzero(part.in_use))
        grids.put(name, part.with_flag("outlier", outlying))
        if progress is not None:
            progress((i + 1) / len(grids.names))
    noises = {c: _middle([row.noise for row in table if row.channel == c]) for c in chosen}
    options = {"channels": list(chosen), "threshold": threshold}
    return FlagRecord(options, FlagFigures(flagged, used, noises), tuple(table))


def _middle(values: Sequence[Optional[float]]) -> Optional[float]:
    known = [v for v in values if v is not None]
    return float(np.median(known)) if known else None


def _outlying(
    readings: Readings, lines: Lines, values: np.ndarray, threshold: float
) -> tuple[np.ndarray, Optional[float]]:
    """Return the rows of outlying readings and the noise (None when there are too few readings for an estimate)."""
    used = np.flatnonzero((readings.flag == 0) & np.isfinite(values) & (lines.owner >= 0))
    order = used[np.lexsort((readings.seq[used], lines.owner[used]))]
    owner, known = lines.owner[order], values[order]
    noise = _noise(known, owner)
    if noise is None:
        return order[:0], None
    around = _windows(known, owner, max(HALF_WINDOWS))
    score = np.zeros(len(order))
    height = np.zeros(len(order))
    for half in HALF_WINDOWS:
        level = _median_of(around[len(around) // 2 - half : len(around) // 2 + half + 1])
        above = known - level
        here = np.abs(above) / (noise + GRADIENT_WEIGHT * _steepest(level, owner, half + 1))
        height = np.where(here > score, above, height)
        score = np.maximum(score, here)
    found = score > threshold
    # The level of the widest window.
    clean = np.where(found, level, known)
    sharp = _sharp(known, clean, found, owner, readings.v_m[order], threshold * noise)
    rows = np.flatnonzero(found & ~sharp)
    if len(rows):
        flat = values.copy()
        flat[order] = level
        found[rows] = ~_is_confirmed(readings, lines, values, flat, order[rows], height[rows], noise)
    return order[found | sharp], noise


def _sharp(
    known: np.ndarray, clean: np.ndarray, found: np.ndarray, owner: np.ndarray, v_m: np.ndarray, least: float
) -> np.ndarray:
    """Return which readings are sharper than any signal, by more than ``least`` (of one reading's noise).

    ``clean`` are the readings with the ``found`` ones levelled. Of readings not among them, only the sharpest nearby
    is taken, and only if all around is smooth without it.
    """
    from scipy.ndimage import maximum_filter1d

    steps = np.abs(np.diff(v_m))[owner[1:] == owner[:-1]]
    step = float(np.median(steps)) if len(steps) else np.inf
    if step > SHARPEST_M or len(known) < 5:
        return np.zeros(len(known), bool)
    # The fifth reading on must be of the same line, and near.
    gap = np.where(owner[4:] == owner[:-4], np.abs(v_m[4:] - v_m[:-4]), np.inf) > 6 * step
    gap = np.pad(gap, 2, constant_values=True)
    fraction = SAFETY * (step / SHARPEST_M) ** 2 / 2
    above, expected = _misses(known, clean, fraction, least)
    above[gap] = -np.inf
    sharp = above > 0
    new = sharp & ~found & (above >= maximum_filter1d(above, 5))
    clean = np.where(new, expected, clean)
    remaining, _ = _misses(clean, clean, fraction, least)
    smooth = maximum_filter1d(np.where(gap, -np.inf, remaining), 5) <= 0
    return (sharp & found) | (new & smooth)


def _misses(own: np.ndarray, around: np.ndarray, fraction: float, least: float) -> tuple[np.ndarray, np.ndarray]:
    """Return (n,) by how much more than signal and noise allow readings miss the cubic through two on either side.

    Not above zero where a reading lies between its neighbours or next to one. The other (n,) are the cubic's values.
    """
    beside = np.stack([np.roll(around, by) for by in (2, 1, -1, -2)])
    expected = np.array([-1, 4, 4, -1]) @ beside / 6
    miss = own - expected
    allowed = fraction * (beside.max(axis=0) - beside.min(axis=0)) + least * np.sqrt(1 + 34 / 36)
    out = np.min((own - beside[1:3]) * np.sign(miss), axis=0) > ALOOF * np.abs(miss)
    return np.where(out, np.abs(miss) - allowed, -np.inf), expected


def _noise(known: np.ndarray, owner: np.ndarray) -> Optional[float]:
    if np.count_nonzero(owner[:-2] == owner[2:]) < 3:
        return None
    tiny = np.finfo(float).tiny + 1e-9 * np.max(np.abs(known))
    noise = max(noise_of_runs(known, owner), tiny)
    # An instrument of little noise repeats the same number: noise cannot be seen below half its last digit. Readings
    # in a row differ by that at least, which spares most of them the sorting.
    if least_step(known) / 2 > noise:
        noise = max(noise, least_step(np.sort(known)) / 2)
    return float(noise)


def _windows(known: np.ndarray, owner: np.ndarray, half: int) -> np.ndarray:
    """Return (2 half + 1, n) readings around each one on its line; at the ends the line is mirrored."""
    count = np.bincount(owner)
    last = np.cumsum(count)[owner] - 1
    first = last + 1 - count[owner]
    index = np.arange(len(known)) + np.arange(-half, half + 1)[:, None]
    index = first + np.abs(index - first)
    index = last - np.abs(last - index)
    return known[np.maximum(index, first)]


def _median_of(rows: np.ndarray) -> np.ndarray:
    """Return the medians (n,) over an odd number of rows (m, n); for a few long rows far quicker than sorting.

    Of half of the rows and one more, the least and the greatest value are no median: the next row takes their place.
    """
    kept, waiting = list(rows[: len(rows) // 2 + 2]), list(rows[len(rows) // 2 + 2 :])
    while len(kept) > 1:
        for i in range(1, len(kept)):
            kept[0], kept[i] = np.minimum(kept[0], kept[i]), np.maximum(kept[0], kept[i])
        for i in range(1, len(kept) - 1):
            kept[i], kept[-1] = np.minimum(kept[i], kept[-1]), np.maximum(kept[i], kept[-1])
        kept, waiting = kept[1:-1] + waiting[:1], waiting[1:]
    return kept[0]


def _steepest(level: np.ndarray, owner: np.ndarray, reach: int) -> np.ndarray:
    """Largest step of the level within ``reach`` readings on the same line."""
    from scipy.ndimage import maximum_filter1d

    step = np.where(owner[1:] == owner[:-1], np.abs(np.diff(level)), 0.0)
    step = np.concatenate([step, [0.0]])
    return maximum_filter1d(step, 2 * reach, mode="constant")


def _is_confirmed(
    readings: Readings,
    lines: Lines,
    values: np.ndarray,
    clean: np.ndarray,
    rows: np.ndarray,
    height: np.ndarray,
    noise: float,
) -> np.ndarray:
    """Return which readings a neighbouring line confirms.

    It stands out there likewise, and more than their own line does without them.
    """
    sign = np.sign(height)
    flattened, around = lines.resample(readings, np.stack([clean, values]))
    own = _stands_out(lines, flattened, lines.owner[rows], readings.v_m[rows], sign)
    needed = np.maximum(NEIGHBOUR_FRACTION * np.abs(height), 3 * noise)
    confirmed = np.zeros(len(rows), bool)
    for side in (0, 1):
        beside = np.full(len(lines), -1)
        beside[lines.pairs[:, side]] = lines.pairs[:, 1 - side]
        other = beside[lines.owner[rows]]
        stands = _stands_out(lines, around, np.maximum(other, 0), readings.v_m[rows], sign)
        with np.errstate(invalid="ignore"):
            confirmed |= (other >= 0) & (stands - np.nan_to_num(own) >= needed)
    return confirmed


def _stands_out(lines: Lines, matrix: np.ndarray, line: np.ndarray, v: np.ndarray, sign: np.ndarray) -> np.ndarray:
    """Return how far a line stands out near ``v`` of its median within five times that reach."""
    near = max(1, int(nearest_whole(NEIGHBOUR_REACH_M / lines.step_m)))
    middle = nearest_whole((v - lines.v[0]) / lines.step_m).astype(int)
    index = middle[:, None] + np.arange(-5 * near, 5 * near + 1)
    inside = (index >= 0) & (index < len(lines.v))
    window = np.where(inside, matrix[line[:, None], np.clip(index, 0, len(lines.v) - 1)], np.nan) * sign[:, None]
    core = window[:, 4 * near : 6 * near + 1]
    peak = np.where(np.isnan(core), -np.inf, core).max(axis=1)
    ordered = np.sort(window, axis=1)
    count = np.count_nonzero(~np.isnan(window), axis=1)
    level = ordered[np.arange(len(v)), np.maximum(count - 1, 0) // 2]
    return np.where(np.isfinite(peak), peak - level, np.nan)
