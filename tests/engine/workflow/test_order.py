"""The order of the rows of the register, and of the grids in a layer, changes nothing."""

import csv
from random import Random

import numpy as np
import pytest
from turnrow.processing_provider.engine.align import align_opposing
from turnrow.processing_provider.engine.balance import balance_traverses
from turnrow.processing_provider.engine.core import concatenate, finding_rows
from turnrow.processing_provider.engine.flag import flag_outliers
from turnrow.processing_provider.engine.interpolate import interpolate_readings
from turnrow.processing_provider.engine.mosaic import balance_grids
from turnrow.processing_provider.engine.workflow import default_recipe, gather_sources, process_survey
from turnrow.sample_project.simulator.other_laws import CASES

CASE = "four grids, ties"


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """Four grids with ties, overruns and usual errors."""
    path = tmp_path_factory.mktemp("survey")
    CASES[CASE].walk(7).write(path)
    return path


def tables(folder):
    return [list(csv.DictReader((folder / f"{name}.csv").open())) for name in ("register", "corners", "notes")]


@pytest.fixture(scope="module")
def as_registered(folder):
    return process_survey(gather_sources(*tables(folder), folder), default_recipe())


def sorted_rows(rows):
    return sorted(map(repr, rows))


@pytest.mark.parametrize("shuffle", [lambda rows: rows[::-1], lambda rows: Random(5).sample(rows, len(rows))])
def test_rows_of_the_register_in_another_order_give_the_same_bytes(folder, as_registered, shuffle):
    register, corners, notes = tables(folder)
    other = shuffle(register)
    assert other != register
    result = process_survey(gather_sources(other, shuffle(corners), notes, folder), default_recipe())
    assert [one.grid for one in result.results] == [row["grid"] for row in other]
    for channel, raster in as_registered.rasters.items():
        for before, after in ((raster, result.rasters[channel]),
                              (as_registered.raw_rasters[channel], result.raw_rasters[channel])):  # fmt: skip
            assert before.values.tobytes() == after.values.tobytes()
            assert before.standard_error.tobytes() == after.standard_error.tobytes()
    for name, part in as_registered.corrected.items():
        again = result.corrected.get(name).to_columns()
        for column, values in part.to_columns().items():
            np.testing.assert_array_equal(again[column], values, err_msg=column)
    assert sorted_rows(finding_rows(result.findings)) == sorted_rows(finding_rows(as_registered.findings))
    for one, before in zip(result.records, as_registered.records):
        assert getattr(one, "figures", None) == getattr(before, "figures", None)
        assert sorted_rows(getattr(one, "table", ())) == sorted_rows(getattr(before, "table", ()))


def test_grids_of_a_layer_in_another_order_give_the_same_readings_and_map(as_registered):
    parts = [part for _, part in as_registered.placed.items()]
    one, other = (concatenate(tables) for tables in (parts, parts[::-1]))
    for correction in (flag_outliers, align_opposing, balance_traverses, balance_grids):
        (one, _), (other, _) = correction(one), correction(other)
    here, there = (dict(table.by_grid()) for table in (one, other))
    for name, part in here.items():
        np.testing.assert_array_equal(there[name].channels["eca_10"], part.channels["eca_10"])
    maps = [interpolate_readings(table, "eca_10", as_registered.lattice) for table in (one, other)]
    assert maps[0].values.tobytes() == maps[1].values.tobytes()
    assert maps[0].standard_error.tobytes() == maps[1].standard_error.tobytes()
