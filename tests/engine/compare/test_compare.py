"""A log held against notes and scheme: clean grids without a word, and one fault at a time with its own sentence.

The logs are built line by line from a scheme, as a careful walk leaves them: some overrun past both edges, a clock
that jitters, a line walked back counting down past its first station (common practice, no source).
"""

from __future__ import annotations

import csv
from dataclasses import dataclass, fields, replace

import numpy as np
import pytest
from turnrow.processing_provider.engine.compare.compare import compare_notes
from turnrow.processing_provider.engine.core.findings import SEVERITIES, finding_rows, walk_again_count
from turnrow.processing_provider.engine.core.notes import Note, parse_notes
from turnrow.processing_provider.engine.core.readings import Readings
from turnrow.processing_provider.engine.core.scheme import Scheme

SCHEME = Scheme(grid="A", length_m=10, width_m=10, spacing_m=1, readings_per_m=8)


@dataclass
class Line:
    """One recording, as the log has it."""

    line: int
    station: np.ndarray
    duration_s: float
    start_s: float = 0.0
    run: int = 1
    heading: int = 0
    marks: tuple[int, ...] = ()

    def time_s(self):
        return self.start_s + np.linspace(0, self.duration_s, len(self.station))


def stations(first, last):
    """Stations from first to last, both included, up or down."""
    return np.arange(first, last + (1 if last >= first else -1), 1 if last >= first else -1, dtype=float)


def clean_lines(scheme=SCHEME, seed=None, overrun=10):
    """Every line of a scheme: overrun at both ends, up to ``overrun`` readings (exactly that without a seed)."""
    rng = np.random.default_rng(seed)
    low, high = scheme.edge_stations(1)
    lines, clock = [], 36_000.0
    for number in scheme.lines.tolist():
        before, after = rng.integers(0, overrun + 1, 2) if seed is not None else (overrun, overrun)
        walked = stations(low - before, high + after)
        if scheme.heading(number) < 0:
            walked = walked[::-1]
        speed = rng.uniform(0.8, 1.2) if seed is not None else 1.0
        duration = len(walked) * scheme.interval_m / speed
        lines.append(Line(number, walked, duration, clock))
        clock += duration + 15
    return lines


def log_of(lines, grid="A", seed=None, **columns):
    """The recordings as a table of readings, in the order given."""
    rng = np.random.default_rng(seed)
    n = [len(item.station) for item in lines]
    time = np.concatenate([item.time_s() for item in lines])
    if seed is not None:
        time = time + rng.uniform(-0.02, 0.02, len(time))
    mark = np.concatenate([np.isin(np.arange(k), item.marks).astype(float) for item, k in zip(lines, n)])
    columns = {
        "run": np.repeat([item.run for item in lines], n),
        "heading": np.repeat([item.heading for item in lines], n),
        "station": np.concatenate([item.station for item in lines]),
        "time_s": time,
        "extras": {"mark": mark},
        **columns,
    }
    values = {"eca": rng.normal(15, 1, len(time))}
    return Readings.build(np.repeat([item.line for item in lines], n), values, grids=(grid,), **columns)


def compared(lines, notes=(), scheme=SCHEME):
    return compare_notes(log_of(lines), scheme, notes)


def only(findings, code):
    """The one finding of a log, checked to be of this code."""
    assert [f.code for f in findings] == [code], [f.sentence() for f in findings]
    return findings[0]


def changed(line, **values):
    """The clean lines of the scheme with one of them changed."""
    return [replace(item, **values) if item.line == line else item for item in clean_lines()]


# --------------------------------------------------------------------------------------------------------- clean grids

