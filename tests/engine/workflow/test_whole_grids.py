"""What concerns a grid as a whole is said before single lines are accused, and no more often than once."""

from __future__ import annotations

import csv
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from turnrow.processing_provider.engine.core.findings import Code
from turnrow.processing_provider.engine.core.register import GridEntry
from turnrow.processing_provider.engine.core.scheme import Scheme
from turnrow.processing_provider.engine.geometry.frame import Corner, fit_frame, local_corner
from turnrow.processing_provider.engine.mosaic import line_cells
from turnrow.processing_provider.engine.workflow.process_survey import process_survey
from turnrow.processing_provider.engine.workflow.read_survey import GridResult, GridSource
from turnrow.processing_provider.engine.workflow.recipe import default_recipe
from turnrow.processing_provider.engine.workflow.session import open_survey
from turnrow.processing_provider.engine.workflow.sources import gather_sources
from turnrow.processing_provider.engine.workflow.whole_grids import as_questioned_before, with_whole_grids

SIZE = 20.0
SAMPLE = Path(__file__).resolve().parents[3] / "sample_project"
OTHER_END = {"start": "baseline", "baseline": "start", "opposite": "head", "head": "opposite"}


@pytest.fixture(scope="module")
def walks(walk):
    """Grids of one site, two by two."""
    faults = replace(walk.usual(0.3), stripe=0.2, direction=0.3)
    return walk.block(np.random.default_rng(5), faults, across=2, size_m=SIZE, overrun=4)


def results_of(walks, *, mirrored="", logs=(0, 1, 2, 3), findings=()):
    """Grids A to D as a run reads them; the corners of some carry the names of the other end of the baseline."""
    found = []
    for k, (i, j) in enumerate(((0, 0), (0, 1), (1, 0), (1, 1))):
        name, corners = "ABCD"[k], []
        for corner in OTHER_END:
            u, v = local_corner(OTHER_END[corner] if name in mirrored else corner, SIZE, SIZE)
            corners.append(Corner(name, corner, i * SIZE + u, j * SIZE + v))
        scheme = Scheme(grid=name, length_m=SIZE, width_m=SIZE, spacing_m=0.5, readings_per_m=8)
        source = GridSource(GridEntry(scheme, ()), (), None, tuple(corners))
        frame = fit_frame(corners, SIZE, SIZE)
        readings = walks[logs[k]].readings
        own = tuple(f for f in findings if f.grid == name)
        found.append(GridResult(source, readings, frame, None, own, cells=line_cells(readings, scheme, frame)))
    return found


def said(results):
    return [(f.code, f.grid, f.line, f.action) for r in results for f in r.findings]


def accused(grid):
    """What is said of single lines of a grid: by its readings, by its notes, and of ground to be walked again."""
    return [
        Code.LINE_REVERSED.finding("", "", "Ask the books.", grid=grid, line=3),
        Code.NOTE_DISAGREES.finding("", "", "Ask the books.", grid=grid, line=4),
        Code.LINE_SHORT.finding("", "", "Walk it again.", grid=grid, line=5),
    ]


def test_a_grid_with_corners_of_the_other_end_is_measured_before_its_lines_are_accused(walks):
    results = with_whole_grids(results_of(walks, mirrored="B", findings=accused("B")))
    assert said(results) == [
        ("grid-turned", "B", None, "measure"),
        ("note-disagrees", "B", 4, "ask"),
        ("line-short", "B", 5, "walk"),
    ]
    (whole,) = [f for r in results for f in r.findings if f.code == "grid-turned"]
    assert "exchange start with baseline and head with opposite in the corners" in whole.advice.replace(
        "baseline with start", "start with baseline"
    )
    assert "the corner recorded as baseline" in whole.found


def test_exchanged_logs_are_asked_about_and_neither_notes_nor_lines(walks):
    results = with_whole_grids(results_of(walks, logs=(0, 3, 2, 1), findings=[*accused("B"), *accused("D")]))
    assert said(results) == [
        ("logs-exchanged", "B", None, "ask"),
        ("line-short", "B", 5, "walk"),
        ("line-short", "D", 5, "walk"),
    ]


