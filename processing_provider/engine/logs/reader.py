"""Reads a traverse log into a table of readings; what cannot be read is reported row by row."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Callable, Iterator, Optional, Union

import numpy as np

from ..core import EngineError, Finding, Readings, channel_names, channels_renamed, counted, flag_bit
from .assemble import LogGatherer
from .detect import detect_layout, head_rows
from .fields import comma_decimals, explain_row, is_number, shorten
from .layout import EXTRA_ROLES, LogLayout
from .log_findings import (
    Unusable,
    check_order,
    check_turns,
    line_findings,
    not_in_the_log,
    row_findings,
    rows_above,
    value_findings,
)
from .overrange import settle_overrange, settle_together
from .recordings import number_runs
from .text import read_blocks
from .time_formats import NUMBER_FORMATS, guess_time_format
from .timestamps import number_seconds, over_full_hours, parse_times, since_first_midnight


@dataclass(frozen=True)
class LogResult:
    """A log that was read.

    Attributes
    ----------
    readings : Readings
        In the order of the file; not placed yet.
    findings : list of Finding
        Rows that could not be read, and other things to look at.
    layout : LogLayout
        Given or found out.
    remarks : list of str
        What was taken for what, when the layout was found out, and what is not in the log.
    left_out : int
        Rows that were to be readings and could not be read; the findings name them.
    """

    readings: Readings
    findings: list[Finding]
    layout: LogLayout
    remarks: list[str]
    left_out: int = 0

    def sentence(self) -> str:
        """Return how much was read."""
        lines = len({(run.grid, run.line) for run in self.readings.runs()})
        recordings = counted(len(self.readings.runs()), "recording")
        read = f"{counted(len(self.readings), 'reading')} in {recordings} of {counted(lines, 'line')}"
        return f"{', '.join(self.readings.sources)}: {read}."


def read_log(
    path: Union[str, Path],
    layout: Optional[LogLayout] = None,
    *,
    grid: str = "",
    progress: Optional[Callable[[float], None]] = None,
) -> LogResult:
    """Read a traverse log.

    Parameters
    ----------
    path : path
        Of one log; opened read-only.
    layout : LogLayout, optional
        How the rows are written; found out from the log when None.
    grid : str
        Name of the grid for rows that do not name their grid themselves.
    progress : callable, optional
        Called with the fraction done; what it raises ends the reading.

    Returns
    -------
    LogResult
        ``time_s`` is in seconds since midnight of the log's first day. Without a time column the time of an opening
        row goes to its first reading. Readings whose channels are all missing carry the flag ``missing``.
        ``extras`` holds ``mark`` (1 at the reading below a fiducial row or with something in the mark column, 2 more
        at a line's last reading that has such a row behind it) and the columns for temperature and positions. A log
        that names no lines is all line 1.

    Raises
    ------
    EngineError
        When there is no such file, it is empty or binary, or no row fits the layout.

    Notes
    -----
    See docs/methods/read.md. A row that cannot be read becomes a finding; it still counts where stations count on from
    an opening row.
    """
    path = Path(path)
    remarks: list[str] = []
    passed_over: list[str] = []
    given = layout is not None
    if layout is None:
        layout, remarks = detect_layout(path)
        passed_over = head_rows(path, layout.encoding)[1][: layout.skip_rows] if layout.skip_rows else []
    gathered = LogGatherer(layout, path.name)
    for rows, first_row, fraction in _wanted_rows(path, layout):
        gathered.take(rows, first_row)
        if progress is not None:
            progress(fraction)
    _check_fit(gathered)
    remarks += filter(None, [gathered.open_blocks()])
    gathered.open_by_stations()
    remarks += filter(None, [gathered.turn_back()])
    readings, unusable = _assemble(gathered, grid)
    check_turns(gathered, readings)
    findings = check_order(gathered, readings, given)
    above = rows_above(passed_over, gathered)
    findings += above + row_findings(gathered) + line_findings(gathered, readings) + value_findings(gathered, unusable)
    remarks += not_in_the_log(gathered, readings)
    names = channel_names(readings.channels, readings.extras)
    readings, findings = readings.renamed(names), findings + channels_renamed(names)
    return LogResult(readings, findings, layout, remarks, gathered.failed_count + len(above))


def _wanted_rows(path: Path, layout: LogLayout) -> Iterator[tuple[list[str], int, float]]:
    """Yield (rows, 1-based number of the first, fraction done) of each block, below the rows to skip."""
    seen = 0
    for rows, fraction in read_blocks(path, layout.encoding):
        skip = min(max(layout.skip_rows - seen, 0), len(rows))
        if skip < len(rows):
            yield rows[skip:], seen + skip + 1, fraction
        seen += len(rows)


def _check_fit(gathered: LogGatherer) -> None:
    """Raise EngineError when the log as a whole does not fit its layout."""
    name, layout, plan = gathered.name, gathered.layout, gathered.plan
    if plan is None:
        raise EngineError(
            f"The log {name} holds no readings below the rows that the layout passes over "
            f"({layout.skip_rows} rows to skip, header, comments). Check the layout, or download the log again."
        )
    unread = sorted(gathered.failed + gathered.blanked)
    unread_count = gathered.failed_count + gathered.blanked_count
    if unread_count * 10 > gathered.count and comma_decimals([t for _, t in unread], plan):
        row, text = unread[0]
        advice = "Set the decimal mark of the layout to ','."
        if layout.delimiter == ",":
            advice = "Export the log with another delimiter, such as ';', and decimal commas."
        raise EngineError(
            f"The numbers of {name} have decimal commas, but the layout says the decimal mark is '.' "
            f"(first in row {row}: {shorten(text)}). {advice}"
        )
    if unread_count == gathered.count:
        row, text = unread[0]
        raise EngineError(
            f"No row of {name} fits the layout{' ' + layout.name if layout.name else ''}: row {row} "
            f"{explain_row(text, plan)} ({shorten(text)}). Expected: {_expected(layout, plan.count)}. "
            "Check that the layout belongs to this log, or leave it out to have it found out. Where it was found out, "
            "correct such values in a copy of the log."
        )
    if layout.line_start and layout.one("line") is None and not gathered.openings:
        raise EngineError(
            f"No row of {name} opens a traverse: none fits the expression {layout.line_start!r} of the layout. "
            "Check line_start in the layout, or name the column that holds the line."
        )


def _expected(layout: LogLayout, count: int) -> str:
    how = "in fixed columns" if layout.widths else f"delimited by {layout.delimiter!r}"
    return f"{count} values {how}, decimal mark {layout.decimal!r}"


def _assemble(gathered: LogGatherer, grid: str) -> tuple[Readings, dict[str, Unusable]]:
    """Return the table, and by channel what of its values cannot be used."""
    layout, columns = gathered.layout, gathered.columns()
    opening = np.searchsorted([o.before for o in gathered.openings], columns["place"], side="right") - 1
    grids, codes = _grids(gathered, columns, opening, grid)
    line = columns["line"].astype(np.int32) if "line" in columns else _lines(gathered, opening)
    station = columns["station"] if "station" in columns else _count_stations(gathered, columns["place"], opening)
    run = columns["run"].astype(np.int32) if "run" in columns else number_runs(codes, line, opening, station)
    settled = {c.field: settle_overrange(columns[c.field], c.unit) for c in layout.columns if c.role == "channel"}
    settled = settle_together(settled)
    channels = {field: values for field, (values, _, _) in settled.items()}
    gone = np.all([np.isnan(values) for values in channels.values()], axis=0)
    beyond = gone & np.any([over for _, over, _ in settled.values()], axis=0)
    flag = np.where(beyond, flag_bit("overrange"), np.where(gone, flag_bit("missing"), 0))
    rows = columns["row"]
    unusable = {f: Unusable(rows[over], rows[bad], columns[f][over]) for f, (_, over, bad) in settled.items()}
    readings = Readings.build(
        line,
        channels,
        grids=grids,
        sources=(gathered.name,),
        grid=codes,
        run=run,
        row=columns["row"],
        station=station,
        time_s=_times(gathered, columns, opening),
        heading=_of_opening(gathered, "heading", opening, 0),
        flag=flag,
        extras=_extras(gathered, columns, opening),
        units={c.field: c.unit for c in layout.columns if c.role == "channel" and c.unit},
    )
    return readings, unusable


def _of_opening(gathered: LogGatherer, name: str, opening: np.ndarray, default: float) -> np.ndarray:
    """Return an attribute of each reading's opening row; ``default`` above the first one."""
    return np.array([*(getattr(o, name) for o in gathered.openings), default])[opening]


def _lines(gathered: LogGatherer, opening: np.ndarray) -> np.ndarray:
    if not gathered.openings:
        return np.ones(len(opening), np.int32)
    return _of_opening(gathered, "line", opening, 0)


def _count_stations(gathered: LogGatherer, place: np.ndarray, opening: np.ndarray) -> np.ndarray:
    since = place - _of_opening(gathered, "before", opening, 0)
    return _of_opening(gathered, "station", opening, np.nan) + _of_opening(gathered, "step", opening, 1.0) * since


def _grids(
    gathered: LogGatherer, columns: dict[str, np.ndarray], opening: np.ndarray, grid: str
) -> tuple[tuple[str, ...], np.ndarray]:
    """Return the names of the grids and the (n,) codes into them."""
    if "grid" in columns:
        names, codes = [name or grid for name in gathered.grids], columns["grid"]
    else:
        names = [o.grid or grid for o in gathered.openings] + [grid]
        codes = np.arange(len(names))[opening]
    used = list(dict.fromkeys(names[code] for code in dict.fromkeys(codes.tolist())))
    place = np.array([used.index(name) if name in used else 0 for name in names], np.int32)
    return tuple(used), place[codes]


def _times(gathered: LogGatherer, columns: dict[str, np.ndarray], opening: np.ndarray) -> np.ndarray:
    unknown = np.full(len(opening), np.nan)
    if "time" in columns:
        plan, seconds = gathered.plan, columns["time"]
        if plan is not None and any(p.form == "MM:SS" for p in plan.columns):
            seconds = over_full_hours(seconds)
        return since_first_midnight(seconds, columns.get("day", unknown))
    texts = [o.time.strip() for o in gathered.openings]
    if not any(texts):
        return unknown
    form = guess_time_format([t for t in texts if t])
    if form in NUMBER_FORMATS:
        points = [t.replace(",", ".") for t in texts]
        seconds = number_seconds(np.array([float(t) if is_number(t) else np.nan for t in points]), form)
        days = np.full(len(texts), np.nan)
    else:
        seconds, days, _ = parse_times(np.array(texts), form)
    known, first = np.unique(opening, return_index=True)
    first, known = first[known >= 0], known[known >= 0]
    unknown[first] = since_first_midnight(seconds, days)[known]
    return unknown


def _extras(gathered: LogGatherer, columns: dict[str, np.ndarray], opening: np.ndarray) -> dict[str, np.ndarray]:
    extras = {role: columns[role] for role in EXTRA_ROLES if role in columns}
    if "mark" in columns or gathered.layout.mark:
        mark = columns["mark"].copy() if "mark" in columns else np.zeros(len(columns["place"]))
        places, openings = np.array(gathered.marks, np.int64).reshape(-1, 2).T
        below = np.searchsorted(columns["place"], places)
        # Behind the last reading of a line, as where a line is stopped on the edge.
        behind = (below == len(mark)) | (np.append(opening, -1)[below] >= openings)
        mark[below[~behind]] = 1.0
        mark[below[behind & (below > 0)] - 1] += 2.0
        extras["mark"] = mark
    return extras