SCHEMES = [
    Scheme(grid="A", length_m=20, width_m=20, spacing_m=0.5, readings_per_m=8),
    Scheme(grid="A", length_m=30, width_m=15, spacing_m=1, readings_per_m=4, pattern="one-way"),
    Scheme(grid="A", length_m=10, width_m=5, spacing_m=0.5, readings_per_m=8, first_heading="back", first_station=0),
    Scheme(grid="A", length_m=24, width_m=18, spacing_m=0.6, readings_per_m=5, first_line=101, line_step=2),
    Scheme(grid="A", length_m=12, width_m=6, spacing_m=1, readings_per_m=1, first_line=12, line_step=-1),
    Scheme(grid="A", length_m=7.3, width_m=4, spacing_m=1, readings_per_m=10, pattern="one-way", first_heading="back"),
    Scheme(grid="A", length_m=20, width_m=3, spacing_m=1, readings_per_m=8, first_offset_m=0),
]


@pytest.mark.parametrize("scheme", SCHEMES, ids=range(len(SCHEMES)))
def test_a_clean_grid_makes_no_finding(scheme):
    for seed in range(12):
        overrun = round(1.25 * scheme.readings_per_m)
        readings = log_of(clean_lines(scheme, seed, overrun), seed=seed)
        assert [f.sentence() for f in compare_notes(readings, scheme)] == []


@pytest.mark.parametrize("scheme", SCHEMES, ids=range(len(SCHEMES)))
def test_a_clean_grid_without_stations_and_times_makes_no_finding(scheme):
    lines = clean_lines(scheme, overrun=0)
    nothing = np.full(sum(len(item.station) for item in lines), np.nan)
    readings = log_of(lines, station=nothing, time_s=nothing)
    assert compare_notes(readings, scheme) == []


def test_a_line_that_counts_down_below_zero_is_normal():
    lines = changed(2, station=stations(80, -10))
    assert compared(lines) == []


def test_the_log_is_not_changed_and_progress_is_told():
    readings, told = log_of(clean_lines(seed=1)), []
    before = {name: getattr(readings, name).copy() for name in ("line", "run", "station", "time_s", "heading", "flag")}
    compare_notes(readings, SCHEME, progress=told.append)
    for name, values in before.items():
        np.testing.assert_array_equal(getattr(readings, name), values)
    assert told[0] == 0
    assert told[-1] == 1
    assert told == sorted(told)


def test_progress_may_end_the_comparison():
    def stop(fraction):
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        compare_notes(log_of(clean_lines()), SCHEME, progress=stop)


# ------------------------------------------------------------------------------------------------ which lines there are


def test_missing_line_must_be_walked_again():
    finding = only(compared([x for x in clean_lines() if x.line != 4]), "line-missing")
    assert (finding.line, finding.severity, finding.walk_again) == (4, "error", True)
    assert finding.found == "The line is not in the log."
    assert finding.advice.startswith("Walk line 4 again, at 3.50 m along the baseline.")


def test_every_missing_line_counts():
    findings = compared(clean_lines()[:7])
    assert [f.line for f in findings] == [8, 9, 10]
    assert walk_again_count(findings) == 3


def test_line_redone_under_another_number_is_not_missing():
    lines = [*(x for x in clean_lines() if x.line != 4), replace(clean_lines()[3], line=50)]
    assert compared(lines, [Note("A", 50, position_m=3.5, kind="redo")]) == []


def test_line_redone_at_another_place_is_still_missing():
    lines = [*(x for x in clean_lines() if x.line != 4), replace(clean_lines()[3], line=50)]
    assert only(compared(lines, [Note("A", 50, position_m=4.0, kind="redo")]), "line-missing").line == 4


def test_void_line_not_redone_must_be_walked_again():
    finding = only(compared(clean_lines(), [Note("A", 4, kind="void")]), "line-missing")
    assert finding.found == "The line is void and was not walked again."
    assert finding.walk_again


def test_void_line_redone_makes_no_finding():
    lines = clean_lines()
    lines.insert(4, replace(lines[3], run=2))
    assert compared(lines, [Note("A", 4, run=1, kind="void")]) == []
    elsewhere = [*clean_lines(), replace(clean_lines()[3], line=50)]
    notes = [Note("A", 4, kind="void"), Note("A", 50, position_m=3.5, kind="redo")]
    assert compared(elsewhere, notes) == []


