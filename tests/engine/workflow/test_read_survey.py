"""The sample survey from raw logs to the ground, against what its simulator says of every reading."""

import csv
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from turnrow.processing_provider.engine.core.edits import Edits, FlagEdit
from turnrow.processing_provider.engine.core.notes import Note
from turnrow.processing_provider.engine.core.readings import flag_words
from turnrow.processing_provider.engine.workflow.log_parts import join_logs
from turnrow.processing_provider.engine.workflow.process_survey import process_survey
from turnrow.processing_provider.engine.workflow.read_survey import read_survey
from turnrow.processing_provider.engine.workflow.recipe import default_recipe
from turnrow.processing_provider.engine.workflow.sources import gather_sources

SAMPLE = Path(__file__).resolve().parents[3] / "sample_project"


def rows(name):
    with (SAMPLE / name).open(newline="", encoding="utf-8") as file:
        return list(csv.DictReader(file))


@pytest.fixture(scope="module")
def sources():
    return gather_sources(rows("register.csv"), rows("corners.csv"), rows("notes.csv"), SAMPLE)


@pytest.fixture(scope="module")
def results(sources):
    return {r.grid: r for r in read_survey(sources.grids, sources.notes)}


@pytest.fixture(scope="module")
def walked(simulate, tmp_path_factory):
    return {grid.plan.grid: grid for grid in simulate.write_sample(tmp_path_factory.mktemp("sample"))}


def test_every_grid_is_placed(results, walked):
    assert list(results) == list(walked)
    assert [r.problem for r in results.values()] == [""] * 9


@pytest.mark.parametrize("grid", "ABCDEFGHI")
def test_readings_lie_where_the_scheme_puts_them(grid, results, walked):
    placed, truth = results[grid].readings, walked[grid]
    np.testing.assert_array_equal(np.isnan(placed.x), np.isnan(truth.x))
    off = np.hypot(placed.x - truth.x, placed.y - truth.y)
    assert np.nanmax(off) < 1e-6
    np.testing.assert_array_equal(flag_words(placed.flag), truth.flag)
    np.testing.assert_array_equal(placed.heading, truth.heading)


def test_values_survive_the_log(results, walked):
    for name, result in results.items():
        for channel, values in result.readings.channels.items():
            # The logs carry two to four decimals.
            np.testing.assert_allclose(values, walked[name].channels[channel], atol=0.0051)


def test_the_line_nobody_noted_must_be_walked_again(results):
    again = {(f.grid, f.line) for r in results.values() for f in r.findings if f.walk_again}
    assert again == {("B", 22)}


def test_what_the_notes_mended_is_told(results):
    mended = {(f.grid, f.line) for r in results.values() for f in r.findings if f.code == "setting-corrected"}
    assert mended == {("F", 8), ("F", 19), ("G", 6)}


def test_nothing_is_told_twice(results):
    for name, result in results.items():
        codes = [(f.code, f.line) for f in result.findings]
        assert len(set(codes)) == len(codes), name
        assert not {line for code, line in codes if code == "note-disagrees"} & {
            line for code, line in codes if code == "setting-corrected"
        }
    assert ("readings-missing", None) not in {(f.code, f.line) for r in results.values() for f in r.findings}


def test_lines_of_another_grid_are_no_further_recordings(results):
    joined = join_logs([results["A"].readings, results["B"].readings])
    for grid in "AB":
        mine = joined.grid == joined.grids.index(grid)
        assert sorted(joined.run[mine]) == sorted(results[grid].readings.run)


def test_copy_of_a_log_of_the_same_grid_is_refused(sources, tmp_path):
    source = sources.grids[0]
    copy = tmp_path / source.logs[0].name
    copy.write_bytes(source.logs[0].read_bytes())
    (result,) = read_survey([replace(source, logs=(*source.logs, copy))], sources.notes)
    assert "plot_a.csv of grid A holds the same readings as plot_a.csv of grid A" in result.problem


