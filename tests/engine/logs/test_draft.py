"""Layouts while they are edited: every layout that the reader finds or is given comes through the draft unchanged."""

import json
from pathlib import Path

import numpy as np
import pytest
from turnrow.processing_provider.engine.core.errors import EngineError
from turnrow.processing_provider.engine.logs import (
    begin_draft,
    layout_from_json,
    layout_to_json,
    parted_otherwise,
    read_log,
    shown_rows,
    try_layout,
)
from turnrow.tests.engine.logs.log_files import BARE, COLUMNS, LAYOUT, OPENED, survey, write

CASES = sorted((Path(__file__).resolve().parents[2] / "cases" / "layouts").glob("*.case"))


def rows_of(columns):
    return [",".join(str(v) for v in row) for row in zip(*(c.tolist() for c in columns))]


@pytest.fixture
def log(tmp_path):
    return write(tmp_path, "line,station,time,cond,inphase", *rows_of(survey()))


def assert_same_readings(one, other):
    for name in ("line", "run", "station", "time_s", "flag", "row"):
        np.testing.assert_array_equal(getattr(one, name), getattr(other, name))
    assert {**one.channels}.keys() == {**other.channels}.keys()
    for name, values in one.channels.items():
        np.testing.assert_array_equal(values, other.channels[name])
    assert one.units == other.units


@pytest.mark.parametrize("path", CASES, ids=lambda p: p.stem)
def test_draft_of_a_layout_reads_what_the_layout_reads(path, tmp_path):
    """The cases of ``tests/cases``: what is found out, or given, and then passes through draft and file."""
    head, text = path.read_text("utf-8").split("\n=== log ===\n", 1)
    case = json.loads(head)
    text = text.replace("\n", {"crlf": "\r\n", "cr": "\r", "crcrlf": "\r\r\n"}.get(case.get("newline"), "\n"))
    log = tmp_path / "log.txt"
    log.write_bytes(text.encode(case.get("encoding", "utf-8")) + b"\0" * case.get("zero_bytes", 0))
    layout = layout_from_json(json.dumps(case["layout"])) if "layout" in case else None
    try:
        wanted = read_log(log, layout)
    except EngineError as error:
        sentence = str(error)
        try:
            draft, refused = begin_draft(log, layout)
        except EngineError as first:
            assert str(first) == sentence  # noqa: PT017
            return
        trial = try_layout(log, draft.layout)
        # A column that the log does not have is left out of the draft, with a sentence of its own; and where the line
        # changes with each reading, a layout that is given is questioned in place of the log.
        questions = [f.found.rstrip(".") for f in trial.findings if f.code == "layout-questioned"]
        asked = any("the log does not have" in text for text in refused) or any(map(sentence.startswith, questions))
        assert sentence in (*refused, trial.refusal) or asked
        return
    draft, refused = begin_draft(log, layout)
    assert refused == []
    kept = layout_from_json(layout_to_json(draft.layout()))
    assert_same_readings(read_log(log, kept).readings, wanted.readings)
    shown = {row.number: row.kind for row in shown_rows(log, draft.as_seen())}
    assert {shown[n] for n in wanted.readings.row.tolist() if n in shown} == {"reading"}


def test_rows_are_shown_as_the_file_has_them(tmp_path):
    log = write(
        tmp_path, "made by hand", "# dry", "line,station,cond", "1,1,9.5", "1,2,9.75,", "", "1,3,nine,8", "1,4,1"
    )
    draft, _ = begin_draft(log, layout_from_json(
        '{"skip_rows": 1, "comment": "#", "columns": [{"column": "line", "role": "line"}, '
        '{"column": "station", "role": "station"}, {"column": "cond", "role": "channel"}]}'
    ))  # fmt: skip
    assert draft.names == ("line", "station", "cond")
    rows = shown_rows(log, draft.as_seen())
    assert [(row.number, row.kind) for row in rows] == [
        (1, "passed over"), (2, "comment"), (3, "names"), (4, "reading"), (5, "reading"), (6, "blank"),
        (7, "cannot be read"), (8, "reading"),
    ]  # fmt: skip
    assert rows[0].values == ("made by hand",)
    assert rows[3].values == ("1", "1", "9.5")


