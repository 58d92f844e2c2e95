"""Figures of the report as PNG: maps with scale bar, north arrow and colour bar, and stacked profiles."""

from __future__ import annotations

import importlib.util
import io
from typing import TYPE_CHECKING, Optional, Sequence

import numpy as np

from ...engine.core import Readings
from ...engine.geometry import BlockRaster
from ..native_imports import import_apart
from ..style import RAMPS

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from matplotlib.image import AxesImage
    from matplotlib.patheffects import withStroke

PANEL_WIDTH_IN, DPI = 5.2, 110
MOST_CELLS = 1200
"""Cells along a side of a map in the report."""
PROFILE_SWING = 4
"""Line spacings that the middle 96 % of the values spread over in stacked profiles."""


def matplotlib_is_there() -> bool:
    """Return whether figures can be drawn, and make it ready where they can."""
    import_apart("matplotlib")
    return importlib.util.find_spec("matplotlib") is not None


def map_figure(
    panels: Sequence[tuple[str, BlockRaster]],
    limits: tuple[float, float],
    unit: str,
    outlines: Sequence[tuple[str, np.ndarray, np.ndarray]],
    ramp: str,
) -> bytes:
    """Return a PNG of maps side by side in one range of colours.

    Parameters
    ----------
    panels : sequence of (title, BlockRaster)
        On one lattice.
    limits : (low, high)
    unit : str
    outlines : sequence of (grid, x, y)
    ramp : str
        One of ``RAMPS``.
    """
    from matplotlib.colors import LinearSegmentedColormap

    colours = LinearSegmentedColormap.from_list(ramp, RAMPS[ramp])
    west, south, east, north = panels[0][1].lattice.extent
    figure, axes = _panels(len(panels), (north - south) / (east - west))
    for axis, (title, values) in zip(axes, panels):
        image = _image(axis, values, cmap=colours, vmin=limits[0], vmax=limits[1])
        axis.set_title(title, fontsize=10, loc="left")
        _outlines(axis, outlines)
        _map_axes(axis)
        _scale_bar(axis, west, south, east, north)
        _north_arrow(axis)
    axes[0].set_ylabel("Northing (m)", fontsize=8)
    bar = figure.colorbar(image, cax=axes[-1].inset_axes([1.03, 0.0, 0.035, 1.0]), extend="both")
    bar.set_label(unit or "value", fontsize=9)
    bar.ax.tick_params(labelsize=8)
    return _png(figure)