def test_size_that_neither_corners_nor_log_bear_out_is_refused_with_what_both_say(sources):
    source = sources.grids[0]
    wrong = replace(source.entry, scheme=replace(source.entry.scheme, length_m=2 * source.entry.scheme.length_m))
    (result,) = read_survey([replace(source, entry=wrong)], sources.notes)
    (finding,) = [f for f in result.findings if f.line is None]
    assert (finding.code, finding.action) == ("grid-failed", "ask")
    assert re.search(r"corners .* Correct length_m in the register.*The log bears it out: Lines reach", finding.found)
    assert "whether length_m is 20" in result.problem


def test_lines_of_a_second_log_are_further_recordings(results):
    part = results["A"].readings
    joined = join_logs([part, part.take(part.line == 3)])
    assert sorted(set(joined.run[joined.line == 3])) == [1, 2]
    assert set(joined.run[joined.line == 4]) == {1}


# A person who forgot to set the direction of a line leaves a log in which its readings count the other way. The sample
# has such lines in grids F and G; their notes are what the readings must be able to say themselves.
FORGOTTEN = {("F", 8), ("F", 19), ("G", 6)}


@pytest.fixture(scope="module")
def without_notes(sources):
    """The grids with forgotten settings, and the notes that do not speak of these lines."""
    some = [s for s in sources.grids if s.entry.scheme.grid in "FG"]
    return some, [n for n in sources.notes if (n.grid, n.line) not in FORGOTTEN]


def accepted(results):
    return {(f.grid, f.line): f for r in results for f in r.findings if f.code == "proposal-accepted"}


def test_nothing_is_accepted_unless_asked_for(without_notes):
    grids, notes = without_notes
    plain = read_survey(grids, notes)
    assert not accepted(plain)
    certain = read_survey(grids, notes, accept_certainty=1.0)
    for one, two in zip(plain, certain):
        np.testing.assert_array_equal(one.readings.v_m, two.readings.v_m)


def test_proposals_that_are_certain_mend_what_the_notes_would_have(without_notes, results):
    grids, notes = without_notes
    plain, mended = read_survey(grids, notes), read_survey(grids, notes, accept_certainty=0.95)
    told = accepted(mended)
    assert told
    assert set(told) <= FORGOTTEN
    for (grid, line), finding in told.items():
        assert finding.severity == "note"
        assert "certainty 0.9" in finding.advice or "certainty 1.00" in finding.advice
        tables = [next(r.readings for r in rs if r.grid == grid) for rs in (plain, mended, results.values())]
        before, after, noted = (t.v_m[(t.line == line) & (t.run == t.run[t.line == line].max())] for t in tables)
        assert np.abs(before - noted).max() > 1.0
        # As far as any line may be walked off without a doubt.
        assert np.abs(after - noted).max() <= 1.0


def test_notes_win_over_proposals(without_notes, sources):
    grids, _ = without_notes
    assert not accepted(read_survey(grids, sources.notes, accept_certainty=0.5))
    said = [Note(grid, line) for grid, line in FORGOTTEN]
    _, notes = without_notes
    assert not FORGOTTEN & set(accepted(read_survey(grids, [*notes, *said], accept_certainty=0.5)))


def test_changes_by_hand_take_the_place_of_notes_and_set_flags(sources, results):
    name = results["A"].grid
    edits = Edits((Note(name, 3, kind="void"),), (FlagEdit(name, 5, 1, 2, 6, "outlier"),))
    edited = process_survey(sources, replace(default_recipe(), edits=edits), maps=False).placed.get(name)
    assert edited.has_flag("void")[edited.line == 3].all()
    by_hand = edited.has_flag("outlier")
    assert edited.seq[by_hand].tolist() == [2, 3, 4, 5, 6]
    assert set(edited.line[by_hand]) == {5}
    before = results["A"].readings
    others = ~np.isin(before.line, (3, 5))
    np.testing.assert_array_equal(edited.flag[others], before.flag[others])


def test_the_sample_raises_no_doubt_that_is_not_planned(results):
    """Base readings and tie lines are no lines too many, and uneven walking is no fault."""
    told = {(f.grid, f.line, f.code) for r in results.values() for f in r.findings if f.severity != "note"}
    assert told == {("B", 22, "line-short")}
