"""Split regional and local response."""

from __future__ import annotations

from typing import TYPE_CHECKING

from qgis.core import QgsProcessingFeedback

from ..base import Progress, SurveyAlgorithm
from ..parameters import Number, RasterIn, RasterOut

if TYPE_CHECKING:
    from ..values import Values


class SplitResponse(SurveyAlgorithm):
    NAME, LABEL, GROUP = "splitresponse", "Split regional and local response", "Map"
    HELP_PAGE = "regional-local"
    SUMMARY = "Splits a map into its broad background and what stands out from it; the two add up to the map."
    HELP = (
        "<p>The background of a cell is a plane fitted to its neighbourhood with Gaussian weights: slopes do not bend "
        "at the edge of the survey or around holes, and steps do not ring. A feature much broader than the width "
        "vanishes from the local map, so look at both.</p>"
    )
    TAGS = ("filter", "high pass", "low pass", "background", "residual", "trend")
    PARAMETERS = (
        RasterIn("INPUT", "Map", "A raster in projected metres, north-up, such as an interpolated channel."),
        Number("WIDTH", "Width", "Features narrower than this stand out in the local response, broader ones belong to "
               "the regional. Half of a long strip of just this width goes to either.", unit="m", default=10,
               minimum=0.01, maximum=1e4),
        RasterOut("REGIONAL", "Regional response", "The broad background."),
        RasterOut("LOCAL", "Local response", "What stands out from it, around zero."),
    )  # fmt: skip

    def run_values(self, values: Values, progress: Progress, feedback: QgsProcessingFeedback) -> None:
        from ..bridge.raster import read_map
        from ..bridge.style import about_zero, channel_look
        from ..bridge.vector import check_metric_crs
        from ..engine.core import part_of
        from ..engine.geometry import BlockRaster, check_memory
        from ..engine.interpret import BYTES_A_CELL, split_response

        path, crs, layer = values.input
        check_metric_crs(crs, f"the raster {layer}")
        before, lattice, unit, name = read_map(path)
        check_memory(lattice.rows * lattice.cols, BYTES_A_CELL, lattice.cell_m)
        parts = split_response(before, lattice.cell_m, values.width, progress=part_of(progress, 0.0, 0.9))
        for output, begin, part, look in zip(("REGIONAL", "LOCAL"), (0.9, 0.95), parts, (channel_look, about_zero)):
            raster, said = BlockRaster.of(part, lattice), f"{name or layer} {output.lower()}"
            writing = part_of(progress, begin, begin + 0.05)
            values.write_map(output, raster, crs, unit=unit, name=said, look=look, progress=writing)