def test_line_wholly_under_an_obstacle_is_not_missing():
    lines = [x for x in clean_lines() if x.line != 4]
    assert compared(lines, [Note("A", 4, kind="obstacle")]) == []
    assert compared(lines, [Note("A", 4, start_station=1, stop_station=80, kind="obstacle")]) == []
    half = [Note("A", 4, start_station=1, stop_station=40, kind="obstacle")]
    assert only(compared(lines, half), "line-missing").walk_again


def test_line_recorded_twice_says_which_is_taken():
    lines = clean_lines()
    lines.insert(4, replace(lines[3], run=2))
    finding = only(compared(lines), "line-twice")
    assert (finding.line, finding.run, finding.walk_again) == (4, 2, False)
    assert finding.found == "Line 4 was recorded 2 times, and the notes do not say why."
    assert finding.advice.endswith("The later recording is taken.")


@pytest.mark.parametrize(
    "note", [Note("A", 4, run=2, kind="redo"), Note("A", 4, kind="redo"), Note("A", 4, 1, kind="void")]
)
def test_line_recorded_twice_with_a_note_makes_no_finding(note):
    lines = clean_lines()
    lines.insert(4, replace(lines[3], run=2))
    assert compared(lines, [note]) == []


def test_line_stopped_and_resumed_is_not_recorded_twice():
    whole = clean_lines()[2]
    parts = [replace(whole, station=stations(-9, 40), duration_s=6), replace(whole, station=stations(38, 90),
             duration_s=6.5, run=2)]  # fmt: skip
    lines = [*clean_lines()[:2], *parts, *clean_lines()[3:]]
    assert compared(lines) == []


def test_lines_out_of_order():
    lines = clean_lines()
    lines.insert(8, lines.pop(2))
    finding = only(compared(lines), "line-order")
    assert finding.line == 3
    assert finding.found == "Line 3 was recorded after line 9."


def test_grid_walked_from_the_far_end_is_in_order():
    assert compared(clean_lines()[::-1]) == []


def test_line_outside_the_scheme():
    extra = replace(clean_lines()[3], line=40)
    lines = [*clean_lines()[:5], extra, *clean_lines()[5:]]
    finding = only(compared(lines), "line-outside")
    assert finding.found == "Line 40 is none of the grid's. It has 100 readings."
    assert finding.expected == "lines 1 to 10 (10 lines)"
    for kind in ("dummy", "base", "void"):
        assert compared(lines, [Note("A", 40, kind=kind)]) == []
    assert compared(lines, [Note("A", 40, kind="tie", position_m=5)]) == []


def test_lines_between_those_of_the_scheme_are_outside():
    scheme = replace(SCHEME, line_step=2, width_m=4)
    lines = clean_lines(scheme)
    lines.insert(2, replace(lines[1], line=4))
    assert only(compared(lines, scheme=scheme), "line-outside").expected == "lines 1, 3, 5, 7"


@pytest.mark.parametrize(("number", "place", "word"), [(0, 0, "first"), (11, 10, "last")])
def test_line_before_or_after_all_others_is_likely_a_dummy(number, place, word):
    lines = clean_lines()
    lines.insert(place, Line(number, stations(1, 20), 2.5))
    finding = only(compared(lines), "dummy-likely")
    assert finding.line == number
    assert f"recorded {word} and is none of the grid's. It is probably a dummy." in finding.found
    assert compared(lines, [Note("A", number, kind="dummy")]) == []


def test_far_number_or_a_line_recorded_twice_is_no_dummy():
    tie = [*clean_lines(), Line(901, stations(-5, 85), 11)]
    assert only(compared(tie), "line-outside").line == 901
    base = [Line(900, stations(1, 12), 2), *clean_lines(), Line(900, stations(1, 12), 2, run=2)]
    assert only(compared(base), "line-outside").found == "Line 900 is none of the grid's. It has 24 readings."
    assert compared(base, [Note("A", 900, kind="base")]) == []


def test_many_lines_outside_make_one_finding():
    wide = replace(SCHEME, width_m=30)
    finding = only(compared(clean_lines(wide)), "line-outside")
    assert finding.found.startswith("20 lines have the same fault: 11 to 30 (20 lines).")
    assert "width_m" in finding.advice


