"""Figures of the report as PNG: maps with scale bar, north arrow and colour bar, and stacked profiles."""

from __future__ import annotations

import io
from typing import Optional, Sequence

import numpy as np

from ..engine.lattice import Lattice
from ..engine.readings import Readings


def matplotlib_is_there() -> bool:
    """Return whether figures can be drawn."""
    import importlib.util

    return importlib.util.find_spec("matplotlib") is not None


def map_figure(
    panels: Sequence[tuple[str, np.ndarray]],
    lattice: Lattice,
    limits: tuple[float, float],
    unit: str,
    outlines: Sequence[tuple[str, np.ndarray, np.ndarray]],
    ramp: str = "viridis",
) -> bytes:
    """Return a PNG of maps side by side in one range of colours.

    Parameters
    ----------
    panels : sequence of (title, (rows, cols) values)
    lattice : Lattice
    limits : (low, high)
    unit : str
    outlines : sequence of (grid, x, y)
    ramp : str
    """
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    west, south, east, north = lattice.extent
    ratio = (north - south) / (east - west)
    width = 5.6
    figure = Figure(figsize=(width * len(panels) + 1.0, max(width * ratio, 2.2) + 0.9), dpi=110)
    FigureCanvasAgg(figure)
    axes = figure.subplots(1, len(panels), squeeze=False, sharey=True)[0]
    for axis, (title, values) in zip(axes, panels):
        image = axis.imshow(
            np.ma.masked_invalid(values), extent=(west, east, south, north), cmap=ramp, vmin=limits[0], vmax=limits[1],
            interpolation="nearest",
        )  # fmt: skip
        for name, x, y in outlines:
            axis.plot(np.r_[x, x[0]], np.r_[y, y[0]], color="0.15", linewidth=0.6)
            axis.text(x.mean(), y.mean(), name, fontsize=8, ha="center", va="center", color="0.1",
                      bbox={"facecolor": "white", "alpha": 0.55, "edgecolor": "none", "pad": 1.0})  # fmt: skip
        axis.set_title(title, fontsize=10, loc="left")
        axis.ticklabel_format(useOffset=False, style="plain")
        axis.tick_params(labelsize=7)
        axis.tick_params(axis="x", rotation=30)
        axis.set_xlabel("Easting (m)", fontsize=8)
        _scale_bar(axis, west, south, east, north)
        _north_arrow(axis)
    axes[0].set_ylabel("Northing (m)", fontsize=8)
    bar = figure.colorbar(image, ax=list(axes), shrink=0.85, extend="both", pad=0.02)
    bar.set_label(unit or "value", fontsize=9)
    bar.ax.tick_params(labelsize=8)
    return _png(figure)


def _scale_bar(axis, west, south, east, north) -> None:
    whole = (east - west) / 4
    length = max(step for step in (1, 2, 5, 10, 20, 50, 100, 200, 500) if step <= max(whole, 1))
    x, y = west + 0.04 * (east - west), south + 0.05 * (north - south)
    axis.plot([x, x + length], [y, y], color="black", linewidth=3, solid_capstyle="butt")
    axis.text(x + length / 2, y + 0.015 * (north - south), f"{length} m", ha="center", va="bottom", fontsize=8)


def _north_arrow(axis) -> None:
    axis.annotate(
        "N", xy=(0.955, 0.97), xytext=(0.955, 0.87), xycoords="axes fraction", ha="center", va="center", fontsize=9,
        arrowprops={"arrowstyle": "-|>", "color": "black"},
    )  # fmt: skip


def profiles_figure(readings: Readings, channel: str, unit: str, title: str) -> Optional[bytes]:
    """Return a PNG of stacked profiles of one grid's channel as logged, in use; None without placed readings."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    values = readings.raw.get(channel, readings.channels[channel])
    used = readings.in_use & np.isfinite(values) & np.isfinite(readings.v_m)
    if not used.any():
        return None
    figure = Figure(figsize=(9.5, 5.2), dpi=110)
    FigureCanvasAgg(figure)
    axis = figure.subplots()
    middle, spread = np.median(values[used]), np.subtract(*np.percentile(values[used], [98, 2])) or 1.0
    lines = sorted({round(float(u), 3) for u in readings.u_m[used]})
    step = np.median(np.diff(lines)) if len(lines) > 1 else 1.0
    for run in readings.runs():
        rows = run.rows[used[run.rows]]
        if not len(rows) or np.ptp(readings.u_m[rows]) > np.ptp(readings.v_m[rows]):
            continue
        rows = rows[np.argsort(readings.v_m[rows])]
        colour = "#8a4b1d" if readings.heading[rows[0]] > 0 else "#2f5d7c"
        height = readings.u_m[rows] + (values[rows] - middle) / spread * 3 * step
        axis.plot(readings.v_m[rows], height, color=colour, linewidth=0.6)
    axis.set_title(f"{title} (brown: walked out, blue: walked back)", fontsize=10, loc="left")
    axis.set_xlabel("Along the traverse (m)", fontsize=9)
    axis.set_ylabel("Along the baseline (m)", fontsize=9)
    axis.tick_params(labelsize=8)
    bar = spread / 3
    x = axis.get_xlim()[1]
    axis.plot([x, x], [lines[0], lines[0] + step], color="black", linewidth=2, solid_capstyle="butt")
    axis.annotate(f"{bar:.2g} {unit}", (x, lines[0] + step / 2), xytext=(4, 0), textcoords="offset points", fontsize=8)
    return _png(figure)


def _png(figure) -> bytes:
    buffer = io.BytesIO()
    figure.savefig(buffer, format="png", bbox_inches="tight")
    return buffer.getvalue()
