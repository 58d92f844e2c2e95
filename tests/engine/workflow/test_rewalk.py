"""What a crew is asked to do: lines, starts, edges and times against a grid drawn on paper."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from turnrow.processing_provider.engine.core.findings import Code
from turnrow.processing_provider.engine.core.notes import Note, parse_notes
from turnrow.processing_provider.engine.core.readings import Readings
from turnrow.processing_provider.engine.core.register import GridEntry
from turnrow.processing_provider.engine.core.scheme import Scheme
from turnrow.processing_provider.engine.geometry.frame import Corner
from turnrow.processing_provider.engine.workflow.actions import first_sentence, why_of
from turnrow.processing_provider.engine.workflow.read_survey import GridResult, GridSource
from turnrow.processing_provider.engine.workflow.rewalk import (
    GRID_S,
    LINE_S,
    MEASURE_S,
    REDO_COLUMNS,
    SPEED_M_S,
    again_rows,
    plan_rewalk,
    redo_rows,
)

# 20 lines of 10 m, half a metre from each other, out and back; station 1 to 80.
SCHEME = Scheme(grid="A", length_m=10, width_m=10, spacing_m=0.5, readings_per_m=8)
# The lines lead east: the baseline runs from the start corner southwards, to keep them on its left.
EAST = {"start": (500, 900), "baseline": (500, 890), "opposite": (510, 890), "head": (510, 900)}
ALL_LINES = tuple(range(1, 21))


def result(lines=ALL_LINES, corners=EAST, speed_m_s=None, scheme=SCHEME):
    """Return a grid whose lines were all walked as they should be."""
    tables = []
    for line in lines:
        v = (np.arange(80) + 0.5) / 8
        time = np.full(80, np.nan) if speed_m_s is None else 1000.0 * line + v / speed_m_s
        tables.append((np.full(80, line), np.arange(1, 81.0), v, time))
    line, station, v, time = (np.concatenate(column) for column in zip(*tables))
    readings = Readings.build(line=line, station=station, time_s=time, channels={"cond": np.ones(len(line))})
    readings = readings.replace(grids=("A",), grid=np.zeros(len(line), np.int32), v_m=v)
    places = tuple(Corner("A", name, *place) for name, place in corners.items())
    return GridResult(GridSource(GridEntry(scheme, ()), (Path("A.csv"),), None, places), readings)


def missing(line):
    return Code.LINE_MISSING.finding("The line is not in the log.", "", "Walk it again.", grid="A", line=line)


def planned(findings, notes=(), **grid):
    (plan,) = plan_rewalk([result(**grid)], findings, notes)
    return plan


def test_first_sentence_names_each_line_once_where_most_is_to_be_done():
    findings = [
        Code.LINE_MISSING.finding("", grid="A", line=12),
        Code.LINE_MISSING.finding("", grid="A", line=7),
        Code.LINE_ORDER.finding("", grid="A", line=7),
        Code.CORNER_RESIDUAL.finding("", grid="C"),
        Code.LINE_AGAIN.finding("", "", "Measure with a tape.", grid="B", line=10),
        Code.LINE_ORDER.finding("", grid="B", line=10),
        Code.LINE_ORDER.finding("", grid="B", line=9),
        Code.MIRRORED.finding("", grid="B"),
    ]
    assert first_sentence(findings) == "Walk again: A 7, A 12. Measure: B 10, C. Ask: B 9."


def test_first_sentence_says_that_nothing_is_to_walk():
    assert first_sentence([]) == "Nothing to walk again."
    assert first_sentence([Code.LINE_ORDER.finding("", grid="B", line=9)]) == "Nothing to walk again. Ask: B 9."


def test_first_sentence_promises_nothing_of_grids_that_were_not_read():
    failed = Code.GRID_FAILED.finding("The log is not there.", grid="C")
    assert first_sentence([failed], ["C"]) == "Nothing to walk again in what could be read. Not checked: C."


@pytest.mark.parametrize("code", list(Code))
def test_why_has_at_most_eight_words(code):
    long = Code.finding(code, "One two three four five six seven eight nine ten (11 m). More.", grid="A", line=1)
    assert len(why_of(long).removesuffix(" ...").split()) <= 8
    short = Code.finding(code, "No readings at stations 61 to 80 (2.5 m). More.", grid="A", line=1)
    assert why_of(short) == "No readings at stations 61 to 80."


def test_line_is_walked_by_the_pattern_from_edge_to_edge():
    plan = planned([missing(13), missing(4)])
    walks = {walk.line: walk for walk in plan.walks}
    out, back = walks[13], walks[4]
    assert (out.heading, out.start_station, out.from_m, out.to_m, out.position_m) == (1, 1, 0, 10, 6.25)
    assert (back.heading, back.start_station, back.from_m, back.to_m, back.position_m) == (-1, 80, 10, 0, 1.75)
    # Lines lead east, so the baseline is the western edge.
    assert (out.start_edge, back.start_edge) == ("baseline (W)", "far edge (E)")
    # Line 13 lies 6.25 m down the baseline, which runs south from (500, 900).
    np.testing.assert_allclose(out.ends, [(500, 893.75), (510, 893.75)], atol=1e-9)
    np.testing.assert_allclose(back.ends, [(510, 898.25), (500, 898.25)], atol=1e-9)


def test_edges_have_the_right_side_of_the_sky_in_a_mirrored_grid():
    mirrored = {"start": (0, 0), "baseline": (-10, 0), "opposite": (-10, 10), "head": (0, 10)}
    tie = planned([missing(13)], corners=mirrored).walks[-1]
    assert tie.start_edge == "start side (E)"
    np.testing.assert_allclose(tie.ends, [(0, 5), (-10, 5)], atol=1e-9)
    assert planned([missing(13)]).walks[-1].start_edge == "start side (N)"


def test_sound_neighbour_is_the_nearest_that_nothing_accuses():
    accused = Code.LINE_ORDER.finding("", "", "Ask.", grid="A", line=12, also=(14,))
    roles = {walk.line: walk.role for walk in planned([missing(13), accused]).walks}
    assert roles in ({13: "again", n: "neighbour", 101: "tie"} for n in (11, 15))


def test_lines_two_spacings_from_each_other_share_a_neighbour():
    lines = [walk.line for walk in planned([missing(5), missing(7), missing(15)]).walks if walk.role == "neighbour"]
    assert len(lines) == 2
    assert lines[0] in (4, 6, 8)
    assert lines[1] in (14, 16)


def test_order_is_that_of_the_tape_and_the_tie_comes_last():
    walks = planned([missing(13), missing(4)]).walks
    positions = [walk.position_m for walk in walks[:-1]]
    assert positions == sorted(positions)
    assert walks[-1].role == "tie"


def test_tie_number_is_free():
    assert planned([missing(13)]).walks[-1].line == 101
    assert planned([missing(13)], [Note("A", 201, kind="tie", position_m=3)]).walks[-1].line == 202
    assert planned([missing(13)], [Note("A", 101, kind="dummy")]).walks[-1].line == 201


def test_rows_that_were_planned_and_not_walked_yet_change_no_plan():
    before = planned([missing(13)])
    rows = [Note("A", w.line, kind="tie" if w.role == "tie" else "redo", position_m=w.position_m) for w in before.walks]
    asked = [Code.NOTE_WITHOUT_LINE.finding("No recording.", "", "Ask the books.", grid="A", line=w.line)
             for w in before.walks]  # fmt: skip
    again = planned([missing(13), *asked], rows)
    assert [(w.line, w.role) for w in again.walks] == [(w.line, w.role) for w in before.walks]


def test_whole_grid_is_walked_when_the_finding_names_no_line():
    whole = Code.LINE_SHORT.finding("Half of the grid is bare.", "", "Walk the grid again.", grid="A")
    assert [walk.line for walk in planned([whole]).walks] == [*range(1, 21), 101]


@pytest.mark.parametrize("speed", [None, 0.5])
def test_minutes_are_those_of_the_walk_and_of_getting_ready(speed):
    plan = planned([missing(13)], speed_m_s=speed)
    # Three lines of 10 m: line 13, its neighbour, the tie.
    expected = GRID_S + 3 * (LINE_S + 10 / (speed or SPEED_M_S))
    assert plan.minutes == pytest.approx(expected / 60)


def test_measuring_takes_time_without_a_walk():
    plan = planned([Code.LINE_SKIPPED.finding("", "", "Measure where line 9 lies.", grid="A", line=9)])
    (measure,) = plan.measures
    # Line 9 belongs at 4.25 m; a line left out before it puts it one spacing farther.
    assert (measure.right_m, measure.wrong_m) == (4.25, 4.75)
    assert plan.minutes == pytest.approx(MEASURE_S / 60)
    assert plan.walks == ()


def test_position_if_wrong_is_what_the_readings_propose():
    walked_on_8 = Code.LINE_AGAIN.finding("", "", "Measure with a tape where line 9 lies.", grid="A", line=9)
    proposed = (Note("A", 9, 1, position_m=3.75, kind="redo"),)
    (plan,) = plan_rewalk([replace(result(), proposals=proposed)], [walked_on_8], [])
    assert (plan.measures[0].right_m, plan.measures[0].wrong_m) == (4.25, 3.75)
    (plan,) = plan_rewalk([result()], [walked_on_8], [])
    assert plan.measures[0].wrong_m is None


def test_question_shows_the_row_and_the_log():
    notes = parse_notes([{"grid": "A", "line": "9", "start_station": "3", "stop_station": "80", "heading": "back"}])
    asked = Code.NOTE_DISAGREES.finding("", "", "Ask the books.", grid="A", line=9)
    (question,) = planned([asked], notes).questions
    assert question.row == notes[0].where
    assert question.noted == "survey, stations 3 to 80, back"
    assert question.logged == "stations 1 to 80, 80 readings"


def test_rows_are_notes_that_the_reader_of_notes_understands():
    plan = planned([missing(13)], lines=[n for n in range(1, 21) if n != 13])
    rows = [dict(zip(REDO_COLUMNS, row)) for row in redo_rows([plan])]
    notes = {note.line: note for note in parse_notes(rows)}
    assert (notes[13].kind, notes[13].run, notes[13].heading, notes[13].position_m) == ("redo", 1, 1, 6.25)
    assert (notes[12].kind, notes[12].run, notes[12].heading) == ("redo", 2, -1)
    assert (notes[101].kind, notes[101].position_m) == ("tie", 5.0)
    # The stations are left for the person.
    assert {note.start_station for note in notes.values()} == {None}


def test_grid_without_corners_has_a_plan_but_no_place():
    plan = planned([missing(13)], corners={})
    assert plan.walks[0].start_edge in ("baseline", "far edge")
    assert again_rows([plan]) == []


def test_grid_without_anything_to_do_has_no_plan():
    assert plan_rewalk([result()], [Code.MIRRORED.finding("", grid="A")], []) == []
