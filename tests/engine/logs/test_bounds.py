"""What a log or a layout may not cost: memory, columns, and the time of an expression."""

from __future__ import annotations

import json
import tracemalloc

import pytest
from turnrow.processing_provider.engine.core import Cancelled, EngineError
from turnrow.processing_provider.engine.logs import LogLayout, layout_from_json, read_log
from turnrow.processing_provider.engine.logs.expressions import runs_away
from turnrow.processing_provider.engine.logs.layout import LogColumn
from turnrow.tests.engine.logs.log_files import BARE, LAYOUT, write

MOST_BYTES = 40_000_000
"""A text of 10,000 characters beside each of 2,000 rows would take 80 MB at four bytes a character."""


@pytest.mark.parametrize("sign", ["9", "y"])
@pytest.mark.parametrize("column", range(4))
@pytest.mark.parametrize("layout", [LAYOUT, None])
def test_a_row_of_ten_thousand_digits_takes_no_memory(tmp_path, sign, column, layout):
    rows = [f"{1 + k // 100},{k % 100},09:{k // 60:02d}:{k % 60:02d},{12 + k % 7},1.5" for k in range(2000)]
    fields = rows[1500].split(",")
    rows[1500] = ",".join([*fields[:column], sign * 10_000, *fields[column + 1 :]])
    path = write(tmp_path, "line,station,time,cond,inphase", *rows)
    tracemalloc.start()
    result = read_log(path, layout)
    most = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert most < MOST_BYTES
    assert len(result.readings) + result.left_out == 2000
    assert len(result.findings) == 1


def test_more_columns_than_any_logger_writes_are_refused(tmp_path):
    with pytest.raises(EngineError, match="have 600 values; no more than 500 are read"):
        read_log(write(tmp_path, ",".join(["5"] * 600)), BARE)


def test_a_text_without_rows_is_refused(tmp_path):
    with pytest.raises(EngineError, match="first row of log.csv does not end within 300,000 characters"):
        read_log(write(tmp_path, "5," * 200_000))


@pytest.mark.parametrize(
    "expression",
    [
        r"(\d+)*x",
        r"^LINE (\d+ ?)+$",
        r"(a|aa)+$",
        r".*.*.*.*=.*x",
        r"(.*)*y",
        r"(?<=a)(b+)+c",
        r"(?:ab|a|b)+$",
        r"(?:a|b|ab)*x",
        r"(?:foo|fo|o)*x",
        r"(a?){30}a{30}",
        r"(\d?){20}\d{20}",
        r"(((a?){9}){9}){9}",
        r"(\s*\w+){1,20}$",
    ],
)
def test_expressions_that_run_away_are_refused(expression):
    """Examples of exponential and of high polynomial time, as in texts on regular expressions (from memory)."""
    with pytest.raises(EngineError, match="takes minutes on some rows.*without a repetition inside a repetition"):
        LogLayout(line_start=expression, columns=(LogColumn("cond", "channel"),))


def test_an_expression_of_many_characters_is_refused():
    with pytest.raises(EngineError, match="Invalid mark of a log layout: 'aaa.*2,001 characters. It must have at most"):
        LogLayout(mark="a" * 2001, columns=(LogColumn("cond", "channel"),))


@pytest.mark.parametrize("moment", [1, 2, 5])
def test_the_check_of_an_expression_can_be_cancelled(moment):
    """Its answer is then not known, and is found out when it is asked for again."""
    text = json.dumps({"line_start": rf".*.*.*{moment}=", "columns": [{"column": "cond", "role": "channel"}]})
    calls: list[float] = []

    def cancel(fraction: float) -> None:
        calls.append(fraction)
        if len(calls) == moment:
            raise Cancelled

    with pytest.raises(Cancelled):
        layout_from_json(text, "layout.json", progress=cancel)
    assert calls == [0.0] * moment
    with pytest.raises(EngineError, match="takes minutes on some rows"):
        layout_from_json(text, "layout.json")


@pytest.mark.parametrize(
    "expression",
    [
        r"(?:[,;]\d+)*$",
        r"^L(?P<line>-?\d+)(?: (?P<station>\S+))?$",
        r"^\w+\s.*=.*$",
        r"(\d{1,3}\.){3}\d{1,3}",
        r"^L\s*(?P<line>\d{1,4})\s+(?P<station>-?\d{1,6})$",
    ],
)
def test_ordinary_expressions_do_not_run_away(expression):
    assert not runs_away(expression)
