"""Damaged tables through the algorithms that read them, and what must not come of it."""

from __future__ import annotations

import csv
from pathlib import Path

from qgis.core import QgsProcessingException, QgsProcessingFeedback
from turnrow.tests.engine.workflow.table_mutations import LOG, Damage, survey
from turnrow.tests.qgis.conftest import SurveyFiles

SCHEME = {"GRID": "A", "LENGTH": 8, "WIDTH": 6, "SPACING": 0.5, "READINGS_PER_METRE": 4}
FAULTS = ("Traceback", "fault of the program", "memory ran out")


def fault_of(seed: int, folder: Path) -> str:
    """Return what is wrong with how algorithms take a damaged survey: empty, or a sentence with the seed.

    The tables go through CSV, as people give them. What an algorithm reports and what it refuses are read alike.
    """
    folder.mkdir(parents=True)
    files = survey(folder)
    tables = Damage(files, seed).tables
    for name, rows in tables.items():
        _write(getattr(files, name), rows)
    before = {path: path.read_bytes() for path in folder.iterdir() if path.is_file()}
    LOG.records.clear()
    said = []
    for name, given in _runs(files):
        said.append(_said(name, given))
    if LOG.records:
        return f"seed {seed}: {LOG.records[0]}"
    if {path: path.read_bytes() for path in before} != before:
        return f"seed {seed}: an input was changed"
    wrong = [text for text in said if any(words in text for words in FAULTS)]
    return f"seed {seed}: {wrong[0]}" if wrong else ""


def _write(path: Path, rows: list[dict]) -> None:
    names = list(dict.fromkeys(name for row in rows for name in row)) or ["grid"]
    with path.open("w", newline="", encoding="utf-8", errors="replace") as file:
        writer = csv.DictWriter(file, names, escapechar="\\")
        writer.writeheader()
        writer.writerows({k: str(v).replace("\x00", "") if v is not None else "" for k, v in r.items()} for r in rows)


def _runs(files: SurveyFiles) -> list[tuple[str, dict]]:
    """Return algorithms and what they are given."""
    readings = str(files.folder / "readings.gpkg")
    given = files.parameters()
    evening = {name: given[name] for name in ("REGISTER", "CORNERS", "NOTES", "TARGET_CRS")}
    log = {"LOG": [str(files.folder / "A.csv")], "GRID": "A"}
    notes = {"INPUT": readings, "NOTES": given["NOTES"], **SCHEME}
    return [
        ("readlog", {**log, "OUTPUT": readings}),
        ("readlog", {**log, "LAYOUT": str(files.folder / "layout.json"), "OUTPUT": "memory:"}),
        ("comparenotes", {**notes, "FINDINGS": "memory:"}),
        ("placereadings", {**notes, "CORNERS": given["CORNERS"], "TARGET_CRS": given["TARGET_CRS"],
                           "OUTPUT": "memory:", "FINDINGS": "memory:"}),
        ("eveningcheck", {**evening, "FINDINGS": str(files.folder / "out.csv"), "REDO_ROWS": "memory:"}),
        ("processregister", given),
    ]  # fmt: skip


def _said(name: str, given: dict) -> str:
    """Run an algorithm; return all that people read of it."""
    from qgis import processing

    feedback = QgsProcessingFeedback(False)
    try:
        processing.run(f"turnrow:{name}", given, feedback=feedback)
    except QgsProcessingException as error:
        return f"{feedback.textLog()} {error}"
    return feedback.textLog()