def test_false_start_with_the_number_of_a_line_is_likely_a_dummy():
    lines = [Line(1, stations(1, 20), 2.5), replace(clean_lines()[0], run=2), *clean_lines()[1:]]
    finding = only(compared(lines), "dummy-likely")
    assert (finding.line, finding.run) == (1, 1)
    assert "A short piece of 20 readings" in finding.found
    assert compared(lines, [Note("A", 1, run=1, kind="dummy")]) == []


def test_log_of_another_grid_gives_one_finding():
    lines = [replace(x, line=x.line + 100) for x in clean_lines()]
    finding = only(compared(lines), "wrong-log")
    assert finding.found == "No line of the log is one of this grid's. It has lines 101 to 110 (10 lines)."
    assert finding.severity == "error"


def test_log_of_far_longer_lines_gives_one_finding():
    lines = clean_lines(replace(SCHEME, length_m=40))
    finding = only(compared(lines), "wrong-log")
    assert finding.found == "The lines of the log have about 340 readings each."
    assert finding.expected == "about 80 readings a line"


def test_empty_log_gives_one_finding():
    readings = log_of(clean_lines()).take(np.array([], int))
    assert only(compare_notes(readings, SCHEME), "wrong-log").found == "The log has no readings of this grid."


# ------------------------------------------------------------------------------------------------- how far, from where


def test_short_line_must_be_walked_again():
    finding = only(compared(changed(3, station=stations(-9, 60))), "line-short")
    assert (finding.line, finding.severity, finding.walk_again) == (3, "error", True)
    assert finding.found == "No readings at stations 61 to 80 (2.5 m)."
    assert finding.advice.startswith("Walk line 3 again.")


@pytest.mark.parametrize(("last", "short"), [(76, False), (75, True)])
def test_line_may_miss_an_edge_by_half_a_metre(last, short):
    # 4 readings of 8 a metre are the half metre that common practice allows (no source).
    findings = compared(changed(3, station=stations(-9, last)))
    assert [f.code for f in findings] == ["line-short"] * short


def test_line_walked_back_that_stops_early_is_short_at_the_start_edge():
    finding = only(compared(changed(4, station=stations(90, 31), duration_s=7.5)), "line-short")
    assert "stations 1 to 30 (3.8 m)" in finding.found


def test_noted_stop_explains_a_short_line():
    lines = changed(3, station=stations(-9, 60))
    finding = only(compared(lines, [Note("A", 3, start_station=-9, stop_station=60)]), "line-short")
    assert (finding.severity, finding.walk_again) == ("note", False)
    assert finding.found == "No readings at stations 61 to 80 (2.5 m), as noted."


def test_noted_stop_elsewhere_does_not_explain_a_short_line():
    lines = changed(3, station=stations(-9, 60))
    findings = compared(lines, [Note("A", 3, start_station=-9, stop_station=85)])
    assert [(f.code, f.walk_again) for f in findings] == [("line-short", True), ("note-disagrees", False)]


@pytest.mark.parametrize("line", [3, None])
def test_obstacle_explains_a_short_line(line):
    lines = changed(3, station=stations(-9, 60))
    assert compared(lines, [Note("A", line, start_station=61, stop_station=95, kind="obstacle")]) == []
    assert compared(lines, [Note("A", 5, start_station=61, stop_station=95, kind="obstacle")])[0].code == "line-short"


def test_line_in_two_parts_around_an_obstacle():
    whole = clean_lines()[2]
    parts = [replace(whole, station=stations(-9, 30), duration_s=5), replace(whole, station=stations(45, 90),
             duration_s=6, run=2)]  # fmt: skip
    lines = [*clean_lines()[:2], *parts, *clean_lines()[3:]]
    assert compared(lines, [Note("A", 3, start_station=31, stop_station=44, kind="obstacle")]) == []
    assert only(compared(lines), "line-short").found == "No readings at stations 31 to 44 (1.8 m)."


