"""Every constant of the engine says where it comes from."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
ENGINE = ROOT / "processing_provider" / "engine"


@pytest.fixture(scope="module")
def constants():
    name = "turnrow_tests_constants"
    found = importlib.util.spec_from_file_location(name, ROOT / "tests" / "constants.py")
    sys.modules[name] = importlib.util.module_from_spec(found)
    found.loader.exec_module(sys.modules[name])
    return sys.modules[name]


def test_every_constant_says_where_it_comes_from(constants, capsys):
    silent = {
        path.relative_to(ENGINE).as_posix(): constants.silent(path.read_text("utf-8"))
        for path in sorted(ENGINE.rglob("*.py"))
    }
    with capsys.disabled():
        print(f"\n{sum(map(len, silent.values()))} constants without a source")
    assert {path: those for path, those in silent.items() if those} == {}


@pytest.mark.parametrize(
    "said", ["", "Metres.", "The source is known.", "Found by tests/calibration/no_such_script.py."]
)
def test_a_silent_constant_is_found(constants, said):
    assert constants.silent(f'REACH_M = 2.0\n"""{said}"""\n') == ["line 1: REACH_M"]
    assert constants.silent(f'BOUNDS: tuple = (0, 1)\n"""{said}"""\n') == ["line 1: BOUNDS"]


@pytest.mark.parametrize("said", ["Source: a handbook, from memory.", "Derived: half the spacing.",
                                  "Metres. Common practice, no source."])  # fmt: skip
def test_a_constant_with_a_source_is_not(constants, said):
    assert constants.silent(f'REACH_M = 2.0\n"""{said}"""\n') == []


def test_a_script_that_finds_the_constant_must_be_there(constants, tmp_path):
    text = 'REACH_M = 2.0\n"""Found by ``tests/calibration/reach.py``."""\n'
    assert constants.silent(text, tmp_path) == ["line 1: REACH_M"]
    (tmp_path / "tests" / "calibration").mkdir(parents=True)
    (tmp_path / "tests" / "calibration" / "reach.py").touch()
    assert constants.silent(text, tmp_path) == []


def test_texts_and_switches_are_no_such_constants(constants):
    assert constants.silent('NAME = "line 1"\nIS_ON = True\n_part = 2\n') == []
