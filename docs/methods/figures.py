"""Makes the figures of the method pages from the sample survey: python docs/methods/figures.py [PAGE ...].

Without names all figures are made. Each is a small PNG beside this file, in ``figures``. Needs matplotlib.
"""

from __future__ import annotations

import csv
import importlib.util
import sys
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import matplotlib

matplotlib.use("Agg")
import matplotlib.pyplot as plt
import numpy as np
from matplotlib.collections import PolyCollection

HERE = Path(__file__).resolve().parent
ROOT = HERE.parents[1]
SAMPLE = ROOT / "sample_project"
CHANNEL, UNIT = "eca_10", "mS/m"
# Okabe and Ito's colours, which people with any colour vision tell apart.
BLUE, ORANGE, GREEN, RED, BLACK, GREY = "#0072b2", "#e69f00", "#009e73", "#d55e00", "#222222", "#9a9a9a"


def load(name: str, path: Path, **options):
    """Return a module made from a file."""
    if name not in sys.modules:
        found = importlib.util.spec_from_file_location(name, path, **options)
        sys.modules[name] = importlib.util.module_from_spec(found)
        found.loader.exec_module(sys.modules[name])
    return sys.modules[name]


load("turnrow", ROOT / "__init__.py", submodule_search_locations=[str(ROOT)])
from turnrow.processing_provider.engine.align import align_opposing  # noqa: E402
from turnrow.processing_provider.engine.balance import balance_traverses  # noqa: E402
from turnrow.processing_provider.engine.core import concatenate, lines_of  # noqa: E402
from turnrow.processing_provider.engine.flag import flag_outliers  # noqa: E402
from turnrow.processing_provider.engine.geometry import Lattice  # noqa: E402
from turnrow.processing_provider.engine.interpolate import interpolate_readings  # noqa: E402
from turnrow.processing_provider.engine.interpret import split_response  # noqa: E402
from turnrow.processing_provider.engine.logs import layout_from_json, read_log  # noqa: E402
from turnrow.processing_provider.engine.mistakes.line_position import misplacements  # noqa: E402
from turnrow.processing_provider.engine.mistakes.neighbour_fit import COARSE_M, NeighbourFit  # noqa: E402
from turnrow.processing_provider.engine.mistakes.order_likelihood import OrderLikelihood  # noqa: E402
from turnrow.processing_provider.engine.mosaic import balance_grids  # noqa: E402
from turnrow.processing_provider.engine.scattered import interpolate_scattered  # noqa: E402
from turnrow.processing_provider.engine.scattered.variogram import (  # noqa: E402
    fit_variogram,
    line_lags,
    sample_variogram,
)
from turnrow.processing_provider.engine.workflow import (  # noqa: E402
    default_recipe,
    gather_sources,
    plan_rewalk,
    process_survey,
)
from turnrow.sample_project.simulator import truth  # noqa: E402


@dataclass(frozen=True)
class Sample:
    """The sample survey after each step, the records of the steps, and the whole result."""

    placed: object
    aligned: object
    traverses: object
    grids: object
    records: dict
    result: object

    def grid(self, readings, name: str):
        """Return the survey readings in use of one grid."""
        of_grid = (readings.grid == readings.grids.index(name)) & readings.in_use & (readings.kind == 0)
        return readings.take(of_grid & np.isfinite(readings.channels[CHANNEL]))


@lru_cache(maxsize=1)
def sample() -> Sample:
    """Return the sample survey, processed step by step."""
    tables = []
    for name in ("register", "corners", "notes"):
        with (SAMPLE / f"{name}.csv").open(newline="") as file:
            tables.append(list(csv.DictReader(file)))
    result = process_survey(gather_sources(*tables, SAMPLE), default_recipe(), channels=[CHANNEL], cell_size_m=0.2)
    placed = concatenate([part for _, part in result.placed.items()])
    flagged, _ = flag_outliers(placed, channels=[CHANNEL])
    aligned, align = align_opposing(flagged, channels=[CHANNEL])
    traverses, lines = balance_traverses(aligned, channels=[CHANNEL])
    grids, levels = balance_grids(traverses, channels=[CHANNEL])
    records = {"align": align.as_json(), "lines": lines.as_json(), "levels": levels.as_json()}
    return Sample(placed, aligned, traverses, grids, records, result)