def test_short_line_without_stations_is_told_by_its_count():
    lines = clean_lines(overrun=0)
    lines[2] = replace(lines[2], station=lines[2].station[:60])
    nothing = np.full(sum(len(x.station) for x in lines), np.nan)
    finding = only(compare_notes(log_of(lines, station=nothing), SCHEME), "line-short")
    assert (finding.line, finding.found) == (3, "No readings at stations 61 to 80 (2.5 m).")


def test_one_cause_makes_one_finding():
    lines = [replace(x, station=x.station[x.station <= 60]) for x in clean_lines()]
    finding = only(compared(lines), "line-short")
    assert finding.line is None
    assert finding.found.startswith("10 lines have the same fault: 1 to 10 (10 lines). Line 1: No readings at")
    assert "length_m" in finding.advice


def test_long_line():
    lines = changed(3, station=stations(-9, 140), duration_s=18)
    finding = only(compared(lines), "line-long")
    assert finding.found == "The line has 150 readings. It runs 6.2 m farther past the edge than the others."
    assert not finding.walk_again


def test_overrun_as_long_as_that_of_the_others_is_no_finding():
    assert compared(clean_lines(overrun=32)) == []


def test_forgotten_start_station():
    finding = only(compared(changed(3, station=stations(61, 160))), "start-station")
    assert (finding.line, finding.severity, finding.walk_again) == (3, "error", False)
    assert finding.found.startswith("The line goes from station 61 to 160. Its 100 readings are enough")
    assert finding.expected == "a start near station -9 for a line walked out"
    assert "start_station -9" in finding.advice


def test_line_stopped_early_after_its_usual_overrun_has_no_forgotten_setting():
    finding = only(compared(changed(3, station=stations(-9, 70))), "line-short")
    assert finding.found == "No readings at stations 71 to 80 (1.2 m)."


def test_start_far_before_the_edge_is_a_forgotten_setting():
    finding = only(compared(changed(3, station=stations(-59, 40))), "start-station")
    assert finding.found.startswith("The line goes from station -59 to 40.")


def test_forgotten_start_station_on_the_way_back():
    finding = only(compared(changed(4, station=stations(1, -98))), "start-station")
    assert finding.expected == "a start near station 90 for a line walked back"


def test_note_mends_a_forgotten_start_station():
    lines = changed(3, station=stations(61, 160))
    finding = only(compared(lines, [Note("A", 3, start_station=-9, where="notes, row 7")]), "note-disagrees")
    assert finding.severity == "note"
    assert finding.found == "By the log the line was started at station 61."
    assert finding.expected == "started at station -9 (notes, row 7)"


# ----------------------------------------------------------------------------------------------------- direction, count


def test_forgotten_direction():
    finding = only(compared(changed(4, station=stations(-9, 90))), "direction")
    assert (finding.line, finding.severity) == (4, "error")
    assert finding.found == "The log has the line walked out, from station -9 to 90."
    assert "note heading back and start_station 90, or near it" in finding.advice
    assert finding.advice.endswith("If it was walked out, note heading out.")


def test_direction_of_the_opening_row_counts_too():
    finding = only(compared(changed(4, heading=1, station=stations(-9, 90))), "direction")
    assert finding.expected == "walked back from near station 90"


def test_noted_direction_makes_no_finding_when_the_log_agrees():
    assert compared(changed(4, station=stations(-9, 90)), [Note("A", 4, heading=1)]) == []


def test_noted_direction_mends_a_forgotten_setting():
    notes = [Note("A", 4, heading=-1, start_station=90)]
    finding = only(compared(changed(4, station=stations(-9, 90)), notes), "note-disagrees")
    assert finding.found == "By the log the line was walked out and started at station -9."
    assert finding.expected == "walked back and started at station 90 (the notes)"
    assert finding.severity == "note"


@pytest.mark.parametrize(
    ("log_scheme", "advice"),
    [
        (replace(SCHEME, pattern="one-way"), "Set pattern one-way and first_heading out"),
        (replace(SCHEME, first_heading="back"), "Set pattern alternate and first_heading back"),
    ],
)
def test_wrong_pattern_in_the_register_makes_one_finding(log_scheme, advice):
    finding = only(compared(clean_lines(log_scheme)), "direction")
    assert finding.line is None
    assert finding.expected == "pattern alternate, first_heading out"
    assert advice in finding.advice


