"""Faults planted in the sample are found, and notes settle them."""

from __future__ import annotations

import csv
from dataclasses import fields

import pytest
from turnrow.processing_provider.engine.compare.compare import compare_notes
from turnrow.processing_provider.engine.core.notes import parse_notes
from turnrow.processing_provider.engine.core.readings import Readings
from turnrow.processing_provider.engine.core.scheme import Scheme

FAULTS = {
    # What the simulator of the sample puts in, and which of it nobody could know without the notes.
    "A": {("line-outside", 901), ("line-outside", 902)},
    "B": {("line-short", 22)},
    "C": {("dummy-likely", 0), ("line-twice", 13), ("dummy-likely", 31)},
    "D": {("line-twice", 11)},
    "E": {("line-short", n) for n in range(12, 17)},
    "F": {("direction", 8), ("start-station", 19)},
    "G": {("direction", 6)},
    "H": {("line-twice", 107)},
    "I": {("line-outside", 900)},
}


@pytest.fixture(scope="module")
def sample(simulate, tmp_path_factory):
    folder = tmp_path_factory.mktemp("sample")
    grids = {g.plan.grid: g for g in simulate.write_sample(folder)}
    with (folder / "notes.csv").open(newline="", encoding="utf-8") as file:
        return grids, parse_notes(list(csv.DictReader(file)))


def sample_grid(grid):
    plan = grid.plan
    scheme = Scheme(**{f.name: getattr(plan, f.name) for f in fields(Scheme) if f.name != "first_offset_m"})
    # The simulator walks the grid's events between its lines; the log has them as they were walked.
    readings = Readings.build(grid.line, {"eca": grid.channels["eca_10"]}, grids=(plan.grid,), run=grid.run,
                              station=grid.logged_station, time_s=grid.time_s)  # fmt: skip
    return readings, scheme


@pytest.mark.parametrize("name", sorted(FAULTS))
def test_faults_of_the_sample_are_found_without_notes(name, sample):
    readings, scheme = sample_grid(sample[0][name])
    findings = compare_notes(readings, scheme)
    assert {(f.code, f.line) for f in findings if f.severity != "note"} == FAULTS[name]


@pytest.mark.parametrize("name", sorted(FAULTS))
def test_notes_settle_all_but_the_line_nobody_noted(name, sample):
    grids, notes = sample
    readings, scheme = sample_grid(grids[name])
    findings = compare_notes(readings, scheme, notes)
    assert {(f.code, f.line) for f in findings if f.severity != "note"} == (
        {("line-short", 22)} if name == "B" else set()
    )
    told = {"F": {8, 19}, "G": {6}}.get(name, set())
    assert {f.line for f in findings if f.code == "note-disagrees"} == told
