"""What the corrections reach on simulated sites, beside what is done by hand and by general libraries.

    pip install scikit-image PyWavelets tqdm dcimg && pip install --no-deps pystripe
    python tests/benchmarks/corrections.py [sites] [first seed] [--pace arc]

(pystripe asks for one old numpy; it works with any.) Sites, faults and seeds are the same for every row, and for the
surveys with and without a feature: its fraction kept is the difference of the two corrected maps regressed on the
feature itself. Hand recipes get the readings without our outliers and with our common lag taken out.
"""

from __future__ import annotations

import argparse
import copy
import cProfile
import pstats
from dataclasses import dataclass, replace
from types import MappingProxyType
from typing import Callable, Mapping

import _hand_recipes as hand
import numpy as np
from _measure import best_of, print_times, whole_benchmark
from turnrow.processing_provider.engine.align.align import align_opposing
from turnrow.processing_provider.engine.balance.balance import balance_traverses
from turnrow.processing_provider.engine.core.columns import kind_code
from turnrow.processing_provider.engine.core.lines import Lines, lines_of
from turnrow.processing_provider.engine.core.readings import Readings, concatenate
from turnrow.processing_provider.engine.flag.outliers import flag_outliers
from turnrow.processing_provider.engine.geometry.lattice import Lattice
from turnrow.processing_provider.engine.interpolate.interpolate import interpolate_readings
from turnrow.sample_project.simulator import walks as walk

CELL_M = 0.25
EDGE_CELLS = 2
"""What the outermost cells show is left to no recipe: lines end there."""
PACES = MappingProxyType({"wander": {"pace_m": 0.15}, "arc": {"pace_m": 0.0, "arc_m": 0.15}})
"""How the pace is uneven: anew every few metres, or in one arc between the tapes at both ends of a line."""
DEFAULT = MappingProxyType({})
COMMON_LAG = MappingProxyType({"per_traverse": False})


@dataclass(frozen=True)
class Site:
    """A random site before anybody walks it; ``place_m`` is the u of what is dug into it."""

    size_m: float
    lag_m: float
    ground: walk.Field
    rng: np.random.Generator
    place_m: float
    contrast: float
    pace: str

    @classmethod
    def of(cls, seed: int, pace: str) -> Site:
        """Return the site of a seed, walked at one of the ``PACES``."""
        rng = np.random.default_rng(seed)
        size, lag = rng.choice([20.0, 30.0]), rng.uniform(0.15, 0.6)
        ground = walk.site(size, rng)
        place = size * np.random.default_rng([seed, 1]).uniform(0.35, 0.65)
        return cls(size, lag, ground, rng, place, 2.0 + 2.0 * (seed % 2), pace)

    def dug(self, feature: Callable) -> Site:
        """Return the site with a feature more."""
        u, v = self.ground.axes
        inside = feature(u - self.place_m, v - self.size_m / 2)
        return replace(self, ground=replace(self.ground).add(inside, self.contrast))

    def walk(self, **how) -> walk.Walk:
        """Walk it; what goes wrong is the same whatever has been dug into it."""
        faults = replace(walk.usual(self.lag_m), **PACES[self.pace])
        return walk.walk(self.ground, copy.deepcopy(self.rng), faults, **how)

    @property
    def ties(self) -> tuple:
        """Three tie lines over the grid."""
        return (self.size_m / 6, self.size_m / 2, self.size_m * 5 / 6)


FEATURES = {
    "1 m wide": lambda u, v: np.abs(u) < 0.5,
    "4 m wide": lambda u, v: np.abs(u) < 2.0,
    "1 m, half-length": lambda u, v: (np.abs(u) < 0.5) & (v < 0),
    "1 m, 10 degrees oblique": lambda u, v: np.abs(u * np.cos(np.radians(10)) + v * np.sin(np.radians(10))) < 0.5,
}
"""Whether a place, seen from the middle of the feature, is inside it; all along the traverses or nearly."""


