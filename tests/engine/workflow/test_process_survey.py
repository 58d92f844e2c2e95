"""One function runs a survey, whoever asks for it: the whole run, the workbench, one grid again."""

import csv
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from turnrow.processing_provider.engine.core.edits import Edits, FlagEdit
from turnrow.processing_provider.engine.core.errors import EngineError
from turnrow.processing_provider.engine.geometry import Corner, memory
from turnrow.processing_provider.engine.mistakes import context, detect
from turnrow.processing_provider.engine.workflow import read_survey, session
from turnrow.processing_provider.engine.workflow.process_survey import process_survey
from turnrow.processing_provider.engine.workflow.recipe import default_recipe
from turnrow.processing_provider.engine.workflow.sources import gather_sources

SAMPLE = Path(__file__).resolve().parents[3] / "sample_project"


def rows(name):
    with (SAMPLE / name).open(newline="", encoding="utf-8") as file:
        return [row for row in csv.DictReader(file) if row["grid"] in "AB"]


@pytest.fixture(scope="module")
def sources():
    return gather_sources(rows("register.csv"), rows("corners.csv"), rows("notes.csv"), SAMPLE)


@pytest.fixture(scope="module")
def placed(sources):
    return process_survey(sources, default_recipe(), maps=False)


def fixed(grid):
    steps = [replace(s, options={**s.options, "fixed_grid": grid}) if "fixed_grid" in s.options else s
             for s in default_recipe().steps]  # fmt: skip
    return replace(default_recipe(), steps=tuple(steps))


def all_void(placed, grid):
    return tuple(FlagEdit(grid, run.line, run.run, 0, 100_000, "void") for run in placed.placed.get(grid).runs())


def test_without_maps_the_readings_are_those_of_the_whole_run(sources, placed):
    whole = process_survey(sources, default_recipe())
    assert set(whole.rasters) == set(whole.recipe.channels) == set(placed.recipe.channels)
    assert not placed.rasters
    assert [record.step for record in placed.records] == [record.step for record in whole.records][:4]
    for name in "AB":
        one, other = placed.corrected.get(name), whole.corrected.get(name)
        for channel in one.channels:
            np.testing.assert_array_equal(one.channels[channel], other.channels[channel])


@pytest.mark.parametrize(
    ("cell_m", "sentence"),
    [(0.001, "makes 720,000,000 cells, which need about"), (50.0, "No grid is wider than 18 m"), (1e9, "be 0.001 to")],
)
def test_cells_that_fit_no_memory_or_grid_are_refused_before_a_log_is_read(sources, monkeypatch, cell_m, sentence):
    monkeypatch.setattr(memory, "memory_bytes", lambda: 16e9)
    monkeypatch.setattr(read_survey, "read_log", None)
    with pytest.raises(EngineError, match=sentence):
        process_survey(sources, default_recipe(), cell_size_m=cell_m)


def test_a_chain_of_grids_too_long_for_a_lattice_is_refused_before_a_log_is_read(sources, monkeypatch):
    # Each grid is 9 km from the next, so that none of them is far from the others.
    chain = []
    for number in range(12):
        source = sources.grids[0]
        scheme = replace(source.entry.scheme, grid=f"G{number}")
        corners = [replace(c, grid=scheme.grid, x=c.x + 9000 * number, y=c.y + 9000 * number) for c in source.corners]
        chain.append(replace(source, entry=replace(source.entry, scheme=scheme), corners=tuple(corners)))
    monkeypatch.setattr(read_survey, "read_log", None)
    far = r"At most 400000000 cells fit.* Grids G0 and G11 lie 140\.0 km from each other\."
    with pytest.raises(EngineError, match=far):
        process_survey(replace(sources, grids=tuple(chain)), default_recipe(), cell_size_m=0.25)


def test_one_grid_too_long_for_a_lattice_is_not_said_to_lie_far_from_itself(sources, monkeypatch):
    """A strip of 10 km by 2 m, aslant: few cells in it, and too many in the square around it."""
    source, slant = sources.grids[0], np.sqrt(0.5)
    scheme = replace(source.entry.scheme, length_m=10000.0, width_m=2.0)
    places = {"start": (0, 0), "baseline": (2, 0), "opposite": (2, 10000), "head": (0, 10000)}
    corners = [Corner("A", name, (u + v) * slant, (v - u) * slant) for name, (u, v) in places.items()]
    one = replace(source, entry=replace(source.entry, scheme=scheme), corners=tuple(corners))
    monkeypatch.setattr(read_survey, "read_log", None)
    with pytest.raises(EngineError, match="At most 400000000 cells fit") as refused:
        process_survey(replace(sources, grids=(one,)), default_recipe(), cell_size_m=0.25)
    assert "km from each other" not in str(refused.value)


