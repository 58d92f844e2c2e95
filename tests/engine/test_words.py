"""The search for words that have a better one finds them, in names and texts, and nothing else."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]


@pytest.fixture(scope="module")
def words():
    name = "turnrow_tests_words"
    found = importlib.util.spec_from_file_location(name, ROOT / "tests" / "words.py")
    sys.modules[name] = importlib.util.module_from_spec(found)
    found.loader.exec_module(sys.modules[name])
    return sys.modules[name]


def lines_found(words, tmp_path, name, text):
    path = tmp_path / Path(name).name
    path.write_text(text)
    return [int(sentence.split(":")[1]) for sentence in words.found(path, name)]


@pytest.mark.parametrize(
    ("text", "lines"),
    [
        ("def usual_step(): pass", [1]),
        ("class NoDoubt: pass", [1]),
        ("told = 1", [1]),
        ("x = 1  # told by the ties", [1]),
        ('"""Sum.\n\nTold by the ties.\n"""', [3]),
        ("x = f'{1} is Told'", [1]),
        ("x = 'untold stolen platelet'", []),
        ("from .parts import platen", []),
    ],
)
def test_a_word_is_found_whole(words, tmp_path, text, lines):
    assert lines_found(words, tmp_path, "plugin/window.py", text) == lines


def test_some_words_are_wrong_in_the_engine_only_and_some_in_names_only(words, tmp_path):
    engine = "processing_provider/engine/mosaic/one.py"
    assert lines_found(words, tmp_path, engine, "patches = 1") == [1]
    assert lines_found(words, tmp_path, "plugin/one.py", "patches = 1") == []
    assert lines_found(words, tmp_path, engine, "ground_share = 1") == [1, 1]
    assert lines_found(words, tmp_path, engine, "x = 1  # the grids share ground") == []


def test_what_is_allowed_is_not_found(words, tmp_path):
    engine = "processing_provider/engine/mosaic/one.py"
    assert lines_found(words, tmp_path, engine, "extent = grid.width_m") == []
    assert lines_found(words, tmp_path, engine, "extent = grid.width") == [1]


def test_each_exception_has_a_reason_and_is_needed(words):
    texts = {name: (ROOT / name).read_text("utf-8") for name in words.files()}
    for under, pattern, reason in words.ALLOWED:
        assert reason
        assert any(words.re.search(pattern, text) for name, text in texts.items() if name.startswith(under)), pattern
