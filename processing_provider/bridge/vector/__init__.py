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

__all__ = [
    "check_metric_crs",
    "keep_units_in_file",
    "label_units",
    "read_readings",
    "read_table",
    "readings_layer",
    "rows_layer",
    "rows_sink_fields",
    "survey_corners",
    "write_geopackage",
    "write_lines",
    "write_readings",
    "write_rows",
]