def test_progress_goes_on_in_small_steps_to_its_end(sources):
    fractions = []
    process_survey(sources, default_recipe(), cell_size_m=0.5, progress=fractions.append)
    assert fractions == sorted(fractions)
    assert 0.0 <= fractions[0] < 0.01
    assert 0.95 < fractions[-1] <= 1.0
    # Reading, each correction, the search for mistakes and the maps all report on their way.
    assert np.diff(fractions).max() < 0.08


def turned_round(logged, line):
    """The log of a grid in which one line holds its readings in the opposite order."""
    rows = np.flatnonzero((logged.line == line) & (logged.kind == 0))
    values = {name: column.copy() for name, column in logged.channels.items()}
    for column in values.values():
        column[rows] = column[rows[::-1]]
    return logged.replace(channels=values)


def without_flags_and_alignment():
    kept = [s for s in default_recipe().steps if s.step not in ("flagoutliers", "alignopposing")]
    return replace(default_recipe(), steps=tuple(kept))


def test_mistakes_are_found_with_what_the_corrections_estimate_and_without(sources, monkeypatch):
    # The corrections align all grids with one lag, the search by itself each grid alone: the mistake shows in both.
    of_log = read_survey.read_log
    spoilt = "plot_b.csv"

    def read(path, layout, **options):
        result = of_log(path, layout, **options)
        return replace(result, readings=turned_round(result.readings, 9)) if path.name == spoilt else result

    monkeypatch.setattr(read_survey, "read_log", read)
    found = []
    for recipe in (default_recipe(), without_flags_and_alignment()):
        findings = process_survey(sources, recipe, maps=False).findings
        found.append({(f.grid, f.line) for f in findings if f.code == "line-reversed"})
    assert found == [{("B", 9)}, {("B", 9)}]


def test_outliers_and_positions_are_estimated_once(sources, monkeypatch):
    counted = []
    for name in ("flag_outliers", "aligned_alone"):
        monkeypatch.setattr(context, name, lambda *args, name=name, **options: counted.append(name))
    monkeypatch.setattr(detect, "aligned_alone", lambda *args, **options: counted.append("aligned_alone"))
    process_survey(sources, default_recipe(), maps=False)
    assert counted == []


def test_grids_read_before_give_the_same_without_their_logs(sources, placed):
    known = {result.grid: result for result in placed.results}
    nowhere = tuple(replace(source, logs=(SAMPLE / "gone.csv",)) for source in sources.grids)
    again = process_survey(replace(sources, grids=nowhere), default_recipe(), maps=False, read=known)
    for name in "AB":
        np.testing.assert_array_equal(again.corrected.get(name).flag, placed.corrected.get(name).flag)


def test_channels_that_no_grid_has_are_refused_by_a_run_with_maps_and_passed_over_without(sources, placed):
    recipe = replace(default_recipe(), channels=("elsewhere", "eca_10"))
    known = {result.grid: result for result in placed.results}
    with pytest.raises(EngineError, match="elsewhere"):
        process_survey(sources, recipe, read=known)
    assert process_survey(sources, recipe, read=known, maps=False).recipe.channels == ("eca_10",)


def test_a_grid_that_is_void_by_hand_as_a_whole_does_not_stop_the_other(sources, placed):
    recipe = replace(default_recipe(), channels=("eca_10",), edits=Edits((), all_void(placed, "A")))
    result = process_survey(sources, recipe, read={r.grid: r for r in placed.results})
    assert result.done == ("A", "B")
    assert not result.corrected.get("A").in_use.any()
    assert result.corrected.get("B").in_use.any()
    assert np.isfinite(result.rasters["eca_10"].values).any()


def test_one_grid_is_processed_again_where_the_recipe_keeps_another_one(sources, placed):
    (source,) = (s for s in sources.grids if s.entry.scheme.grid == "A")
    known = next(r for r in placed.results if r.grid == "A")
    state = session.process_grid_again(source, sources.notes, Edits(), fixed("B"), channel="eca_10", read=known)
    assert np.isfinite(state.raster.values).any()


def test_a_fixed_grid_that_is_not_in_the_survey_is_refused(sources, placed):
    with pytest.raises(EngineError, match="'nowhere' was given"):
        process_survey(sources, fixed("nowhere"), maps=False, read={r.grid: r for r in placed.results})
