"""The lag of the instrument from how well each shift fits, with its standard error; by channel where they differ."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Callable, Mapping, Optional, Protocol, Sequence, TypeVar

import numpy as np

from ..core import INSTRUMENT
from .lag_of_ties import posterior_of

BLOCKS = 20
"""Groups of neighbouring pairs that are left out in turn for the standard error. Derived: a variance from 20 groups is
known to sqrt(2 / 19), a third of it; more groups are too short to be independent."""
LEAST_BLOCKS = 3
"""With fewer groups there is no standard error. Derived: a variance of two has one degree of freedom."""
PROOF = 2.0
"""A shift is applied from this many standard errors on. Common practice, no source: 95 % of a normal distribution lie
within."""
SIGNIFICANT = 4.0
"""The correlation at the peak must be this many of its standard errors above zero. Derived: at some 10 independent lags
noise alone gets there in 1 of 3000 surveys."""
DIFFERENT = 3.0
"""A channel has a lag of its own when it differs from that of the clearest by so many standard errors of the
difference. Derived: of channels with one lag some four in a thousand do, and then by the error of a lag."""
OTHER_M = INSTRUMENT.resolution_m / 10
"""And by so many metres at least. Derived: a tenth of their resolution, which no map shows."""

KNOWN = 0.5
"""Ties show the lag when they leave less than this fraction of what is known of any instrument. Common practice,
no source: half."""


class Fit(Protocol):
    """How well each of K shifts fits some units (pairs, or lines)."""

    @property
    def shift_m(self) -> np.ndarray:
        """(K,) shifts along the heading at the median speed, ascending."""

    @property
    def units(self) -> int:
        """How many units there are."""

    @property
    def search_m(self) -> float:
        """Largest shift that is looked for, metres."""

    def curves(self, keep: np.ndarray) -> np.ndarray:
        """Return (B, K) how well each shift fits, of B choices of units."""


AFit = TypeVar("AFit", bound=Fit)


@dataclass(frozen=True)
class Peaks:
    """Best shifts and their heights, (1 + B,): of all units, then with each of B blocks of them left out."""

    shift_m: np.ndarray
    height: np.ndarray

    def less(self, other: Peaks) -> Peaks:
        """Return the differences to the peaks of the same blocks elsewhere."""
        return Peaks(self.shift_m - other.shift_m, self.height - other.height)

    @property
    def error_m(self) -> float:
        """Standard error of the shift."""
        return _jackknife(self.shift_m)


@dataclass(frozen=True)
class LagEstimate:
    """The shift, its standard error and correlation; fields as in ``AlignFigures``.

    ``own`` are shifts and standard errors of channels with a lag of their own; ``known``: whether anything shows it.
    """

    shift_m: float = 0.0
    estimate_m: Optional[float] = None
    shift_error_m: Optional[float] = None
    correlation_before: Optional[float] = None
    correlation_after: Optional[float] = None
    remark: str = ""
    own: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    known: bool = False

    @property
    def open_m(self) -> float:
        """Standard error of what is left of the lag, in metres at the median speed."""
        if not self.known:
            return INSTRUMENT.lag_m
        if self.estimate_m is None or self.shift_error_m is None:
            return 0.0
        return min(float(np.hypot(self.estimate_m - self.shift_m, self.shift_error_m)), INSTRUMENT.lag_m)


def estimate_of(
    fits: Sequence[AFit], channels: Sequence[str], pooled: Callable[[Sequence[AFit]], Optional[AFit]], who: str
) -> LagEstimate:
    """Return the estimate from the fit of each channel; ``who`` shows the lag, for sentences."""
    together = pooled(fits)
    if together is None:
        return LagEstimate(remark="No line has an opposite neighbour with contrast: nothing to align.")
    own = _own_shifts(fits, channels)
    if own:
        together = pooled([fit for fit, name in zip(fits, channels) if name not in own]) or together
    peaks = peaks_of(together)
    shift, height = float(peaks.shift_m[0]), float(peaks.height[0])
    error = peaks.error_m
    remark = unknown = _unknown(peaks, who, together.search_m)
    if not unknown and abs(shift) <= PROOF * error:
        remark = _not_proven(shift, error)
    curve = together.curves(np.ones((1, together.units), bool))[0]
    before = float(np.interp(0.0, together.shift_m, curve))
    return LagEstimate(0.0 if remark else shift, shift, error, before, before if remark else height, remark,
                       {} if unknown else own, not unknown)  # fmt: skip


def estimate_of_ties(likelihoods: Sequence[Sequence[np.ndarray]], channels: Sequence[str]) -> Optional[LagEstimate]:
    """Return the estimate from the likelihoods (K,) by the ties of each grid, of each channel; None where unknown.

    Position errors are those of all channels, so that several channels do not know a lag better than one.
    """
    alone = {name: posterior_of(of_one) for name, of_one in zip(channels, likelihoods)}
    found = {name: one for name, one in alone.items() if one is not None and one[1] < KNOWN * INSTRUMENT.lag_m}
    if not found:
        return None
    first = min(found, key=lambda name: found[name][1])
    own = {
        name: one for name, one in found.items()
        if _differ(one[0] - found[first][0], float(np.hypot(one[1], found[first][1])))
    }  # fmt: skip
    shift, error = found[first]
    proven = abs(shift) > PROOF * error
    return LagEstimate(shift if proven else 0.0, shift, error, remark="" if proven else _not_proven(shift, error),
                       own=own, known=True)  # fmt: skip


def peaks_of(fit: Fit) -> Peaks:
    """Return the best shift of all units, and with each block of them left out."""
    shift, height = np.transpose([_peak(fit.shift_m, curve) for curve in _blocks_left_out(fit)])
    return Peaks(shift, height)


def shows(fit: Optional[Fit]) -> bool:
    """Return whether lines as they lie fit their neighbours more than by chance."""
    if fit is None or fit.units < LEAST_BLOCKS:
        return False
    height = _blocks_left_out(fit)[:, np.argmin(np.abs(fit.shift_m))]
    return bool(height[0] > max(SIGNIFICANT * _jackknife(height), 0.0))


def _blocks_left_out(fit: Fit) -> np.ndarray:
    """Return the curves (1 + B, K) of all units, and with each of B blocks of neighbouring ones left out."""
    n = min(BLOCKS, fit.units)
    block = np.repeat(np.arange(n), [len(part) for part in np.array_split(np.arange(fit.units), n)])
    return fit.curves(np.arange(-1, n)[:, None] != block)


def _own_shifts(fits: Sequence[Fit], channels: Sequence[str]) -> dict[str, tuple[float, float]]:
    """Return shifts and standard errors of channels whose lag is not that of the clearest channel."""
    peaks = {name: peaks_of(fit) for name, fit in zip(channels, fits) if fit.units}
    reach = fits[0].search_m if fits else 0.0
    clear = {name: peak for name, peak in peaks.items() if not _unknown(peak, "", reach)}
    if len(clear) < 2:
        return {}
    first = max(clear, key=lambda name: clear[name].height[0])
    own = {}
    for name, peak in clear.items():
        difference = peak.less(clear[first])
        if _differ(float(difference.shift_m[0]), difference.error_m):
            own[name] = float(peak.shift_m[0]), peak.error_m
    return own


def _differ(difference_m: float, error_m: float) -> bool:
    """Return whether two channels have lags that differ."""
    return abs(difference_m) > max(DIFFERENT * error_m, OTHER_M)


def _not_proven(shift_m: float, error_m: float) -> str:
    return f"The shift found, {shift_m:+.3f} m, is within two standard errors ({error_m:.3f} m): it was not applied."


def _unknown(peaks: Peaks, who: str, search_m: float) -> str:
    """Return why the lag is not known, empty where it is."""
    shift, height = float(peaks.shift_m[0]), float(peaks.height[0])
    if len(peaks.shift_m) <= LEAST_BLOCKS:
        return f"Too few {who.lower()} for a standard error: nothing was moved."
    if height <= SIGNIFICANT * _jackknife(peaks.height) or height <= 0:
        return f"{who} do not correlate significantly ({height:.2f}): nothing was moved."
    if abs(shift) >= search_m:
        return f"The best shift lies at the end of the search range ({shift:+.2f} m): nothing was moved."
    return ""


def _jackknife(values: np.ndarray) -> float:
    """Return the standard error of the first of (1 + B,) values, of which the others have one of B blocks left out."""
    n, left_out = len(values) - 1, values[1:]
    return float(np.sqrt((n - 1) / max(n, 1) * np.sum((left_out - left_out.mean()) ** 2)))


def _peak(shift_m: np.ndarray, curve: np.ndarray) -> tuple[float, float]:
    """Return shift and height of the highest point of a parabola through the three highest neighbours."""
    k = int(np.argmax(curve))
    if k in (0, len(curve) - 1):
        return float(shift_m[k]), float(curve[k])
    low, top, high = curve[k - 1 : k + 2]
    bend = low - 2 * top + high
    fraction = 0.5 * (low - high) / bend if bend < 0 else 0.0
    return float(shift_m[k] + fraction * (shift_m[1] - shift_m[0])), float(top - 0.25 * (low - high) * fraction)