def test_step_of_the_wrong_sign():
    finding = only(compared(changed(4, heading=-1, station=stations(-9, 90))), "step-sign")
    assert finding.found == "The log has the line walked back, but counts from station -9 to 90."
    assert finding.expected == "a count down from near station 90"
    assert compared(changed(4, heading=-1)) == []


def test_logger_that_ran_on_while_turning():
    both = np.concatenate([stations(-9, 90), stations(89, -9)])
    finding = only(compared(changed(3, station=both, duration_s=25)), "step-sign")
    assert finding.found == "The stations grow 99 times and fall 99 times within the line."
    assert finding.walk_again


@pytest.mark.parametrize(("lost", "severity", "again"), [(8, "warning", False), (9, "error", True)])
def test_station_jump_wider_than_a_metre_is_walked_again(lost, severity, again):
    station = np.concatenate([stations(-9, 40), stations(41 + lost, 90)])
    finding = only(compared(changed(3, station=station)), "station-jump")
    assert (finding.severity, finding.walk_again) == (severity, again)
    assert finding.found.startswith(
        f"The station jumps from 40 to {41 + lost}. Readings over {lost / 8:.1f} m are lost."
    )


def test_station_jump_at_an_obstacle_in_the_overrun_or_walked_again_is_no_finding():
    station = np.concatenate([stations(-9, 40), stations(61, 90)])
    lines = changed(3, station=station)
    assert compared(lines, [Note("A", 3, start_station=41, stop_station=60, kind="obstacle")]) == []
    assert compared(changed(3, station=np.concatenate([stations(-29, -15), stations(-4, 90)]))) == []
    again = [*lines, Line(3, stations(35, 65), 4, run=2)]
    assert compared(again, [Note("A", 3, run=2, kind="redo")]) == []


def test_station_that_falls_back_within_a_line():
    station = np.concatenate([stations(-9, 40), stations(31, 90)])
    finding = only(compared(changed(3, station=station)), "station-jump")
    assert finding.found == "The station goes from 40 to 31 within the line."


def test_stations_that_do_not_count_readings():
    lines = [replace(x, station=x.station * 0.125) for x in clean_lines(replace(SCHEME, pattern="one-way"))]
    findings = compared(lines, scheme=replace(SCHEME, pattern="one-way"))
    jump = [f for f in findings if f.code == "station-jump"]
    assert [f.found for f in jump] == ["The stations change by 0.125 from one reading to the next."]
    assert len(findings) <= 2


# ------------------------------------------------------------------------------------------------------ position, pace


def test_noted_position_against_number_and_spacing():
    finding = only(compared(clean_lines(), [Note("A", 4, position_m=3.8)]), "position")
    assert finding.found == "The line is noted at 3.80 m along the baseline."
    assert finding.expected == "3.50 m by its number and the spacing"
    assert compared(clean_lines(), [Note("A", 4, position_m=3.52)]) == []


def test_noted_position_outside_the_width():
    finding = only(compared(clean_lines(), [Note("A", 4, position_m=35)]), "position")
    assert (finding.severity, finding.expected) == ("error", "0 to 10 m")


def test_two_lines_at_one_position():
    findings = compared(clean_lines(), [Note("A", 4, position_m=4.5)])
    found = {(f.code, f.line): f.found for f in findings}
    assert found["position", 4] == "The line is noted at 4.50 m along the baseline."
    assert "Lines 5 and 4 both lie at 4.50 m along the baseline." in [f.found for f in findings]
    assert found["line-missing", 4] == "The line is not in the log."


@pytest.mark.parametrize(
    ("position", "found"),
    [
        (None, "The notes do not say where the tie line crosses."),
        (12.0, "The tie line is noted at 12.00 m, outside the grid."),
    ],
)
def test_tie_line_without_a_place(position, found):
    lines = [*clean_lines(), Line(90, stations(-5, 85), 11)]
    assert only(compared(lines, [Note("A", 90, kind="tie", position_m=position)]), "position").found == found
    assert compared(lines, [Note("A", 90, kind="tie", position_m=9)]) == []


