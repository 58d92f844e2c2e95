"""Read traverse log."""

from __future__ import annotations

from dataclasses import astuple
from pathlib import Path
from typing import TYPE_CHECKING

from qgis.core import QgsCoordinateReferenceSystem, QgsProcessingFeedback

from ..base import Progress, SurveyAlgorithm
from ..parameters import FileIn, FileOut, FilesIn, ReadingsOut, TableOut, Text

if TYPE_CHECKING:
    from ..values import Values

TRAVERSE_FIELDS = {
    "grid": str, "line": int, "run": int, "readings": int, "first_station": float, "last_station": float,
    "start_s": float, "duration_s": float, "heading": int,
}  # fmt: skip


class ReadLog(SurveyAlgorithm):
    NAME, LABEL, GROUP = "readlog", "Read traverse log", "Read"
    HELP_PAGE = "read"
    SUMMARY = "Reads the text log of an instrument into a table of readings; detects its layout where none is given."
    HELP = (
        "<p>Without a layout the log's own is detected: delimiter, decimal mark, header and the role of each column. "
        "The log of the run names what was detected. A row that cannot be read becomes a finding; the others are "
        "read.</p>"
        "<p>'See the layout ...' shows the first rows of the log, what each column is taken for, and the lines; there "
        "the layout can be changed and kept.</p>"
    )
    TAGS = ("log", "import", "text", "logger", "traverse")
    PARAMETERS = (
        FilesIn("LOG", "Logs", "Text files as the logger wrote them. They are not changed."),
        FileIn("LAYOUT", "Layout of the log", "A layout as this algorithm writes it; found out when left empty.",
               optional=True, extension="json", widget="plugin.log_layout.layout_parameter.LayoutParameter"),
        Text("GRID", "Grid", "Name of the grid that was walked, where the log does not name it.", optional=True),
        ReadingsOut("OUTPUT", "Readings", "A row a reading, in the order of the log; not placed yet.", places=False),
        TableOut("TRAVERSES", "Traverses", "A row a recorded line: its readings, stations and times.", optional=True),
        TableOut("FINDINGS", "Findings", "Rows that could not be read, and why.", optional=True),
        FileOut("DETECTED_LAYOUT", "Layout that was used", "Keep it beside the logs, or mend it and give it back.",
                optional=True),
    )  # fmt: skip

    def run_values(self, values: Values, progress: Progress, feedback: QgsProcessingFeedback) -> None:
        from ..engine.core import part_of, read_text, whole_file
        from ..engine.logs import layout_from_json, layout_to_json, read_log, traverses_of
        from ..engine.workflow import join_logs

        layout = None
        if values.layout:
            text, name = read_text(values.layout, "layout"), Path(values.layout).name
            layout = layout_from_json(text, name, progress=progress)
        results, reading = [], part_of(progress, 0.0, 0.3)
        for number, path in enumerate(values.log):
            step = part_of(reading, number / len(values.log), (number + 1) / len(values.log))
            results.append(read_log(path, layout, grid=values.grid, progress=step))
        for remark in dict.fromkeys(r for result in results for r in result.remarks):
            feedback.pushInfo(remark)
        for result in results:
            feedback.pushInfo(result.sentence())
        readings = join_logs([result.readings for result in results])
        values.write_readings("OUTPUT", readings, QgsCoordinateReferenceSystem(), part_of(progress, 0.3, 1.0))
        values.write_rows("TRAVERSES", TRAVERSE_FIELDS, [astuple(traverse) for traverse in traverses_of(readings)])
        values.write_findings("FINDINGS", [f for result in results for f in result.findings])
        if values.wants("DETECTED_LAYOUT"):
            with whole_file(values.path("DETECTED_LAYOUT"), "layout") as temporary:
                temporary.write_text(layout_to_json(results[0].layout), "utf-8")
