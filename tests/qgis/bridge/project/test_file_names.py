"""Names that people give become file names that every system takes, each its own.

Rules: Microsoft, Naming Files, Paths, and Namespaces; POSIX.1-2017, 3.170 (file names); Apple File System Reference,
names that differ in case or form of accents only (all from memory).
"""

import itertools
import random
import unicodedata

import pytest
from turnrow.processing_provider.bridge.project import file_stems

HARMLESS = ("A", "A 1", "north-east", "Gräben", "K_ec", "a.b", "区画", "con1", "x" * 96)
HOSTILE = (
    "../../../x", "/etc/x", "C:\\x", "..", ".", "", " ", ".hidden", "a/b", "a\\b", "a:b", "a|b", 'a"b', "a<b>", "a*?",
    "con", "NUL", "com1", "LPT9.x", "aux .y", "x\0y", "x\ny", "\ud800", "x" * 300, "é" * 80, "ends.", "ends ", "\x7f",
)  # fmt: skip
DEVICES = {"con", "prn", "aux", "nul", *(f"{port}{n}" for port in ("com", "lpt") for n in range(10))}


def stems(*names):
    return list(file_stems({str(number): name for number, name in enumerate(names)}, ".tif").values())


@pytest.mark.parametrize("name", HARMLESS)
def test_a_harmless_name_keeps_its_letters(name):
    assert stems(*HOSTILE, name)[-1] == name


@pytest.mark.parametrize("name", HOSTILE)
def test_no_name_leaves_its_folder_or_is_refused_by_a_system(name):
    (stem,) = stems(name)
    assert stem
    assert not set(stem) & set('<>:"/\\|?*')
    assert stem.isprintable()
    assert not stem.startswith(".")
    assert stem[-1] not in ". "
    assert stem.partition(".")[0].strip().lower() not in DEVICES
    assert len((stem + ".tif").encode()) <= 100


@pytest.mark.parametrize(
    "names",
    [("A", "a"), ("A", "a", "a-2"), ("a/b", "a_b"), ("é", unicodedata.normalize("NFD", "é")), ("x" * 200, "x" * 201),
     ("A", "A"), ("ß", "SS"), ("a/b", "a:b", "a_b-2")],
)  # fmt: skip
def test_names_stay_different_where_capitals_and_accents_do_not_count(names):
    found = [unicodedata.normalize("NFD", stem).casefold() for stem in stems(*names)]
    assert len(set(found)) == len(names)


def test_order_does_not_matter():
    names = {key: name for key, name in enumerate(("a", "A", "a-2", "a/b", "a:b", "a_b", ".", "_"))}
    named = {str(key): name for key, name in names.items()}
    expected = file_stems(named, ".tif")
    for seed in range(20):
        keys = random.Random(seed).sample(list(named), len(named))
        assert file_stems({key: named[key] for key in keys}, ".tif") == expected


def test_a_name_that_is_taken_keeps_the_first_claim():
    # "a-2" is harmless, so "A" and "a" must number around it.
    assert sorted(stems("A", "a", "a-2")) == ["A", "a-2", "a-3"]


def test_any_mixture_of_letters_gives_distinct_names():
    letters = ["a", "A", "/", ".", "-", "2", "é", "\0"]
    names = ["".join(some) for size in range(1, 4) for some in itertools.product(letters, repeat=size)]
    found = {unicodedata.normalize("NFD", stem).casefold() for stem in stems(*names)}
    assert len(found) == len(names)
