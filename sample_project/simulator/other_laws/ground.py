"""Ground of a site on cells of 0.1 m, as the coils see it: geology of many lengths and marginals, and features.

Coils see farther along the walking direction than across it, and have tails: what they see is a sum of two elongated
Gaussians. Sizes are made up (no source).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
from scipy.ndimage import gaussian_filter, map_coordinates, spline_filter

CELL_M, MARGIN_M = 0.1, 4.0
SEEN = ((0.75, 0.40, 0.29), (0.25, 0.85, 0.62))
"""Weight, and standard deviations along and across the walking direction in metres, of what coils 1 m apart see."""


@dataclass
class Ground:
    """What lies under a site: u to the east down the rows, v to the north along the columns.

    Attributes
    ----------
    width_m, length_m : float
        Size of the site along u and v; the cells reach ``MARGIN_M`` beyond it.
    geology, features : (m, n) arrays
        mS/m, not yet seen by coils. The features are what a map is to keep. Both are complete before the first call of
        ``seen`` or ``feature``.
    """

    width_m: float
    length_m: float
    geology: np.ndarray = field(repr=False)
    features: np.ndarray = field(repr=False)
    _splines: dict[tuple[bool, float], np.ndarray] = field(default_factory=dict, init=False, repr=False)

    @property
    def axes(self) -> tuple[np.ndarray, np.ndarray]:
        """(m, n) u and v of the cells, metres."""
        return axes_of(self.width_m, self.length_m)

    def seen(self, u: np.ndarray, v: np.ndarray, along_u: bool = False, size: float = 1.0) -> np.ndarray:
        """Return what the coils read without errors, mS/m.

        ``along_u``: whether the person walks along u, as on a tie line; ``size``: of the coils against those of
        ``SEEN``, 1 or 0.5.
        """
        key = along_u, size
        if key not in self._splines:
            self._splines[key] = spline_filter(blurred(self.geology + self.features, along_u, size))
        return at(self._splines[key], u, v)

    def feature(self, u: np.ndarray, v: np.ndarray) -> np.ndarray:
        """Return what the features alone add to readings of the survey lines, mS/m."""
        return at(self._feature_spline, u, v)

    @cached_property
    def _feature_spline(self) -> np.ndarray:
        return spline_filter(blurred(self.features, False))


def axes_of(width_m: float, length_m: float) -> tuple[np.ndarray, np.ndarray]:
    """Return (m, n) u and v of the cells of a site."""
    u, v = (np.arange(round((side + 2 * MARGIN_M) / CELL_M) + 1) * CELL_M - MARGIN_M for side in (width_m, length_m))
    return tuple(np.meshgrid(u, v, indexing="ij"))  # type: ignore[return-value]


def at(spline: np.ndarray, u: np.ndarray, v: np.ndarray) -> np.ndarray:
    """Return a cubic spline over the cells at positions in metres."""
    places = [(np.asarray(u, float) + MARGIN_M) / CELL_M, (np.asarray(v, float) + MARGIN_M) / CELL_M]
    return map_coordinates(spline, places, order=3, mode="nearest", prefilter=False)


def blurred(values: np.ndarray, along_u: bool, size: float = 1.0) -> np.ndarray:
    """Return values as coils see them that walk along u or v."""
    out = np.zeros_like(values)
    for weight, along, across in SEEN:
        sd = np.array((along, across) if along_u else (across, along)) * size / CELL_M
        out += weight * gaussian_filter(values, sd, mode="nearest")
    return out


def geology(width_m: float, length_m: float, rng: np.random.Generator) -> Ground:
    """Return ground without features: a random field stretched in one direction, of a marginal that is not normal.

    The field's power falls as (1 + (k l)^2)^-p with the outer length l from 4 to 40 m and p from 1.6 to 2.6; its values
    are log-normal, of one-sided patches (chi squared) or of two rocks that pass into each other.
    """
    u, v = axes_of(width_m, length_m)
    outer, power = math.exp(rng.uniform(math.log(4), math.log(40))), rng.uniform(1.6, 2.6)
    angle, stretch = rng.uniform(0, math.pi), rng.uniform(1, 3)
    shape = tuple(2 * n for n in u.shape)
    ku, kv = np.fft.fftfreq(shape[0], CELL_M)[:, None], np.fft.rfftfreq(shape[1], CELL_M)
    k2 = (ku * math.cos(angle) + kv * math.sin(angle)) ** 2 * stretch
    k2 = k2 + (kv * math.cos(angle) - ku * math.sin(angle)) ** 2 / stretch
    wave = np.fft.rfft2(rng.normal(size=shape)) * (1 + (2 * math.pi * outer) ** 2 * k2) ** (-power / 2)
    z = np.fft.irfft2(wave, shape)[: u.shape[0], : u.shape[1]]
    z = (z - z.mean()) / z.std()
    law = rng.choice(["log-normal", "patches", "two rocks"])
    shaped = {"log-normal": np.exp(0.6 * z) / 0.8, "patches": z**2 / math.sqrt(2), "two rocks": np.tanh(1.5 * z) / 0.7}
    level = 15 * math.exp(rng.normal(0, 0.4))
    return Ground(width_m, length_m, level + rng.uniform(0.4, 1.4) * shaped[law], np.zeros_like(u))


def flat(width_m: float, length_m: float, level: float = 15.0) -> Ground:
    """Return ground of one value."""
    u, _ = axes_of(width_m, length_m)
    return Ground(width_m, length_m, np.full_like(u, level), np.zeros_like(u))
