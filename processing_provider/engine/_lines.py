"""A grid's readings as lines side by side: sorted along the baseline, on one axis along the traverses."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Iterator

import numpy as np

from .readings import Readings, kind_code

MIN_READINGS = 3
"""A recording with fewer readings in use tells nothing about its line."""
MAX_GAP_STEPS = 2.5
"""Between readings farther apart than this many steps nothing is interpolated."""
SAME_PLACE = 0.25
"""Lines nearer to each other than this share of the spacing lie on the same ground."""


@dataclass(frozen=True)
class Lines:
    """The survey lines of one grid; tie lines and lines without a place are left out.

    Attributes
    ----------
    owner : (n,) int
        Which line each reading (flagged or not) belongs to; -1 = none.
    line, run, heading : (L,) int
    u : (L,) float64
        Metres along the baseline, ascending.
    v : (V,) float64
        The common axis along the traverses in metres.
    step_m : float
        Step of ``v``: the usual distance between readings.
    pairs : (P, 2) int
        Lines that lie side by side.
    gap_m : (P,) float64
        Distance between the two lines of a pair.
    """

    owner: np.ndarray
    line: np.ndarray
    run: np.ndarray
    heading: np.ndarray
    u: np.ndarray
    v: np.ndarray
    step_m: float
    pairs: np.ndarray
    gap_m: np.ndarray

    def __len__(self) -> int:
        return len(self.u)

    def resample(self, readings: Readings, values: np.ndarray) -> np.ndarray:
        """Return (L, V) values on the common axis, linear between readings in use, NaN where there are none."""
        used = np.flatnonzero((self.owner >= 0) & (readings.flag == 0) & np.isfinite(values))
        if not len(used) or not len(self):
            return np.full((len(self), len(self.v)), np.nan)
        stride = self.v[-1] - self.v[0] + 10 * self.step_m
        place = self.owner[used] * stride + readings.v_m[used] - self.v[0]
        order = np.argsort(place, kind="stable")
        place, known = place[order], values[used][order]
        wanted = (np.arange(len(self))[:, None] * stride + self.v - self.v[0]).ravel()
        left = np.searchsorted(place, wanted + 1e-6 * self.step_m) - 1
        right = np.minimum(left + 1, len(place) - 1)
        left = np.maximum(left, 0)
        ahead, width = wanted - place[left], place[right] - place[left]
        share = np.clip(ahead / np.where(width > 0, width, 1.0), 0.0, 1.0)
        on_reading = np.abs(ahead) < 1e-3 * self.step_m
        between = (ahead >= 0) & (width > 0) & (width < MAX_GAP_STEPS * self.step_m)
        filled = known[left] + np.where(between, share, 0.0) * (known[right] - known[left])
        return np.where(on_reading | between, filled, np.nan).reshape(len(self), -1)


def grids_of(readings: Readings) -> Iterator[tuple[str, np.ndarray, Readings]]:
    """Yield (name, rows in the table, readings) of each grid."""
    for code, name in enumerate(readings.grids):
        rows = np.flatnonzero(readings.grid == code)
        if len(rows):
            yield name, rows, readings.take(rows)


def lines_of(readings: Readings) -> Lines:
    """Return the survey lines of one grid's readings.

    Parameters
    ----------
    readings : Readings
        Placed readings of one grid.
    """
    runs = [r for r in readings.runs() if _is_survey_line(readings, r.rows)]
    used = [r.rows[_placed(readings, r.rows)] for r in runs]
    u = np.array([np.median(readings.u_m[rows]) for rows in used])
    order = np.argsort(u, kind="stable")
    owner = np.full(len(readings), -1)
    for place, i in enumerate(order):
        owner[runs[i].rows] = place
    u = u[order]
    v, step = _axis(readings, used)
    pairs = _pairs(u)
    return Lines(
        owner=owner,
        line=np.array([runs[i].line for i in order], int),
        run=np.array([runs[i].run for i in order], int),
        heading=np.array([np.sign(np.sum(readings.heading[used[i]], dtype=int)) for i in order], int),
        u=u,
        v=v,
        step_m=step,
        pairs=pairs,
        gap_m=np.abs(u[pairs[:, 1]] - u[pairs[:, 0]]),
    )


def _placed(readings: Readings, rows: np.ndarray) -> np.ndarray:
    return (readings.flag[rows] == 0) & np.isfinite(readings.u_m[rows]) & np.isfinite(readings.v_m[rows])


def _is_survey_line(readings: Readings, rows: np.ndarray) -> bool:
    rows = rows[_placed(readings, rows)]
    if len(rows) < MIN_READINGS or readings.kind[rows[0]] != kind_code("survey"):
        return False
    return np.ptp(readings.v_m[rows]) > np.ptp(readings.u_m[rows])


def _axis(readings: Readings, used: list[np.ndarray]) -> tuple[np.ndarray, float]:
    if not used:
        return np.zeros(0), 1.0
    steps = np.concatenate([np.abs(np.diff(readings.v_m[rows])) for rows in used])
    step = float(np.median(steps[steps > 0]))
    v = readings.v_m[np.concatenate(used)]
    return v.min() + step * np.arange(int(np.floor(np.ptp(v) / step + 1e-6)) + 1), step


def _pairs(u: np.ndarray) -> np.ndarray:
    """Return every couple of lines from one place along the baseline and from the next one (u ascending)."""
    between = np.diff(u)
    apart = between > 0.01
    spacing = np.median(between[apart]) if apart.any() else 1.0
    place = np.concatenate([[0], np.cumsum(between > SAME_PLACE * spacing)]) if len(u) else np.zeros(0, int)
    first, second = np.nonzero(place[None, :] - place[:, None] == 1)
    return np.stack([first, second], axis=1)
