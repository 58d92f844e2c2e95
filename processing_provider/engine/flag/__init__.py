"""Outlying readings."""

from .outliers import flag_outliers
from .record import FlagRecord

__all__ = ["FlagRecord", "flag_outliers"]