def _image(axis: Axes, raster: BlockRaster, **colours: object) -> AxesImage:
    """Draw a raster; of one with more cells than the picture has dots, every second, third ... cell is drawn."""
    west, south, east, north = raster.lattice.extent
    step = -(-max(raster.lattice.shape) // MOST_CELLS)
    shown = raster.thinned(step)
    right, bottom = (n * step * raster.lattice.cell_m for n in shown.shape[::-1])
    image = axis.imshow(
        np.ma.masked_invalid(shown),
        extent=(west, west + right, north - bottom, north),
        interpolation="nearest",
        **colours,
    )
    axis.set(xlim=(west, east), ylim=(south, north))
    return image


def _panels(count: int, ratio: float) -> tuple[Figure, list[Axes]]:
    """Return a figure with axes side by side, and room around them for labels and a colour bar."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    width = PANEL_WIDTH_IN if count > 1 else 1.5 * PANEL_WIDTH_IN
    height, left, right, below, above, gap = max(width * ratio, 2.2), 0.85, 1.0, 0.5, 0.35, 0.25
    whole = left + count * width + (count - 1) * gap + right, below + height + above
    figure = Figure(figsize=whole, dpi=DPI)
    FigureCanvasAgg(figure)
    axes: list[Axes] = []
    for number in range(count):
        start = left + number * (width + gap)
        place = start / whole[0], below / whole[1], width / whole[0], height / whole[1]
        axes.append(figure.add_axes(place, sharey=axes[0] if axes else None))
        axes[-1].tick_params(labelleft=not number)
    return figure, axes


def _halo() -> list[withStroke]:
    from matplotlib.patheffects import withStroke

    return [withStroke(linewidth=2.5, foreground="white")]


def _outlines(axis: Axes, outlines: Sequence[tuple[str, np.ndarray, np.ndarray]]) -> None:
    for name, x, y in outlines:
        axis.plot(np.r_[x, x[0]], np.r_[y, y[0]], color="0.15", linewidth=0.6)
        axis.text(np.mean(x), np.mean(y), name, fontsize=8, ha="center", va="center", path_effects=_halo())


def _map_axes(axis: Axes) -> None:
    from matplotlib.ticker import MaxNLocator

    for side in (axis.xaxis, axis.yaxis):
        side.set_major_locator(MaxNLocator(5, integer=True))
    axis.ticklabel_format(useOffset=False, style="plain")
    axis.tick_params(labelsize=7)
    axis.set_xlabel("Easting (m)", fontsize=8)


def _scale_bar(axis: Axes, west: float, south: float, east: float, north: float) -> None:
    quarter = (east - west) / 4
    length = max(step for step in (1, 2, 5, 10, 20, 50, 100, 200, 500) if step <= max(quarter, 1))
    x, y = west + 0.04 * (east - west), south + 0.04 * (north - south)
    axis.plot([x, x + length], [y, y], color="black", linewidth=3, solid_capstyle="butt", path_effects=_halo())
    axis.annotate(f"{length} m", (x + length / 2, y), xytext=(0, 4), textcoords="offset points", ha="center",
                  fontsize=8, path_effects=_halo())  # fmt: skip


def _north_arrow(axis: Axes) -> None:
    axis.annotate(
        "N", xy=(0.955, 0.97), xytext=(0.955, 0.86), xycoords="axes fraction", ha="center", va="center", fontsize=9,
        arrowprops={"arrowstyle": "-|>", "color": "black"}, path_effects=_halo(),
    )  # fmt: skip


def profiles_figure(readings: Readings, channel: str, unit: str, title: str) -> Optional[bytes]:
    """Return a PNG of stacked profiles of one grid's channel as logged, in use; None without placed readings.

    Each traverse runs at its place along the baseline; how far it leaves it shows by how much the channel differs
    from the median of the grid.
    """
    values = readings.raw.get(channel, readings.channels[channel])
    used = readings.in_use & np.isfinite(values) & np.isfinite(readings.v_m)
    traverses = [rows for rows in (run.rows[used[run.rows]] for run in readings.runs()) if _runs_along(readings, rows)]
    if not traverses:
        return None
    places = np.unique([np.median(readings.u_m[rows]).round(3) for rows in traverses])
    step = np.median(np.diff(places)) if len(places) > 1 else 1.0
    low, middle, high = np.percentile(values[used], (2, 50, 98))
    swing = (high - low) / PROFILE_SWING or 1.0
    figure, (axis,) = _panels(1, 0.6)
    for rows in traverses:
        rows = rows[np.argsort(readings.v_m[rows])]
        colour = "#8a4b1d" if readings.heading[rows[0]] > 0 else "#2f5d7c"
        height = readings.u_m[rows] + (values[rows] - middle) / swing * step
        axis.plot(readings.v_m[rows], height, color=colour, linewidth=0.7)
    axis.set_title(f"{title} (brown: walked out, blue: walked back)", fontsize=10, loc="left")
    axis.set_xlabel("Along the traverse (m)", fontsize=9)
    axis.set_ylabel("Along the baseline (m)", fontsize=9)
    axis.tick_params(labelsize=8)
    axis.margins(0.01)
    axis.annotate("", xy=(1.012, places[0]), xytext=(1.012, places[0] + 2 * step), xycoords=axis.get_yaxis_transform(),
                  textcoords=axis.get_yaxis_transform(), arrowprops={"arrowstyle": "|-|,widthA=0.2,widthB=0.2"},
                  annotation_clip=False)  # fmt: skip
    axis.text(1.022, places[0] + step, f"{2 * swing:.2g} {unit}", transform=axis.get_yaxis_transform(), fontsize=8,
              va="center")  # fmt: skip
    return _png(figure)


def _runs_along(readings: Readings, rows: np.ndarray) -> bool:
    """Return whether readings follow a traverse; a tie line crosses the others and has no profile among them."""
    return len(rows) > 1 and np.ptp(readings.v_m[rows]) > np.ptp(readings.u_m[rows])


def _png(figure: Figure) -> bytes:
    from matplotlib.text import Text

    # A name such as "$x$" is a name, and no formula.
    for text in figure.findobj(Text):
        text.set_parse_math(False)
    buffer = io.BytesIO()
    # The default level takes twice the time for files as large.
    figure.savefig(buffer, format="png", pil_kwargs={"compress_level": 3})
    return buffer.getvalue()