@dataclass(frozen=True)
class Corrected:
    """Corrected readings of a grid, and the fraction of the true stripes that remains.

    The latter is the standard deviation of neighbouring lines' differences of what the correction left or put there,
    over that of the true offsets and drift of the lines.
    """

    readings: Readings
    stripes_left: float

    @classmethod
    def of(cls, walked: walk.Walk, lines: Lines, readings: Readings, taken: np.ndarray) -> Corrected:
        """Return it from the (L,) mean that was taken off each line."""
        levels = walked.offset[lines.line - 1] + by_line(lines, walked.drift)
        return cls(readings, float(np.std(np.diff(levels - taken)) / np.std(np.diff(levels))))

    def map(self, size_m: float) -> np.ndarray:
        """Return the map as the default interpolation makes it, u down the rows."""
        raster = interpolate_readings(self.readings, "eca", Lattice.covering(0.0, 0.0, size_m, size_m, CELL_M))
        inside = slice(EDGE_CELLS, -EDGE_CELLS)
        return raster.values[::-1].T[inside, inside]


def map_axis(size_m: float) -> np.ndarray:
    """Return the middles of the cells that count, in metres: u and v alike."""
    return np.arange(CELL_M / 2, size_m, CELL_M)[EDGE_CELLS:-EDGE_CELLS]


def map_places(size_m: float) -> list[np.ndarray]:
    """Return u and v of the cells of the map."""
    return np.meshgrid(map_axis(size_m), map_axis(size_m), indexing="ij")


def matrix_of(readings: Readings, lines: Lines) -> np.ndarray:
    """Return the (L, V) values of the lines, gaps bridged."""
    rows = lines.resample(readings, readings.channels["eca"])
    return np.stack([np.interp(lines.v, lines.v[k], row[k]) for row, k in zip(rows, np.isfinite(rows))])


def readings_of(matrix: np.ndarray, lines: Lines) -> Readings:
    """Return the (L, V) values of lines as readings on the ground."""
    u, v = (along.ravel() for along in np.broadcast_arrays(lines.u[:, None], lines.v))
    number = np.repeat(lines.line, len(lines.v))
    return Readings.build(
        number, {"eca": matrix.ravel()}, u_m=u, v_m=v, x=u, y=v, heading=np.repeat(lines.heading, len(lines.v))
    )


def by_line(lines: Lines, values: np.ndarray) -> np.ndarray:
    """Return the (L,) mean of the lines' readings."""
    mine = lines.owner >= 0
    return np.bincount(lines.owner[mine], values[mine]) / np.bincount(lines.owner[mine])


def by_turnrow(walked: walk.Walk, balance: Mapping = DEFAULT, align: Mapping = DEFAULT) -> Corrected:
    """Correct a survey by our own steps, with options other than the default ones."""
    moved, _ = align_opposing(flag_outliers(walked.readings)[0], **align)
    balanced, _ = balance_traverses(moved, **balance)
    lines = lines_of(balanced)
    taken = by_line(lines, moved.channels["eca"] - balanced.channels["eca"])
    return Corrected.of(walked, lines, balanced, taken)


def by_hand(walked: walk.Walk, common: Readings, recipe: Callable) -> Corrected:
    """Correct a survey, outliers and common lag already out, by a recipe of others."""
    lines = lines_of(common)
    matrix = matrix_of(common, lines)
    done = recipe(matrix, float(np.median(lines.gap_m)), lines.step_m)
    return Corrected.of(walked, lines, readings_of(done, lines), (matrix - done).mean(axis=1))


