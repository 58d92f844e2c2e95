"""Register, corners, notes and layouts with damage, and what must not come of it."""

from __future__ import annotations

import json
import logging
import random
import shutil
from pathlib import Path
from typing import Callable

import numpy as np
from turnrow.processing_provider.engine.core import EngineError
from turnrow.processing_provider.engine.workflow import default_recipe, gather_sources, process_survey
from turnrow.tests.qgis.conftest import SurveyFiles

VALUES: tuple[object, ...] = (
    "", None, " ", "x", "0", "-1", "1", "2", "3.5", "1e-9", "1e9", "1e15", "-1e15", "1e300", "nan", "inf", "-inf",
    "6000100", "1,5", " 8 ", "1.000,5", "٣", "½", "True", "A", "B", "a", "../../x", "A;B", "A.csv;A.csv", "$\\frac{$",
    "<b>", "=1+1", "x" * 5000, "\x00", "\ud800", "out", "back", "void", "redo", "tie", "base", "dummy", "obstacle",
    "reset", "survey", "start", "head", "alternate", "one-way", "9" * 400, float("nan"), float("inf"), 1e15, 2**70,
    -0.0, True,
)  # fmt: skip
ENCODINGS = ("zlib", "base64", "punycode", "idna", "utf-7", "rot13", "undefined", "utf-16", "hex", "unicode_escape")


def survey(folder: Path) -> SurveyFiles:
    """Write a survey of two grids into an empty folder."""
    files = SurveyFiles(folder)
    layout = {"columns": [{"column": "line", "role": "line"}, {"column": "station", "role": "station"},
              {"column": "cond", "role": "channel", "unit": "mS/m"}]}  # fmt: skip
    (folder / "layout.json").write_text(json.dumps(layout), "utf-8")
    notes = [("A", 1, "survey", "out"), ("A", 3, "void", ""), ("B", 2, "survey", "back"), ("B", 5, "obstacle", "")]
    files.write(files.notes, [
        {"grid": g, "line": line, "run": "", "kind": kind, "heading": heading, "start_station": "", "position_m": "",
         "from_m": "2" * (kind == "obstacle"), "to_m": "4" * (kind == "obstacle"), "comment": ""}
        for g, line, kind, heading in notes
    ])  # fmt: skip
    return files


class Damage:
    """The tables of a survey, damaged by a seed."""

    def __init__(self, files: SurveyFiles, seed: int) -> None:
        self.random = random.Random(seed)
        self.folder = files.folder
        self.tables = {name: files.read(getattr(files, name)) for name in ("register", "corners", "notes")}
        self.tables["register"][0]["layout"], self.tables["register"][1]["layout"] = "layout.json", ""
        for _ in range(self.random.choice((1, 1, 1, 2, 3))):
            self.random.choice(self.ways())()

    def ways(self) -> list[Callable[[], None]]:
        """Return what can go wrong, cells the most often."""
        cells = [lambda name=name: self.cell(name) for name in ("register", "register", "corners", "notes", "notes")]
        return [*cells * 3, self.twice, self.gone, self.column_gone, self.exchanged, self.layout, self.layout]

    def table(self) -> list[dict]:
        """Return any table."""
        return self.tables[self.random.choice(list(self.tables))]

    def cell(self, name: str) -> None:
        """Put a value where it does not belong."""
        row = self.random.choice(self.tables[name] or [{}])
        if row:
            row[self.random.choice(list(row))] = self.random.choice(VALUES)

    def twice(self) -> None:
        """Repeat a row, perhaps with another value."""
        table = self.table()
        if table:
            row = dict(self.random.choice(table))
            if self.random.random() < 0.5:
                row[self.random.choice(list(row))] = self.random.choice(VALUES)
            table.append(row)

    def gone(self) -> None:
        """Take a row away."""
        table = self.table()
        if table:
            table.pop(self.random.randrange(len(table)))

    def column_gone(self) -> None:
        """Take a column away."""
        table = self.table()
        if table and table[0]:
            name = self.random.choice(list(table[0]))
            for row in table:
                row.pop(name, None)

    def exchanged(self) -> None:
        """Exchange two columns of a row."""
        table = self.table()
        if table and len(table[0]) > 1:
            row = self.random.choice(table)
            one, other = self.random.sample(list(row), 2) if len(row) > 1 else (next(iter(row)),) * 2
            row[one], row[other] = row[other], row[one]

    def layout(self) -> None:
        """Damage the layout of a log."""
        path = self.folder / "layout.json"
        try:
            layout = json.loads(path.read_text("utf-8"))
        except (ValueError, RecursionError):  # damaged before
            layout = {"columns": []}
        layout = layout if isinstance(layout, dict) else {}
        way = self.random.randrange(5)
        if way == 0:
            layout["encoding"] = self.random.choice(ENCODINGS)
        elif way == 1:
            path.write_text("[" * 50_000 + "]" * 50_000, "utf-8")
            return
        elif way == 2 and layout.get("columns"):
            column = self.random.choice(layout["columns"])
            column[self.random.choice(["column", "role", "name", "unit", "factor", "format"])] = self._plain()
        elif way == 3:
            names = [
                "delimiter",
                "widths",
                "decimal",
                "comment",
                "skip_rows",
                "header",
                "line_start",
                "mark",
                "missing",
            ]
            layout[self.random.choice([*names, "columns", "confirmed"])] = self._plain()
        else:
            text = json.dumps(layout)
            path.write_text(text[: self.random.randrange(len(text))], "utf-8")
            return
        path.write_text(json.dumps(layout, default=str), "utf-8")

    def _plain(self) -> object:
        return self.random.choice([v for v in VALUES if v is None or isinstance(v, (str, int, float))] + [[], {}, [1]])


def fault_of(seed: int, folder: Path) -> str:
    """Return what is wrong with how a damaged survey is processed: empty, ``refused``, or a sentence with the seed.

    Wrong is what people must not read (a fault of the program), and an input that is not as it was.
    """
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir(parents=True)
    damage = Damage(survey(folder), seed)
    before = {path: path.read_bytes() for path in folder.rglob("*") if path.is_file()}
    tables = damage.tables
    LOG.records.clear()
    try:
        sources = gather_sources(tables["register"], tables["corners"], tables["notes"], folder)
        result = process_survey(sources, default_recipe(), cell_size_m=0.25)
        said = [finding.sentence() for finding in result.findings]
    except EngineError as error:
        result, said = None, [str(error)]
    if LOG.records:
        return f"seed {seed}: {LOG.records[0]}"
    after = {path: path.read_bytes() for path in folder.rglob("*") if path.is_file()}
    if after != before:
        return f"seed {seed}: an input was changed"
    if any("fault of the program" in sentence or "memory ran out" in sentence for sentence in said):
        return f"seed {seed}: {said}"
    if result is not None:
        for raster in result.rasters.values():
            if not any(np.isfinite(block).any() for block in raster.value_blocks.blocks.values()):
                return f"seed {seed}: a map without a value"
    return "" if result is not None else "refused"


class _Kept(logging.Handler):
    """Keeps the tracebacks of faults."""

    def __init__(self) -> None:
        super().__init__()
        self.records: list[str] = []

    def emit(self, record: logging.LogRecord) -> None:
        self.records.append(self.format(record))


LOG = _Kept()
logging.getLogger("turnrow").addHandler(LOG)
