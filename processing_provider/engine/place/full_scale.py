"""Readings at full scale: many equal values at an end of a channel, where the instrument shows no more."""

from __future__ import annotations

from typing import Optional

import numpy as np

from ..core import FULL_SCALE, Code, Finding, Readings, counted, flag_bit, with_unit
from .record import FullScale

LEAST = 5
"""Equal values at an end. Derived: of fewer, chance alone makes as many in one of a thousand grids whose values crowd
at the end as thickly as ``CROWDED`` allows."""
CROWDED = 5.0
"""The end holds so many times as many readings as one last digit beside it. Derived: the top of a smooth rise along a
line has 1.4 times as many within a digit as in the three below, a broad top as many; noise has fewer."""
CHANCE = 1e-6
"""Probability of so many readings at an end by chance, below which it is full scale. Derived: with two ends, it is that
of one false end in 500,000 grids."""
SHOWN_LINES = 6
"""Lines that a finding names. Common practice, no source."""


def mark_full_scale(readings: Readings, grid: str) -> tuple[Readings, tuple[FullScale, ...], list[Finding]]:
    """Mark the readings of a grid that stand at an end of the scale of a channel.

    Parameters
    ----------
    readings : Readings
        Placed and flagged readings of one grid, values as logged.
    grid : str

    Returns
    -------
    readings : Readings
        With a column ``<channel>_full_se`` where there are such readings: the standard error of what the ground exceeds
        them by, NaN for all others. Values and flags stay.
    found : tuple of FullScale
    findings : list of Finding

    Notes
    -----
    An end is full scale when it holds many times more readings than the last digit beside it, more than a Poisson
    variable of that density gives. See ``docs/methods/place.md``.
    """
    used = (readings.flag & ~np.uint16(flag_bit("overrun"))) == 0
    extras, found, findings = dict(readings.extras), [], []
    for channel, values in readings.channels.items():
        excess = np.full(len(readings), np.nan)
        for end, sign in (("highest", 1.0), ("lowest", -1.0)):
            rows = np.flatnonzero(used & np.isfinite(values))
            error = _excess(sign * values[rows])
            if error is None:
                continue
            at_end = sign * values >= np.max(sign * values[rows])
            mine = rows[at_end[rows]]
            if len(np.unique(np.stack([readings.line[mine], readings.run[mine]]), axis=1).T) < 2:
                continue
            excess[at_end] = error
            found.append(FullScale(grid, channel, end, float(values[mine[0]]), len(mine), len(rows), error))
            findings.append(_finding(found[-1], readings, mine))
        if np.isfinite(excess).any():
            extras[channel + FULL_SCALE] = excess
    return (readings.replace(extras=extras) if found else readings), tuple(found), findings


def _excess(values: np.ndarray) -> Optional[float]:
    """Return the standard error of what is cut off above the highest of some values; None where none is cut off.

    What exceeds a high value is taken as exponential: its scale is the maximum likelihood estimate from as many
    readings below the end as are at it, those at the end censored.
    """
    from scipy.stats import poisson

    if not len(values):
        return None
    top = values.max()
    count, below = int(np.count_nonzero(values == top)), values[values < top]
    # Where most readings stand at the end, it is the level of the ground as the last digit shows it.
    if count < LEAST or len(below) <= count:
        return None
    near = np.partition(below, len(below) - count)[-count:]
    digit = np.min(np.diff(np.unique(np.append(near, top))))
    expected = count * digit / (top - near.min())
    if count < CROWDED * expected or poisson.sf(count - 1, expected) > CHANCE:
        return None
    scale = (np.sum(near - near.min()) + count * (top - near.min())) / count
    # The root mean square of an exponential variable.
    return float(np.sqrt(2.0) * scale)


def _finding(found: FullScale, readings: Readings, rows: np.ndarray) -> Finding:
    lines = np.unique(readings.line[rows])
    more = f" and {counted(len(lines) - SHOWN_LINES, 'other')}" if len(lines) > SHOWN_LINES else ""
    named = ", ".join(str(line) for line in lines[:SHOWN_LINES]) + more
    unit = readings.units.get(found.channel, "")
    beyond = "more" if found.end == "highest" else "less"
    return Code.FULL_SCALE.finding(
        f"{found.readings} of {found.of} readings of {found.channel} ({100 * found.readings / found.of:.2g} %), on "
        f"lines {named}, have its {found.end} value, {with_unit(found.value, unit, 6)}.",
        "",
        f"Read the map as a bound where the scale ended. The ground has {beyond} there, with a standard error of "
        f"{with_unit(found.error, unit)}, which that of the map includes; levels are estimated without these readings. "
        "Set a wider range where lines are walked again.",
        grid=found.grid,
    )  # fmt: skip
