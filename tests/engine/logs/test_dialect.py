"""The shape of rows: which of them hold readings."""

from __future__ import annotations

from turnrow.processing_provider.engine.logs.dialect import find_shape


def test_rows_of_words_with_a_number_are_no_readings():
    words = [f"site;field;north;plot;{k}\n" for k in range(10)]
    readings = [f"{k};{k + 1};12.5;0.3;ovr\n" for k in range(4)]
    assert find_shape([*words, *readings]).data == [10, 11, 12, 13]
