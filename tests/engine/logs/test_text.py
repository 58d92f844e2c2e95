"""A log is text: its encoding, and binary files that are refused."""

from __future__ import annotations

import pytest
from turnrow.processing_provider.engine.core.errors import EngineError
from turnrow.processing_provider.engine.logs import read_log
from turnrow.processing_provider.engine.logs.text import check_text, sniff_encoding
from turnrow.tests.engine.logs.log_files import codes


def test_a_few_control_characters_are_text():
    check_text(b"\x01" + b"1;2;3\n" * 40, "utf-8", "log.txt")


@pytest.mark.parametrize("head", [b"\x01\x02\x03" + b"1;2;3\n" * 40, b"1;\0;3\n" + b"1;2;3\n" * 14])
def test_more_than_one_control_character_in_a_hundred_is_binary(head):
    with pytest.raises(EngineError, match="is a binary file"):
        check_text(head, "utf-8", "log.txt")


ROWS = ["line;station;cond", *(f"{n};{s};2{s}.5" for n in (1, 2) for s in (1, 2, 3, 4))]


@pytest.mark.parametrize("encoding", ["utf-16-le", "utf-16-be", "cp1252", "utf-8", "latin-1"])
def test_encodings_without_a_mark(tmp_path, encoding):
    title = "Wiese – 5 ‰, 17 °C" if encoding != "latin-1" else "Wiese, 17 °C"
    path = tmp_path / "log.txt"
    path.write_bytes("\n".join([title, *ROWS, ""]).encode(encoding))
    assert sniff_encoding(path.read_bytes()) == encoding
    assert len(read_log(path).readings) == 8


@pytest.mark.parametrize("damage", [b"\0" * 60, b"\0" * 60 + b"\n"])
def test_zero_bytes_of_lost_power(tmp_path, damage):
    path = tmp_path / "log.txt"
    path.write_bytes("\n".join(ROWS[:6]).encode() + b"\n" + damage + "\n".join([*ROWS[6:], ""]).encode() + b"\x1a")
    result = read_log(path)
    assert len(result.readings) == 8
    assert codes(result) == []


@pytest.mark.parametrize("value", ["2\0005.5", "2\0\0\0\0\0"])
def test_zero_bytes_in_or_behind_a_value_are_no_digits(tmp_path, value):
    path = tmp_path / "log.txt"
    path.write_bytes("\n".join([*ROWS, f"2;5;{value}", ""]).encode())
    result = read_log(path)
    assert "value-unreadable" in codes(result)
    assert result.readings.channels["cond"][:8].tolist() == [21.5, 22.5, 23.5, 24.5] * 2


def test_dashes_are_signs_of_minus(tmp_path):
    path = tmp_path / "log.txt"
    path.write_text(
        "\n".join(["line;station;cond", *(f"1;{dash}{s};{dash}2{s}.5" for s, dash in enumerate("-−–‒", 1))]), "utf-8"
    )
    assert read_log(path).readings.channels["cond"].tolist() == [-21.5, -22.5, -23.5, -24.5]
