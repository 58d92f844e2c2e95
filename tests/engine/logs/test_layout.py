"""Log layouts: what they mean when written down, and sentences for what cannot be."""

import json
import re

import pytest
from turnrow.processing_provider.engine.core.errors import EngineError
from turnrow.processing_provider.engine.logs.layout import (
    LogColumn,
    LogLayout,
    field_name,
    layout_from_dict,
    layout_from_json,
    layout_to_json,
)

CHANNEL = {"column": "cond", "role": "channel"}
WHOLE = LogLayout(
    name="backpack, slow rate",
    encoding="latin-1",
    delimiter=";",
    decimal=",",
    comment="#",
    skip_rows=3,
    header=True,
    line_start=r"^L(?P<line>\d+) (?P<station>\d+) (?P<step>-?1) (?P<time>\S+) (?P<heading>\w)",
    mark="^FID",
    missing=("*", "-9999"),
    columns=(
        LogColumn("Grid", "grid"),
        LogColumn(2, "time", format="%H:%M:%S"),
        LogColumn("Leitfähigkeit", "channel", "cond", "mS/m", 0.1, -2.0),
    ),
)
FIXED = LogLayout(widths=(5, 6, 8), header=False, columns=(LogColumn(1, "line"), LogColumn(3, "channel")))


@pytest.mark.parametrize("layout", [WHOLE, FIXED])
def test_a_layout_comes_back_from_json(layout):
    assert layout_from_json(layout_to_json(layout)) == layout


def test_json_keeps_the_order_of_the_options_and_is_read_by_people():
    text = layout_to_json(WHOLE)
    values = json.loads(text)
    assert list(values)[:4] == ["name", "encoding", "delimiter", "decimal"]
    assert list(values)[-1] == "columns"
    assert values["columns"][0] == {"column": "Grid", "role": "grid"}
    assert "Leitfähigkeit" in text
    assert len(text.splitlines()) > 20


def test_defaults():
    layout = layout_from_dict({"columns": [CHANNEL]})
    assert (layout.encoding, layout.delimiter, layout.decimal, layout.header) == ("utf-8", ",", ".", True)
    assert (layout.comment, layout.skip_rows, layout.line_start, layout.mark, layout.missing) == ("", 0, "", "", ())
    assert layout.columns[0] == LogColumn("cond", "channel", "", "", 1.0, 0.0, "")


def test_layouts_can_be_keys():
    assert len({WHOLE, layout_from_json(layout_to_json(WHOLE)), FIXED}) == 2


def test_names_of_channels():
    assert LogColumn("ECa (mS/m)", "channel").field == "ECa"
    assert LogColumn(4, "channel").field == "channel_4"
    assert LogColumn(4, "channel", "deep").field == "deep"
    assert LogColumn("Stn", "station").field == "station"
    assert field_name("in-phase [ppt]") == "in_phase"


