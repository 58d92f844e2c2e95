"""Place readings on the ground."""

from __future__ import annotations

from typing import TYPE_CHECKING

from qgis.core import QgsProcessingFeedback

from ..base import Progress, SurveyAlgorithm
from ..parameters import Choice, Crs, NumberResult, ReadingsIn, ReadingsOut, TableIn, TableOut
from ._scheme import SCHEME, one_grid

if TYPE_CHECKING:
    from ..values import Values


class PlaceReadings(SurveyAlgorithm):
    NAME, LABEL, GROUP = "placereadings", "Place readings on the ground", "Place"
    HELP_PAGE = "place"
    SUMMARY = "Puts every reading of a grid on the map, from its line and station and the grid's corners."
    HELP = (
        "<p>A station stands for an interval and its reading lies in the middle of it, whichever way it was walked. "
        "What the notes say overrides the scheme for that line. Overrun, dummy, void and redone lines are flagged, not "
        "dropped.</p>"
    )
    TAGS = ("georeference", "corners", "grid", "trim", "overrun")
    PARAMETERS = (
        ReadingsIn("INPUT", "Readings", "A table of readings of one grid, as read from the log."),
        TableIn("CORNERS", "Corners", "Points, or a table with x and y or Easting and Northing: grid, corner (start, "
                "baseline, opposite, head). Two or more a grid."),
        TableIn("NOTES", "Field notes", "A row a remark; they override the scheme line by line.", optional=True),
        *SCHEME,
        Choice("FIT", "Fit to the corners", "Shift, turn and one scale (similarity); also shear (affine); through all "
               "four corners, which hides errors (exact).", words=("similarity", "affine", "exact"),
               default="similarity", advanced=True),
        Crs("TARGET_CRS", "CRS of the survey", "Projected, in metres. Empty = as the corners."),
        ReadingsOut("OUTPUT", "Placed readings", "Points; readings out of use carry a flag."),
        TableOut("FINDINGS", "Findings", "What disagrees between corners, notes and log, and what to do.",
                 optional=True),
    )  # fmt: skip
    RESULTS = (NumberResult("LARGEST_RESIDUAL", "Largest residual", "Of the corners, in metres."),)

    def run_values(self, values: Values, progress: Progress, feedback: QgsProcessingFeedback) -> None:
        from ..bridge.vector import site_findings, survey_corners
        from ..engine.core import EngineError, notes_of_book, part_of, text_of, with_registered_names
        from ..engine.geometry import fit_frame, usable_corners
        from ..engine.place import place_readings

        readings, scheme = one_grid(values, feedback)
        rows, target = survey_corners(values.corners, values.target_crs, values.context)
        all_corners, bad = usable_corners(with_registered_names(rows, [scheme.grid]))
        corners = [corner for corner in all_corners if corner.grid in ("", scheme.grid)]
        unusable = [sentence for grid in ("", scheme.grid) for sentence in bad.get(grid, ())]
        if unusable:
            raise EngineError(" ".join(unusable))
        given, crs, path = values.corners
        mine = [
            dict(row)
            for row in with_registered_names(given, [scheme.grid])
            if text_of(row, "grid") in ("", scheme.grid)
        ]
        site = site_findings((mine, crs, path), target, values.context.transformContext(), self.around)
        if any(f.severity == "error" for f in site):
            raise EngineError(" ".join(f.sentence() for f in site))
        said = [f.sentence() for f in site]
        try:
            frame = fit_frame(corners, scheme.length_m, scheme.width_m, fit=values.fit, grid=scheme.grid)
        except EngineError as error:
            raise EngineError(" ".join([*said, str(error)])) from error
        notes, unreadable = notes_of_book(with_registered_names(values.notes[0], [scheme.grid]))
        placed, record, findings = place_readings(readings, scheme, notes, frame)
        for corner, (x, y) in frame.residuals_m.items():
            feedback.pushInfo(f"Corner {corner}: fitted minus surveyed {x:+.3f} m east, {y:+.3f} m north")
        values.write_record(record, readings.units)
        values.write_readings("OUTPUT", placed, target, part_of(progress, 0.1, 1.0))
        values.write_findings("FINDINGS", [*site, *frame.findings, *unreadable, *findings])
        values.results["LARGEST_RESIDUAL"] = frame.largest_residual_m
