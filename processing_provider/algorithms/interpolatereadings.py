"""Interpolate readings to a raster."""

from __future__ import annotations

from typing import TYPE_CHECKING, Callable, Optional

from qgis.core import QgsCoordinateReferenceSystem, QgsProcessingFeedback, QgsRectangle

from ..base import Progress, SurveyAlgorithm
from ..parameters import Channel, Choice, Extent, Number, PointsIn, RasterOut

if TYPE_CHECKING:
    import numpy as np

    from ..engine.core import Readings
    from ..values import Values


class InterpolateReadings(SurveyAlgorithm):
    NAME, LABEL, GROUP = "interpolatereadings", "Interpolate readings to a raster", "Map"
    HELP_PAGE = "interpolate"
    SUMMARY = "Interpolates along each traverse, then across, onto a north-up raster; or from points anywhere."
    HELP = (
        "<p>Neighbouring grids in the layer continue each other, so seams do not show. Cells too far from a reading in "
        "use are nodata. Cell edges lie at whole multiples of the cell size, so all rasters of a survey fit.</p>"
        "<p>Cubic and sinc smooth along the traverses as far as the noise of single readings asks for, and never what "
        "is wider than about a metre; without noise the map goes through the readings. Linear always does.</p>"
    )
    TAGS = ("grid", "gridding", "map", "surface", "spline")
    PARAMETERS = (
        PointsIn("INPUT", "Readings", "Placed readings of one or several grids; any points for minimum curvature and "
                 "kriging."),
        Channel("CHANNEL", "Channel", "The channel to map."),
        Choice("METHOD", "Method", "Along the traverses and across them: splines (cubic), straight pieces (linear), or "
               "windowed sinc (band-limited). For points anywhere: minimum curvature or kriging.",
               words=("cubic", "linear", "sinc", "minimum curvature", "kriging"), default="cubic"),
        Number("CELL_SIZE", "Cell size", "Half the spacing of the traverses is common.", unit="m", default=0.25,
               minimum=0.001, maximum=1000),
        Number("MAX_GAP", "Largest gap", "Cells farther from a reading in use are nodata. Empty = 1.5 spacings: a "
               "missing line is bridged, an obstacle is not.", unit="m", optional=True, minimum=0.001, maximum=1e6),
        Extent("EXTENT", "Extent", "Empty = all readings in use."),
        RasterOut("OUTPUT", "Map", "GeoTIFF, north-up, nodata -9999."),
        RasterOut("STANDARD_ERROR", "Standard error", "From noise, corrections and distance to readings.",
                  optional=True),
    )  # fmt: skip

    def run_values(self, values: Values, progress: Progress, feedback: QgsProcessingFeedback) -> None:
        from ..bridge.style import from_zero
        from ..bridge.vector import check_metric_crs
        from ..engine.core import part_of
        from ..engine.geometry import Lattice
        from ..engine.interpolate import interpolate_readings

        readings, crs = values.input
        check_metric_crs(crs, "the readings", _used_places(readings))
        lattice = Lattice.covering(*_extent(readings, values.extent, crs), values.cell_size)
        result = interpolate_readings(
            readings,
            values.channel,
            lattice,
            method=values.method,
            max_gap_m=values.max_gap,
            progress=part_of(progress, 0.0, 0.8),
        )
        values.write_record(result.record, readings.units)
        unit, name = readings.units.get(values.channel, ""), values.channel
        values.write_map("OUTPUT", result.value_blocks, crs, unit=unit, name=name, progress=part_of(progress, 0.8, 0.9))
        if values.wants("STANDARD_ERROR"):
            name = f"{name} standard error"
            values.write_map(
                "STANDARD_ERROR", result.error_blocks, crs, unit=unit, name=name, look=from_zero,
                progress=part_of(progress, 0.9, 1.0),
            )  # fmt: skip


def _extent(
    readings: Readings,
    given: Optional[Callable[[QgsCoordinateReferenceSystem], QgsRectangle]],
    crs: QgsCoordinateReferenceSystem,
) -> tuple[float, float, float, float]:
    import numpy as np

    from ..engine.core import EngineError

    if given is not None:
        box = given(crs)
        return box.xMinimum(), box.yMinimum(), box.xMaximum(), box.yMaximum()
    places = _used_places(readings)
    if not len(places):
        raise EngineError("No reading is placed and in use. Run 'Place readings on the ground' first.")
    # The ground reaches half a spacing beyond the outer lines; cells without ground stay nodata.
    reach = max(np.ptp(part.u_m) / max(len(np.unique(part.u_m)) - 1, 1) for _, part in readings.by_grid())
    reach = reach if np.isfinite(reach) else 0.0
    return (*(places.min(axis=0) - reach), *(places.max(axis=0) + reach))


def _used_places(readings: Readings) -> np.ndarray:
    import numpy as np

    places = np.stack([readings.x, readings.y], axis=1)[readings.in_use]
    return places[np.isfinite(places).all(axis=1)]