def panels(count: int, widths=None, height: float = 2.9):
    """Return a figure and its axes, one beside the other."""
    figure, axes = plt.subplots(1, count, figsize=(8.0, height), gridspec_kw={"width_ratios": widths or [1] * count},
                                constrained_layout=True)  # fmt: skip
    figure.set_constrained_layout_pads(w_pad=0.08)
    return figure, np.atleast_1d(axes)


def strips(axes, readings, limits, title: str):
    """Draw every reading as the cell it stands for, in the axes of its grid; return what a colour bar needs."""
    half_u, half_v = 0.3, 0.1
    corners = np.array([(-half_u, -half_v), (half_u, -half_v), (half_u, half_v), (-half_u, half_v)])
    place = np.stack([readings.u_m, readings.v_m], axis=1)
    drawn = PolyCollection(place[:, None] + corners, array=readings.channels[CHANNEL], cmap="viridis", lw=0)
    drawn.set_clim(*limits)
    axes.add_collection(drawn)
    axes.autoscale()
    axes.set(aspect="equal", title=title, xlabel="u along the baseline (m)")
    return drawn


def cells(axes, x, y, values, limits, title: str, cell_m: float = 0.8):
    """Draw the means of readings in cells of the map; return what a colour bar needs."""
    x, y = x - x.min(), y - y.min()
    edges = [np.arange(0, place.max() + cell_m, cell_m) for place in (x, y)]
    count, total = (np.histogram2d(x, y, edges, weights=weights)[0] for weights in (None, values))
    mean = np.where(count > 0, total / np.maximum(count, 1), np.nan)
    drawn = axes.pcolormesh(*edges, mean.T, vmin=limits[0], vmax=limits[1], cmap="viridis")
    axes.set(aspect="equal", title=title, xlabel="east (m)")
    return drawn


def range_of(values: np.ndarray) -> tuple[float, float]:
    """Return the 2 and 98 % values."""
    return tuple(np.percentile(values, [2, 98]))


def without_medians(readings):
    """Return readings with the median of each line taken off, to show what lies along the lines."""
    values, line = readings.channels[CHANNEL].copy(), readings.line
    for one in np.unique(line):
        values[line == one] -= np.median(values[line == one])
    return readings.with_channel(CHANNEL, values)


def align():
    """A ring ditch before and after alignment, and the mean shift of each line with its standard error."""
    survey, name = sample(), "I"
    figure, axes = panels(3, [1, 1, 1.4])
    limits = range_of(without_medians(survey.grid(survey.placed, name)).channels[CHANNEL])
    for ax, readings, title in ((axes[0], survey.placed, "as written down"), (axes[1], survey.aligned, "aligned")):
        drawn = strips(ax, without_medians(survey.grid(readings, name)), limits, title)
    axes[0].set_ylabel("v (m)")
    figure.colorbar(drawn, ax=axes[:2], label=f"{UNIT}, line medians taken off")
    record = survey.records["align"]
    rows = [row for row in record["lines"] if row["grid"] == name]
    for moved, colour, label in ((True, BLUE, "moved"), (False, GREY, "left as it was")):
        mine = [row for row in rows if row["moved"] is moved]
        axes[2].errorbar([r["line"] for r in mine], [r["shift_m"] for r in mine], [r["standard_error_m"] for r in mine],
                         fmt="o", ms=3, lw=1, color=colour, label=label)  # fmt: skip
    axes[2].axhline(0, color=BLACK, lw=0.6)
    axes[2].set(ylim=(-0.45, 0.75))
    axes[2].set(
        xlabel="line", ylabel="own mean shift (m)", title=f"shift of all: {record['figures']['shift_m']:+.2f} m"
    )
    axes[2].legend(frameon=False)
    return figure


