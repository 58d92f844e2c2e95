"""Findings: what disagrees, where, and what to do about it; and the table of every code that one can have."""

from __future__ import annotations

from dataclasses import astuple, dataclass, fields, replace
from enum import Enum
from typing import Optional

SEVERITIES = ("error", "warning", "note")
"""The worst first."""
WALK_AGAIN = ("always", "sometimes", "never")


class Code(Enum):
    """Every code that a finding can have.

    Attributes
    ----------
    word : str
        The code as it stands in the findings table; programs rely on it.
    severities : tuple of str
        The severities that such a finding may have, the worst first.
    walk_again : str
        ``always``, ``sometimes`` or ``never``: whether ground must be walked again to mend it.
    meaning : str
        What it means, in one sentence.
    """

    word: str
    severities: tuple[str, ...]
    walk_again: str
    meaning: str

    # fmt: off
    # Reading the log.
    ROW_UNREADABLE = ("row-unreadable", "error", "never",
        "Rows of the log cannot be read by its layout; they are left out.")
    ROW_TRUNCATED = ("row-truncated", "warning", "never",
        "The last row of the log breaks off; the log may not be complete.")
    OPENING_UNREADABLE = ("opening-unreadable", "error", "never",
        "Rows look as if they opened a line, but cannot be read; their readings count to the line above.")
    LINE_EMPTY = ("line-empty", "warning", "never",
        "A line is opened in the log, but no reading follows.")
    LINE_UNKNOWN = ("line-unknown", "warning", "never",
        "Readings belong to no line that the log names.")
    READINGS_MISSING = ("readings-missing", "note", "never",
        "Readings have no value in some channel; they are flagged as missing.")

    # Comparing the log with the notes and the scheme.
    WRONG_LOG = ("wrong-log", "error", "never",
        "Nothing in the log fits the grid, so it is probably another grid's.")
    LINE_MISSING = ("line-missing", "error", "always",
        "A line of the grid has no recording.")
    LINE_OUTSIDE = ("line-outside", "error", "never",
        "A line of the log is none of the grid's, and no note says what it is.")
    DUMMY_LIKELY = ("dummy-likely", "warning", "never",
        "A recording at the beginning or the end of the log looks like a dummy, and no note says so.")
    LINE_TWICE = ("line-twice", "warning", "never",
        "A line was recorded more than once, and no note says why.")
    LINE_ORDER = ("line-order", "warning", "never",
        "A line was recorded out of its turn.")
    LINE_SHORT = ("line-short", "error note", "sometimes",
        "Part of a line has no readings; a note where the notes explain it.")
    LINE_LONG = ("line-long", "warning", "never",
        "A line runs farther past its edge than the others.")
    START_STATION = ("start-station", "error", "never",
        "A line has enough readings but misses an edge: its start station was probably not set.")
    DIRECTION = ("direction", "error", "never",
        "Lines were walked the other way than the pattern of the grid says.")
    STEP_SIGN = ("step-sign", "error warning", "sometimes",
        "The stations of a line count both ways, or against the way that it was walked.")
    STATION_JUMP = ("station-jump", "error warning", "sometimes",
        "The stations of a line do not count on by one: readings are lost, or the station has another unit.")
    PACE = ("pace", "warning", "never",
        "A line, or the grid, was walked at a speed that is not credible, or its times run backwards.")
    MARKS = ("marks", "error warning", "never",
        "A line has another number of fiducial marks than the others, or most lines have too few.")
    VALUES_MISSING = ("values-missing", "error note", "sometimes",
        "Readings have no value: a few (note), a whole channel, or a long stretch of a line (error).")
    NOTE_WITHOUT_LINE = ("note-without-line", "warning", "never",
        "A note is about a line or a recording that the log does not have.")
    NOTE_DISAGREES = ("note-disagrees", "warning note", "never",
        "The notes give another start, stop or heading of a line than the log; the notes count.")
    POSITION = ("position", "error warning", "never",
        "A noted position is missing, outside the grid, that of another line, or not what the number says.")
    LINE_SKIPPED = ("line-skipped", "error warning", "sometimes",
        "A line was probably left out on the way, so that later lines lie one spacing farther than recorded: by the "
        "notes (error) or by the readings (warning).")

    # Placing.
    SETTING_CORRECTED = ("setting-corrected", "note", "never",
        "The stations of a line were counted anew, as the notes or the log's own heading say.")
    PACE_ENDS = ("pace-ends", "warning", "never",
        "A line has not both ends noted or marked, so it is placed by the reading rate.")
    PACE_MARKS = ("pace-marks", "warning", "never",
        "A line has not as many marks as the others, so it is placed by the reading rate.")
    LINE_UNPLACED = ("line-unplaced", "error", "never",
        "The position of a line is not known; its readings are not used.")
    CORNER_RESIDUAL = ("corner-residual", "warning", "never",
        "The surveyed corners do not form the grid.")
    CORNER_DISTANCE = ("corner-distance", "warning", "never",
        "Two surveyed corners are not as far from each other as the grid is long or wide.")
    TWO_CORNERS = ("two-corners", "note", "never",
        "Only two corners of the grid are known, so nothing checks them.")
    EXACT_FIT = ("exact-fit", "note", "never",
        "The grid was bent to go through its four corners, which hides a wrong one.")
    MIRRORED = ("mirrored", "note", "never",
        "The traverses lead off to the right of the baseline.")

    # Possible mistakes that the readings show.
    LINE_REVERSED = ("line-reversed", "warning", "never",
        "A line fits its neighbours better when it is turned round.")
    LINE_SHIFTED = ("line-shifted", "warning", "never",
        "A line fits its neighbours better when it is moved along the traverse.")
    LINES_SWAPPED = ("lines-swapped", "warning", "never",
        "Two lines fit better in each other's position.")
    LINE_DOUBLED = ("line-doubled", "warning", "never",
        "A line shows the ground of the line before it, and all later lines fit one spacing nearer.")
    LINE_AGAIN = ("line-again", "warning", "never",
        "A line fits better on the ground of another line.")
    LINE_STRANGE = ("line-strange", "warning", "never",
        "A line fits nowhere in the grid, or was read on one spot.")
    LINE_COPIED = ("line-copied", "error", "always",
        "A line has the readings of another line, value by value.")
    READINGS_LOST = ("readings-lost", "error", "always",
        "Readings were lost within a line, so that the rest of it lies wrong.")
    PROPOSAL_ACCEPTED = ("proposal-accepted", "note", "sometimes",
        "A possible mistake was corrected as proposed, for its certainty was above the limit of the recipe.")

    # The survey as a whole.
    GRID_FAILED = ("grid-failed", "error", "never",
        "A grid could not be processed; the others were finished without it.")
    CORNERS_WITHOUT_GRID = ("corners-without-grid", "warning", "never",
        "Corners have the name of a grid that is not in the register.")
    NOTES_WITHOUT_GRID = ("notes-without-grid", "warning", "never",
        "Notes have the name of a grid that is not in the register.")
    FIXED_GRID_FAILED = ("fixed-grid-failed", "warning", "never",
        "The grid that was to keep its level could not be placed; the mean of the grids was kept.")
    NOT_INTERPOLATED = ("not-interpolated", "warning", "never",
        "A channel could not be mapped.")
    INPUT_CHANGED = ("input-changed", "warning", "never",
        "An input is not the file that the recipe was written for.")

    # fmt: on

    def __init__(self, word: str, severities: str, walk_again: str, meaning: str) -> None:
        self.word = word
        self.severities = tuple(severities.split())
        self.walk_again = walk_again
        self.meaning = meaning

    def finding(
        self,
        found: str,
        expected: str = "",
        advice: str = "",
        *,
        severity: str = "",
        grid: str = "",
        line: Optional[int] = None,
        run: Optional[int] = None,
        walk_again: Optional[bool] = None,
    ) -> Finding:
        """Return a finding with this code.

        ``severity`` and ``walk_again`` are given where the table leaves a choice; empty and None stand for the first
        severity of the table, and for walking again where it is always so.
        """
        again = self.walk_again == "always" if walk_again is None else walk_again
        return Finding(severity or self.severities[0], self.word, found, expected, advice, grid, line, run, again)

    @classmethod
    def of(cls, word: str) -> Code:
        """Return the row of the table by its word.

        Raises
        ------
        ValueError
            When the table has no such code.
        """
        for code in cls:
            if code.word == word:
                return code
        raise ValueError(f"Invalid code {word!r}. It must be one of: {', '.join(code.word for code in cls)}.")


