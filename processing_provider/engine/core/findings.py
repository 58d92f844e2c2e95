"""Findings: what disagrees, where, and what to do about it; and the table of every code that one can have."""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import Enum
from typing import Optional, Sequence

SEVERITIES = ("error", "warning", "note")
"""The worst first."""
ACTIONS = ("walk", "measure", "ask", "")
"""What a person does about a finding, the most work first: walk ground again, measure with a tape before anything else,
ask the books (notes, register, layout), or nothing."""
WALK_AGAIN = ("always", "sometimes", "never")


class Code(Enum):
    """Every code that a finding can have.

    Attributes
    ----------
    word : str
        The code as it stands in the findings table; programs rely on it.
    severities : tuple of str
        The severities that such a finding may have, the worst first.
    actions : tuple of str
        What a person may have to do about such a finding (words of ``ACTIONS``), the most common one first. In the
        table ``none`` stands for the empty word.
    meaning : str
        What it means, in one sentence.
    """

    word: str
    severities: tuple[str, ...]
    actions: tuple[str, ...]
    meaning: str

    # fmt: off
    # Reading the log.
    ROW_UNREADABLE = ("row-unreadable", "error", "none ask",
        "Rows of the log cannot be read by its layout; they are left out.")
    ROW_TRUNCATED = ("row-truncated", "warning", "ask",
        "The last row of the log breaks off; the log may not be complete.")
    OPENING_UNREADABLE = ("opening-unreadable", "error", "ask",
        "Rows look as if they opened a line, but cannot be read; their readings count to the line above.")
    LINE_EMPTY = ("line-empty", "warning", "ask walk",
        "A line is opened in the log, but no reading follows.")
    LINE_UNKNOWN = ("line-unknown", "warning", "ask",
        "Readings belong to no line that the log names.")
    VALUE_UNREADABLE = ("value-unreadable", "warning", "ask none",
        "Values of a channel cannot be read; they are blank, and the other values of their rows are used.")
    OVERRANGE = ("overrange", "warning", "none ask",
        "Values are marks of over-range, or more than any ground gives; they are blank and reach no map.")
    READINGS_MISSING = ("readings-missing", "note", "none ask",
        "Readings have no value in some channel; they are flagged as missing.")
    CHANNEL_RENAMED = ("channel-renamed", "note", "none",
        "The name of a channel cannot be a field beside the others; the channel has another one in the results.")

    # Comparing the log with the notes and the scheme.
    LAYOUT_QUESTIONED = ("layout-questioned", "error", "ask",
        "Lines, stations or times of the log look misread as a whole; the grid is left out until its layout is "
        "corrected or confirmed.")
    WRONG_LOG = ("wrong-log", "error", "ask",
        "Nothing in the log fits the grid, so it is probably another grid's.")
    LINE_MISSING = ("line-missing", "error", "walk ask",
        "Lines of the grid have no recording, or have it under another number.")
    LINE_OUTSIDE = ("line-outside", "error", "ask",
        "A line of the log is none of the grid's, and no note says what it is.")
    DUMMY_LIKELY = ("dummy-likely", "warning", "ask",
        "A recording at the beginning or the end of the log looks like a dummy, and no note says so.")
    LINE_TWICE = ("line-twice", "warning", "ask",
        "A line was recorded more than once, and no note says why.")
    LINE_ORDER = ("line-order", "warning", "ask",
        "A line was recorded out of its turn.")
    LINE_SHORT = ("line-short", "error", "walk ask",
        "Part of a line has no readings, and no obstacle is noted there.")
    LINE_LONG = ("line-long", "error warning", "ask none",
        "A line runs farther past its edge than the others.")
    READING_RATE = ("reading-rate", "error", "ask",
        "By count and times the log has another number of readings a metre than the register says.")
    START_STATION = ("start-station", "error warning", "ask measure",
        "Readings are enough for the line but miss an edge: the start station was probably not set.")
    DIRECTION = ("direction", "error warning", "ask none",
        "Lines were walked the other way than the pattern of the grid says.")
    STEP_SIGN = ("step-sign", "error warning", "ask walk",
        "The stations of a line count both ways, or against the way that it was walked.")
    STATION_JUMP = ("station-jump", "error warning note", "ask none",
        "The stations of a line do not count on by one: readings are lost, or the station has another unit.")
    PACE = ("pace", "warning", "ask none measure",
        "A line, or the grid, was walked at a speed that is not credible, or its times run backwards.")
    MARKS = ("marks", "error warning", "ask none",
        "A line has another number of fiducial marks than the others, or most lines have too few.")
    VALUES_MISSING = ("values-missing", "error note", "walk ask none",
        "Readings have no value: a few (note), a whole channel, or a long stretch of a line (error).")
    NOTE_WITHOUT_LINE = ("note-without-line", "warning", "ask",
        "A note is about a line or a recording that the log does not have.")
    NOTES_DIFFER = ("notes-differ", "error", "ask",
        "Rows of the notes about the same recording differ; the first one counts.")
    NOTE_UNREADABLE = ("note-unreadable", "error", "ask",
        "Rows of the notes cannot be read; the others are used.")
    NOTE_DISAGREES = ("note-disagrees", "warning note", "ask none",
        "The notes give another start, stop or heading of a line than the log; the notes count.")
    POSITION = ("position", "error warning", "ask measure",
        "A noted position is missing, outside the grid, that of another line, or not what the number says.")
    LINE_SKIPPED = ("line-skipped", "error warning", "measure ask walk",
        "A line was probably left out on the way, so that later lines lie one spacing farther than recorded: by the "
        "notes (error) or by the readings (warning).")

    # Placing.
    SETTING_CORRECTED = ("setting-corrected", "note", "none",
        "The stations of a line were counted anew, as the notes or the log's own heading say.")
    PACE_ENDS = ("pace-ends", "warning", "ask",
        "A line has not both ends noted or marked, so it is placed by the reading rate.")
    PACE_MARKS = ("pace-marks", "warning", "ask",
        "A line has not as many marks as the others, so it is placed by the reading rate.")
    LINE_UNPLACED = ("line-unplaced", "error", "ask",
        "The position of a line is not known; its readings are not used.")
    CORNER_RESIDUAL = ("corner-residual", "warning", "measure",
        "The surveyed corners do not form the grid.")
    CORNER_DISTANCE = ("corner-distance", "warning", "measure",
        "Two surveyed corners are not as far from each other as the grid is long or wide.")
    TWO_CORNERS = ("two-corners", "note", "measure",
        "Only two corners of the grid are known, so nothing checks them.")
    FULL_SCALE = ("full-scale", "warning", "none",
        "Readings of a channel stand at an end of its scale: the ground reads beyond them.")
    EXACT_FIT = ("exact-fit", "note", "none",
        "The grid was bent to go through its four corners, which hides a wrong one.")
    MIRRORED = ("mirrored", "warning note", "none measure",
        "The traverses lead off to the right of the baseline; a warning where those of other grids do not.")

    # What the readings show of a grid as a whole.
    GRID_TURNED = ("grid-turned", "error warning", "measure",
        "A grid fits its neighbours along their edges when it is mirrored or begins at another corner.")
    LOGS_EXCHANGED = ("logs-exchanged", "error warning", "ask",
        "Two grids fit their neighbours along their edges when they exchange logs.")

    # What the corrections find.
    INSTRUMENT_RESET = ("instrument-reset", "warning note", "ask none",
        "The level jumps between two lines or inside one: perhaps an edge of the ground, or taken off (note).")

    # Possible mistakes that the readings show.
    LINE_REVERSED = ("line-reversed", "warning", "ask measure",
        "A line fits its neighbours better when it is turned round.")
    LINE_SHIFTED = ("line-shifted", "warning", "ask measure",
        "A line fits its neighbours better when it is moved along the traverse.")
    LINES_SWAPPED = ("lines-swapped", "warning", "ask measure",
        "Two lines fit better in each other's position.")
    LINE_DOUBLED = ("line-doubled", "warning", "ask measure",
        "A line shows the ground of the line before it, and all later lines fit one spacing nearer.")
    LINE_AGAIN = ("line-again", "warning", "measure ask walk",
        "A line fits better on the ground of another line.")
    LINE_STRANGE = ("line-strange", "warning", "ask measure walk",
        "A line fits nowhere in the grid, or was read on one spot.")
    LINE_COPIED = ("line-copied", "error", "walk",
        "A line has the readings of another line, value by value.")
    READINGS_LOST = ("readings-lost", "error", "walk",
        "Readings were lost within a line, so that the rest of it lies wrong.")
    PROPOSAL_ACCEPTED = ("proposal-accepted", "note", "none walk",
        "A possible mistake was corrected as proposed, for its certainty was above the limit of the recipe.")

    # Where the survey lies.
    AXES_EXCHANGED = ("axes-exchanged", "error", "ask",
        "Easting and northing of corners are exchanged; the grids are left out until the corners are corrected.")
    CORNER_UNREADABLE = ("corner-unreadable", "error", "ask",
        "Rows of the corners cannot be read; the others are used.")
    CRS_AREA = ("crs-area", "warning", "ask",
        "The site lies outside the area for which its CRS is made.")
    CRS_SCALE = ("crs-scale", "warning", "ask",
        "Lengths in the CRS differ from those on the ground by more than 1 in 1,000.")
    SITE_FAR = ("site-far", "warning", "ask",
        "The site lies far from all other layers of the project.")
    GRID_FAR = ("grid-far", "error", "ask",
        "A grid lies so far from the others that it cannot be of the same survey; it is left out.")

    # The survey as a whole.
    GRID_FAILED = ("grid-failed", "error", "ask none",
        "A grid could not be processed; the others were finished without it.")
    CORNERS_WITHOUT_GRID = ("corners-without-grid", "warning", "ask",
        "Corners have the name of a grid that is not in the register.")
    NOTES_WITHOUT_GRID = ("notes-without-grid", "warning", "ask",
        "Notes have the name of a grid that is not in the register.")
    FIXED_GRID_FAILED = ("fixed-grid-failed", "warning", "none ask",
        "The grid that was to keep its level could not be placed; the mean of the grids was kept.")
    NOT_SEARCHED = ("not-searched", "warning", "none",
        "The search for possible mistakes in a grid has ended with a fault of the program.")
    NOT_INTERPOLATED = ("not-interpolated", "warning", "none",
        "A channel could not be mapped.")
    INPUT_CHANGED = ("input-changed", "warning", "none",
        "An input is not the file that the recipe was written for.")

    # fmt: on

    def __init__(self, word: str, severities: str, actions: str, meaning: str) -> None:
        self.word = word
        self.severities = tuple(severities.split())
        self.actions = tuple(action if action != "none" else "" for action in actions.split())
        self.meaning = meaning

    @property
    def walk_again(self) -> str:
        """``always``, ``sometimes`` or ``never``: whether ground must be walked again to mend such a finding."""
        if "walk" not in self.actions:
            return "never"
        return "always" if self.actions == ("walk",) else "sometimes"

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
        action: Optional[str] = None,
        also: Sequence[int] = (),
    ) -> Finding:
        """Return a finding with this code.

        ``severity`` is given where the table leaves a choice; empty stands for the first of the table. ``action`` None
        is what the advice begins with: Walk, Measure, Ask or anything else, which is nothing to do; where the table
        does not have that, its first.
        """
        if action is None:
            said = advice.partition(" ")[0].lower()
            said = said if said in ACTIONS else ""
            action = said if said in self.actions else self.actions[0]
        severity, more = severity or self.severities[0], tuple(also)
        return Finding(severity, self.word, found, expected, advice, grid, line, run, action, more)

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
        Sentences or values: what is there, what should be there, what to do. The first sentence of ``advice`` says what
        to do in at most twelve words, and begins with the verb of ``action``; why and how follow it.
    grid : str
        Name of the grid; empty when the finding concerns the whole file or survey.
    line, run : int or None
        Recorded number of the traverse and its recording; None when the finding is not about one line.
    action : str
        One of ``ACTIONS``.
    also : tuple of int
        Numbers of other lines that have the same cause; in no table.

    Raises
    ------
    ValueError
        When the table has no such code, or not with this severity or action.
    """

    severity: str
    code: str
    found: str
    expected: str = ""
    advice: str = ""
    grid: str = ""
    line: Optional[int] = None
    run: Optional[int] = None
    action: str = ""
    also: tuple[int, ...] = ()

    def __post_init__(self) -> None:
        code = Code.of(self.code)
        if self.severity not in code.severities:
            raise ValueError(f"Invalid severity {self.severity!r} of {self.code}. It must be one of {code.severities}.")
        if self.action not in code.actions:
            raise ValueError(f"Invalid action {self.action!r} of {self.code}. It must be one of {code.actions}.")

    @property
    def walk_again(self) -> bool:
        """Whether ground must be walked again to mend it."""
        return self.action == "walk"

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
    def urgency(self) -> tuple[bool, bool, int, str, int, int]:
        """Sorts findings: a questioned layout first, then what must be walked again, then severity, grid and line."""
        line, run = (-1 if number is None else number for number in (self.line, self.run))
        questioned = self.code == Code.LAYOUT_QUESTIONED.word
        return not questioned, not self.walk_again, SEVERITIES.index(self.severity), self.grid, line, run

    @property
    def text(self) -> str:
        """What to do, then the evidence: what was found, and what was expected instead."""
        expected = f"Expected: {self.expected}." if self.expected else ""
        return " ".join(part for part in (self.advice, self.found, expected) if part)

    def sentence(self) -> str:
        """Return the finding for people who do not see it in a table: where, then its text."""
        return f"{self.where}: {self.text}" if self.where else self.text

    def as_code(self, code: Code, advice: str) -> Finding:
        """Return the finding under another code, with that code's severity and with other advice.

        Ground that must be walked again stays so; any other action is that of the code.
        """
        action = self.action if self.walk_again else code.actions[0]
        return replace(self, code=code.word, severity=code.severities[0], advice=advice, action=action)


def questioned_layouts_first(findings: Sequence[Finding]) -> list[Finding]:
    """Return the findings in their order, but those about a questioned layout before all others."""
    return sorted(findings, key=lambda finding: finding.code != Code.LAYOUT_QUESTIONED.word)


FIELDS = ("grid", "line", "run", "severity", "code", "found", "expected", "advice", "walk_again", "action")


def finding_rows(findings: Sequence[Finding]) -> list[tuple]:
    """Return the findings as rows in the order of ``FIELDS``; ``walk_again`` as 0 or 1."""
    return [tuple(int(v) if isinstance(v, bool) else v for v in (getattr(f, n) for n in FIELDS)) for f in findings]


def walk_again_count(findings: Sequence[Finding]) -> int:
    """Return how many different traverses must be walked again (a finding without a line counts once a grid)."""
    return len({(f.grid, f.line) for f in findings if f.walk_again})