def test_opening_rows_and_marks_are_named(tmp_path):
    log = write(tmp_path, "LINE 1 1 1", "9.5", "FID", "9.6", "9.7", "LINE 2 3 -1", "9.8", "9.9", "9.7")
    rows = shown_rows(log, OPENED)
    assert [row.kind for row in rows] == [
        "opens a line", "reading", "mark", "reading", "reading", "opens a line", "reading", "reading", "reading",
    ]  # fmt: skip
    ways = [traverse.heading for traverse in try_layout(log, lambda: OPENED).traverses]
    assert ways == [1, -1]


def test_roles_are_changed_and_read(log):
    draft, _ = begin_draft(log)
    exchanged = draft.with_role(3, "").with_role(4, "channel").with_words(4, {"name": "q", "unit": "ppt"})
    readings = read_log(log, exchanged.layout()).readings
    np.testing.assert_array_equal(readings.channels["q"], survey()[4])
    assert (list(readings.channels), readings.units) == (["q"], {"q": "ppt"})


def test_a_role_that_stands_once_moves(log):
    draft, _ = begin_draft(log)
    moved = draft.with_role(3, "station")
    assert [c.role for c in moved.columns] == ["line", "", "time", "station", "channel"]
    np.testing.assert_array_equal(read_log(log, moved.layout()).readings.station, survey()[3])


def test_what_belongs_to_a_role_goes_with_it(tmp_path):
    log = write(tmp_path, "1;2;9.5", "1;3;9.6", "1;4;9.75")
    given = layout_from_json(
        '{"delimiter": ";", "header": false, "columns": [{"column": 2, "role": "station", "factor": 2}, '
        '{"column": 3, "role": "channel", "unit": "mS/m", "offset": 1}]}'
    )
    draft, _ = begin_draft(log, given)
    assert draft.layout() == given
    assert draft.with_role(2, "time").columns[2].offset == 0
    assert draft.with_role(2, "time").columns[2].unit == ""
    assert draft.with_role(1, "channel").columns[1].factor == 2


def test_a_part_of_the_time_that_becomes_a_channel_is_not_scaled(tmp_path):
    rows = [f"1,{k},9,{5 + k // 60},{k % 60},{20 + k % 7}.5" for k in range(1, 40)]
    draft, _ = begin_draft(write(tmp_path, "line,station,hour,minute,sec,cond", *rows))
    assert (draft.columns[2].role, draft.columns[2].factor) == ("time_part", 3600)
    assert draft.with_role(2, "channel").columns[2].factor == 1


def test_draft_that_is_no_layout_says_so(log):
    draft, _ = begin_draft(log)
    bare = draft.with_role(3, "").with_role(4, "")
    with pytest.raises(EngineError, match="At least one column must be a channel"):
        bare.layout()
    assert "At least one column must be a channel" in try_layout(log, bare.layout).refusal
    assert [row.kind for row in shown_rows(log, bare.as_seen())][:2] == ["names", "reading"]
    wrong = draft.with_words(2, {"format": "noon"})
    assert "Invalid format of time in column 'time': 'noon' was given" in try_layout(log, wrong.layout).refusal


def test_columns_that_the_log_does_not_have_are_named(log):
    columns = [c for c in COLUMNS if c.role != "station"]
    text = layout_to_json(LAYOUT).replace('"column": "station"', '"column": "peg"')
    draft, refused = begin_draft(log, layout_from_json(text))
    assert [c.role for c in draft.columns if c.role] == [c.role for c in columns]
    assert len(refused) == 1
    assert "The layout takes station from the column 'peg', which the log does not have" in refused[0]