def balance_traverses_page():
    """The grid with tie lines before and after, and the offsets of its lines."""
    survey, name = sample(), "A"
    figure, axes = panels(3, [1, 1, 1.3])
    limits = range_of(survey.grid(survey.traverses, name).channels[CHANNEL])
    for ax, readings, title in ((axes[0], survey.aligned, "aligned"), (axes[1], survey.traverses, "balanced")):
        part = survey.grid(readings, name)
        drawn = strips(ax, part, limits, title)
    axes[0].set_ylabel("v (m)")
    figure.colorbar(drawn, ax=axes[:2], label=UNIT)
    rows = [row for row in survey.records["lines"]["table"] if row["grid"] == name and row["channel"] == CHANNEL]
    for heading, colour, mark, label in ((1, BLUE, "o", "walked out"), (-1, ORANGE, "s", "walked back")):
        mine = [row for row in rows if row["heading"] == heading]
        axes[2].errorbar([r["line"] for r in mine], [r["offset"] for r in mine], [r["standard_error"] for r in mine],
                         fmt=mark, ms=3, lw=1, color=colour, label=label)  # fmt: skip
    axes[2].axhline(0, color=BLACK, lw=0.6)
    axes[2].set(xlabel="line", ylabel=f"taken off ({UNIT})", title="offset and standard error")
    axes[2].legend(frameon=False)
    return figure


def balance_grids_page():
    """The site before and after, and the level of each grid."""
    survey = sample()
    figure, axes = panels(3, [1, 1, 0.8])
    used = survey.grids.in_use & (survey.grids.kind == 0) & np.isfinite(survey.grids.channels[CHANNEL])
    limits = range_of(survey.grids.channels[CHANNEL][used])
    for ax, readings, title in zip(
        axes, (survey.traverses, survey.grids), ("traverses balanced", "grids balanced, too")
    ):
        part = readings.take(used)
        drawn = cells(ax, part.x, part.y, part.channels[CHANNEL], limits, title)
    axes[0].set_ylabel("north (m)")
    figure.colorbar(drawn, ax=axes[:2], label=UNIT)
    rows = [row for row in survey.records["levels"]["table"] if row["channel"] == CHANNEL]
    place = np.arange(len(rows))[::-1]
    axes[2].errorbar([r["offset"] for r in rows], place, xerr=[r["standard_error"] for r in rows], fmt="o", ms=3, lw=1,
                     color=BLUE)  # fmt: skip
    axes[2].axvline(0, color=BLACK, lw=0.6)
    axes[2].set_yticks(place, [r["grid"] for r in rows])
    axes[2].set(xlabel=f"taken off ({UNIT})", ylabel="grid", title="level and standard error")
    return figure