@pytest.mark.parametrize(("duration", "told"), [(12.5 * 1.45, False), (12.5 * 2, True), (12.5 / 2, True)])
def test_line_walked_far_slower_or_faster(duration, told):
    # 0.8 to 1.2 m/s is usual, a factor of 1.5 (common practice, no source).
    findings = compared(changed(3, duration_s=duration))
    assert [(f.code, f.line) for f in findings] == [("pace", 3)] * told
    if told:
        assert f"100 readings in {duration:.0f} s" in findings[0].found


def test_pace_is_not_asked_of_dummy_tie_base_and_void_lines():
    lines = [*clean_lines(), *(Line(90 + k, stations(1, 30), 200) for k in range(4))]
    kinds = ("dummy", "base", "void")
    notes = [Note("A", 90 + k, kind=kind) for k, kind in enumerate(kinds)]
    assert compared(lines, [*notes, Note("A", 93, kind="tie", position_m=5)]) == []


def test_times_nobody_can_have_walked():
    lines = [replace(x, duration_s=x.duration_s * 10) for x in clean_lines()]
    finding = only(compared(lines), "pace")
    assert finding.line is None
    assert "8 readings a metre, the grid was walked at 0.10 m/s" in finding.found


def test_clock_that_runs_backwards():
    readings = log_of(clean_lines())
    time = readings.time_s.copy()
    time[np.flatnonzero(readings.line == 3)[50:]] -= 5
    finding = only(compare_notes(readings.replace(time_s=time), SCHEME), "pace")
    assert (finding.line, finding.found) == (3, "The times run backwards within the line.")


# ------------------------------------------------------------------------------------------------ notes, marks, values


def test_note_for_a_line_that_is_not_in_the_log():
    note = Note("A", 33, kind="redo", where="notes, row 3")
    finding = only(compared(clean_lines(), [note]), "note-without-line")
    assert finding.found == "notes, row 3: line 33 is noted as redo, but is not in the log."
    second = only(compared(clean_lines(), [Note("A", 3, run=2, kind="void")]), "note-without-line")
    assert "recording 2 of line 3 is noted as void" in second.found


def skipped_log(left_out):
    """The log of a person who forgot a traverse and went on counting: the last number is missing."""
    lines = clean_lines()
    return lines[:-1], [Note("A", item.line) for item in lines if item.line != left_out]


@pytest.mark.parametrize("left_out", [2, 6, 9])
def test_line_left_out_that_renumbered_the_rest_is_told_by_the_notes(left_out):
    findings = [f for f in compared(*skipped_log(left_out)) if f.code == "line-skipped"]
    assert [(f.line, f.severity, f.walk_again) for f in findings] == [(left_out, "error", True)]
    assert f"leave out line {left_out}" in findings[0].found


def test_notes_of_all_lines_or_of_few_tell_of_no_line_left_out():
    lines = clean_lines()
    everything = [Note("A", item.line) for item in lines]
    assert compared(lines, everything) == []
    assert "line-skipped" not in {f.code for f in compared(lines[:-1], everything)}
    assert "line-skipped" not in {f.code for f in compared(lines[:-1], everything[3:])}


def test_notes_of_another_grid_are_left_aside():
    assert compared(clean_lines(), [Note("B", 33, kind="void"), Note("B", 3, kind="void")]) == []


def test_noted_stop_against_the_log():
    close = [Note("A", 3, start_station=-9, stop_station=86)]
    assert compared(clean_lines(), close) == []
    far = only(compared(clean_lines(), [Note("A", 3, start_station=-9, stop_station=84)]), "note-disagrees")
    assert (far.severity, far.found) == ("warning", "By the log the line was stopped at station 90.")
    assert far.expected == "stopped at station 84 (the notes)"


def marked(scheme, **changes):
    """Lines with a mark at both edges and in the middle; ``changes``: marks by line number (``l3``)."""
    return [replace(x, marks=changes.get(f"l{x.line}", (10, 50, 90))) for x in clean_lines(scheme)]