@dataclass(frozen=True)
class Finding:
    """One disagreement, as a person reads it in the findings table.

    Attributes
    ----------
    severity : str
        ``error`` (readings cannot be used or are in the wrong place), ``warning`` (look at it) or ``note``.
    code : str
        Stable word for programs, such as ``line-missing``; ``Code`` lists all of them.
    found, expected, advice : str
        Sentences or values: what is there, what should be there, what to do.
    grid : str
        Name of the grid; empty when the finding concerns the whole file or survey.
    line, run : int or None
        Recorded number of the traverse and its recording; None when the finding is not about one line.
    walk_again : bool
        True when the ground must be walked again to mend it.

    Raises
    ------
    ValueError
        When the table has no such code, or not with this severity.
    """

    severity: str
    code: str
    found: str
    expected: str = ""
    advice: str = ""
    grid: str = ""
    line: Optional[int] = None
    run: Optional[int] = None
    walk_again: bool = False

    def __post_init__(self) -> None:
        code = Code.of(self.code)
        if self.severity not in code.severities:
            raise ValueError(f"Invalid severity {self.severity!r} of {self.code}. It must be one of {code.severities}.")
        if self.walk_again and code.walk_again == "never" or not self.walk_again and code.walk_again == "always":
            raise ValueError(
                f"Invalid walk_again {self.walk_again} of {self.code}. Ground is {code.walk_again} walked again for it."
            )

    @property
    def where(self) -> str:
        """Grid, line and recording that it is about, such as ``Grid A, line 7 (recording 2)``; empty for the survey."""
        where = f"grid {self.grid}" if self.grid else ""
        if self.line is not None:
            where += f"{', ' if where else ''}line {self.line}"
            if self.run not in (None, 1):
                where += f" (recording {self.run})"
        return where[:1].upper() + where[1:]

    @property
    def urgency(self) -> tuple[bool, int, str, int, int]:
        """Sorts findings: those for which ground must be walked again first, then by severity, grid and line."""
        line, run = (-1 if number is None else number for number in (self.line, self.run))
        return not self.walk_again, SEVERITIES.index(self.severity), self.grid, line, run

    @property
    def text(self) -> str:
        """What to do, then the evidence: what was found, and what was expected instead."""
        expected = f"Expected: {self.expected}." if self.expected else ""
        return " ".join(part for part in (self.advice, self.found, expected) if part)

    def sentence(self) -> str:
        """Return the finding for people who do not see it in a table: where, then its text."""
        return f"{self.where}: {self.text}" if self.where else self.text

    def as_code(self, code: Code, advice: str) -> Finding:
        """Return the finding under another code, with that code's severity and with other advice."""
        return replace(self, code=code.word, severity=code.severities[0], advice=advice)


FIELDS = ("grid", "line", "run", "severity", "code", "found", "expected", "advice", "walk_again")


def finding_rows(findings: list[Finding]) -> list[tuple]:
    """Return the findings as rows in the order of ``FIELDS``; ``walk_again`` as 0 or 1."""
    order = [[f.name for f in fields(Finding)].index(name) for name in FIELDS]
    rows = []
    for finding in findings:
        values = astuple(finding)
        row = [values[i] for i in order]
        row[-1] = int(row[-1])
        rows.append(tuple(row))
    return rows


def walk_again_count(findings: list[Finding]) -> int:
    """Return how many different traverses must be walked again (a finding without a line counts once a grid)."""
    return len({(f.grid, f.line) for f in findings if f.walk_again})
