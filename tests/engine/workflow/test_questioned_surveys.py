"""Surveys of tests/cases: no log that was read right is questioned, and a misread one is, before its lines."""

import csv
import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from turnrow.processing_provider.engine.workflow import gather_sources, read_grids

CASES = Path(__file__).resolve().parents[2] / "cases"


def every_other_line_first(recordings):
    walked = [one for one in recordings if one.kind == "survey"]
    first, *_, last = recordings
    return [first, *walked[::2], *walked[1::2], last]


def clock_of(tick_s):
    return lambda recordings: [replace(one, time_s=np.floor(one.time_s / tick_s) * tick_s) for one in recordings]


def slowly(recordings):
    """A third of a metre a second."""
    return [replace(one, time_s=9 * 3600 + (one.time_s - 9 * 3600) * 3) for one in recordings]


ONE_WAY = ({"what": "one_way"}, {"what": "registered", "pattern": "one-way"})


def findings_of(planting, folder, plants=(), change=None, noted=True, layout=None, rows=None):
    """Draw a survey of one grid, write it and read it; return what is found of it, notes apart, and its problem."""
    (folder / "case.json").write_text(json.dumps({"survey": {"seed": 3001}, "plant": list(plants)}))
    survey, _ = planting.plant(folder / "case.json")
    grid = survey.grids["A"]
    if change:
        grid.recordings[:] = change(grid.recordings)
    if layout:
        grid.register["layout"] = "layout.json"
        (folder / "layout.json").write_text(json.dumps(layout))
    planting.write(survey, folder)
    if rows:
        rows(folder / "A.csv")
    tables = [list(csv.DictReader((folder / f"{n}.csv").open(newline=""))) for n in ("register", "corners", "notes")]
    sources = gather_sources(*tables[:2], tables[2] if noted else [], folder)
    (result,) = read_grids(sources.grids, sources.notes, search=False)
    return [f for f in result.findings if f.severity != "note"], result.problem


@pytest.mark.parametrize("noted", [True, False])
@pytest.mark.parametrize(
    ("plants", "change"),
    [
        ((), None),
        (ONE_WAY, None),
        ((), every_other_line_first),
        ((), clock_of(1)),
        ((), clock_of(60)),
        ((), slowly),
        (({"what": "exceptions_only"},), None),
    ],
    ids=["alternate", "one-way", "every other line first", "seconds", "minutes", "slow", "exceptions"],
)
def test_a_log_read_right_is_not_questioned(planting, tmp_path, plants, change, noted):
    found, problem = findings_of(planting, tmp_path, plants, change, noted)
    assert problem == ""
    # Lines out of their turn are asked about at once.
    assert [f.code for f in found if f.line is None and f.code != "line-order"] == []


def with_other_counts(path):
    """Add columns that a layout may take for others."""
    rows, inside = list(csv.DictReader(path.open(newline=""))), 0
    for n, row in enumerate(rows):
        inside = inside + 1 if n and rows[n - 1]["line"] == row["line"] else 1
        hour, minute, second = (float(part) for part in row["time"].split(":"))
        seconds = f"{hour * 3600 + minute * 60 + second:.3f}"
        row.update(count=n + 1, inside=inside, seconds=seconds, metres=float(row["station"]) / 8)
    with path.open("w", newline="") as file:
        writer = csv.DictWriter(file, list(rows[0]))
        writer.writeheader()
        writer.writerows(rows)


@pytest.mark.parametrize(
    ("roles", "about"),
    [
        ({"station": "line", "line": "station"}, "lines"),
        ({"count": "line", "station": "station"}, "lines"),
        ({"time": "time"}, "lines"),
        ({"line": "line", "count": "station"}, "stations"),
        ({"line": "line", "inside": "station"}, "stations"),
        ({"line": "line", "metres": "station"}, "stations"),
        ({"line": "line", "station": "station", "seconds": "time ms"}, "times"),
        ({"line": "line", "station": "station", "seconds": "time day"}, "times"),
    ],
)
def test_a_misread_log_is_questioned_before_its_lines(planting, tmp_path, roles, about):
    columns = [{"column": "cond", "role": "channel"}]
    for column, role in roles.items():
        name, _, form = role.partition(" ")
        columns.append({"column": column, "role": name, **({"format": form} if form else {})})
    found, problem = findings_of(
        planting, tmp_path, noted=False, layout={"columns": columns}, rows=with_other_counts
    )  # fmt: skip
    assert [f.code for f in found] == ["layout-questioned"]
    assert problem.startswith(f"Grid A: Ask for the layout of the log: look at {about}.")
    # Who confirms the layout has the grid checked as any other.
    (tmp_path / "again").mkdir()
    layout = {"columns": columns, "confirmed": True}
    found, _ = findings_of(planting, tmp_path / "again", noted=False, layout=layout, rows=with_other_counts)
    assert "layout-questioned" not in [f.code for f in found]