MARKS = replace(SCHEME, pace="marks")


def test_marks_as_in_most_lines_make_no_finding():
    assert compared(marked(MARKS), scheme=MARKS) == []


def test_line_with_an_uneven_number_of_marks():
    finding = only(compared(marked(MARKS, l3=(10, 90)), scheme=MARKS), "marks")
    assert (finding.line, finding.found, finding.expected) == (
        3,
        "The line has 2 marks.",
        "3 marks, as most lines have",
    )
    assert compared(marked(SCHEME, l3=(10, 90))) == []


def test_log_without_marks():
    finding = only(compared(clean_lines(MARKS), scheme=MARKS), "marks")
    assert (finding.line, finding.severity, finding.found) == (None, "error", "Most lines have 0 marks.")


@pytest.mark.parametrize("speed", [0.8, 1.0, 1.2])
def test_reading_count_is_free_where_the_pace_is_not_the_rate(speed):
    # At 0.8, 1.0 and 1.2 m/s a 10 m line has 100, 80 or 67 readings at 8 a second (arithmetic).
    scheme = replace(SCHEME, pace="ends", pattern="one-way")
    count = round(80 / speed)
    lines = [replace(x, station=stations(1, count), duration_s=10 / speed) for x in clean_lines(scheme)]
    assert compared(lines, scheme=scheme) == []


def with_values(**missing):
    readings = log_of(clean_lines())
    values = readings.channels["eca"].copy()
    for rows in missing.values():
        values[rows] = np.nan
    return readings.replace(channels={"eca": values})


def test_missing_values_are_counted():
    finding = only(compare_notes(with_values(some=[20, 150, 151, 400]), SCHEME), "values-missing")
    assert finding.found == "Readings without a value of eca: 4 of 1000."
    assert (finding.severity, finding.walk_again) == ("note", False)


def test_long_stretch_without_values_is_walked_again():
    # Line 3 starts at row 200 with station -9.
    findings = compare_notes(with_values(some=slice(240, 249)), SCHEME)
    assert [(f.line, f.walk_again) for f in findings] == [(3, True), (None, False)]
    assert findings[0].found == "No values of eca at stations 31 to 39."
    assert [f.walk_again for f in compare_notes(with_values(some=slice(240, 248)), SCHEME)] == [False]
    assert [f.walk_again for f in compare_notes(with_values(some=slice(200, 210)), SCHEME)] == [False]


def test_channel_without_any_value():
    finding = only(compare_notes(with_values(all=slice(None)), SCHEME), "values-missing")
    assert (finding.severity, finding.advice) == ("error", "Check the column in the layout of the log.")


# ----------------------------------------------------------------------------------------------------------- the table


def test_findings_come_by_severity_then_line():
    lines = changed(3, station=stations(-9, 60))
    lines = [x for x in lines if x.line != 2]
    lines.insert(5, replace(lines[4], run=2))
    findings = compared(lines, [Note("A", 9, heading=-1)])
    order = [(SEVERITIES.index(f.severity), f.line) for f in findings]
    assert order == sorted(order)
    assert {f.code for f in findings} == {"line-missing", "line-short", "line-twice", "note-disagrees"}


def test_every_finding_says_what_was_found_expected_and_to_do():
    lines = changed(3, station=stations(-9, 60))
    lines[6] = replace(lines[6], station=stations(61, 160))
    lines[7] = replace(lines[7], station=stations(-9, 90))
    lines.insert(5, replace(lines[4], line=77))
    findings = compared(lines, [Note("A", 9, stop_station=40, start_station=-9), Note("A", 60, kind="tie")])
    assert len(findings) >= 5
    for finding, row in zip(findings, finding_rows(findings)):
        assert row[0] == "A"
        assert all((finding.found, finding.expected, finding.advice))
        assert finding.found.endswith(".")
        assert finding.advice.endswith(".")
        assert not finding.expected.endswith(".")
        assert finding.sentence().startswith("Grid A")


# ---------------------------------------------------------------------------------------- the sample's known truth

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
