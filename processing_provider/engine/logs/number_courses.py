"""How a column of numbers behaves along a log: counts, steps from line to line, grows, starts again."""

from __future__ import annotations

import numpy as np

FEW_FALLS = 0.1
"""A count or a clock that starts again does so at fewer than this fraction of the readings (common practice, no
source): with each line, at midnight, or where its register is full."""
SELDOM_CHANGED = 0.05
"""A column changes seldom at this fraction of the readings or fewer (common practice, no source): a channel with noise
does so at most of them."""
DEEP = 0.5
"""It then falls by more than this fraction of its range. Derived: a majority, for it falls to near its beginning."""
SAME_RANGE = 1.5
"""Stations of all lines range over at most so many times those of one line (common practice, no source): a clock goes
on from line to line."""
STEADY = 0.8
"""A column behaves in some way when at least this fraction of its steps does; the others are turns of lines, gaps and
slips (common practice, no source)."""
LEAST_GROWTH = 10
"""Steps up without one down from which numbers are a clock. Derived: readings with noise step down as often as up, so
that ten up in a row come once in 1,000."""
LARGEST_LINE = 1e6
"""Whole numbers above it are dates or serial numbers, not lines (common practice, no source)."""


def turn_together(line: np.ndarray, station: np.ndarray) -> bool:
    """Return whether a station counts evenly within lines, and otherwise than before where they change."""
    changes = np.flatnonzero(np.diff(line) != 0)
    steps = np.diff(station)
    if not len(changes) or len(np.unique(line[np.isfinite(line)])) < len(changes) / 2:
        return False
    within = np.delete(steps, changes)
    common = np.median(np.abs(within[np.isfinite(within)])) if np.any(np.isfinite(within)) else np.nan
    before = np.sign(steps[np.maximum(changes - 1, 0)])
    after = np.sign(steps[np.minimum(changes + 1, len(steps) - 1)])
    return bool(np.mean((steps[changes] != before * common) | (after == -before)) >= STEADY)


def _known_steps(values: np.ndarray) -> np.ndarray:
    steps = np.diff(values)
    return steps[np.isfinite(steps)]


def counts_on(values: np.ndarray) -> bool:
    """Return whether numbers count by one throughout, up or down."""
    steps = _known_steps(values)
    return len(steps) > 2 and bool(np.all(steps == 1) or np.all(steps == -1))


def changes_seldom(values: np.ndarray) -> bool:
    """Return whether numbers stay for long and change now and then, or never, as settings and batteries do."""
    steps = _known_steps(values)
    return len(steps) >= LEAST_GROWTH and bool(np.mean(steps != 0) <= SELDOM_CHANGED)


def counts_along(values: np.ndarray) -> float:
    """Return the fraction of steps by one; half of it for a count that never starts again, 0 for a small one."""
    steps = _known_steps(values)
    if not len(steps) or np.any(values[np.isfinite(values)] % 1):
        return 0.0
    fraction = float(np.mean(np.abs(steps) == 1))
    return fraction * (0.5 if np.all(steps == 1) else 1.0) if fraction >= STEADY else 0.0


def steps_between(values: np.ndarray) -> float:
    """Return how well whole numbers that stay and then step look like lines: many, and seldom the same again."""
    values = _without_single(values)
    steps, known = _known_steps(values), values[np.isfinite(values)]
    if not len(steps) or np.any(known % 1) or np.any(np.abs(known) > LARGEST_LINE) or np.mean(steps == 0) < STEADY:
        return 0.0
    changes = np.flatnonzero(steps)
    short = np.mean(np.diff(changes) < 3) if len(changes) > 1 else 0.0
    if short > 1 - STEADY or not (len(changes) or known[0] > 0):
        return 0.0
    return len(np.unique(known)) ** 2 / (len(changes) + 1)


def _without_single(values: np.ndarray) -> np.ndarray:
    """Return values with single ones between two equal ones set to these: a damaged digit, or a row that was moved."""
    smooth = values.copy()
    smooth[1:-1] = np.where(values[:-2] == values[2:], values[2:], values[1:-1])
    return smooth


def only_grows(values: np.ndarray) -> float:
    """Return the fraction of steps up where none goes down; 0 for a count by one, and where most stay."""
    steps = _known_steps(values)
    if len(steps) < 3 or np.any(steps < 0) or np.all(steps == 1):
        return 0.0
    return float(np.mean(steps > 0)) if np.mean(steps > 0) > STEADY else 0.0


def never_falls(values: np.ndarray) -> bool:
    """Return whether numbers grow often and never fall, as whole seconds over several readings do."""
    steps = _known_steps(values)
    return len(steps) > 0 and not np.any(steps < 0) and np.count_nonzero(steps) >= LEAST_GROWTH


def counts_again(values: np.ndarray) -> bool:
    """Return whether whole numbers count by one and start again now and then, as a short register does."""
    steps = _known_steps(values)
    whole = not np.any(values[np.isfinite(values)] % 1)
    return bool(whole and _starts_again(values) and np.mean(steps == 1) >= 1 - FEW_FALLS)


def grows_again(values: np.ndarray) -> bool:
    """Return whether numbers grow and start again now and then, as the seconds of a day at midnight."""
    steps = _known_steps(values)
    return bool(_starts_again(values) and np.mean(steps > 0) >= 1 - FEW_FALLS)


def _starts_again(values: np.ndarray) -> bool:
    steps, known = _known_steps(values), values[np.isfinite(values)]
    falls = steps[steps < 0]
    if not len(falls) or np.count_nonzero(steps > 0) < LEAST_GROWTH:
        return False
    return bool(np.all(-falls > DEEP * np.ptp(known)))


def runs_along(line: np.ndarray, values: np.ndarray, has_time: bool) -> bool:
    """Return whether numbers run over the same range in each line, one way or the other, as a wheel's metres do.

    Where they run the same way in all lines, they are no clock only if the log has a time besides.
    """
    bounds = [0, *(np.flatnonzero(np.diff(line) != 0) + 1), len(line)]
    parts = [values[a:b] for a, b in zip(bounds, bounds[1:]) if b - a >= 3]
    if len(parts) < 2 or not np.all(np.isfinite(values)) or np.ptp(values) == 0:
        return False
    ways = [np.sign(np.diff(part)) for part in parts]
    if any(np.mean(way == np.sign(part[-1] - part[0])) < STEADY for way, part in zip(ways, parts)):
        return False
    turned = len({float(np.sign(part[-1] - part[0])) for part in parts}) > 1
    return bool((turned or has_time) and np.ptp(values) <= SAME_RANGE * np.median([np.ptp(part) for part in parts]))
