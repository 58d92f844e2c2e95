"""Scores of a survey that was drawn by other laws: as logged, corrected, and by two hand recipes, against the truth.

Levels of a whole site are relative, so the mean error over the cells that count is taken off each map first. Cells
count that lie 0.5 m and more inside the site and 0.5 m and more from readings that reach full scale (or would, in the
twin without a scale).
"""

from __future__ import annotations

import csv
import tempfile
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Iterator, Mapping, Optional

import _hand_recipes as hand
import numpy as np
from _measure import measured
from scipy.spatial import cKDTree
from turnrow.processing_provider.engine.core import Finding, Readings, concatenate, kind_code
from turnrow.processing_provider.engine.core.lines import lines_of
from turnrow.processing_provider.engine.interpolate import interpolate_readings
from turnrow.processing_provider.engine.mosaic import MosaicRecord
from turnrow.processing_provider.engine.workflow import SurveyResult, default_recipe, gather_sources, process_survey
from turnrow.sample_project.simulator.other_laws import ORIGIN, Step, Survey, Truth

BORDER_M = 0.5
LAG_GAIN = 0.05
"""A person takes a lag for true that raises the mean correlation coefficient of opposite lines by so much."""

MOVED_M = 0.3
"""A line of which the readings lie so far on average from where the lag puts them is not where the log puts it."""

RECIPES = {"median": hand.line_median, "opposite": hand.opposite_means}


@dataclass(frozen=True)
class Part:
    """A broad part of a map: its error and the standard error, mS/m; ``what`` is mean, tilt or step."""

    what: str
    error: float
    standard_error: float


@dataclass(frozen=True)
class Score:
    """How a channel of a survey came out.

    Attributes
    ----------
    rmse : mapping of float
        By way (logged, turnrow, median, opposite), mS/m.
    kept : float
        Fraction of the features that is on the map; NaN where there are none.
    cover : float
        Fraction of the cells within two standard errors.
    clipped_cover, clipped_bias : float
        The same of cells beside readings at full scale, and their mean error; NaN where there are none.
    ghost : tuple of float
        By step inside a line what the map shows of it, as a fraction of the step.
    parts : tuple of Part
    findings : tuple of Finding
    warnings : tuple of str
        What the records of the steps warn of.
    accused : bool
        Whether a line that lies where the log puts it is said to be recorded wrongly.
    cpu_s : float
        Of the whole run, without the hand recipes.
    """

    rmse: Mapping[str, float]
    kept: float
    cover: float
    clipped_cover: float
    clipped_bias: float
    ghost: tuple[float, ...]
    parts: tuple[Part, ...]
    findings: tuple[Finding, ...] = field(repr=False)
    warnings: tuple[str, ...] = field(repr=False)
    accused: bool
    cpu_s: float

    @property
    def named(self) -> bool:
        """Whether any line is said to be recorded wrongly."""
        return any(f.line is not None and f.severity != "note" for f in self.findings)

    @property
    def won(self) -> bool:
        """Whether the map is at least as good as by the better hand recipe."""
        return self.rmse["turnrow"] <= min(self.rmse[name] for name in RECIPES)


@dataclass(frozen=True)
class Cells:
    """Cells of the map that count: their places on the site, and errors of a map there with the site's mean off."""

    rows: np.ndarray
    cols: np.ndarray
    u: np.ndarray
    v: np.ndarray
    true: np.ndarray

    def error(self, values: np.ndarray) -> np.ndarray:
        """Return (n,) errors of a (rows, cols) map."""
        wrong = values[self.rows, self.cols] - self.true
        return wrong - np.nanmean(wrong)


