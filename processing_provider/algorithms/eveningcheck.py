"""Check the day's survey."""

from __future__ import annotations

from typing import TYPE_CHECKING

from qgis.core import QgsProcessingFeedback

from ..base import Progress, SurveyAlgorithm
from ..parameters import Crs, FileOut, LinesOut, NumberResult, TableOut
from ._survey import SURVEY, log_folder

if TYPE_CHECKING:
    from ..values import Values


class EveningCheck(SurveyAlgorithm):
    NAME, LABEL, GROUP = "eveningcheck", "Check the day's survey", "Survey"
    HELP_PAGE = "evening"
    SUMMARY = (
        "Says which lines to walk again, what to measure and what to ask, with a sheet for the crew; makes no maps."
    )
    HELP = (
        "<p>All grids of the register are read and held against the notes and against themselves. Run it on the "
        "evening of the survey, or in the field. The sheet has a page a grid; the lines to walk come as a layer, as a "
        "GPX file to find the place, and as rows for the notes. Nothing is corrected, and no input is changed.</p>"
    )
    TAGS = ("check", "notes", "missing", "field", "again", "sheet", "gpx")
    PARAMETERS = (
        *SURVEY,
        Crs("TARGET_CRS", "CRS of the survey", "Projected, in metres. Empty = as the corners."),
        TableOut("FINDINGS", "Findings", "What disagrees, what was expected, what to do.", optional=True),
        LinesOut("AGAIN_LINES", "Lines to walk", "A line from start to end for each, sound neighbours and ties too.",
                 optional=True),
        TableOut("REDO_ROWS", "Rows for the notes", "The lines to walk as rows of the notes; fill in the stations and "
                 "add them when the lines are walked.", optional=True),
        FileOut("SHEET", "Re-walk sheet", "A page a grid: walk, measure, ask the books, a sketch.", optional=True,
                kind="PDF (*.pdf)"),
        FileOut("GPX", "GPX file", "Starts and lines in WGS 84, for finding the place, not for pegs.", optional=True,
                kind="GPX (*.gpx)"),
    )  # fmt: skip
    RESULTS = (NumberResult("WALK_AGAIN", "Lines to walk again", "How many lines must be walked again."),)

    def run_values(self, values: Values, progress: Progress, feedback: QgsProcessingFeedback) -> None:
        from ..bridge.vector import site_findings, survey_corners
        from ..engine.core import Code, EngineError, part_of, questioned_layouts_first, walk_again_count
        from ..engine.workflow import first_sentence, gather_sources, plan_rewalk, read_grids, with_whole_grids

        folder, register = log_folder(values), values.register[0]
        corners, crs = survey_corners(values.corners, values.target_crs, values.context)
        site = site_findings(values.corners, crs, values.context.transformContext(), self.around)
        sources = gather_sources(register, corners, values.notes[0], folder, site, progress=progress)
        values.keep(sources.files)
        reading, searching = part_of(progress, 0.0, 0.9), part_of(progress, 0.9, 1.0)
        results = with_whole_grids(list(read_grids(sources.grids, sources.notes, progress=reading)), searching)
        findings = questioned_layouts_first([*sources.findings, *(f for result in results for f in result.findings)])
        unread = [*sources.failed, *(result.grid for result in results if result.problem)]
        if len(unread) == len(results) + len(sources.failed):
            errors = [f.sentence() for f in sources.findings if f.severity != "note"] + [r.problem for r in results]
            raise EngineError(" ".join(["No grid could be checked.", *errors]))
        sentence = first_sentence(findings, unread)
        # A row of its own where progress is written as text: what follows takes no time.
        progress(1.0)
        feedback.pushInfo(sentence)
        for finding in findings:
            if finding.code == Code.LAYOUT_QUESTIONED.word:
                feedback.pushWarning(finding.sentence())
        values.results["WALK_AGAIN"] = walk_again_count(findings)
        values.write_findings("FINDINGS", findings)
        self._write_plans(values, plan_rewalk(results, findings, sources.notes), crs, folder.resolve().name, sentence)

    def _write_plans(self, values: Values, plans: list, crs: object, site: str, sentence: str) -> None:
        from ..engine.workflow import AGAIN_COLUMNS, REDO_COLUMNS, again_rows, redo_rows

        values.write_lines("AGAIN_LINES", AGAIN_COLUMNS, again_rows(plans), crs)
        values.write_rows("REDO_ROWS", REDO_COLUMNS, redo_rows(plans))
        if values.wants("SHEET"):
            from ..bridge.rewalk_sheet import write_sheet

            write_sheet(values.path("SHEET"), plans, site, sentence)
        if values.wants("GPX"):
            from ..bridge.rewalk_sheet import write_gpx

            write_gpx(values.path("GPX"), plans, crs, values.context)