def corrections(site: Site) -> dict[str, Corrected]:
    """Return the survey of a site, corrected in every way."""
    walked = site.walk()
    lines = lines_of(walked.readings)
    common, record = align_opposing(flag_outliers(walked.readings)[0], **COMMON_LAG)
    whole = round(record.figures.shift_m / lines.step_m) * lines.step_m
    found = {
        "nothing": Corrected.of(walked, lines, walked.readings, np.zeros(len(lines))),
        "**Turnrow's default**": by_turnrow(walked),
        "**the same with base readings**": by_turnrow(site.walk(base_every=10)),
        "**the same with three tie lines**": by_turnrow(site.walk(ties=site.ties)),
        "default, common lag only": by_turnrow(walked, align=COMMON_LAG),
        "the same, lag in whole readings": by_turnrow(walked, align={**COMMON_LAG, "shift_m": whole}),
        "direction only": by_turnrow(walked, {"method": "direction only"}),
    }
    found.update({name: by_hand(walked, common, recipe) for name, recipe in hand.STRIPES.items()})
    return found


def comparison(site: Site) -> dict[str, dict[str, float]]:
    """Return the figures of a site by row and column of the comparison."""
    where, figures, maps = map_places(site.size_m), {}, {}
    truth = site.ground.at(*where)
    for row, corrected in corrections(site).items():
        maps[row] = corrected.map(site.size_m)
        figures[row] = {"map RMSE, mS/m": float(np.std(maps[row] - truth)), "stripes left": corrected.stripes_left}
    for name, feature in FEATURES.items():
        dug = site.dug(feature)
        true = dug.ground.at(*where) - truth
        for row, corrected in corrections(dug).items():
            change = corrected.map(site.size_m) - maps[row]
            figures[row]["keeps " + name] = slope(change, true)
            if "half" in name:
                figures[row]["ghost of the half"] = ghost(change, site)
    return figures


def slope(change: np.ndarray, true: np.ndarray) -> float:
    """Return the fraction of a feature that remains on the map: what it changed there, regressed on the feature."""
    centred = true - true.mean()
    return float(np.sum(change * centred) / np.sum(centred**2))


def ghost(change: np.ndarray, site: Site) -> float:
    """Return what the empty half of a half-length feature's lines shows of it, held against the ground beside."""
    u, v = map_places(site.size_m)
    empty, away = v > site.size_m / 2 + 1.0, np.abs(u - site.place_m)
    return float(change[empty & (away < 0.5)].mean() - np.median(change[empty & (away > 3.0)])) / site.contrast


def lag_errors(walked: walk.Walk) -> dict[str, float]:
    """Return the error in metres of the common lag by our estimate and by others'.

    The truth is the lag that the lines had on average: uneven starts, stops and pace of some fifty lines alone move it
    by 2 cm from what the instrument has.
    """
    survey = walked.readings.kind == kind_code("survey")
    behind = walked.readings.heading * (walked.readings.v_m - walked.true_v)
    truth = float(np.mean(behind[survey]))
    clean, _ = flag_outliers(walked.readings)
    estimate = -align_opposing(clean, **COMMON_LAG)[1].figures.estimate_m
    lines = lines_of(clean)
    matrix = matrix_of(clean, lines)
    first_out = lines.heading[lines.pairs[:, 0]] > 0
    out, back = np.where(first_out, lines.pairs.T, lines.pairs.T[::-1])
    found = {"Turnrow": estimate, "Turnrow, whole readings": round(estimate / lines.step_m) * lines.step_m}
    found.update({name: lag(matrix[out], matrix[back], lines.step_m) for name, lag in hand.LAGS.items()})
    return {name: abs(lag - truth) for name, lag in found.items()}


def position_errors(walked: walk.Walk) -> dict[str, tuple[float, float]]:
    """Return how far the readings in use are from where they were taken, on average and root mean square, metres."""
    clean, _ = flag_outliers(walked.readings)
    steps = {"as logged": clean, "common lag": align_opposing(clean, **COMMON_LAG)[0],
             "and each traverse": align_opposing(clean)[0]}  # fmt: skip
    errors = {}
    for name, r in steps.items():
        off = (r.v_m - walked.true_v)[r.in_use & (r.kind == kind_code("survey"))]
        errors[name] = float(np.mean(np.abs(off))), float(np.sqrt(np.mean(off**2)))
    return errors


