"""What is said of a log that was read: rows and values that could not be, and what is not in it."""

from __future__ import annotations

import re
from typing import NamedTuple, Sequence

import numpy as np

from ..core import Code, EngineError, Finding, Readings, Run, counted
from .assemble import LogGatherer
from .column_roles import MOSTLY, Role
from .dialect import is_measured
from .fields import explain_row, shorten
from .layout import LogLayout
from .plan import Plan, split_row

SHOWN_ROWS = 20
"""Rows that cannot be read and are named one by one (common practice, no source); of more only the number is given."""
MOST_ROWS = 0.5
"""Where more than this fraction of the rows cannot be read, the layout is not that of the log. Derived: a majority."""
METRES = re.compile(r"(?i)[(\[_ ]m(et(er|re|ro)s?)?[)\]]?\s*$|^(metr?er?s?|metros?|metri)$")
"""End of the name of a column of stations in metres."""
SHORTEST = 3
"""Recordings with fewer readings on average, and more of them a line, are no walk (common practice, no source)."""
LINE_IN_TURNS = (
    "Ask for the layout of the log: look at lines. Give the role line to the column of lines. If it has the role, "
    "sort the log by its time, or split it into a log for each sensor. If all is right as it was read, set "
    '"confirmed": true in the layout. Nothing of this log is mapped until then.'
)
FEWEST_STEPS = 5
"""Steps between times from which their way is known. Derived: five alike come by chance once in 16."""
SHOWN_MARKS = 3
"""Values beyond the range that are named (common practice, no source)."""


def row_findings(gathered: LogGatherer) -> list[Finding]:
    """Return what could not be read: each of the first rows, and how many more."""
    name, plan = gathered.name, gathered.plan
    findings: list[Finding] = []
    if plan is None:
        return findings
    if gathered.failed_count > max(SHOWN_ROWS, MOST_ROWS * gathered.count) and not gathered.layout.confirmed:
        return [_rows_do_not_fit(gathered, plan)]
    last_row, last_text, last_good = gathered.last
    cut = not last_good and _is_cut(gathered, plan)
    for row, text in gathered.failed[:SHOWN_ROWS]:
        if not (cut and row == last_row):
            found = f"{name}, row {row} {explain_row(text, plan)}: {shorten(text)}."
            findings.append(Code.ROW_UNREADABLE.finding(found, "", "Look at the row in the log; it is left out."))
    more = gathered.failed_count - SHOWN_ROWS - (cut and gathered.failed_count > SHOWN_ROWS)
    if more > 0:
        found = f"{name}: {counted(more, 'more row')} below them cannot be read "
        found += f"({gathered.failed_count} of {gathered.count})."
        findings.append(Code.ROW_UNREADABLE.finding(found, "", "Ask the books whether this layout is the log's."))
    if cut:
        found = f"{name}, row {last_row} is the last and was cut off: {shorten(last_text)}."
        findings.append(
            Code.ROW_TRUNCATED.finding(
                found, "", "Ask the books whether the log is complete. If not, download it again."
            )
        )
    for row, text in gathered.bad_openings:
        found = f"{name}, row {row} opens a traverse, but its numbers cannot be read: {shorten(text)}."
        advice = "Ask the books what this row opens. The readings below it count to the line above."
        findings.append(Code.OPENING_UNREADABLE.finding(found, "", advice))
    return findings


def _rows_do_not_fit(gathered: LogGatherer, plan: Plan) -> Finding:
    """Return the one finding about a log of which most rows cannot be read: the layout is another log's."""
    (row, text), name = gathered.failed[0], gathered.name
    found = (
        f"{name}: {gathered.failed_count} of {gathered.count} rows cannot be read, the first of them row {row}, which "
        f"{explain_row(text, plan)}: {shorten(text)}."
    )
    advice = (
        "Ask for the layout of the log: most rows do not fit. Leave the layout out to have it found out. If the other "
        'rows are to be read by it all the same, set "confirmed": true in the layout. Nothing of this log is mapped '
        "until then."
    )
    return Code.LAYOUT_QUESTIONED.finding(found, "", advice)


def _is_cut(gathered: LogGatherer, plan: Plan) -> bool:
    text, layout = gathered.last[1], gathered.layout
    return not text.endswith("\n") or len(split_row(text, layout.delimiter, layout.widths)) < plan.count


