"""A log is text: its encoding, and binary files that are refused."""

from __future__ import annotations

import pytest
from turnrow.processing_provider.engine.core.errors import EngineError
from turnrow.processing_provider.engine.logs.text import check_text


def test_a_few_control_characters_are_text():
    check_text(b"\x01" + b"1;2;3\n" * 40, "utf-8", "log.txt")


@pytest.mark.parametrize("head", [b"\x01\x02\x03" + b"1;2;3\n" * 40, b"1;\0;3\n" + b"1;2;3\n" * 14])
def test_more_than_one_control_character_in_a_hundred_is_binary(head):
    with pytest.raises(EngineError, match="is a binary file"):
        check_text(head, "utf-8", "log.txt")
