"""Process a survey register."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from qgis.core import QgsCoordinateReferenceSystem, QgsProcessingFeedback

from ..base import Progress, SurveyAlgorithm
from ..parameters import Crs, FileIn, FolderOut, Number, NumberResult, ReportResult, Text
from ._survey import SURVEY, log_folder

if TYPE_CHECKING:
    from ..values import Values


class ProcessRegister(SurveyAlgorithm):
    NAME, LABEL, GROUP = "processregister", "Process a survey register", "Survey"
    HELP_PAGE = "start"
    SUMMARY = "Takes a whole survey from raw logs to maps, report and project in one run."
    HELP = (
        "<p>All grids are read, compared with the notes, placed, corrected and interpolated as neighbours of each "
        "other. A grid that fails is explained and counted; the others are finished. The recipe that is written "
        "repeats the run.</p>"
    )
    TAGS = ("batch", "site", "report", "map", "all")
    PARAMETERS = (
        *SURVEY,
        FileIn("RECIPE", "Recipe", "A recipe.json of an earlier run; the default corrections when left empty.",
               optional=True, extension="json"),
        Text("CHANNELS", "Channels", "Names separated by semicolons; all when left empty.", optional=True),
        Number("CELL_SIZE", "Cell size", "Half the smallest spacing, or as the recipe says, when left empty.", unit="m",
               optional=True, minimum=0.001, maximum=1000),
        Crs("TARGET_CRS", "CRS of the survey", "Projected, in metres. Empty = as in the recipe, or as the corners."),
        FolderOut("OUTPUT_FOLDER", "Output folder", "Maps, survey.gpkg, report, recipe and project are written here."),
    )  # fmt: skip
    RESULTS = (
        NumberResult("GRIDS_DONE", "Grids done", "How many grids are on the map."),
        NumberResult("GRIDS_FAILED", "Grids failed", "How many are not; the findings say why."),
        NumberResult("WALK_AGAIN", "Lines to walk again", "How many lines must be walked again."),
        ReportResult("REPORT", "Report", "Path of report.html."),
    )

    def run_values(self, values: Values, progress: Progress, feedback: QgsProcessingFeedback) -> None:
        from ..bridge.project import load_when_done, names_known_before, staging, write_survey
        from ..bridge.vector import site_findings, survey_corners
        from ..engine.core import part_of, read_text, scratch_folder, walk_again_count
        from ..engine.workflow import (
            changed_inputs,
            default_recipe,
            file_facts,
            gather_sources,
            parse_recipe,
            process_survey,
        )

        folder, (register, _, register_path) = log_folder(values), values.register
        recipe = default_recipe()
        if values.recipe:
            recipe = parse_recipe(read_text(values.recipe, "recipe"), where=values.recipe.name)
        wanted = values.target_crs if values.target_crs.isValid() else QgsCoordinateReferenceSystem(recipe.target_crs)
        corners, target = survey_corners(values.corners, wanted, values.context)
        notes, _, notes_path = values.notes
        site_said = site_findings(values.corners, target, values.context.transformContext(), self.around)
        sources = gather_sources(register, corners, notes, folder, site_said, progress=progress)
        paths = [p for p in (register_path, values.corners[2], notes_path) if p] + list(sources.files)
        inputs = [file_facts(path, folder) for path in dict.fromkeys(paths)]
        channels = [c.strip() for c in values.channels.split(";") if c.strip()]
        options = {"channels": channels, "cell_size_m": values.cell_size, "progress": part_of(progress, 0.0, 0.75)}
        site = folder.resolve().name
        staged = staging(values.output_folder, paths, names_known_before(sources))
        with staged as stage, scratch_folder(stage) as scratch:
            result = process_survey(sources, recipe, scratch=scratch, **options)
            result = replace(result, findings=(*result.findings, *changed_inputs(recipe, inputs)))
            layers = write_survey(stage, result, target, site, inputs, part_of(progress, 0.75, 1.0))
        moved = [replace(la, uri=la.uri.replace(str(stage), str(values.output_folder))) for la in layers]
        load_when_done(values.context, moved)
        for remark in dict.fromkeys(r for grid in result.results for r in grid.remarks):
            feedback.pushInfo(remark)
        for record in result.records:
            values.write_record(record, result.placed.units)
        for finding in result.findings:
            (feedback.pushInfo if finding.severity == "note" else feedback.pushWarning)(finding.sentence())
        values.results.update(
            GRIDS_DONE=len(result.done),
            GRIDS_FAILED=len(result.failed),
            WALK_AGAIN=walk_again_count(list(result.findings)),
            REPORT=str(values.output_folder / "report.html"),
            OUTPUT_FOLDER=str(values.output_folder),
        )