def spike_counts(site: Site) -> dict[str, float]:
    """Count spikes and what was flagged, on the site with a kiln and pieces of iron broader than 0.5 m added."""
    rng = np.random.default_rng(round(1e6 * site.place_m))
    ground, (u, v) = replace(site.ground), site.ground.axes
    middles = rng.uniform(2.0, site.size_m - 2.0, (6, 2))
    ground.add(np.hypot(u - middles[0, 0], v - middles[0, 1]) < 0.75, 40.0)
    for middle in middles[1:]:
        ground.iron(*middle, rng.choice([-1, 1]) * rng.uniform(20, 60))
    walked = replace(site, ground=ground).walk()
    found = flag_outliers(walked.readings)[0].has_flag("outlier")
    away = [np.hypot(walked.true_u - a, walked.true_v - b) for a, b in middles]
    large = (np.min(away, axis=0) < 1.0) & ~walked.spike
    return {"flagged": found.sum(), "spikes": walked.spike.sum(), "both": (found & walked.spike).sum(),
            "large": large.sum(), "large flagged": (found & large).sum()}  # fmt: skip


def coverage(walked: walk.Walk, size_m: float) -> dict[str, float]:
    """Return the fraction of the truth within two standard errors; levels of the whole grid off."""
    moved, _ = align_opposing(flag_outliers(walked.readings)[0])
    done, record = balance_traverses(moved)
    lines = lines_of(done)
    of_line = {row.line: (row.offset, row.standard_error) for row in record.table}
    offset, error = np.array([of_line[number] for number in lines.line]).T
    levels = walked.offset[lines.line - 1] + by_line(lines, walked.drift)
    rows = np.flatnonzero(done.in_use & (lines.owner >= 0))
    taken = (moved.channels["eca"] - done.channels["eca"])[rows]
    true = walked.offset[lines.line - 1][lines.owner[rows]] + walked.drift[rows]
    raster = interpolate_readings(done, "eca", Lattice.covering(0.0, 0.0, size_m, size_m, CELL_M))
    across, down = np.meshgrid(*[np.arange(CELL_M / 2, size_m, CELL_M)] * 2)
    wrong = raster.values - walked.field.at(across, down[::-1])
    return {
        "offsets of the lines": within(offset - levels, error),
        "corrections of the readings": within(taken - true, done.se["eca"][rows]),
        "cells of the map": within(wrong, raster.standard_error),
    }


def within(wrong: np.ndarray, error: np.ndarray) -> float:
    """Return the fraction of errors, their mean off, within two standard errors."""
    return float(np.mean(np.abs(wrong - np.nanmean(wrong)) <= 2 * error))


def chain(readings: Readings) -> Readings:
    """Run the default corrections."""
    return balance_traverses(align_opposing(flag_outliers(readings)[0])[0])[0]


def print_time() -> None:
    """Print the time of the default corrections of ten grids against line medians alone, and what takes it."""
    rng, faults = np.random.default_rng(7), walk.usual(0.4)
    grids = [walk.walk(walk.site(20.0, rng), rng, faults, grid=f"G{k}").readings for k in range(10)]
    readings = concatenate(grids)
    matrix = readings.channels["eca"].reshape(-1, 160)
    ours = best_of(9, lambda: chain(readings))
    medians = best_of(9, lambda: np.median(matrix, axis=1))
    print(f"\nDefault corrections of {len(readings)} readings in {len(grids)} grids; ratio of CPU times "
          f"{ours.cpu_s / medians.cpu_s:.0f}\n")  # fmt: skip
    print_times({"corrections": ours, "numpy.median along the lines": medians})
    profile = cProfile.Profile()
    profile.runcall(chain, readings)
    pstats.Stats(profile).strip_dirs().sort_stats("tottime").print_stats(10)


def spread(values: list, digits: int = 2) -> str:
    """Return median and 10 to 90 % of values as text."""
    # Adding zero turns a rounded -0 into 0.
    rounded = np.round(np.quantile(values, [0.5, 0.1, 0.9]), digits) + 0.0
    return "{} ({} to {})".format(*(f"{q:.{digits}f}" for q in rounded))