@pytest.mark.parametrize(
    ("change", "sentence"),
    [
        (
            {"columns": [{"column": 1, "role": "speed"}]},
            "role of column 1: 'speed' was given.*line, run, station",
        ),
        (
            {"columns": [{"column": 1, "role": "line"}]},
            "the roles line were given. At least one .* be a channel",
        ),
        ({"columns": []}, "the roles none were given"),
        ({"columns": [{"role": "channel"}]}, "must have a column and a role"),
        ({"columns": [{**CHANNEL, "column": 0}]}, "Invalid column of a log layout: 0 was given.*a number from 1"),
        ({"columns": [{**CHANNEL, "column": " "}]}, "Invalid column of a log layout: ' ' was given"),
        ({"columns": [{**CHANNEL, "gain": 2}]}, "Invalid option of a column of a log layout: 'gain' was given.*factor"),
        ({"columns": [{**CHANNEL, "factor": 0}]}, "Invalid factor of column 'cond': 0 was given"),
        ({"columns": [{**CHANNEL, "offset": "x"}]}, "Invalid offset of column 'cond': 'x' was given.*a number"),
        ({"columns": [{**CHANNEL, "unit": 5}]}, "Invalid unit of column 'cond': 5 was given"),
        ({"columns": [{**CHANNEL, "name": "line"}]}, "Invalid name of a channel in a log layout: 'line' was given"),
        ({"columns": [CHANNEL, CHANNEL]}, "Invalid name of a channel in a log layout: 'cond' was given.*differ"),
        ({"columns": [CHANNEL, *[{"column": n, "role": "time"} for n in (1, 2)]]}, "2 columns have the role time"),
        ({"columns": "cond"}, "Invalid columns of a log layout: 'cond' was given. It must be a list"),
        ({"missing": "*"}, r"Invalid missing of a log layout: '\*' was given. It must be a list"),
        ({"header": False}, "Invalid column of a log layout without a header: 'cond' was given.*a number from 1"),
        ({"header": "yes"}, "Invalid header of a log layout: 'yes' was given.*true or false"),
        ({"line_start": "(L"}, r"Invalid line_start of a log layout: '\(L' was given.*a regular expression"),
        (
            {"line_start": "(?P<speed>L)"},
            "Invalid line_start.*: the group 'speed' was given.*line, station",
        ),
        ({"mark": "(?P<line>L)"}, "Invalid mark of a log layout: the group 'line' was given.*without named groups"),
        ({"delimiter": ",", "widths": [3]}, "the delimiter ',' and widths were both given.*the one or the other"),
        ({"delimiter": ";;"}, "Invalid delimiter of a log layout: ';;' was given.*tab, space or one character"),
        ({"widths": [3, 0]}, r"Invalid widths of a log layout: \[3, 0\] was given.*whole numbers from 1"),
        ({"widths": 3}, "Invalid widths of a log layout: 3 was given. It must be a list"),
        ({"decimal": "'"}, "Invalid decimal mark of a log layout"),
        ({"encoding": "utf-9"}, "Invalid encoding of a log layout: 'utf-9' was given.*utf-8 or latin-1"),
        ({"encoding": "zlib"}, "Invalid encoding of a log layout: 'zlib' was given"),
        ({"encoding": "base64"}, "Invalid encoding of a log layout: 'base64' was given"),
        ({"encoding": "punycode"}, "Invalid encoding of a log layout: 'punycode' was given"),
        ({"encoding": "undefined"}, "Invalid encoding of a log layout: 'undefined' was given"),
        ({"encoding": "raw_unicode_escape"}, "Invalid encoding of a log layout: 'raw_unicode_escape' was given"),
        ({"encoding": "a\0b"}, "Invalid encoding of a log layout"),
        ({"encoding": "x" * 5000}, "Invalid encoding of a log layout: 'xxx"),
        ({"line_start": "(" * 5000}, "Invalid line_start of a log layout: '\\(\\("),
        ({"skip_rows": -1}, "Invalid skip_rows of a log layout: -1 was given.*a whole number from 0"),
        ({"skip_rows": 10**400}, "Invalid skip_rows of a log layout: 1000.*a whole number from 0 to 1,000,000"),
        ({"columns": [{**CHANNEL, "factor": 1e300}]}, r"Invalid factor of column 'cond': 1e\+300 was given.*to 1e\+12"),
        ({"columns": [{**CHANNEL, "factor": -1e-300}]}, "Invalid factor of column 'cond': -1e-300 .*other than zero"),
        ({"columns": [{**CHANNEL, "factor": 10**400}]}, "Invalid factor of column 'cond': 1000.*a number"),
        (
            {"columns": [{**CHANNEL, "offset": -1e13}]},
            r"Invalid offset of column 'cond': -1e\+13 was given.*-1e\+12 to",
        ),
        ({"columns": [{**CHANNEL, "column": 10**9}]}, "Invalid column of a log layout: 1000000000 .*from 1 to 500"),
        ({"widths": [3, 10**9]}, "Invalid widths of a log layout: .*whole numbers from 1 to 10,000, of at most 500"),
        ({"widths": [3, True]}, r"Invalid widths of a log layout: \[3, True\] was given"),
        ({"widths": [1] * 501}, "Invalid widths of a log layout: .*at most 500 columns"),
        ({"comment": 1}, "Invalid comment of a log layout: 1 was given"),
        ({"separator": ","}, "Invalid option of a log layout: 'separator' was given.*delimiter, widths"),
    ],
)
def test_what_cannot_be_is_explained(change, sentence):
    with pytest.raises(EngineError, match=sentence):
        layout_from_dict({"columns": [CHANNEL], **change})


@pytest.mark.parametrize(("text", "sentence"), [("{'a': 1}", "is no JSON"), ("[1]", "a list was given")])
def test_texts_that_are_no_layout(text, sentence):
    with pytest.raises(EngineError, match=re.escape(sentence)):
        layout_from_json(text)


@pytest.mark.parametrize(("key", "value"), [("factor", "1e300"), ("offset", "-1e300"), ("column", "1e9"),
                                            ("column", "1000000000")])  # fmt: skip
def test_a_number_that_cannot_be_is_named_with_file_and_key(key, value):
    text = json.dumps({"columns": [{**CHANNEL, key: "?"}]}).replace('"?"', value)
    with pytest.raises(EngineError, match=f"^Layout backpack.json: Invalid {key} of "):
        layout_from_json(text, "backpack.json")


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "latin-1", "cp1252", "utf-16", "utf-16-le", "utf-32",
                                      "cp037", "shift_jis", "gb18030", "iso2022_jp", "mac_roman", "ascii"])  # fmt: skip
def test_encodings_of_texts_are_taken(encoding):
    """Source: Python, codecs, standard encodings."""
    assert layout_from_dict({"columns": [CHANNEL], "encoding": encoding}).encoding == encoding
