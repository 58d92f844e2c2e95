"""Names of channels whose fields can stand beside each other in one table.

SQLite takes no two columns of a table whose names differ in capitals only (SQLite documentation, Frequently Asked
Questions and lang_createtable); a GeoPackage is an SQLite database (OGC 12-128r17, section 1.1.1).
"""

import itertools
import random
import sqlite3

import pytest
from turnrow.processing_provider.engine.core import FIXED_FIELDS, channel_names

CASES = {
    ("cond", "temp 2"): ("cond", "temp 2"),
    ("fid",): ("fid_2",),
    ("geom", "GEOM_2"): ("geom_3", "GEOM_2"),
    ("eca", "ECA"): ("eca_2", "ECA"),
    ("cond_raw", "cond"): ("cond_raw_2", "cond"),
    ("cond", "cond_se", "cond_raw_2"): ("cond", "cond_se_2", "cond_raw_2"),
    ("Line",): ("Line_2",),
    ("a\0b",): ("a_b_2",),
}


@pytest.mark.parametrize(("names", "expected"), CASES.items())
def test_names(names, expected):
    assert channel_names(names) == dict(zip(names, expected))


def test_fields_that_are_taken_besides():
    assert channel_names(["mark", "cond"], ["mark"]) == {"mark": "mark_2", "cond": "cond"}


@pytest.mark.parametrize("seed", range(20))
def test_a_database_takes_every_field(seed):
    letters = [*"aAé", "_raw", "_se", "_2", "fid", "line", '"', "\ud800"]
    every = ["".join(some) for size in (1, 2, 3) for some in itertools.product(letters, repeat=size)]
    names = random.Random(seed).sample(every, 60)
    chosen = channel_names(names)
    assert chosen == {name: channel_names(sorted(names))[name] for name in names}
    fields = [*FIXED_FIELDS, "fid", "geom", *(n + ending for n in chosen.values() for ending in ("", "_raw", "_se"))]
    quoted = ", ".join('"' + field.replace('"', '""') + '"' for field in fields)
    with sqlite3.connect(":memory:") as database:
        database.execute(f"CREATE TABLE readings ({quoted})")
    database.close()
