"""Vector layers and tables to and from arrays."""

from .crs import check_metric_crs, survey_corners
from .geopackage import readings_layer, rows_layer, write_geopackage
from .layers import (
    keep_units_in_file,
    label_units,
    read_readings,
    read_table,
    rows_sink_fields,
    write_lines,
    write_readings,
    write_rows,
)
from .notes_table import add_rows, rows_to_add
from .site import LayerExtent, extents_in_project, site_findings

__all__ = [
    "LayerExtent",
    "add_rows",
    "check_metric_crs",
    "extents_in_project",
    "keep_units_in_file",
    "label_units",
    "read_readings",
    "read_table",
    "readings_layer",
    "rows_layer",
    "rows_sink_fields",
    "rows_to_add",
    "site_findings",
    "survey_corners",
    "write_geopackage",
    "write_lines",
    "write_readings",
    "write_rows",
]
