"""Lines in which the logger left out readings, by the neighbouring lines where the log has no times."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Iterator, Optional, Sequence, Union

import numpy as np

from ..core import Lines, Readings, band_pass
from .lost_by_clock import LEAST_LOST, Ends
from .neighbour_fit import COARSE_M, FEATURE_M, TAIL

UNSURE_READINGS = 2
"""The readings lost are looked for this near to what the line ends short by. Derived: two standard deviations of where
lines end (``SPREAD_READINGS``)."""
WALKED_M = 0.35
"""The rest of a line may lie so far off by walking alone: twice what is common (common practice, no source)."""
TEMPER = 0.6
"""Power of the likelihood ratios: differences of lines are not as independent as the model has them. Found by
tests/calibration/mistakes.py, 0.6 +- 0.4 on 12 sites (``temper``)."""
LEAST_SURE = 0.8
"""A line is reported from this probability on. Common practice, no source: one false report in five at most."""
PART_M = 2.0
"""Least length of either part of a line that is said to hold a break. Common practice, no source: a feature long."""


@dataclass(frozen=True)
class Slip:
    """A line whose rest lies off from some reading on.

    Attributes
    ----------
    line : int
        Index of the line.
    v_m : float
        Where along the traverse, as recorded, the break most probably is.
    lost : int
        Readings lost there.
    certainty : float
        Probability of a break within the line, against one that was stopped early or started late.
    recorded, proposed : float
        Correlation of the rest of the line with its neighbours as recorded, and moved on by the readings lost.
    """

    line: int
    v_m: float
    lost: int
    certainty: float
    recorded: float
    proposed: float


def slips_of(readings: Readings, matrix: np.ndarray, lines: Lines, ends: Ends) -> Iterator[Slip]:
    """Yield the lines that end short and whose rest fits the neighbours when it is moved on by as much.

    Parameters
    ----------
    readings : Readings
        Placed readings of one grid, as logged. Lines with times are left to ``breaks_of``.
    matrix : (L, V) float
        Lines side by side after the common lag; NaN where there are no readings.
    lines : Lines
    ends : Ends

    Notes
    -----
    A line that ends n readings short was stopped early, started n readings late, or lost n readings at some point b:
    equally likely beforehand, b anywhere between. With the log density l_k of the difference between a reading and the
    mean of the neighbours k readings on, the likelihoods are exp of the sums of l_0, of l_n, and of l_0 before b and
    l_n after it; n may be some readings off. Against it stands also that the rest lies up to ``WALKED_M`` off by
    walking. Student's t; readings nearer than ``FEATURE_M`` count as one.
    """
    timed = np.bincount(lines.owner[lines.owner >= 0], np.isfinite(readings.time_s[lines.owner >= 0]), len(lines)) > 0
    wanted = np.flatnonzero((ends.short > LEAST_LOST) & ~timed)
    if not len(wanted) or len(lines) < 3:
        return
    known = np.isfinite(matrix)
    band = np.where(known, band_pass(matrix, lines.step_m, COARSE_M), np.nan)
    beside = _mean_beside(band)
    # The median of a squared standard normal variable is 0.455.
    typical = np.nanmedian((band - beside) ** 2) / 0.455
    if not typical > 0:
        return
    for i in wanted.tolist():
        way = 1 if lines.heading[i] >= 0 else -1
        slip = _slip(band[i, ::way], beside[i, ::way], typical, lines.step_m, round(ends.short[i]))
        if slip is not None:
            at, lost, certainty, recorded, proposed = slip
            yield Slip(i, float(lines.v[::way][at]), lost, certainty, recorded, proposed)


def _mean_beside(band: np.ndarray) -> np.ndarray:
    """Return the mean of the known lines on both sides of each line, NaN where there is none."""
    known = np.isfinite(band)
    total, count = np.zeros((2, *band.shape))
    for there, here in ((slice(None, -1), slice(1, None)), (slice(1, None), slice(None, -1))):
        total[here] += np.where(known[there], band[there], 0.0)
        count[here] += known[there]
    return np.where(count > 0, total / np.maximum(count, 1), np.nan)


def _slip(
    own: np.ndarray, beside: np.ndarray, typical: float, step_m: float, short: int
) -> Optional[tuple[int, int, float, float, float]]:
    """Return (index of the break, readings lost, certainty, both correlations) of a line in walking order."""
    part = round(PART_M / step_m)
    tried = [n for n in range(short - UNSURE_READINGS, short + UNSURE_READINGS + 1) if n > LEAST_LOST]
    there = np.flatnonzero(np.isfinite(own))
    if len(there) < 2 * part + 1:
        return None
    middle = np.arange(there[0] + part, there[-1] - part + 1)
    far = max(1, round(WALKED_M / step_m))
    walked = [n for n in range(-far, far + 1) if n]
    gains = {n: _gain(own, beside, typical, n, step_m) for n in {*tried, *walked}}
    first = [gains[n][there[0]] for n in tried]
    certainty = float(_likelihood([gains[n][middle] for n in tried]))
    certainty /= certainty + _likelihood(first) + 1.0 + _likelihood([gains[n][middle] for n in walked])
    if certainty < LEAST_SURE:
        return None
    best = np.array([gains[n][middle] for n in tried])
    k, column = divmod(int(best.argmax()), len(middle))
    at, n = int(middle[column]), tried[k]
    return at, n, certainty, _correlation(own[at:], beside[at:]), _correlation(own[at:-n], beside[at + n :])


def _gain(own: np.ndarray, beside: np.ndarray, typical: float, n: int, step_m: float) -> np.ndarray:
    """Return (V,) log likelihood gained when all from a reading on lies ``n`` readings farther on."""
    away = np.arange(len(beside)) + n
    inside = (away >= 0) & (away < len(beside))
    moved = np.where(inside, beside[np.clip(away, 0, len(beside) - 1)], np.nan)
    gain = (_density(own - moved, typical) - _density(own - beside, typical)) * min(step_m / FEATURE_M, 1.0)
    return np.cumsum(gain[::-1])[::-1]


def _likelihood(gains: Union[np.ndarray, Sequence[np.ndarray]]) -> float:
    """Return the mean of tempered likelihood ratios."""
    return float(np.mean(np.exp(np.minimum(TEMPER * np.asarray(gains), 300.0))))


def _density(error: np.ndarray, typical: float) -> np.ndarray:
    """Return Student's log density but for a constant; where nothing is known, that of a typical error."""
    square = np.where(np.isfinite(error), error, np.sqrt(typical)) ** 2
    return -0.5 * (TAIL + 1) * np.log1p(square / (TAIL * typical))


def _correlation(a: np.ndarray, b: np.ndarray) -> float:
    both = np.isfinite(a) & np.isfinite(b)
    norm = np.sqrt(np.sum(a[both] ** 2) * np.sum(b[both] ** 2))
    return float(np.sum(a[both] * b[both]) / norm) if norm > 0 else 0.0
