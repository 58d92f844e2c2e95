"""What the steps of the processing found, in sentences for the report."""

from __future__ import annotations

from typing import Mapping

import numpy as np


def sentences_of(record: Mapping, units: Mapping[str, str]) -> list[str]:
    """Return sentences about the record of a step; none for a step whose figures say it all.

    Parameters
    ----------
    record : mapping
        As a correction returns it.
    units : mapping of str
        Unit of each channel.
    """
    tell = {"alignopposing": _aligned, "balancetraverses": _balanced, "balancegrids": _grids}.get(record["step"])
    return tell(record, units) if tell else []


def _aligned(record: Mapping, units: Mapping[str, str]) -> list[str]:
    figures, lines = record["figures"], record.get("lines") or []
    said = [figures["remark"]] if figures.get("remark") else []
    if lines:
        said.append(
            f"{figures['lines_moved']} of {len(lines)} lines were also put where their neighbours say they were "
            f"walked; a reading is then within about {figures['position_error_m']:.2f} m of its place along the "
            "traverse (standard error)."
        )
    return said


def _balanced(record: Mapping, units: Mapping[str, str]) -> list[str]:
    said = []
    for channel, figures in record["figures"].items():
        # Lines without a value of the channel have nothing that could be off.
        rows = [row for row in record["table"] if row["channel"] == channel and row["standard_error"] > 0]
        tied = [row["standard_error"] for row in rows if "tie" in row["based_on"]]
        rest = [row["standard_error"] for row in rows if "tie" not in row["based_on"]]
        unit = f" {units[channel]}" if units.get(channel) else ""
        if tied:
            said.append(
                f"{channel}: on the {len(tied)} lines that tie lines cross, the level is known to "
                f"{np.median(tied):.2g}{unit} (median standard error)"
                + (f"; on the others to {np.median(rest):.2g}{unit}." if rest else ".")
            )
        elif any("neighbours" in row["based_on"] for row in rows):
            said.append(
                f"{channel}: no tie line crosses the lines; their level is known to {np.median(rest):.2g}{unit} "
                "(median standard error). Three tie lines across a grid make that several times better."
            )
        if figures.get("base_readings"):
            said.append(f"{channel}: {figures['base_readings']} sets of base readings tell the drift.")
    return said


def _grids(record: Mapping, units: Mapping[str, str]) -> list[str]:
    said = []
    for channel, figures in record["figures"].items():
        unit = f" {units[channel]}" if units.get(channel) else ""
        if figures["seams"]:
            said.append(
                f"{channel}: the steps along {figures['seams']} shared edges fell from "
                f"{figures['step_before']:.2g} to {figures['step_after']:.2g}{unit} (root mean square)."
            )
        rows = [row for row in record["table"] if row["channel"] == channel]
        based = sum("base readings" in row["based_on"] for row in rows)
        if based:
            said.append(f"{channel}: base readings on one spot tell the levels of {based} grids as well.")
        if figures.get("remark"):
            said.append(f"{channel}: {figures['remark']}")
    return said