def test_refused_log_is_read_once_its_rows_are_skipped(tmp_path):
    """The remedy that the reader names (rows of another shape above the readings) is what mends it."""
    others = [f"{n},{n * n % 7}" for n in range(1, 7)]
    log = write(tmp_path, *others, "line,station,time,cond,inphase", *rows_of(survey(lines=6, stations=20)))
    draft, refused = begin_draft(log)
    assert len(refused) == 1
    assert "set skip_rows in its layout to 6" in refused[0]
    mended = parted_otherwise(log, draft, {"skip_rows": 6, "header": True})
    for index, role in enumerate(("line", "station", "time", "channel", "channel")):
        mended = mended.with_role(index, role)
    np.testing.assert_array_equal(read_log(log, mended.layout()).readings.channels["inphase"],
                                  survey(lines=6, stations=20)[4])  # fmt: skip


def test_another_delimiter_has_the_roles_guessed_anew(tmp_path):
    log = write(tmp_path, "line;station;time;cond;inphase", *[r.replace(",", ";") for r in rows_of(survey())])
    draft, _ = begin_draft(log)
    astray = parted_otherwise(log, draft, {"delimiter": "|"})
    assert (len(astray.names), [c.role for c in astray.columns]) == (1, [""])
    back = parted_otherwise(log, astray, {"delimiter": ";"})
    assert [c.role for c in back.columns] == ["line", "station", "time", "channel", "channel"]
    assert back.base.header
    assert_same_readings(read_log(log, back.layout()).readings, read_log(log).readings)


def test_header_that_is_switched_off_leaves_numbers(log):
    draft, _ = begin_draft(log)
    off = parted_otherwise(log, draft, {"header": False})
    assert [c.column for c in off.layout().columns] == [1, 2, 3, 4, 5]
    assert [row.kind for row in shown_rows(log, off.as_seen())][:2] == ["cannot be read", "reading"]
    on = parted_otherwise(log, off, {"header": True})
    assert [c.column for c in on.layout().columns] == [c.column for c in draft.layout().columns]


def test_twin_names_are_told_apart_by_number(tmp_path):
    log = write(tmp_path, "line,station,cond,cond", *[f"1,{n},9.{n},8.{n}" for n in range(1, 9)])
    draft, _ = begin_draft(log)
    assert [c.column for c in draft.layout().columns] == ["line", "station", 3, 4]


@pytest.mark.parametrize(
    ("content", "sentence"),
    [
        (b"", "is empty"),
        (bytes(range(256)) * 40, "is a binary file, not text"),
        (b"1," * 1_000_000, "does not end within 300,000 characters"),
    ],
    ids=["empty", "binary", "a row of a million columns"],
)
def test_files_that_are_no_logs_are_refused(tmp_path, content, sentence):
    path = tmp_path / "log.txt"
    path.write_bytes(content)
    with pytest.raises(EngineError, match=sentence):
        begin_draft(path)
    with pytest.raises(EngineError, match=sentence):
        shown_rows(path, BARE)
    assert sentence in try_layout(path, lambda: BARE).refusal


def test_a_row_of_many_columns_among_others_is_bounded(tmp_path):
    log = write(tmp_path, "line,station,time,cond,inphase", *rows_of(survey()), "1," * 1_000_000)
    draft, _ = begin_draft(log)
    assert len(draft.columns) == 5
    wide = write(tmp_path, *[",".join(["1.5"] * 900) for _ in range(5)], name="wide.txt")
    assert max(len(row.values) for row in shown_rows(wide, BARE)) <= 500


def test_log_with_no_rows_of_numbers_is_shown_all_the_same(tmp_path):
    log = write(tmp_path, "grid,where", "A,here", "B,there")
    draft, refused = begin_draft(log)
    assert "No rows of numbers were found" in refused[0]
    assert [row.values for row in shown_rows(log, draft.as_seen())] == [
        ("grid", "where"),
        ("A", "here"),
        ("B", "there"),
    ]