def rows_above(rows: Sequence[str], gathered: LogGatherer) -> list[Finding]:
    """Return a finding about each row above the names of the columns that seems to be a reading out of its place.

    It has a clock time where the readings have theirs, and but for one as many values; settings have not.

    Parameters
    ----------
    rows : sequence of str
        Those that a layout which was found out passes over.
    gathered : LogGatherer
        The rows below them.
    """
    plan, layout = gathered.plan, gathered.layout
    times = [p.index for p in plan.columns if p.column.role == "time" and p.is_text] if plan else []
    if plan is None or not times:
        return []
    findings = []
    for number, row in enumerate(rows, 1):
        fields = split_row(row, layout.delimiter, layout.widths)
        whole = plan.count - 1 <= len(fields) <= plan.count + 1 and all(map(is_measured, fields))
        if whole and times[0] < len(fields) and ":" in fields[times[0]]:
            found = f"{gathered.name}, row {number} stands above the names of the columns: {shorten(row)}."
            advice = "Look at the row in the log; it is left out. If it is a reading, put it below the names."
            findings.append(Code.ROW_UNREADABLE.finding(found, "", advice))
    return findings


def line_findings(gathered: LogGatherer, readings: Readings) -> list[Finding]:
    """Return what is odd about the traverses of a log."""
    name = gathered.name
    findings: list[Finding] = []
    befores = [o.before for o in gathered.openings]
    for opening, end in zip(gathered.openings, [*befores[1:], gathered.count]):
        if opening.before == end:
            found = f"{name} opens line {opening.line}, but has no readings for it."
            advice = f"Ask the books whether line {opening.line} was walked. If so, walk it again."
            findings.append(Code.LINE_EMPTY.finding(found, "", advice, grid=opening.grid or "", line=opening.line))
    if befores and befores[0] and gathered.layout.one("line") is None:
        above = "1 row stands" if befores[0] == 1 else f"{befores[0]} rows stand"
        found = f"{name}: {above} above the first row that opens a traverse."
        findings.append(
            Code.LINE_UNKNOWN.finding(
                found, "", "Ask the books where the first line begins. They are kept as line 0.", severity="warning"
            )
        )
    elif not befores and gathered.layout.one("line") is None:
        advice = "Ask the books how the log names its lines. Set line_start in the layout. All is kept as line 1."
        findings.append(Code.LINE_UNKNOWN.finding(f"{name} names no lines.", "", advice))
    if len(gathered.made):
        found = (
            f"{name} names no lines: {len(gathered.made)} were made, counted from 1, each from where its stations "
            f"start again or turn (line 2 from row {gathered.made[1]} on)."
        )
        advice = "Ask the books for the numbers of the lines. Hold these against the notes."
        findings.append(Code.LINE_UNKNOWN.finding(found, "", advice))
    missing = int(np.count_nonzero(readings.has_flag("missing")))
    if missing:
        found = f"{name}: {counted(missing, 'reading')} {'has' if missing == 1 else 'have'} no value in any channel."
        advice = "Nothing to do: they are kept with the flag 'missing'."
        findings.append(Code.READINGS_MISSING.finding(found, "", advice))
    return findings


def check_turns(gathered: LogGatherer, readings: Readings) -> None:
    """Raise EngineError when a log names no lines, and its stations turn without showing where lines begin."""
    if gathered.openings or gathered.layout.one("line") is not None:
        return
    turn = _first_turn(readings)
    if turn:
        raise EngineError(
            f"Add a column of lines to {gathered.name}, or split it into a log for each line: it names no lines, and "
            f"its stations turn or start again (first in row {turn}) in no pattern that shows where each line begins."
        )


def check_order(gathered: LogGatherer, readings: Readings, given: bool) -> list[Finding]:
    """Raise EngineError when rows do not stand in the order in which they were walked: sorted, or of lines in turns.

    Where a person gave the layout, a line that changes with the readings may be another column: it is questioned.
    """
    if gathered.layout.confirmed or gathered.layout.one("line") is None:
        return []
    runs = readings.runs()
    lines = {(run.grid, run.line) for run in runs}
    if len(readings) < SHORTEST * len(runs) and len(runs) > SHORTEST * len(lines):
        often, row = len(readings) / len(runs), int(readings.row[runs[1].rows[0]])
        found = f"In {gathered.name}, the line changes after {often:.1f} readings on average (first in row {row})"
        if given:
            return [Code.LAYOUT_QUESTIONED.finding(f"{found}.", "", LINE_IN_TURNS)]
        raise EngineError(
            f"{found}: the rows were sorted, or two sensors stand in turns. Sort the log by its time, or split it "
            "into a log for each sensor."
        )
    _check_same_times(gathered, readings)
    falling = [run for run in runs if _way_of_times(readings.time_s[run.rows]) < 0]
    if falling and any(_way_of_times(readings.time_s[run.rows]) > 0 for run in runs):
        raise EngineError(
            f"In {gathered.name}, the times run backwards within line {falling[0].line} (from row "
            f"{int(readings.row[falling[0].rows[0]])} on) and forwards within others: the rows were sorted by their "
            "stations. Sort the log by its time."
        )
    return []