def test_a_second_look_says_the_same_once(walks):
    once = with_whole_grids(results_of(walks, mirrored="B"))
    assert said(with_whole_grids(once)) == said(once)
    assert said([as_questioned_before(once[1], once[1])]) == said(once)


@pytest.mark.parametrize(("mirrored", "named"), [("", ""), ("B", "B"), ("AC", "AC"), ("ABCD", "")])
def test_grids_mirrored_where_others_are_not_are_measured_where_edges_do_not_decide(walks, mirrored, named):
    without = [replace(r, cells=None) for r in results_of(walks, mirrored=mirrored)]
    assert said(with_whole_grids(without)) == [("mirrored", grid, None, "measure") for grid in named]


def test_a_grid_laid_out_mirrored_is_not_questioned_where_its_edges_confirm_it(walks, walk):
    # Its lines are walked from the other end: what they show is the mirror image of its ground.
    results = results_of(walks, mirrored="B")
    readings = results[1].readings
    mirrored = readings.replace(u_m=SIZE - readings.u_m)
    cells = line_cells(mirrored, results[1].scheme, results[1].fitted)
    results[1] = replace(results[1], readings=mirrored, cells=cells)
    assert said(with_whole_grids(results)) == []


def sample_rows(name, grids):
    with (SAMPLE / name).open(newline="", encoding="utf-8") as file:
        return [row for row in csv.DictReader(file) if row["grid"] in grids]


@pytest.mark.parametrize("named", [False, True])
def test_the_run_and_the_workbench_say_so(named):
    # Grid B of the sample is laid out from the other end, as its register says; exchanged, it is not.
    corners = sample_rows("corners.csv", "ABC")
    for row in corners if named else ():
        row["corner"] = OTHER_END[row["corner"]] if row["grid"] == "B" else row["corner"]
    sources = gather_sources(sample_rows("register.csv", "ABC"), corners, sample_rows("notes.csv", "ABC"), SAMPLE)
    expected = ["grid-turned"] if named else []
    whole = process_survey(sources, default_recipe(), maps=False)
    assert [f.code for f in whole.findings if f.line is None and f.severity != "note"] == expected
    opened = open_survey(sources, default_recipe(), default_recipe().edits)
    opened.accept("B", opened.state("B"))
    assert [f.code for f in opened.findings("B") if f.line is None and f.severity != "note"] == expected


def twice(grid, lines):
    return [Code.LINE_TWICE.finding("", "", "Ask the books.", grid=grid, line=n) for n in lines]


def missing(grid, lines):
    return [Code.LINE_MISSING.finding("", "", "Walk the line.", grid=grid, line=n) for n in lines]


@pytest.mark.parametrize("lines", [range(1, 11), range(38, 41)])
def test_lines_in_the_log_of_another_grid_are_one_finding(walks, lines):
    """The logger was switched late, or too early: nothing is walked again before the books are asked."""
    dummy = Code.NOTE_WITHOUT_LINE.finding("", "", "Ask.", grid="B", line=0 if 1 in lines else 41)
    far = Code.LINE_SHORT.finding("", "", "Walk the line.", grid="B", line=20)
    found = with_whole_grids(results_of(walks, findings=[*twice("A", lines), *missing("B", lines), dummy, far]))
    assert said(found) == [("line-twice", "A", None, "ask"), ("line-short", "B", 20, "walk")]
    assert set(found[0].findings[0].also) == set(lines)
    assert "grid B" in found[0].findings[0].advice
    assert said(with_whole_grids(found)) == said(found)
    whole = Code.LINE_MISSING.finding("", "", "Ask the books.", grid="B", also=[*lines, dummy.line])
    assert said(with_whole_grids(results_of(walks, findings=[*twice("A", lines), whole, far]))) == said(found)


@pytest.mark.parametrize(("more", "less"), [([1, 2, 3], [1, 2]), ([1], [1]), ([5, 6, 7], [5, 6, 7]), ([1, 3], [1, 3])])
def test_lines_recorded_twice_are_not_those_of_a_grid_that_lacks_others(walks, more, less):
    given = [*twice("A", more), *missing("B", less)]
    assert len(said(with_whole_grids(results_of(walks, findings=given)))) == len(given)
