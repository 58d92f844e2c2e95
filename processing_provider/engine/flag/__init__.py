"""Outlying readings."""

from .outliers import flag_grids, flag_outliers

__all__ = ["flag_grids", "flag_outliers"]