def _check_same_times(gathered: LogGatherer, readings: Readings) -> None:
    """Raise EngineError when a line comes again at the very times of its first recording, with other values."""
    met: dict[bytes, Run] = {}
    again: list[tuple[Run, Run]] = []
    for run in readings.runs():
        times = readings.time_s[run.rows]
        if len(times) <= FEWEST_STEPS or not np.all(np.isfinite(times)):
            continue
        first = met.setdefault(times.tobytes(), run)
        # A clock that starts again with each line shows the same times on others.
        if (first.grid, first.line) != (run.grid, run.line):
            return
        again.append((first, run))
    for first, run in again:
        pairs = [(values[first.rows], values[run.rows]) for values in readings.channels.values()]
        if first.run != run.run and not all(np.array_equal(*pair, equal_nan=True) for pair in pairs):
            raise EngineError(
                f"In {gathered.name}, line {run.line} comes again from row {int(readings.row[run.rows[0]])} on, at the "
                f"same times as from row {int(readings.row[first.rows[0]])} on but with other values: probably another "
                "frequency or coil pair. Split the log there, or put the channels into columns beside each other."
            )


def _way_of_times(times: np.ndarray) -> int:
    """Return 1 where most times of a recording grow, -1 where most fall, 0 where neither does or they are few."""
    steps = np.diff(times[np.isfinite(times)])
    if len(steps) < FEWEST_STEPS:
        return 0
    return int(np.mean(steps > 0) > MOSTLY) - int(np.mean(steps < 0) > MOSTLY)


