"""Make a map sheet."""

from __future__ import annotations

from typing import TYPE_CHECKING

from qgis.core import QgsProcessingAlgorithm, QgsProcessingFeedback

from ..base import Progress, SurveyAlgorithm
from ..parameters import Choice, FileOut, LayersIn, PolygonsIn, Text, VectorsIn, YesNo

if TYPE_CHECKING:
    from ..values import Values


class MapSheet(SurveyAlgorithm):
    NAME, LABEL, GROUP = "mapsheet", "Make a map sheet", "Present"
    HELP_PAGE = "start"
    SUMMARY = "Puts maps on a page to scale, with coordinates, colours, what was done to the data, and cautions."
    HELP = (
        "<p>Maps that have a style keep it; others get one range of colours. In a project the sheet stays as a print "
        "layout, so it can be changed before it is printed again.</p>"
    )
    TAGS = ("print", "layout", "pdf", "plan", "scale", "figure")
    PARAMETERS = (
        LayersIn("INPUT", "Maps", "Rasters of one survey, one frame each; for several channels, one after the other."),
        LayersIn("COMPARE", "Maps as logged", "To stand beside the maps, in the same order and the same colours.",
                 optional=True),
        VectorsIn("OVERLAYS", "Plans on top", "Excavation plans, outlines, other surveys.", optional=True),
        PolygonsIn("GRIDS", "Grids", "Outlines of the grids, with a field grid.", optional=True),
        YesNo("EACH_GRID", "One page a grid", "Needs the grids."),
        Choice("SCALE", "Scale", "The largest round scale at which the ground fits, or a fixed one.",
               words=("fit", "1:250", "1:500", "1:1000"), default="fit"),
        Choice("PAPER", "Paper", "The page is turned as suits the ground.", words=("A4", "A3", "A2"), default="A3"),
        Text("SITE", "Name of the site", "Heads the sheet."),
        Text("TITLE", "Title", "What the sheet shows.", default="Electromagnetic survey"),
        FileOut("OUTPUT", "Sheet", "PDF, or PNG with 300 dots per inch.", kind="PDF (*.pdf);;PNG (*.png)"),
    )  # fmt: skip

    def flags(self) -> QgsProcessingAlgorithm.Flags:
        # Layouts and the project's layers belong to the main thread.
        return super().flags() | QgsProcessingAlgorithm.Flag.FlagNoThreading

    def run_values(self, values: Values, progress: Progress, feedback: QgsProcessingFeedback) -> None:
        from ..bridge.map_sheet import export, make_layout, sheet_of

        project, sheet, plan = sheet_of(values)
        layout = make_layout(project, sheet, plan)
        progress(0.2)
        written = export(layout, values.path("OUTPUT"))
        feedback.pushInfo(f"1:{plan.scale}: {', '.join(path.name for path in written)}")
        if values.context.project() is project:
            project.layoutManager().addLayout(layout)