def run(survey: Survey) -> tuple[SurveyResult, float]:
    """Process a survey as the program does without options, and return its CPU seconds, too."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        survey.write(folder)
        tables = [list(csv.DictReader((folder / f"{t}.csv").open())) for t in ("register", "corners", "notes")]
        recipe = replace(default_recipe(), platform=survey.platform)
        taken = measured(lambda: process_survey(gather_sources(*tables, folder), recipe))
    return taken.result, taken.cpu_s


def scores(survey: Survey) -> list[Score]:
    """Process a survey and return the score of each channel."""
    result, cpu_s = run(survey)
    warnings = [text for record in result.records for text in record.warnings({})]
    return [_score(survey, result, channel, warnings, cpu_s) for channel in survey.truth.layout.channels]


def _score(survey: Survey, result: SurveyResult, channel: str, warnings: list[str], cpu_s: float) -> Score:
    truth = survey.truth
    cells, clipped = _cells(survey, result, channel)
    raster = result.rasters[channel]
    error, se = cells.error(raster.values), raster.standard_error[cells.rows, cells.cols]
    maps = {"logged": result.raw_rasters[channel].values, "turnrow": raster.values}
    maps.update({name: _by_hand(result, channel, recipe) for name, recipe in RECIPES.items()})
    level = np.nanmean(raster.values[cells.rows, cells.cols] - cells.true)
    beside = raster.values[clipped.rows, clipped.cols] - clipped.true - level
    beside_se = raster.standard_error[clipped.rows, clipped.cols]
    return Score(
        {name: float(np.sqrt(np.nanmean(cells.error(values) ** 2))) for name, values in maps.items()},
        _kept(survey, cells, error),
        float(np.mean(np.abs(error) <= 2 * se)),
        float(np.mean(np.abs(beside) <= 2 * beside_se)) if len(beside) else np.nan,
        float(np.nanmean(beside)) if len(beside) else np.nan,
        tuple(_ghost(step, survey, cells, error) for step in truth.steps),
        tuple(_parts(survey, result, channel, cells, error)),
        (*result.findings,), tuple(warnings), _accused(truth, result), cpu_s,
    )  # fmt: skip


def _accused(truth: Truth, result: SurveyResult) -> bool:
    named = {(f.grid, line) for f in result.findings if f.severity != "note" for line in (f.line, *f.also)}
    return any(line is not None and (grid, line) not in _moved(truth) for grid, line in named)


def _moved(truth: Truth) -> set[tuple[str, int]]:
    """Return grid and number of the lines that are not where the log puts them (missed beats, an uneven pace)."""
    off = {
        (s.grid, s.line): s.heading * ((s.station - 0.5) / truth.layout.rate - next(iter(s.places.values()))[1]
                                       + truth.layout.start(s.grid)[1])
        for s in truth.strokes if s.kind == "survey"
    }  # fmt: skip
    lag_m = np.median(list(off.values()))
    return {key for key, behind in off.items() if np.mean(np.abs(behind - lag_m)) > MOVED_M}


def _cells(survey: Survey, result: SurveyResult, channel: str) -> tuple[Cells, Cells]:
    """Return the cells that count, and those beside readings that were cut off."""
    truth, lattice = survey.truth, result.lattice
    u, v = np.meshgrid(lattice.x - ORIGIN[0], lattice.y - ORIGIN[1])
    wide, long = truth.layout.sides_m
    inside = (u >= BORDER_M) & (u <= wide - BORDER_M) & (v >= BORDER_M) & (v <= long - BORDER_M)
    places, beside = truth.clipped(channel), np.zeros_like(inside)
    if len(places):
        beside = cKDTree(places).query(np.stack([u, v], axis=-1))[0] < BORDER_M
    return tuple(
        Cells(*np.nonzero(chosen), u[chosen], v[chosen], truth.map(u[chosen], v[chosen], channel))
        for chosen in (inside & ~beside, inside & beside)
    )  # type: ignore[return-value]


def _grid_of(survey: Survey, cells: Cells) -> np.ndarray:
    """Return the (n,) index of the grid that each cell lies in."""
    layout = survey.truth.layout
    return (cells.u // layout.size_m).astype(int) * layout.rows + (cells.v // layout.size_m).astype(int)


def _by_hand(result: SurveyResult, channel: str, recipe: object) -> np.ndarray:
    """Return the map of a hand recipe: our outliers, each grid's lag by plain cross-correlation, levels of lines."""
    parts = []
    for name, placed in result.placed.items():
        outlier = result.corrected.get(name).has_flag("outlier")
        parts.append(_levelled(_shifted(placed.with_flag("outlier", outlier), channel), channel, recipe))
    return interpolate_readings(concatenate(parts), channel, result.lattice).values


def _matrix(readings: Readings, channel: str) -> tuple[object, np.ndarray]:
    """Return the lines and their (L, V) values, gaps bridged."""
    lines = lines_of(readings)
    rows = lines.resample(readings, readings.channels[channel])
    return lines, np.stack([np.interp(lines.v, lines.v[k], row[k]) for row, k in zip(rows, np.isfinite(rows))])


def _shifted(readings: Readings, channel: str) -> Readings:
    """Return the readings with the lag out, where it shows."""
    lines, matrix = _matrix(readings, channel)
    opposite = lines.heading[lines.pairs[:, 0]] != lines.heading[lines.pairs[:, 1]]
    if not opposite.any():
        return readings
    pairs = lines.pairs[opposite]
    first_out = lines.heading[pairs[:, 0]] > 0
    out, back = np.where(first_out, pairs.T, pairs.T[::-1])
    lag = hand.plain_lag(matrix[out], matrix[back], lines.step_m)
    moved = readings.replace(v_m=readings.v_m - lag * readings.heading, y=readings.y - lag * readings.heading)
    survey_line = readings.kind == kind_code("survey")
    moved = readings.replace(
        **{n: np.where(survey_line, getattr(moved, n), getattr(readings, n)) for n in ("v_m", "y")}
    )
    return moved if _likeness(moved, channel) > _likeness(readings, channel) + LAG_GAIN else readings