def _first_turn(readings: Readings) -> int:
    """Return the first row of the file at which the stations turn or start again for good; 0 when they do not."""
    known = np.flatnonzero(np.isfinite(readings.station))
    steps = np.diff(readings.station[known])
    if not len(steps):
        return 0
    way = np.sign(np.median(steps[: len(steps) // 10 + 3]))
    against = np.flatnonzero(np.sign(steps) == -way)
    turned = len(against) > len(steps) / 10 or len(readings.runs()) > 1
    return int(readings.row[known[against[0] + 1]]) if turned and len(against) else 0


class Unusable(NamedTuple):
    """Values of a channel that are blank: rows of the file with over-range and unreadable ones, and what stood there.

    ``marks`` are the (k,) values beyond the range; infinite where a word says so.
    """

    over: np.ndarray
    bad: np.ndarray
    marks: np.ndarray


def value_findings(gathered: LogGatherer, unusable: dict[str, Unusable]) -> list[Finding]:
    """Return what is to be said of the values of channels that are blank."""
    name = gathered.name
    findings: list[Finding] = []
    if gathered.headless is not None:
        found = f"{name}, row {gathered.headless} holds a reading where the layout expects names of columns."
        findings.append(Code.VALUE_UNREADABLE.finding(found, "", "Set header to false in the layout; it was read."))
    for channel, (over, bad, marks) in unusable.items():
        if len(over):
            found = f"{name}: {counted(len(over), 'value')} of {channel} beyond the range of the instrument"
            numbers = np.unique(marks[np.isfinite(marks)])[:SHOWN_MARKS]
            found += f" ({', '.join(f'{number:.10g}' for number in numbers)})" if len(numbers) else ""
            advice = "Leave it: they are blank. Readings without any value are flagged 'overrange'."
            findings.append(Code.OVERRANGE.finding(f"{found}, first in row {over[0]}.", "", advice))
        if len(bad) > max(SHOWN_ROWS, MOST_ROWS * gathered.count) and not gathered.layout.confirmed:
            findings.append(_values_do_not_fit(gathered, channel, bad))
        elif len(bad):
            texts = dict(gathered.blanked)
            example = f" ({shorten(texts[int(bad[0])])})" if int(bad[0]) in texts else ""
            found = f"{name}: {counted(len(bad), 'value')} of {channel} cannot be read, first in row {bad[0]}{example}."
            findings.append(Code.VALUE_UNREADABLE.finding(found, "", "Look at the row in the log; they are blank."))
    return findings


def _values_do_not_fit(gathered: LogGatherer, channel: str, bad: np.ndarray) -> Finding:
    """Return the one finding about a channel of which most values cannot be read."""
    text = dict(gathered.blanked).get(int(bad[0]), "")
    found = (
        f"{gathered.name}: {len(bad)} of {gathered.count} values of {channel} cannot be read, the first of them in row "
        f"{bad[0]}: {shorten(text)}."
    )
    advice = (
        "Ask for the layout of the log: most values do not fit. If they are to be blank all the same, set "
        '"confirmed": true in the layout. Nothing of this log is mapped until then.'
    )
    return Code.LAYOUT_QUESTIONED.finding(found, "", advice)


def not_in_the_log(gathered: LogGatherer, readings: Readings) -> list[str]:
    """Return a sentence for each of lines, stations and times that the log does not have."""
    remarks = []
    if gathered.layout.one("line") is None and not gathered.openings:
        remarks.append(f"{gathered.name} has no lines: all readings are line 1.")
    if gathered.carries:
        remarks.append(f"{gathered.name} names a line only in its first row: the rows below it belong to it.")
    without = np.isnan(readings.station)
    if np.all(without):
        remarks.append(f"{gathered.name} has no stations: they will be counted by the pattern of the grid.")
    elif gathered.layout.one("station") is None and np.any(without):
        lines = sorted({run.line for run in readings.runs() if np.isnan(readings.station[run.rows[0]])})
        remarks.append(
            f"{gathered.name} has no stations for {counted(len(lines), 'line')} (the first is {lines[0]}): they will "
            "be counted by the pattern of the grid."
        )
    if not np.any(np.isfinite(readings.time_s)):
        remarks.append(f"{gathered.name} has no times: pace and drift cannot be checked.")
    timed = np.flatnonzero(np.isfinite(readings.time_s))
    falls = np.flatnonzero(np.diff(readings.time_s[timed]) < 0)
    if len(falls):
        remarks.append(
            f"The times of {gathered.name} fall {counted(len(falls), 'time')}, first in row "
            f"{readings.row[timed[falls[0] + 1]]}: the clock was set or started again there, and the pause before it "
            "is not known."
        )
    return remarks


def _one_or(number: int) -> str:
    return "one" if number == 1 else str(number)


def layout_remarks(
    layout: LogLayout, names: Sequence[str], roles: Sequence[Role], openings: int, marks: int
) -> list[str]:
    """Return a sentence for each decision about a layout that was found out."""
    how = (
        f"fixed columns of {', '.join(map(str, layout.widths))}" if layout.widths else f"delimiter {layout.delimiter!r}"
    )
    remarks = [f"The log is {layout.encoding} text with {how} and decimal mark {layout.decimal!r}."]
    if layout.skip_rows:
        rows = "row is" if layout.skip_rows == 1 else f"{layout.skip_rows} rows are"
        remarks.append(f"The first {rows} a preamble and passed over.")
    if layout.comment:
        remarks.append(f"Rows that start with {layout.comment!r} are comments.")
    if openings:
        remarks.append(f"Rows such as the {_one_or(openings)} found in the first part of the log open a traverse.")
    if marks:
        remarks.append(f"Rows such as the {_one_or(marks)} found in the first part of the log are fiducial marks.")
    if layout.missing:
        remarks.append(f"{', '.join(map(repr, layout.missing))} stands where a value is missing.")
    forms = {column.role: column.format for column in layout.columns}
    for number, (name, role) in enumerate(zip(names, roles), 1):
        which = f"Column {number} {name!r}" if name else f"Column {number}"
        if not role.role:
            remarks.append(f"{which} is not used, {role.why}.")
            continue
        unit = f" in {role.unit}" if role.unit else ""
        form = f", written as {forms[role.role]}" if role.role != "channel" and forms[role.role] else ""
        article = "a channel" if role.role == "channel" else f"the {role.role.replace('_', ' ')}"
        if role.role == "station" and METRES.search(name):
            unit = " in metres"
        remarks.append(f"{which} is {article}{unit}{form}, {role.why}.")
    return remarks
