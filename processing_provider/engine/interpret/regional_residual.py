"""Regional and local response: the broad background of a map, and its residual."""

from __future__ import annotations

from typing import Dict, Iterator, Tuple

import numpy as np

from ..core import EngineError, Progress, check_positive, part_of

WIDTH_IN_SD = 1.3489795003921634
"""A strip this many standard deviations wide keeps half its height under a Gaussian. Derived: twice the quartile of the
normal distribution, 2 Phi^-1(3/4)."""
TRUNCATE = 4.0
"""Standard deviations at which the Gaussian is cut. Derived: 6e-5 of its weight lies beyond."""
BYTES_A_CELL = 200
"""Memory that a split takes. Derived: the ten moments, the map and what is made of them, some 24 arrays of 8 bytes;
measured with ``ru_maxrss``, 188."""
LEAST_SPREAD = 1e-3
"""Fraction of the spread of a full neighbourhood that cells must have for a slope. Derived: spread is the product of
two variances; cells on a line, which show no slope across it, have one of rounding, 1e-16, and a strip three cells wide
at a standard deviation of twenty has 1e-3."""

BAND = 3e7
"""Products between two questions whether to stop. Derived: some 0.05 s, and few enough to keep bands wide; it changes
no value."""
FIT = 0.9
"""Fraction of the time of a split that its moments take. Derived: measured on a raster of four million cells."""
FITTED = 250
"""Products that take as long as the fit at a cell. Derived: measured, 0.3 us and 1.2 ns."""

Moments = Dict[Tuple[int, int], np.ndarray]
"""Tables by the powers of x and y."""


def split_response(
    values: np.ndarray, cell_m: float, width_m: float, *, progress: Progress = None
) -> tuple[np.ndarray, np.ndarray]:
    """Split a map into its regional response and the local response on top of it.

    Parameters
    ----------
    values : (rows, cols) float64
        NaN = nodata, which takes no part and stays nodata.
    cell_m : float
        Cell size in metres.
    width_m : float
        Of a long strip half of whose height goes to either response. Narrower features are local, broader ones
        regional.
    progress : callable, optional
        Called with the fraction done; what it raises ends the run.

    Returns
    -------
    regional, local : (rows, cols) float64
        They add up to ``values``.

    Raises
    ------
    EngineError
        When the cell size or the width is not above zero, the width is below two cells, or there is no value at all.

    Notes
    -----
    The regional response of a cell is the value there of a plane fitted to its neighbourhood with Gaussian weights of
    standard deviation ``width_m`` / 1.349. Far from nodata this is the Gaussian filter. At edges and holes a plain
    filter would lean to the side that has values; the fitted plane follows a slope right to the edge. A Gaussian has
    no side lobes, so steps do not ring.

    References
    ----------
    Cleveland, W. S., 1979. Robust locally weighted regression and smoothing scatterplots. Journal of the American
    Statistical Association 74(368), 829-836 (the fit, here without its reweighting).

    Examples
    --------
    >>> slope = np.add.outer(np.arange(8.0), np.arange(9.0))
    >>> regional, local = split_response(slope, 1.0, 4.0)
    >>> bool(np.allclose(regional, slope)), bool(np.allclose(local, 0.0))
    (True, True)
    """
    check_positive("cell size", cell_m)
    check_positive("width", width_m)
    if width_m < 2 * cell_m:
        raise EngineError(
            f"Invalid width: {width_m:g} m was given. It must be at least two cells ({2 * cell_m:g} m), or there is "
            "nothing to split."
        )
    known = np.isfinite(values)
    if not known.any():
        raise EngineError("The raster has no value, only nodata, so there is nothing to split.")
    level = values[known].mean()
    filled = np.where(known, values - level, 0.0)
    of_known, of_values = _moments(known.astype(float), filled, width_m / cell_m, part_of(progress, 0.0, FIT))
    regional = np.full(values.shape, np.nan)
    for rows in _bands(len(values), FITTED * values.shape[1], part_of(progress, FIT, 1.0)):
        parts = ({power: table[rows] for power, table in moments.items()} for moments in (of_known, of_values))
        np.copyto(regional[rows], level + _fitted(*parts), where=known[rows])
    return regional, values - regional


def _moments(known: np.ndarray, filled: np.ndarray, width: float, progress: Progress) -> tuple[Moments, Moments]:
    """Return the moments 1, x, y, xx, xy, yy of the known cells around each cell, and 1, x, y of their values.

    x and y are distances from the cell in standard deviations; ``width`` is in cells.
    """
    from scipy.ndimage import correlate1d

    sd = width / WIDTH_IN_SD
    # Beyond the raster there is nothing.
    reach = min(int(np.ceil(TRUNCATE * sd)), max(known.shape))
    t = np.arange(-reach, reach + 1) / sd
    kernel = np.exp(-(t**2) / 2)
    kernel /= kernel.sum()
    of_known: Moments = {}
    of_values: Moments = {}
    wanted = [(known, of_known, x, y) for x in range(3) for y in range(3 - x)]
    wanted += [(filled, of_values, x, y) for x in range(2) for y in range(2 - x)]
    for number, (table, moments, x, y) in enumerate(wanted):
        along, moments[x, y] = np.empty_like(table), np.empty_like(table)
        within = part_of(progress, number / len(wanted), (number + 1) / len(wanted))
        for rows in _bands(len(table), len(kernel) * table.shape[1], part_of(within, 0.0, 0.5)):
            correlate1d(table[rows], kernel * t**x, axis=1, output=along[rows], mode="constant")
        for cols in _bands(table.shape[1], len(kernel) * len(table), part_of(within, 0.5, 1.0)):
            correlate1d(along[:, cols], kernel * t**y, axis=0, output=moments[x, y][:, cols], mode="constant")
    return of_known, of_values


def _bands(count: int, work: float, progress: Progress) -> Iterator[slice]:
    """Yield rows, or columns, in bands, each of at most about ``BAND`` products; ``work``: products a row."""
    step = max(1, int(BAND / work))
    for start in range(0, count, step):
        if progress is not None:
            progress(start / count)
        yield slice(start, start + step)


def _fitted(of_known: Moments, of_values: Moments) -> np.ndarray:
    """Return the value of the fitted planes at their own cells; the weighted mean where cells show no slope."""
    weight = np.maximum(of_known[0, 0], np.finfo(float).tiny)
    mean_x, mean_y, mean = of_known[1, 0] / weight, of_known[0, 1] / weight, of_values[0, 0] / weight
    xx, yy = of_known[2, 0] / weight - mean_x**2, of_known[0, 2] / weight - mean_y**2
    xy = of_known[1, 1] / weight - mean_x * mean_y
    xz, yz = of_values[1, 0] / weight - mean_x * mean, of_values[0, 1] / weight - mean_y * mean
    spread = xx * yy - xy**2
    # A full neighbourhood has spread 1.
    sloping = spread > LEAST_SPREAD
    spread = np.where(sloping, spread, 1.0)
    slope_x, slope_y = (xz * yy - yz * xy) / spread, (yz * xx - xz * xy) / spread
    return mean - np.where(sloping, slope_x * mean_x + slope_y * mean_y, 0.0)
