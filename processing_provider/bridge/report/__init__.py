"""The report of a survey."""

from .cautions import CAUTIONS
from .html import ReportContent, ReportMap, write_report

__all__ = [
    "CAUTIONS",
    "ReportContent",
    "ReportMap",
    "write_report",
]