def _likeness(readings: Readings, channel: str) -> float:
    """Return the mean correlation coefficient of neighbouring lines."""
    lines, matrix = _matrix(readings, channel)
    return float(np.mean([np.corrcoef(matrix[a], matrix[b])[0, 1] for a, b in lines.pairs]))


def _levelled(readings: Readings, channel: str, recipe: object) -> Readings:
    """Return the readings with what a recipe takes off each line."""
    lines, matrix = _matrix(readings, channel)
    done = recipe(matrix, float(np.median(lines.gap_m)), lines.step_m)
    taken = (matrix - done).mean(axis=1)
    off = np.where(lines.owner >= 0, taken[lines.owner], 0.0)
    return readings.with_channel(channel, readings.channels[channel] - off)


def _nuisance(survey: Survey, cells: Cells) -> np.ndarray:
    """Return (n, 3 G): mean, and slopes along u and v, of each grid."""
    owner, layout = _grid_of(survey, cells), survey.truth.layout
    mine = owner[:, None] == np.arange(len(layout.grids))
    within = [(w % layout.size_m - layout.size_m / 2)[:, None] * mine for w in (cells.u, cells.v)]
    return np.concatenate([mine.astype(float), *within], axis=1)


def _kept(survey: Survey, cells: Cells, error: np.ndarray) -> float:
    """Return the fraction of the features that is on the map; mean and slopes of each grid count as broad errors."""
    feature = survey.truth.ground.feature(cells.u, cells.v)
    if np.std(feature) < 1e-6:
        return np.nan
    broad, known = _nuisance(survey, cells), np.isfinite(error)
    both = np.stack([feature, error], axis=1)[known]
    own, wrong = (both - broad[known] @ np.linalg.lstsq(broad[known], both, rcond=None)[0]).T
    return float(1 + np.sum(own * wrong) / np.sum(own**2))


def _ghost(step: Step, survey: Survey, cells: Cells, error: np.ndarray) -> float:
    """Return what stands out along a line, in the half with the step or in the other, as a fraction of the step."""
    layout = survey.truth.layout
    v0, away = layout.start(step.grid)[1], np.abs(cells.u - step.u)
    on, near = away < layout.spacing_m / 2, (away > 1.5 * layout.spacing_m) & (away < 5 * layout.spacing_m)
    stepped = (cells.v > step.start + BORDER_M) & (cells.v < step.stop - BORDER_M)
    other = (cells.v > v0) & (cells.v < v0 + layout.size_m) & (
        (cells.v < step.start - BORDER_M) | (cells.v > step.stop + BORDER_M)
    )  # fmt: skip
    shown = [np.mean(error[on & half]) - np.median(error[near & half]) for half in (stepped, other)]
    return float(np.max(np.abs(shown))) / abs(step.size)


def _parts(survey: Survey, result: SurveyResult, channel: str, cells: Cells, error: np.ndarray) -> Iterator[Part]:
    """Yield mean and tilt across the lines of each grid, and the step between each two that adjoin.

    A tilt is given by its root mean square over the grid. Its standard error is that of the readings' levels, root mean
    square over the grid: the tilt is part of what that states, so the ratio is too small rather than too large.
    """
    layout, owner = survey.truth.layout, _grid_of(survey, cells)
    of_level = _level_errors(result, channel)
    mean, half = {}, layout.size_m / 2
    for g, grid in enumerate(layout.grids):
        mine = (owner == g) & np.isfinite(error)
        across = cells.u[mine] - layout.start(grid)[0] - half
        slope, mean[grid] = np.polyfit(across, error[mine], 1)
        corrected = result.corrected.get(grid)
        used = corrected.in_use & (corrected.kind == kind_code("survey"))
        se = np.sqrt(np.nanmean(corrected.se[channel][used] ** 2))
        yield Part("tilt", float(slope * np.std(across)), float(se))
        if len(layout.grids) > 1:
            yield Part("mean", float(mean[grid]), of_level[grid])
    for a, b in _adjoining(survey):
        yield Part("step", float(mean[a] - mean[b]), float(np.hypot(of_level[a], of_level[b])))


def _level_errors(result: SurveyResult, channel: str) -> dict[str, float]:
    """Return the standard error of the level of each grid, as the record of the balanced grids has it."""
    record: Optional[MosaicRecord] = next((r for r in result.records if isinstance(r, MosaicRecord)), None)
    rows = record.table if record else ()
    return {row.grid: row.standard_error for row in rows if row.channel == channel}


def _adjoining(survey: Survey) -> list[tuple[str, str]]:
    layout = survey.truth.layout
    names = layout.grids
    steps = {grid: np.array(layout.start(grid)) for grid in names}
    return [
        (a, b) for k, a in enumerate(names) for b in names[k + 1 :]
        if np.isclose(np.abs(steps[a] - steps[b]).sum(), layout.size_m)
    ]  # fmt: skip