def levelled(values: np.ndarray, x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """Return the truth at positions, at the level of the map: levels of grids are known against each other only."""
    true = truth(x, y, CHANNEL)
    return true + np.nanmean(values - true)


def image(axes, values, lattice, title: str, **colours):
    """Draw a raster in metres from its corner; return what a colour bar needs."""
    extent = (0, lattice.cols * lattice.cell_m, 0, lattice.rows * lattice.cell_m)
    drawn = axes.imshow(values, extent=extent, interpolation="nearest", **{"cmap": "viridis", **colours})
    axes.set(aspect="equal", title=title, xlabel="east (m)")
    return drawn


def around(readings, margin_m: float = 0.0, cell_m: float = 0.1):
    """Return a lattice around readings."""
    x, y = readings.x, readings.y
    return Lattice.covering(x.min() + margin_m, y.min() + margin_m, x.max() - margin_m, y.max() - margin_m, cell_m)


def section(lattice, north_m: float):
    """Return a lattice of one row of fine cells, so many metres north of another one's lower edge, and its x and y."""
    y = lattice.y_max - lattice.rows * lattice.cell_m + north_m
    row = Lattice(lattice.x_min, y, 0.02, 1, round(lattice.cols * lattice.cell_m / 0.02))
    return row, row.x, np.full(row.cols, y - 0.01)


def compared(axes, lattice, north_m: float, curves: dict, title: str):
    """Draw curves along a section beside the truth."""
    row, x, y = section(lattice, north_m)
    east = x - lattice.x_min
    looks = ((RED, "--"), (BLUE, "-"), (GREEN, ":"))
    drawn = {label: function(row) for label, function in curves.items()}
    axes.plot(east, levelled(next(iter(drawn.values())), x, y), color=GREY, lw=3, label="truth")
    for (label, values), (colour, style) in zip(drawn.items(), looks):
        axes.plot(east, values, color=colour, ls=style, lw=1.1, label=label)
    axes.set(xlabel="east (m)", ylabel=UNIT, title=title)
    axes.legend(frameon=False)


def interpolate():
    """The cubic surface with the readings on it, and sections by three methods."""
    survey = sample()
    part = survey.grid(survey.grids, "I")
    lattice, figure_and_axes = around(part, 3.0, 0.05), panels(2, [1, 1.5], 3.1)
    figure, axes = figure_and_axes
    surface = interpolate_readings(part, CHANNEL, lattice).values
    drawn = image(axes[0], surface, lattice, "cubic, and the readings")
    axes[0].plot(
        part.x - lattice.x_min, part.y - (lattice.y_max - lattice.rows * lattice.cell_m), ".", ms=0.7, color="w"
    )
    axes[0].set(xlim=(5, 13), ylim=(3, 11), ylabel="north (m)")
    axes[0].axhline(7.0, color=BLACK, lw=0.8)
    figure.colorbar(drawn, ax=axes[0], label=UNIT)
    curves = {
        method: lambda row, method=method: interpolate_readings(part, CHANNEL, row, method=method).values[0]
        for method in ("linear", "cubic", "sinc")
    }
    compared(axes[1], lattice, 7.0, curves, "section across the lines")
    return figure


def minimum_curvature():
    """The surface through points taken at random, and sections with three tensions."""
    survey = sample()
    part = survey.grid(survey.grids, "I")
    some = part.take(np.sort(np.random.default_rng(1).choice(len(part), 400, replace=False)))
    lattice = around(part, 3.0)
    figure, axes = panels(2, [1, 1.5], 3.1)
    surface = interpolate_scattered(some, CHANNEL, lattice, max_gap_m=3.0)[0].whole()
    drawn = image(axes[0], surface, lattice, "surface through 400 points")
    south = lattice.y_max - lattice.rows * lattice.cell_m
    axes[0].plot(some.x - lattice.x_min, some.y - south, ".", ms=2.5, color="w")
    axes[0].set(xlim=(0, lattice.cols * lattice.cell_m), ylim=(0, lattice.rows * lattice.cell_m), ylabel="north (m)")
    axes[0].axhline(10.0, color=BLACK, lw=0.8)
    figure.colorbar(drawn, ax=axes[0], label=UNIT)
    curves = {
        f"tension {tension:g}": lambda row, tension=tension: np.interp(
            row.x,
            lattice.x,
            interpolate_scattered(some, CHANNEL, lattice, max_gap_m=3.0, tension=tension)[0].whole()[
                int((lattice.y_max - row.y[0]) / lattice.cell_m)
            ],
        )
        for tension in (0.0, 0.25, 0.9)
    }
    compared(axes[1], lattice, 10.0, curves, "section")
    return figure


def kriging():
    """Semivariances with the fitted models, the map and its standard error."""
    survey = sample()
    part = survey.grid(survey.grids, "I")
    figure, axes = panels(3, [1.3, 1, 1], 2.7)
    z = part.channels[CHANNEL]
    north = np.polyfit(part.v_m, part.y, 1)[0]
    east = np.polyfit(part.v_m, part.x, 1)[0]
    azimuth = float(np.arctan2(east, north))
    classes = sample_variogram(part.x, part.y, z, lags=line_lags(part.x, part.y), azimuth_rad=azimuth, bands=3)
    model = fit_variogram(classes, "spherical")
    distance = np.geomspace(0.1, classes.distance_m.max(), 100)
    for low, colour, mark, label in ((0, BLUE, "o", "along"), (1, GREEN, "^", "between"), (2, ORANGE, "s", "across")):
        mine = (classes.angle_rad * 3 / (np.pi / 2)).astype(int).clip(0, 2) == low
        axes[0].plot(classes.distance_m[mine], classes.semivariance[mine], mark, ms=3, color=colour, label=label)
        angle = azimuth + np.median(classes.angle_rad[mine])
        fitted = model.semivariance(distance * np.sin(angle), distance * np.cos(angle))
        axes[0].plot(distance, fitted, color=colour, lw=1)
    axes[0].set(
        xscale="log", xlabel="distance (m)", ylabel=f"semivariance (({UNIT})²)", title="variogram, spherical model"
    )
    axes[0].legend(frameon=False, title="the lines")
    lattice = around(part, 0.0, 0.2)
    values, errors, _ = interpolate_scattered(part, CHANNEL, lattice, method="kriging")
    for ax, table, title, colours in (
        (axes[1], values, "map", {}),
        (axes[2], errors, "standard error", {"cmap": "Greys"}),
    ):
        drawn = image(ax, table.whole(), lattice, title, **colours)
        figure.colorbar(drawn, ax=ax, label=UNIT, shrink=0.8)
    return figure


def standard_errors():
    """The standard error of the site's map, and how errors over standard errors are distributed."""
    result = sample().result
    lattice, raster = result.lattice, result.rasters[CHANNEL]
    values, errors = raster.values, raster.standard_error
    x, y = np.meshgrid(lattice.x, lattice.y)
    figure, axes = panels(2, [1, 1], 2.9)
    top = float(np.nanpercentile(errors, 99))
    drawn = image(axes[0], errors, lattice, "standard error", cmap="cividis", vmin=0, vmax=top)
    axes[0].set_ylabel("north (m)")
    figure.colorbar(drawn, ax=axes[0], label=UNIT)
    known = np.isfinite(values)
    # The grid that lies apart has a level of its own.
    score = np.concatenate(
        [
            (values[part] - levelled(values[part], x[part], y[part])) / errors[part]
            for part in (known & (x - lattice.x_min < 63), known & (x - lattice.x_min >= 63))
        ]
    )
    edges = np.linspace(-4, 4, 65)
    axes[1].hist(score, edges, density=True, color=BLUE, alpha=0.5, label="map less truth, over standard error")
    axes[1].plot(edges, np.exp(-(edges**2) / 2) / np.sqrt(2 * np.pi), color=BLACK, lw=1, label="standard normal")
    within = [np.mean(np.abs(score) < limit) for limit in (1, 2)]
    axes[1].set(xlabel="standard errors", ylabel="density", ylim=(0, 0.75),
                title=f"{within[0]:.0%} of the cells within one, {within[1]:.0%} within two")  # fmt: skip
    axes[1].legend(frameon=False)
    return figure


def read():
    """Stations by the clock in the log of several grids, and one grid of it by line and recording."""
    log = read_log(SAMPLE / "logs" / "second_day.csv", layout_of("C")).readings
    figure, axes = panels(2, [1.6, 1], 2.8)
    start = np.nanmin(log.time_s)
    for code, colour in enumerate((BLUE, ORANGE, GREEN)):
        mine = log.grid == code
        minutes = (log.time_s[mine] - start) / 60
        axes[0].plot(minutes, log.station[mine], ".", ms=0.8, color=colour)
        axes[0].text(np.median(minutes), 132, f"grid {log.grids[code]}", color=colour, ha="center")
    axes[0].set(xlabel="minutes from the first reading", ylabel="station", title="one log, three grids", ylim=(-8, 148))
    mine = log.grid == log.grids.index("C")
    for run, colour, label in ((1, BLUE, "first recording"), (2, RED, "second recording")):
        of_run = mine & (log.run == run)
        axes[1].plot(log.line[of_run], log.station[of_run], ".", ms=1.2, color=colour, label=label)
    axes[1].set(xlabel="line", ylabel="station", title="grid C: line 13 comes twice", ylim=(-8, 148))
    axes[1].legend(frameon=False, markerscale=6, loc="upper center", ncol=2)
    return figure


def layout_of(grid: str):
    """Return the layout that the register names for a grid."""
    with (SAMPLE / "register.csv").open(newline="") as file:
        name = next(row["layout"] for row in csv.DictReader(file) if row["grid"] == grid)
    return layout_from_json((SAMPLE / name).read_text(encoding="utf-8"))


def compare():
    """The stations that each line covers, in a grid with a line cut short and in one around a spoil heap."""
    survey = sample()
    figure, axes = panels(2, None, 2.8)
    for ax, name, title in (
        (axes[0], "B", "grid B: line 22 is short"),
        (axes[1], "E", "grid E: noted obstacle"),
    ):
        scheme = next(g.source.entry.scheme for g in survey.result.grids if g.grid == name)
        mine = (survey.placed.grid == survey.placed.grids.index(name)) & np.isfinite(survey.placed.v_m)
        line, v = survey.placed.line[mine], survey.placed.v_m[mine]
        obstacle = survey.placed.has_flag("obstacle")[mine]
        short = {f.line for f in survey.result.findings if f.grid == name and f.code == "line-short" and f.walk_again}
        inside = np.isin(line, list(short))
        for of_kind, colour, label in ((~obstacle & ~inside, BLUE, "recorded"), (obstacle, GREY, "noted as obstacle"),
                                       (inside & ~obstacle, RED, "line to walk again")):  # fmt: skip
            if of_kind.any():
                ax.plot(line[of_kind], v[of_kind], "s", ms=1.6, color=colour, label=label)
        for edge in (0, scheme.length_m):
            ax.axhline(edge, color=BLACK, lw=0.8)
        ax.set(xlabel="line", ylabel="v (m)", title=title, ylim=(-3, scheme.length_m + 7))
        ax.legend(frameon=False, ncol=2, markerscale=2, loc="upper center")
    return figure


def evening():
    """The lines to walk again in grid B, with a sound neighbour and a tie, on the lines of the grid."""
    result = sample().result
    (plan,) = (p for p in plan_rewalk(result.results, result.findings, ()) if p.walks)
    figure, (ax,) = panels(1, None, 3.4)
    scheme = plan.scheme
    for u in scheme.position_m(scheme.lines):
        ax.plot([u, u], [0, scheme.length_m], color=GREY, lw=0.4)
    looks = {"again": (RED, 2.5, "-"), "neighbour": (BLUE, 1.5, "--"), "tie": (GREEN, 1.5, "--")}
    for walk in plan.walks:
        along, across = (walk.from_m, walk.to_m), (walk.position_m, walk.position_m)
        u, v = (along, across) if walk.role == "tie" else (across, along)
        colour, thick, style = looks[walk.role]
        ax.plot(u, v, color=colour, lw=thick, ls=style, label=f"{walk.line}: {walk.why}")
        ax.annotate("", (u[0] + (u[1] - u[0]) / 3, v[0] + (v[1] - v[0]) / 3), (u[0], v[0]),
                    arrowprops={"arrowstyle": "->", "color": colour})  # fmt: skip
    title = f"grid {plan.grid}: about {plan.minutes:.0f} minutes"
    ax.set(aspect="equal", xlabel="u along the baseline (m)", ylabel="v (m)", title=title)
    ax.legend(frameon=False, loc="center left", bbox_to_anchor=(1, 0.5))
    return figure


def place():
    """A grid on the map with its corners, and its readings by flag."""
    survey, name = sample(), "C"
    grid = next(g for g in survey.result.grids if g.grid == name)
    part = survey.placed.take(survey.placed.grid == survey.placed.grids.index(name))
    figure, axes = panels(2, [1, 1], 3.4)
    east, north = part.x - np.nanmin(part.x), part.y - np.nanmin(part.y)
    looks = {"overrun": (ORANGE, "overrun"), "dummy": (GREEN, "dummy line"), "redone": (RED, "walked again later")}
    used = part.in_use
    for ax, x, y in ((axes[0], east, north), (axes[1], part.u_m, part.v_m)):
        ax.plot(x[used], y[used], ".", ms=1, color=BLUE, label="in use")
        for word, (colour, label) in looks.items():
            mine = part.has_flag(word)
            ax.plot(x[mine], y[mine], ".", ms=2, color=colour, label=label)
        ax.set(aspect="equal")
    for corner in grid.source.corners:
        x, y = corner.x - np.nanmin(part.x), corner.y - np.nanmin(part.y)
        axes[0].plot(x, y, "^", ms=6, color=BLACK)
        axes[0].annotate(corner.corner, (x, y), textcoords="offset points", xytext=(-8, 9), weight="bold")
    axes[0].set(xlabel="east (m)", ylabel="north (m)", title="on the map, with the surveyed corners")
    axes[1].set(xlabel="u along the baseline (m)", ylabel="v (m)", title="in the grid")
    axes[1].legend(frameon=False, markerscale=5, loc="center left", bbox_to_anchor=(1.0, 0.5))
    return figure


def outliers():
    """A line with outlying readings, its running median and the limit."""
    survey = sample()
    name = "C"
    part = survey.placed.take((survey.placed.grid == survey.placed.grids.index(name)) & survey.placed.in_use)
    flagged, record = flag_outliers(part, channels=[CHANNEL])
    out = flagged.has_flag("outlier")
    line = int(np.bincount(part.line[out]).argmax())
    rows = np.flatnonzero(part.line == line)
    rows = rows[np.argsort(part.v_m[rows])]
    v, z = part.v_m[rows], part.channels[CHANNEL][rows]
    median = np.array([np.median(z[max(k - 2, 0) : k + 3]) for k in range(len(z))])
    gradient = np.array([np.abs(np.diff(median))[max(k - 3, 0) : k + 3].max() for k in range(len(z))])
    limit = 6 * (record.figures.noise[CHANNEL] + gradient / 2)
    figure, axes = panels(1, None, 2.6)
    axes[0].fill_between(v, median - limit, median + limit, color=BLUE, alpha=0.15, lw=0, label="limit (threshold 6)")
    axes[0].plot(v, median, color=BLUE, lw=1, label="running median of 5 readings")
    axes[0].plot(v, z, ".", ms=3, color=BLACK, label="readings")
    axes[0].plot(v[out[rows]], z[out[rows]], "o", ms=7, mfc="none", color=RED, label="flagged")
    axes[0].set(xlabel="v (m)", ylabel=UNIT, title=f"grid {name}, line {line}")
    axes[0].legend(frameon=False, loc="upper left", bbox_to_anchor=(1.0, 1.0))
    return figure


def regional_local():
    """The map, its regional and its local response."""
    result = sample().result
    values = result.rasters[CHANNEL].values
    regional, local = split_response(values, result.lattice.cell_m, 12.0)
    figure, axes = panels(3, None, 2.5)
    low, high = np.nanpercentile(values, [2, 98])
    reach = float(np.nanpercentile(np.abs(local), 98))
    looks = (
        {"vmin": low, "vmax": high},
        {"vmin": low, "vmax": high},
        {"vmin": -reach, "vmax": reach, "cmap": "PuOr_r"},
    )
    for ax, table, title, colours in zip(
        axes, (values, regional, local), ("map", "regional, width 12 m", "local"), looks
    ):
        drawn = image(ax, table, result.lattice, title, **colours)
        figure.colorbar(drawn, ax=ax, label=UNIT, shrink=0.7)
    axes[0].set_ylabel("north (m)")
    return figure


def mistakes():
    """A line that was turned round on purpose: how it fits its neighbours, and what every line would gain."""
    survey, name, wrong = sample(), "I", 12
    part = survey.grid(survey.aligned, name)
    mine = part.line == wrong
    v = part.v_m.copy()
    v[mine] = v[mine].max() + v[mine].min() - v[mine]
    turned = part.replace(v_m=v)
    lines = lines_of(turned)
    matrices = lines.resample(turned, turned.stacked([CHANNEL]))
    fit = NeighbourFit(matrices, lines.step_m).fit(np.ones(len(lines), bool))
    index = int(np.flatnonzero(lines.line == wrong)[0])
    figure, axes = panels(3, [1, 1.2, 1.2], 2.7)
    shown = without_medians(turned)
    drawn = strips(axes[0], shown, range_of(shown.channels[CHANNEL]), f"line {wrong} turned round")
    axes[0].set_ylabel("v (m)")
    figure.colorbar(drawn, ax=axes[0], label=UNIT)
    near = np.abs(fit.move_m) < 6
    for way, colour, style, label in ((0, GREY, "--", "as recorded"), (1, BLUE, "-", "turned round")):
        axes[1].plot(fit.move_m[near], fit.correlation[way, index][near], ls=style, color=colour, label=label)
    axes[1].set(
        xlabel="moved by (m)", ylabel="correlation with both neighbours", title=f"line {wrong}", ylim=(-0.6, 1.6)
    )
    axes[1].legend(frameon=False, loc="upper right")
    spacing = float(np.median(np.diff(lines.u)))
    likelihood = OrderLikelihood(matrices[0], lines.u / spacing, lines.step_m, spacing, COARSE_M)
    gain = misplacements(fit, likelihood, np.arange(len(lines))).gain.max(axis=0)
    colours = [RED if line == wrong else BLUE for line in lines.line]
    axes[2].bar(lines.line, np.where(np.isfinite(gain), gain, 0.0), color=colours)
    axes[2].axhline(0, color=BLACK, lw=0.6)
    axes[2].set(xlabel="line", ylabel="log likelihood gained", title="elsewhere or turned round")
    return figure


FIGURES = {
    "read": read,
    "compare": compare,
    "mistakes": mistakes,
    "evening": evening,
    "place": place,
    "outliers": outliers,
    "align": align,
    "balance-traverses": balance_traverses_page,
    "balance-grids": balance_grids_page,
    "interpolate": interpolate,
    "minimum-curvature": minimum_curvature,
    "kriging": kriging,
    "standard-errors": standard_errors,
    "regional-local": regional_local,
}


def main(names: list[str]) -> None:
    """Make the named figures, all when none is named."""
    plt.rcParams.update({"font.size": 8, "axes.titlesize": 8, "axes.spines.top": False, "axes.spines.right": False})
    (HERE / "figures").mkdir(exist_ok=True)
    for name in names or FIGURES:
        figure = FIGURES[name]()
        path = HERE / "figures" / f"{name}.png"
        figure.savefig(path, dpi=110, metadata={"Software": None})
        plt.close(figure)
        print(f"{path.relative_to(ROOT)}: {path.stat().st_size / 1000:.0f} kB")


if __name__ == "__main__":
    main(sys.argv[1:])
