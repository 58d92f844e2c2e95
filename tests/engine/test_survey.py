"""The sample survey from raw logs to the ground, against what its simulator says of every reading."""

import csv
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from turnrow.processing_provider.bridge.survey_sources import gather_sources
from turnrow.processing_provider.engine.readings import flag_words
from turnrow.processing_provider.engine.survey import join_logs, read_survey

SAMPLE = Path(__file__).resolve().parents[2] / "sample_project"


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


def test_lines_of_a_second_log_are_further_recordings(results):
    part = results["A"].readings
    joined = join_logs([part, part.take(part.line == 3)])
    assert sorted(set(joined.run[joined.line == 3])) == [1, 2]
    assert set(joined.run[joined.line == 4]) == {1}
