"""Logs read in blocks: nothing changes, progress and cancel go through, random logs come back."""

from __future__ import annotations

import numpy as np
import pytest
from turnrow.processing_provider.engine.core.errors import Cancelled
from turnrow.processing_provider.engine.logs.detect import detect_layout
from turnrow.processing_provider.engine.logs.layout import LogColumn, LogLayout, layout_from_dict
from turnrow.processing_provider.engine.logs.reader import read_log
from turnrow.tests.engine.logs.log_files import BARE, COLUMNS, LAYOUT, OPENED, assert_same, survey, write


def test_blocks_do_not_change_what_is_read(tmp_path, monkeypatch):
    rows = []
    for k, (line, station, _, cond, _) in enumerate(zip(*survey(6, 40))):
        rows += [f"LINE {line} {station} {1 if line % 2 else -1} at 9:{line:02d}:00 out"] if k % 40 == 0 else []
        rows += ["FID"] if k % 10 == 9 else []
        rows.append("odd" if k == 133 else str(cond))
    path = write(tmp_path, *rows)
    whole = read_log(path, OPENED)
    monkeypatch.setattr("turnrow.processing_provider.engine.logs.text.BLOCK_BYTES", 60)
    fractions = []
    parts = read_log(path, OPENED, progress=fractions.append)
    assert len(fractions) > 10
    assert fractions == sorted(fractions)
    assert fractions[-1] == 1
    assert parts.findings == whole.findings
    for name, values in whole.readings.to_columns().items():
        np.testing.assert_array_equal(parts.readings.to_columns()[name], values, err_msg=name)


def test_cancel_goes_through(tmp_path):
    def cancel(fraction):
        raise Cancelled

    with pytest.raises(Cancelled):
        read_log(write(tmp_path, "1,1,0,5,6"), BARE, progress=cancel)


def test_clean_blocks_are_read_at_once_and_equal_the_reading_by_column(tmp_path, monkeypatch):
    rows = [f"{a},{b},9:00:{t % 60:06.3f},{c},{d}" for a, b, t, c, d in zip(*survey(9, 30))]
    path = write(tmp_path, *rows)
    quick = read_log(path, BARE).readings
    monkeypatch.setattr("turnrow.processing_provider.engine.logs.fields._parse_at_once", lambda rows, plan: None)
    slow = read_log(path, BARE).readings
    for name, values in quick.to_columns().items():
        np.testing.assert_array_equal(slow.to_columns()[name], values, err_msg=name)


@pytest.mark.parametrize("seed", range(12))
def test_random_readings_in_a_random_layout_come_back(tmp_path, seed):
    rng = np.random.default_rng(seed)
    columns = survey(int(rng.integers(2, 8)), int(rng.integers(4, 30)), seed)
    decimal = str(rng.choice([".", ","]))
    delimiter = str(rng.choice(["tab", "space", ";", "|"] + ([","] if decimal == "." else [])))
    sign = {"tab": "\t", "space": "  "}.get(delimiter, delimiter)
    order = rng.permutation(5)
    written = [[f"{value:g}" if k < 2 else f"{value:.3f}" for value in column] for k, column in enumerate(columns)]
    gaps = rng.random(len(columns[0])) < 0.1
    written[4] = ["-999.5" if gap else text for text, gap in zip(written[4], gaps)]
    columns[4][gaps] = np.nan
    rows = [sign.join(written[k][i] for k in order).replace(".", decimal) for i in range(len(gaps))]
    header = bool(rng.integers(2))
    skip = int(rng.integers(3))
    names = sign.join(COLUMNS[k].column for k in order)
    path = write(tmp_path, *["about this log"] * skip, *([names] if header else []), *rows)
    given = [COLUMNS[k].column if header else place for place, k in enumerate(order, 1)]
    layout = LogLayout(
        delimiter=delimiter, decimal=decimal, skip_rows=skip, header=header, missing=("-999.5",),
        columns=tuple(LogColumn(c, COLUMNS[k].role, COLUMNS[k].column if k > 2 else "") for c, k in zip(given, order)),
    )  # fmt: skip
    assert_same(read_log(path, layout).readings, columns)


def test_the_layout_is_found_out_when_none_is_given(tmp_path):
    columns = survey(4, 20)
    rows = [f"{a},{b},{t},{c},{d}" for a, b, t, c, d in zip(*columns)]
    path = write(tmp_path, "line,station,time,cond,inphase", *rows)
    result = read_log(path)
    assert (result.layout, result.remarks) == detect_layout(path)
    assert read_log(path, LAYOUT).remarks == []
    assert_same(result.readings, columns)


def test_fiducial_behind_the_last_reading_of_a_line_stays_with_it(tmp_path):
    path = tmp_path / "a.log"
    path.write_text("LINE 1\nMARK\n1.5\n2.5\nMARK\nLINE 2\nMARK\n3.5\n4.5\nMARK\n")
    given = {"delimiter": "space", "header": False, "line_start": r"LINE (?P<line>\d+)", "mark": "^MARK"}
    layout = layout_from_dict({**given, "columns": [{"column": 1, "role": "channel", "name": "eca"}]})
    readings = read_log(path, layout).readings
    assert readings.line.tolist() == [1, 1, 2, 2]
    assert readings.extras["mark"].tolist() == [1, 2, 1, 2]
