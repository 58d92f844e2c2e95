"""Jumps of the level of the instrument in one grid: found one after another, and taken off where they are proven."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Optional, Sequence

import numpy as np

from ..core import Lines, Readings, Reset
from .between_lines import likeliest_jump, noted_jump
from .level_profile import LevelProfile, profiles_of
from .record import Jump
from .within_lines import largest_step

LEAST_LINES, MOST_LINES = 10, 48
"""Fewest lines in which a jump is looked for, and most at once. Derived: three lines on either side and four numbers
that describe what is smooth; 48 lines of half a metre are six correlation lengths of it, and a jump is local."""
MOST_JUMPS = 3
"""Most jumps of a grid and channel. Common practice, no source: an instrument that jumps more often is broken."""
MOST_STEPPED = 0.25
"""Fraction of the lines of which each may have a step inside. Common practice, no source: where more have one, the
scale of the others is not known."""
PROOF = 2.0
"""A jump is taken off from this many standard errors on. Common practice, no source: 95 % of a normal distribution lie
within."""
OPEN = 0.25
"""From this probability on a jump that is not proven is reported. Found by tests/calibration/jumps.py: 1 grid of 8
without a reset has one so probable."""


@dataclass(frozen=True)
class Jumps:
    """Jumps of one channel in one grid.

    Attributes
    ----------
    taken : (n,) float64
        By reading, what proven ones add, about the mean of all lines.
    offset, error : (L,) float64
        By line the same, and the standard error that jumps leave.
    found : tuple of Jump
    """

    taken: np.ndarray
    offset: np.ndarray
    error: np.ndarray
    found: tuple[Jump, ...] = ()


def find_jumps(part: Readings, lines: Lines, channel: str, matrix: np.ndarray, resets: Sequence[Reset] = ()) -> Jumps:
    """Return the jumps of a channel in one grid: inside lines, those that the notes know of, and between two lines.

    Parameters
    ----------
    part : Readings
        Readings of one grid.
    lines : Lines
        Its survey lines.
    channel : str
    matrix : (L, V) float64
        The channel on the common axis of the lines.
    resets : sequence of Reset
        What the notes say, of any grid.

    Notes
    -----
    See ``docs/methods/balance-traverses.md``.
    """
    clock, nothing = clock_of(part), Jumps(np.zeros(len(part)), np.zeros(len(lines)), np.zeros(len(lines)))
    if clock is None or len(lines) < LEAST_LINES:
        return nothing
    search = _Search(part, lines, channel, matrix, clock)
    for reset in resets:
        search.look_at(reset)
    while len(search.found) < len(lines) * MOST_STEPPED and search.look_inside():
        pass
    steps = len(search.found)
    while len(search.found) < steps + MOST_JUMPS and search.look():
        pass
    taken = search.taken + search.stepped
    offset = line_means(lines, taken)
    middle = offset.mean() if taken.any() else 0.0
    return Jumps(taken - middle, offset - middle, np.sqrt(search.variance), tuple(search.found))


class _Search:
    """Search for the jumps of a channel in one grid.

    ``taken`` (n,) and ``variance`` (L,) are those of jumps so far, ``stepped`` (n,) the steps inside lines, which
    ``matrix`` does not have any more.
    """

    def __init__(self, part: Readings, lines: Lines, channel: str, matrix: np.ndarray, clock: np.ndarray) -> None:
        self.part, self.lines, self.channel, self.clock = part, lines, channel, clock
        self.matrix, self.stepped = matrix.copy(), np.zeros(len(part))
        self.taken, self.variance = np.zeros(len(part)), np.zeros(len(lines))
        self.found: list[Jump] = []
        self.noted_inside: list[int] = []

    def profiles(self) -> list[LevelProfile]:
        """Return the levels of the lines without the jumps so far."""
        matrix = self.matrix - line_means(self.lines, self.taken)[:, None]
        return profiles_of(self.lines, matrix, line_means(self.lines, self.clock), LEAST_LINES, MOST_LINES)

    def look_inside(self) -> bool:
        """Take off the step inside a line that stands out most; return whether another may follow."""
        part, lines, matrix = self.part, self.lines, self.matrix.copy()
        matrix[self.noted_inside] = np.nan
        one = largest_step(lines, matrix)
        if one is None:
            return False
        rows = np.flatnonzero(lines.owner == one.line)
        rows = rows[np.argsort(self.clock[rows], kind="stable")]
        later = np.polyfit(self.clock[rows] - self.clock[rows[0]], part.v_m[rows], 1)[0] > 0
        size = one.size if later else -one.size
        change = np.nan_to_num(np.diff(part.channels[self.channel][rows])) * np.sign(size)
        near = np.abs((part.v_m[rows[1:]] + part.v_m[rows[:-1]]) / 2 - one.v_m) < 2 * lines.step_m
        row = rows[1 + int(np.argmax(np.where(near, change, -np.inf)))]
        if any((jump.inside, jump.line, jump.run) == (True, part.line[row], part.run[row]) for jump in self.found):
            return False
        after = (lines.owner == one.line) & (self.clock >= self.clock[row])
        self.stepped += size * after
        self.matrix[one.line] -= one.size * (lines.v >= one.v_m)
        mean = line_means(lines, after.astype(float))
        self.variance += mean * (1 - mean) * one.standard_error**2
        self.found.append(self.jump(int(row), size, one.standard_error, 1.0, True, inside=True))
        return True

    def look(self) -> bool:
        """Take up the likeliest jump between two lines; return whether another may follow."""
        tried = (likeliest_jump(one) for one in self.profiles())
        best = max((one for one in tried if one is not None), key=lambda one: one.log_odds, default=None)
        if best is None or 1 / (1 + np.exp(-best.log_odds)) < OPEN:
            return False
        rows = np.flatnonzero(self.lines.owner == best.line)
        row = int(rows[np.argmin(self.clock[rows])])
        known = (self.part.line[row], self.part.run[row])
        if any((jump.line, jump.run) == known and not jump.inside for jump in self.found):
            return False
        return self.take(row, best.size, best.standard_error, best.log_odds, False)

    def look_at(self, reset: Reset) -> None:
        """Take up a jump that the notes know of."""
        part = self.part
        grid = part.grids.index(reset.grid) if reset.grid in part.grids else -1
        mine = (part.grid == grid) & (part.line == reset.line) & (part.run == reset.run) & (part.seq == reset.seq)
        if not mine.any():
            return
        row = int(np.argmax(mine))
        after = line_means(self.lines, (self.clock >= self.clock[row]).astype(float))
        self.noted_inside += np.flatnonzero((after > 0) & (after < 1)).tolist()
        inside = [one for one in self.profiles() if np.ptp(after[one.index]) > 0]
        if inside:
            one = max(inside, key=lambda one: _balance(after[one.index]))
            self.take(row, *noted_jump(one, after[one.index]), True)

    def take(self, row: int, size: float, error: float, log_odds: float, noted: bool) -> bool:
        """Take up a jump before a reading; return whether it is taken off."""
        probability = float(1 / (1 + np.exp(-np.clip(log_odds, -50, 50))))
        jump = self.jump(row, size, error, probability, log_odds > 0 and abs(size) > PROOF * error, noted=noted)
        after = (self.clock >= self.clock[row]).astype(float)
        step = line_means(self.lines, after)
        self.variance += (step - step.mean()) ** 2 * _variance(jump)
        self.taken += jump.size * after * jump.taken_off
        self.found.append(jump)
        return jump.taken_off

    def jump(
        self, row: int, size: float, error: float, probability: float, taken_off: bool, *, noted: bool = False,
        inside: bool = False,
    ) -> Jump:  # fmt: skip
        """Return the record of a jump before a reading."""
        part, time_s = self.part, float(self.part.time_s[row])
        return Jump(part.grids[part.grid[row]], self.channel, int(part.line[row]), int(part.run[row]),
                    int(part.seq[row]), None if np.isnan(time_s) else time_s, size, error, probability, taken_off,
                    noted, inside)  # fmt: skip


def clock_of(part: Readings) -> Optional[np.ndarray]:
    """Return what orders the readings in time (n,): seconds, or rows of their log; None where neither does."""
    if len(part) and np.isfinite(part.time_s).all():
        return part.time_s
    return part.row.astype(float) if len(np.unique(part.source)) == 1 else None


def line_means(lines: Lines, values: np.ndarray) -> np.ndarray:
    """Return the means (L,) of values (n,) over all readings of each line."""
    mine = lines.owner >= 0
    owner = lines.owner[mine]
    return np.bincount(owner, values[mine], len(lines)) / np.maximum(np.bincount(owner, minlength=len(lines)), 1)


def _balance(after: np.ndarray) -> float:
    """Return how evenly lines lie on both sides of a jump, by the fraction of each that was read after it."""
    return min(float(after.sum()), float((1 - after).sum()))


def _variance(jump: Jump) -> float:
    """Return the variance of what is left of a jump: taken off although it was ground, or left although it was none."""
    wrong = 1 - jump.probability if jump.taken_off else jump.probability
    return wrong * jump.size**2 + (1 - wrong) * jump.standard_error**2 * jump.taken_off


def without_jumps(part: Readings, channel: str, jumps: Jumps) -> Readings:
    """Return the readings without the proven jumps of a channel; ``raw`` keeps its values as logged."""
    return part.with_channel(channel, part.channels[channel] - jumps.taken)