def mean_percent(fractions: list) -> str:
    """Return mean and 10 to 90 % of fractions as text."""
    low, high = 100.0 * np.quantile(fractions, [0.1, 0.9])
    return f"{100.0 * np.mean(fractions):.0f} ({low:.0f} to {high:.0f})"


def percent(fractions: list) -> str:
    """Return median and 10 to 90 % of fractions as text."""
    return spread(100.0 * np.array(fractions), 0)


def print_table(head: list[str], rows: dict[str, list[str]]) -> None:
    """Print a Markdown table."""
    for cells in (head, ["---"] * len(head), *([name, *cells] for name, cells in rows.items())):
        print("| " + " | ".join(cells) + " |")


def print_comparison(results: list) -> None:
    """Print the rows of the comparison: medians over the sites and their spread."""
    rows = {}
    for row, (error, *fractions) in {row: list(figures) for row, figures in results[0].items()}.items():
        rows[row] = [spread([r[row][error] for r in results])]
        rows[row] += [percent([r[row][name] for r in results]) for name in fractions]
    print(f"Medians over {len(results)} sites (10 to 90 % of them); without units: percent\n")
    print_table(["recipe", *results[0]["nothing"]], rows)


def print_places(surveys: list[walk.Walk]) -> None:
    """Print the errors of the common lag and of the positions of the readings."""
    errors = [lag_errors(walked) for walked in surveys]
    rows = {name: [f"{np.quantile([e[name] for e in errors], q):.3f}" for q in (0.5, 0.95)] for name in errors[0]}
    print("\nError of the common lag, m\n")
    print_table(["by", "median", "95 %"], rows)
    errors = [position_errors(walked) for walked in surveys]
    print("\nPlace of a reading along its traverse, m off; medians (10 to 90 %)\n")
    rows = {name: [spread([e[name][k] for e in errors]) for k in (0, 1)] for name in errors[0]}
    print_table(["after", "on average", "RMS"], rows)


def print_outliers(sites: list[Site]) -> None:
    """Print how many spikes were found, and what else was flagged."""
    counts = [spike_counts(site) for site in sites]
    total = {name: sum(c[name] for c in counts) for name in counts[0]}
    precision, recall = total["both"] / total["flagged"], total["both"] / total["spikes"]
    print(f"\nOutliers: precision {precision:.1%}, recall {recall:.1%}; of {total['large']} readings on kilns and "
          f"iron wider than 0.5 m {total['large flagged']} were flagged.")  # fmt: skip


def print_coverage(sites: list[Site]) -> None:
    """Print how honest the standard errors are."""
    fractions = {
        "alone": [coverage(site.walk(), site.size_m) for site in sites],
        "with base readings": [coverage(site.walk(base_every=10), site.size_m) for site in sites],
        "with three tie lines": [coverage(site.walk(ties=site.ties), site.size_m) for site in sites],
    }
    print("\nPercent of the truth within two standard errors (95 is right): mean over the sites, 10 to 90 %\n")
    rows = {
        what: [mean_percent([s[what] for s in by_site]) for by_site in fractions.values()]
        for what in fractions["alone"][0]
    }
    print_table(["of", *fractions], rows)


def main() -> None:
    """Print every table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("sites", type=int, nargs="?", default=30, help="how many")
    # Nobody looked at the sites from 1000 on while the corrections were made.
    parser.add_argument("first", type=int, nargs="?", default=1000, help="seed of the first site")
    parser.add_argument("--pace", choices=PACES, default="wander", help="how uneven it is")
    given = parser.parse_args()
    sites = [Site.of(given.first + k, given.pace) for k in range(given.sites)]
    with whole_benchmark():
        print_comparison([comparison(site) for site in sites])
        print_places([site.walk() for site in sites])
        print_outliers(sites)
        print_coverage(sites)
        print_time()


if __name__ == "__main__":
    main()
