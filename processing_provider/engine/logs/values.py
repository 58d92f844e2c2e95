"""Columns as read to values as meant: missing marks, units, whole line numbers, times, marks and grid codes."""

from __future__ import annotations

import numpy as np

from .fields import Plan, Planned, is_number, without_minutes
from .layout import LogLayout
from .recordings import LARGEST_WHOLE
from .timestamps import number_seconds, parse_dates, parse_times, runs_of_equals

UNMARKED = ("", "0", "0.0", "-", "no", "n", "false", "nan")


def finish_columns(
    columns: dict[str, np.ndarray], plan: Plan, grids: dict[str, int]
) -> tuple[dict[str, np.ndarray], np.ndarray]:
    """Return the values of a block by field, and (n,) bool which rows make sense.

    Parameters
    ----------
    columns : dict of (n,) arrays
        As ``parse_rows`` gives them.
    plan : Plan
    grids : dict of int
        Codes of the grids met so far; new ones are added.

    Returns
    -------
    values : dict of (n,) arrays
        By field; a time becomes ``time`` in seconds and, where there are dates, ``day``.
    good : (n,) bool
    """
    values: dict[str, np.ndarray] = {}
    good = np.ones(len(next(iter(columns.values()))), bool)
    for planned in plan.columns:
        found, role = columns[planned.field], planned.column.role
        if role in ("time", "date"):
            good &= ~_add_times(values, found, planned, plan)
        elif role == "mark":
            values["mark"] = _is_marked(found)
        elif role == "grid":
            values["grid"] = _grid_codes(_without_missing(found, plan.layout), grids)
        elif role in ("line", "run"):
            values[role] = found
            good &= (np.abs(found) < LARGEST_WHOLE) & (found == np.floor(found))
        else:
            known = number_or_nan(found, plan.layout, role == "station")
            known = without_minutes(known) if planned.form == "ddmm" else known
            values[planned.field] = known * planned.column.factor + planned.column.offset
            if role == "station":
                good &= ~np.isinf(found)
            if role == "channel":
                values[planned.field] = np.where(np.isinf(found), found, values[planned.field])
    for field in [p.field for p in plan.columns if p.column.role == "time_part" and "time" in values]:
        values["time"] = values["time"] + values.pop(field)
    return values, good


def number_or_nan(values: np.ndarray, layout: LogLayout, counts: bool = False) -> np.ndarray:
    """Return (n,) numbers, NaN where they equal a missing mark or are infinite.

    Numbers that count may come to a mark such as -1, which then is no mark: others are a step from it.
    """
    gone = ~np.isfinite(values)
    steps = np.abs(np.diff(values[~gone]))
    step = float(np.median(steps[steps > 0])) if counts and np.any(steps > 0) else 0.0
    for mark in map(float, filter(is_number, layout.missing)):
        if not step or np.all(np.abs(values[~gone & (values != mark)] - mark) > step):
            gone |= values == mark
    return np.where(gone, np.nan, values)


def _without_missing(texts: np.ndarray, layout: LogLayout) -> np.ndarray:
    return np.where(np.isin(texts, layout.missing), "", texts) if layout.missing else texts


def _add_times(values: dict[str, np.ndarray], found: np.ndarray, planned: Planned, plan: Plan) -> np.ndarray:
    """Add ``time`` or ``day`` to the values; return which rows hold something else."""
    if planned.column.role == "date":
        values["day"], bad = parse_dates(_without_missing(found, plan.layout), planned.form)
        return bad
    if not planned.is_text:
        known = number_or_nan(found, plan.layout)
        values["time"] = number_seconds(known, planned.form)
        return np.isfinite(known) & np.isnan(values["time"])
    values["time"], days, bad = parse_times(
        _without_missing(found, plan.layout), planned.form, plan.date_form, plan.zone
    )
    if planned.form not in ("HH:MM:SS", "MM:SS"):
        values.setdefault("day", days)
    return bad


def _is_marked(texts: np.ndarray) -> np.ndarray:
    starts, run = runs_of_equals(texts)
    return np.array([float(str(t).strip().lower() not in UNMARKED) for t in texts[starts]])[run]


def _grid_codes(texts: np.ndarray, grids: dict[str, int]) -> np.ndarray:
    starts, run = runs_of_equals(texts)
    return np.array([grids.setdefault(str(t), len(grids)) for t in texts[starts]], np.int32)[run]
