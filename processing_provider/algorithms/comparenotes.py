"""Compare log with field notes."""

from __future__ import annotations

from typing import TYPE_CHECKING

from qgis.core import QgsProcessingFeedback

from ..base import Progress, SurveyAlgorithm
from ..parameters import NumberResult, ReadingsIn, TableIn, TableOut, YesNo
from ._scheme import SCHEME, one_grid

if TYPE_CHECKING:
    from ..values import Values


class CompareNotes(SurveyAlgorithm):
    NAME, LABEL, GROUP = "comparenotes", "Compare log with field notes", "Read"
    HELP_PAGE = "compare"
    SUMMARY = "Finds what in the log disagrees with notes or scheme, and possible mistakes in the readings themselves."
    HELP = (
        "<p>Run it on the evening of the survey, while a line can still be walked again. It also looks for possible "
        "mistakes in the readings themselves: lines that fit their neighbours only when they are turned round, moved "
        "or exchanged, lines walked twice, and readings lost by the logger. Nothing is changed.</p>"
    )
    TAGS = ("notes", "check", "missing", "field")
    PARAMETERS = (
        ReadingsIn("INPUT", "Readings", "A table of readings of one grid, as read from the log."),
        TableIn("NOTES", "Field notes", "A row a remark: line, run, start_station, stop_station, position_m, heading, "
                "kind, comment.", optional=True),
        *SCHEME,
        YesNo("CONFIRMED", "The log is read right", "Check the lines although stations or times look misread.",
              optional=True, advanced=True),
        TableOut("FINDINGS", "Findings", "What disagrees, what was expected, what to do."),
    )  # fmt: skip
    RESULTS = (NumberResult("WALK_AGAIN", "Lines to walk again", "How many lines must be walked again."),)

    def run_values(self, values: Values, progress: Progress, feedback: QgsProcessingFeedback) -> None:
        from ..engine.compare import compare_notes, grid_questioned, lines_in_error
        from ..engine.core import notes_for, notes_of_book, part_of, walk_again_count, with_registered_names
        from ..engine.geometry import local_frame
        from ..engine.mistakes import possible_mistakes
        from ..engine.place import place_readings

        readings, scheme = one_grid(values, feedback)
        noted, unreadable = notes_of_book(with_registered_names(values.notes[0], [scheme.grid]))
        notes = notes_for(noted, scheme.grid)
        findings = compare_notes(
            readings, scheme, notes, confirmed=values.confirmed, progress=part_of(progress, 0.0, 0.1)
        )
        if not grid_questioned(findings):
            placed = place_readings(readings, scheme, notes, local_frame())[0]
            searching = part_of(progress, 0.1, 1.0)
            possible = possible_mistakes(placed, scheme, notes, in_error=lines_in_error(findings), progress=searching)
            findings += [mistake.finding for mistake in possible]
        findings += unreadable
        values.write_findings("FINDINGS", findings)
        values.results["WALK_AGAIN"] = walk_again_count(findings)
        feedback.pushInfo(f"{len(findings)} findings, {values.results['WALK_AGAIN']} lines to walk again.")
