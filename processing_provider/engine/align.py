"""Alignment: one lag of the instrument by walking direction, and the walk of each line."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Callable, Optional, Sequence

import numpy as np

from ._lines import Lines, lines_of
from ._smoothing import smoother
from ._tied_walks import told_by_ties
from ._validation import check_channels, check_finite
from ._walking import Walking, walking_errors
from .readings import PLACE, Readings, flag_bit
from .store import GridStore, grid_by_grid

SEARCH_M = 1.0
"""Largest shift of a reading that is looked for; opposite lines then move by twice as much to each other."""
FINE_M, COARSE_M = 0.15, 1.5
"""Standard deviations of the two Gaussians of the band-pass: walking noise below, geology and drift above."""
CLIP = 4.0
"""Iron counts no more than this many robust standard deviations of the band-passed grid."""
BLOCKS = 20
"""Groups of neighbouring pairs that are left out in turn for the standard error."""
LEAST_LINES, LEAST_LENGTH_M = 3, 4.0
"""Fewer or shorter lines tell nothing about how each was walked."""
PROOF = 2.0
"""A shift is applied from this many standard errors on."""
SIGNIFICANT = 4.0
"""The correlation at the peak must be this many of its standard errors above zero: at some 10 independent lags noise
alone gets there in 1 of 3000 surveys."""


@dataclass(frozen=True)
class _Correlation:
    """Of P pairs at K lags: products and their norms, and which line of the pair goes out."""

    lag_m: np.ndarray
    product: np.ndarray
    norm: np.ndarray
    out_first: np.ndarray

    def curves(self, keep: np.ndarray) -> np.ndarray:
        """Correlation by lag (B, K) of B choices of pairs (B, P).

        Out-back and back-out pairs weigh the same: oblique features shift them oppositely.
        """
        total, sides = np.zeros((len(keep), len(self.lag_m))), np.zeros((len(keep), 1))
        for side in (keep & self.out_first, keep & ~self.out_first):
            there = side.any(axis=1, keepdims=True)
            with np.errstate(invalid="ignore", divide="ignore"):
                total += np.where(there, (side @ self.product) / (side @ self.norm), 0.0)
            sides += there
        return np.nan_to_num(total / np.maximum(sides, 1))


def align_opposing(
    readings: Readings,
    *,
    channels: Optional[Sequence[str]] = None,
    shift_m: Optional[float] = None,
    per_traverse: bool = True,
    progress: Optional[Callable[[float], None]] = None,
) -> tuple[Readings, dict]:
    """Move every reading along its traverse by the lag of the instrument, and each line by how it was walked.

    A reading moves by ``heading * shift_m`` along the traverse: v' = v + heading * shift_m. A logger that writes a
    value 0.25 s late at 1 m/s needs ``shift_m`` = -0.25; opposite lines then move by 0.50 m to each other. After that
    each line gets its own small shift, stretch and wander in between.

    Parameters
    ----------
    readings : Readings
        Placed readings of one or several grids walked with the same instrument.
    channels : sequence of str, optional
        Channels that the estimate rests on; all when not given. All channels move with the readings.
    shift_m : float, optional
        Shift in metres; estimated when not given.
    per_traverse : bool
        Whether lines get a correction of their own.
    progress : callable, optional
        Called with the share done.

    Returns
    -------
    Readings, dict
        Moved readings (``v_m`` and, where there is a map position, ``x`` and ``y``; with ``per_traverse`` the standard
        error of the place in ``se``) and the record. ``figures``:
        ``shift_m`` applied, ``estimate_m``, ``shift_error_m`` (standard error), ``pairs``, ``correlation_before``
        and ``correlation_after`` (of band-passed opposite neighbours, the shift alone), ``came_in`` and ``went_out``
        (readings that crossed the edges of the grid and lost or took the flag ``overrun``), ``remark``,
        ``per_traverse_sd_m`` (how far readings are off along their lines besides the shift), ``position_error_m``
        (standard error of a reading's place along its line after all), ``lines_moved``. ``table``: a row a grid.
        ``lines``: a row a line with ``grid``, ``line``, ``run``, ``shift_m`` (mean), ``stretch_m`` (how much longer
        the line becomes), ``largest_m`` (the largest of its moves), ``standard_error_m``, ``moved``; what is told
        there comes on top of the shift of all lines.

    Raises
    ------
    EngineError
        When the shift is no number or a channel is not there.

    Notes
    -----
    Normalised cross-correlation of band-passed neighbours walked in opposite directions, all pairs of all grids
    together, parabola through the peak; standard error by jackknife over blocks of pairs. What is not proven (smaller
    than two standard errors, no significant correlation, or a peak at the end of the search range of 1 m) is told
    and not applied; where opposite neighbours show nothing at all, no line is moved on its own either. Grids walked
    one way only tell nothing about the lag; they move by what the others tell, for the instrument's lag displaces
    them too. Tie lines are read on walks of their own: once the levels of both are known (see ``balance_traverses``;
    no value is changed here), they tell of the lines that they cross. Phase-only correlation fails here: it gives the
    noise of each wavelength the same weight as the anomalies. The model of a line's walk is told at
    ``walking_errors``.

    References
    ----------
    Efron, B., Stein, C., 1981. The jackknife estimate of variance. Annals of Statistics 9(3), 586-596.
    """
    options = {"channels": channels, "shift_m": shift_m, "per_traverse": per_traverse, "progress": progress}
    return grid_by_grid(readings, lambda grids: align_grids(grids, **options))


def align_grids(
    grids: GridStore,
    *,
    channels: Optional[Sequence[str]] = None,
    shift_m: Optional[float] = None,
    per_traverse: bool = True,
    progress: Optional[Callable[[float], None]] = None,
) -> dict:
    """Do what ``align_opposing`` does to the grids of a store; return the record."""
    chosen = check_channels(channels, grids.channels)
    given = None if shift_m is None else check_finite("shift_m", shift_m)
    figures = {"shift_m": given or 0.0, "estimate_m": None, "shift_error_m": None, "pairs": 0,
               "correlation_before": None, "correlation_after": None, "came_in": 0, "went_out": 0,
               "remark": "The shift was given.", "per_traverse_sd_m": None, "position_error_m": None,
               "lines_moved": 0}  # fmt: skip
    table, correlations, shows = [], [], True
    told = progress or (lambda share: None)
    for i, (name, part) in enumerate(grids.items()):
        lines = lines_of(part)
        if given is None:
            correlations += _correlate(part, lines, chosen)
        table.append({"grid": name, "pairs": len(_opposite(lines)), "shift_m": 0.0, "came_in": 0, "went_out": 0,
                      "remark": "" if len(_opposite(lines)) else _lone(lines)})  # fmt: skip
        told((i + 1) / (2 * len(grids.names)))
    if given is None:
        estimate, shows = _estimate(correlations, len(chosen))
        figures.update(estimate)
    walks = _Walks(chosen if per_traverse and shows else ())
    for i, (name, part) in enumerate(grids.items()):
        lines = lines_of(part)
        move = np.where(lines.owner >= 0, part.heading * figures["shift_m"], 0.0)
        own, error = walks.moves(name, part, lines, move)
        move += own
        moved = _moved(part, lines, move) if move.any() else part
        if move.any():
            table[i].update(shift_m=figures["shift_m"], **_crossings_counted(part, moved))
        if per_traverse:
            moved = moved.replace(se={**moved.se, PLACE: error})
        grids.put(name, moved)
        told((len(grids.names) + i + 1) / (2 * len(grids.names)))
    figures.update(walks.figures())
    figures.update({word: sum(row[word] for row in table) for word in ("pairs", "came_in", "went_out")})
    options = {"channels": list(chosen), "shift_m": given, "per_traverse": bool(per_traverse)}
    return {"step": "alignopposing", "options": options, "figures": figures, "table": table, "lines": walks.rows}


class _Walks:
    """How the lines of one grid after the other were walked, as some channels tell it; without channels nothing is."""

    def __init__(self, channels: Sequence[str]):
        self._channels, self.rows = channels, []
        self._squares, self._weights, self._usual = [], [], []

    def moves(self, name: str, part: Readings, lines: Lines, move: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Return what the readings (n,) of a grid move by, after they have moved by ``move``, and the standard errors
        of where they are then (metres; NaN where nothing is known)."""
        unknown = np.zeros(len(part)), np.full(len(part), np.nan)
        if not self._channels:
            return unknown
        moved = _crossed(part.replace(v_m=part.v_m + move), part, lines)
        # The common axis starts where the moved readings do.
        fresh = lines_of(moved)
        if len(fresh) < LEAST_LINES or np.ptp(fresh.v) < LEAST_LENGTH_M:
            return unknown
        matrices = fresh.resample(moved, moved.stacked(self._channels))
        walking = walking_errors(matrices, fresh)
        placed = _crossed(moved.replace(v_m=moved.v_m + walking.moves(fresh.owner, moved.v_m)), moved, fresh)
        told = told_by_ties(placed, fresh, walking, self._channels)
        if told is not None:
            walking = walking_errors(matrices, fresh, told)
        self.rows += _line_rows(name, fresh, walking)
        self._squares.append(np.sum(walking.standard_error_m**2))
        self._weights.append(walking.standard_error_m.size)
        self._usual.append(walking.usual_sd_m)
        return walking.moves(fresh.owner, moved.v_m), walking.errors(fresh.owner, moved.v_m)

    def figures(self) -> dict:
        """Return the figures of all grids."""
        if not self.rows:
            return {}
        return {
            "per_traverse_sd_m": float(np.sqrt(np.average(np.square(self._usual), weights=self._weights))),
            "position_error_m": float(np.sqrt(np.sum(self._squares) / np.sum(self._weights))),
            "lines_moved": sum(row["moved"] for row in self.rows),
        }


def _line_rows(grid: str, lines: Lines, walking: Walking) -> list[dict]:
    away = walking.v - walking.v.mean()
    stretch = walking.ahead_m @ away / (away @ away) * np.ptp(walking.v)
    columns = (lines.line, lines.run, walking.ahead_m.mean(axis=1), stretch, np.abs(walking.ahead_m).max(axis=1),
               np.sqrt(np.mean(walking.standard_error_m**2, axis=1)), walking.moved)  # fmt: skip
    names = ("line", "run", "shift_m", "stretch_m", "largest_m", "standard_error_m", "moved")
    return [{"grid": grid, **dict(zip(names, row))} for row in zip(*(c.tolist() for c in columns))]


def _lone(lines: Lines) -> str:
    if len(set(lines.heading)) > 1:
        return "No line has a neighbour walked in the opposite direction."
    return "All lines were walked in the same direction: nothing to align."


def _opposite(lines: Lines) -> np.ndarray:
    """Return the pairs of neighbours walked in opposite directions."""
    if not len(lines.pairs):
        return lines.pairs
    return lines.pairs[lines.heading[lines.pairs[:, 0]] * lines.heading[lines.pairs[:, 1]] < 0]


def band_pass(matrix: np.ndarray, step_m: float, coarse_m: float = COARSE_M) -> np.ndarray:
    """Return (L, V) lines between the two wavelengths, iron clipped, zero where there are no readings.

    ``step_m`` is the distance between readings; ``coarse_m`` the standard deviation of the Gaussian of the ground
    that is taken off.
    """
    known = np.isfinite(matrix)
    filled = np.where(known, matrix, 0.0)
    smooth = []
    for width in (FINE_M, coarse_m):
        around = smoother(matrix.shape[1], width / step_m, 3.0)
        smooth.append(filled @ around / np.where(known, known @ around, 1.0))
    band = np.where(known, smooth[0] - smooth[1], 0.0)
    size = np.abs(band[known])
    if len(size):
        middle, large = np.quantile(size, [0.5, 0.95])
        limit = max(CLIP * 1.4826 * middle, large)
        band = np.minimum(np.maximum(band, -limit), limit)
    return band


def _correlate(readings: Readings, lines: Lines, channels: Sequence[str]) -> list[_Correlation]:
    """Return the correlation of opposite neighbours at all lags, one for each channel."""
    pairs = _opposite(lines)
    if not len(pairs):
        return []
    out_first = lines.heading[pairs[:, 0]] > 0
    out, back = np.where(out_first, pairs.T, pairs.T[::-1])
    reach = int(np.ceil(2 * SEARCH_M / lines.step_m)) + 1
    found = []
    for matrix in lines.resample(readings, readings.stacked(channels)):
        known = np.isfinite(matrix)
        size = np.nanmax(np.abs(matrix)) if known.any() else 0.0
        band = band_pass(matrix, lines.step_m)
        band[np.abs(band) <= 1e-9 * size] = 0.0
        product, norm = _products(band[out], band[back], known[out], known[back], reach)
        found.append(_Correlation(np.arange(-reach, reach + 1) * lines.step_m, product, norm, out_first))
    return found


def _products(out, back, out_known, back_known, reach: int) -> tuple[np.ndarray, np.ndarray]:
    """Return (P, 2 reach + 1) sums of out(v) back(v + lag) over common ground, and their norms."""

    def at_lags(one: np.ndarray, other: np.ndarray) -> np.ndarray:
        wide = np.pad(other.astype(float), ((0, 0), (reach, reach)))
        windows = np.lib.stride_tricks.sliding_window_view(wide, one.shape[1], axis=1)
        return np.einsum("pv,pkv->pk", one.astype(float), windows)

    return at_lags(out, back), np.sqrt(at_lags(out**2, back_known) * at_lags(out_known, back**2))


def _estimate(correlations: list[_Correlation], channels: int) -> tuple[dict, bool]:
    """Return the figures of the estimate (shift, error, correlation, remark) and whether neighbours show anything."""
    pooled = _pool(correlations, channels)
    if pooled is None:
        return {"remark": "No line has an opposite neighbour with contrast: nothing to align."}, False
    pairs = len(pooled.product)
    n = min(BLOCKS, pairs)
    block = np.repeat(np.arange(n), [len(part) for part in np.array_split(np.arange(pairs), n)])
    # All pairs, then each block of them left out in turn.
    curve, *left_out = pooled.curves(np.arange(-1, n)[:, None] != block)
    lag, height = _peak(pooled.lag_m, curve)
    lags, heights = np.transpose([_peak(pooled.lag_m, one) for one in left_out])
    lag_error, height_error = (np.sqrt((n - 1) / n * np.sum((a - a.mean()) ** 2)) for a in (lags, heights))
    before = float(np.interp(0.0, pooled.lag_m, curve))
    remark = unknown = _unknown(lag / 2, height, height_error, n)
    if not unknown and abs(lag) <= PROOF * lag_error:
        remark = (f"The shift found, {lag / 2:+.3f} m, is within two standard errors ({lag_error / 2:.3f} m): it was "
                  "not applied.")  # fmt: skip
    figures = {"shift_m": 0.0 if remark else float(lag / 2), "estimate_m": float(lag / 2),
               "shift_error_m": float(lag_error / 2), "correlation_before": before,
               "correlation_after": before if remark else float(height), "remark": remark}  # fmt: skip
    return figures, not unknown


def _unknown(shift: float, height: float, height_error: float, blocks: int) -> str:
    """Return why nothing can be told from opposite neighbours, empty when something can."""
    if blocks < 3:
        return "Too few opposite neighbours for a standard error: nothing was moved."
    if height <= SIGNIFICANT * height_error or height <= 0:
        return f"Opposite neighbours do not correlate significantly ({height:.2f}): nothing was moved."
    if abs(shift) >= SEARCH_M:
        return f"The best shift lies at the end of the search range ({shift:+.2f} m): nothing was moved."
    return ""


def _pool(correlations: list[_Correlation], channels: int) -> Optional[_Correlation]:
    """Join grids and channels. A channel weighs by how well it correlates, c / (1 - c^2) at its peak."""
    if not correlations:
        return None
    lag_m = min((c.lag_m for c in correlations), key=lambda lag: lag[1] - lag[0])
    by_channel = []
    for i in range(channels):
        grids = correlations[i::channels]
        product = np.concatenate([_at_lags(lag_m, c.lag_m, c.product) for c in grids])
        norm = np.concatenate([_at_lags(lag_m, c.lag_m, c.norm) for c in grids])
        by_channel.append(_Correlation(lag_m, product, norm, np.concatenate([c.out_first for c in grids])))
    product, norm = np.zeros_like(by_channel[0].product), np.zeros_like(by_channel[0].norm)
    for one in by_channel:
        size = one.norm.mean()
        height = one.curves(np.ones((1, len(product)), bool)).max()
        if size > 0 and height > 0:
            weight = height / (1.0 - min(height, 0.99) ** 2) / size
            product += weight * one.product
            norm += weight * one.norm
    return _Correlation(lag_m, product, norm, by_channel[0].out_first) if norm.any() else None


def _at_lags(wanted: np.ndarray, lag_m: np.ndarray, values: np.ndarray) -> np.ndarray:
    if len(wanted) == len(lag_m) and np.allclose(wanted, lag_m):
        return values
    return np.stack([np.interp(wanted, lag_m, row) for row in values])


def _peak(lag_m: np.ndarray, curve: np.ndarray) -> tuple[float, float]:
    """Return lag and height of the highest point of a parabola through the three highest neighbours."""
    k = int(np.argmax(curve))
    if k in (0, len(curve) - 1):
        return float(lag_m[k]), float(curve[k])
    low, top, high = curve[k - 1 : k + 2]
    bend = low - 2 * top + high
    share = 0.5 * (low - high) / bend if bend < 0 else 0.0
    return float(lag_m[k] + share * (lag_m[1] - lag_m[0])), float(top - 0.25 * (low - high) * share)


def _moved(part: Readings, lines: Lines, move: np.ndarray) -> Readings:
    """Return the readings of a grid moved along their lines, (n,) metres."""
    moved = _crossed(part.replace(v_m=part.v_m + move), part, lines)
    dx, dy = _along(part, move)
    return moved.replace(x=part.x + dx, y=part.y + dy)


def _crossings_counted(part: Readings, moved: Readings) -> dict:
    before, after = part.has_flag("overrun"), moved.has_flag("overrun")
    return {"came_in": int(np.count_nonzero(before & ~after)), "went_out": int(np.count_nonzero(after & ~before))}


def _crossed(moved: Readings, part: Readings, lines: Lines) -> Readings:
    """Return moved readings of a grid with the flag ``overrun`` set anew where they crossed its edges."""
    if not len(lines):
        return moved
    came_in, went_out = _crossings(part, lines, moved.v_m)
    flag = moved.flag.copy()
    flag[came_in] &= ~np.uint16(flag_bit("overrun"))
    flag[went_out] |= np.uint16(flag_bit("overrun"))
    return moved.replace(flag=flag)


def _crossings(part: Readings, lines: Lines, moved: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return which readings come into the grid and which leave it; its edges are half a step beyond its readings."""
    mine = lines.owner >= 0
    inside = part.v_m[mine & part.in_use]
    low, high = inside.min() - lines.step_m / 2, inside.max() + lines.step_m / 2
    beyond = 1e-6 * lines.step_m
    now_in = mine & (moved > low - beyond) & (moved < high + beyond)
    came_in = now_in & (part.flag == flag_bit("overrun"))
    return came_in, mine & ~now_in & part.in_use


def _along(part: Readings, move: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return the steps on the map, from the frame (u, v) -> (x, y) that the grid's own readings show (bilinear)."""
    known = np.isfinite(part.x) & np.isfinite(part.y) & np.isfinite(part.u_m) & np.isfinite(part.v_m)
    if np.count_nonzero(known) < 2:
        return np.zeros(len(part)), np.zeros(len(part))
    u, v = part.u_m - part.u_m[known].mean(), part.v_m - part.v_m[known].mean()
    design = np.stack([np.ones(known.sum()), u[known], v[known], u[known] * v[known]])
    where = np.stack([part.x[known] - part.x[known].mean(), part.y[known] - part.y[known].mean()])
    # Columns of one size, so that what is too small to tell (a lone line has no width) is left out.
    size = np.maximum(np.sqrt(np.mean(design**2, axis=1)), 1e-9)[:, None]
    design = design / size
    frame = np.linalg.lstsq(design @ design.T, design @ where.T, rcond=1e-12)[0] / size
    step = np.where(known[:, None], (frame[2] + u[:, None] * frame[3]) * move[:, None], 0.0)
    return step[:, 0], step[:, 1]
