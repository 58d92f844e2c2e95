"""A small survey on disk whose files a test can spoil, one at a time."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest

LENGTH, WIDTH, SPACING, RATE = 8.0, 6.0, 0.5, 4
ORIGIN = (500100.0, 6000100.0)
CRS = "EPSG:32631"


def ground(x, y):
    """Smooth conductivity in mS/m that a survey of 0.5 m lines resolves."""
    dx, dy = x - ORIGIN[0], y - ORIGIN[1]
    return 15 + 3 * np.exp(-((dx - 5) ** 2 + (dy - 4) ** 2) / 4) + 0.2 * dx - 0.1 * dy


class SurveyFiles:
    """Two adjoining grids, A and B, walked back and forth, with overrun on both sides."""

    ground = staticmethod(ground)

    def __init__(self, folder: Path):
        self.folder = folder
        self.register = folder / "register.csv"
        self.corners = folder / "corners.csv"
        self.notes = folder / "notes.csv"
        self.output = folder / "out"
        for grid, east in (("A", 0.0), ("B", WIDTH)):
            self.write_log(grid, east)
        scheme = {"length_m": LENGTH, "width_m": WIDTH, "spacing_m": SPACING, "readings_per_m": RATE}
        self.write(self.register, [{"grid": g, "log": f"{g}.csv", **scheme} for g in "AB"])
        self.write(self.corners, [c for g, east in (("A", 0.0), ("B", WIDTH)) for c in self.corner_rows(g, east)])
        self.write(self.notes, [{"grid": "A", "line": 1, "kind": "survey", "heading": "out", "comment": "dry"}])

    @staticmethod
    def corner_rows(grid: str, east: float) -> list[dict]:
        local = {"start": (0, 0), "baseline": (WIDTH, 0), "opposite": (WIDTH, LENGTH), "head": (0, LENGTH)}
        return [
            {"grid": grid, "corner": n, "x": ORIGIN[0] + east + u, "y": ORIGIN[1] + v} for n, (u, v) in local.items()
        ]

    def write_log(self, grid: str, east: float, shift: float = 0.0) -> None:
        rows, clock = [], 9 * 3600.0
        count = round(LENGTH * RATE)
        for line in range(1, round(WIDTH / SPACING) + 1):
            stations = np.arange(-2, count + 4)
            for station in stations if line % 2 else stations[::-1]:
                x = ORIGIN[0] + east + (line - 0.5) * SPACING
                y = ORIGIN[1] + (station - 0.5) / RATE
                time = f"{int(clock // 3600):02d}:{int(clock % 3600 // 60):02d}:{clock % 60:05.2f}"
                rows.append({"line": line, "station": station, "time": time, "cond": f"{ground(x, y) + shift:.5f}"})
                clock += 1 / RATE
            clock += 10
        self.write(self.folder / f"{grid}.csv", rows)

    @staticmethod
    def write(path: Path, rows: list[dict]) -> None:
        with path.open("w", newline="") as file:
            writer = csv.DictWriter(file, list(rows[0]))
            writer.writeheader()
            writer.writerows(rows)

    @staticmethod
    def read(path: Path) -> list[dict]:
        with path.open(newline="") as file:
            return list(csv.DictReader(file))

    def change(self, path: Path, where: dict, **values) -> None:
        """Set values in the rows of a table that match; new columns are added."""
        rows = self.read(path)
        for row in rows:
            if all(row[k] == v for k, v in where.items()):
                row.update(values)
            else:
                row.update({k: "" for k in values if k not in row})
        self.write(path, rows)

    def parameters(self, **changes) -> dict:
        given = {
            "REGISTER": str(self.register),
            "CORNERS": str(self.corners),
            "NOTES": str(self.notes),
            "CELL_SIZE": 0.25,
            "TARGET_CRS": CRS,
            "OUTPUT_FOLDER": str(self.output),
        }
        return {**given, **changes}


@pytest.fixture
def survey_files(tmp_path):
    return SurveyFiles(tmp_path)
