"""What positions are rounded to in their last digits changes no reading, map or finding by more than that."""

import csv
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from turnrow.processing_provider.engine.workflow import read_survey
from turnrow.processing_provider.engine.workflow.process_survey import process_survey
from turnrow.processing_provider.engine.workflow.recipe import default_recipe
from turnrow.processing_provider.engine.workflow.sources import gather_sources

SAMPLE = Path(__file__).resolve().parents[3] / "sample_project"
# Lines across a tie, lines walked twice, and readings half-way between the nodes of the lines beside them.
GRIDS = "AEI"
# Rounding of coordinates at 6,000,000 m is 1e-9 m; along the lines of a grid it is far less.
ROUNDING_M = 2e-12
# Rasters hold single precision: less than 2^-24 of their largest values, and 1e-6 where these are small.
MOST = 1e-6


def rows(name):
    with (SAMPLE / name).open(newline="", encoding="utf-8") as file:
        return [row for row in csv.DictReader(file) if row["grid"] in GRIDS]


def processed():
    sources = gather_sources(rows("register.csv"), rows("corners.csv"), rows("notes.csv"), SAMPLE)
    return process_survey(sources, default_recipe())


def rounded_otherwise(readings, rng):
    """Return readings with positions as another library may round them."""
    count = len(readings)
    u, v = (values + ROUNDING_M * rng.uniform(-1, 1, count) for values in (readings.u_m, readings.v_m))
    x, y = (values + np.spacing(values) * rng.integers(-1, 2, count) for values in (readings.x, readings.y))
    return replace(readings, u_m=u, v_m=v, x=x, y=y)


@pytest.fixture(scope="module")
def exact():
    return processed()


@pytest.mark.parametrize("seed", [1, 2])
def test_a_survey_does_not_hang_on_the_last_digits_of_positions(exact, seed, monkeypatch):
    rng, place = np.random.default_rng(seed), read_survey.place_readings

    def place_otherwise(*args):
        readings, *others = place(*args)
        return (rounded_otherwise(readings, rng), *others)

    monkeypatch.setattr(read_survey, "place_readings", place_otherwise)
    other = processed()
    assert other.findings == exact.findings
    for grid in GRIDS:
        one, two = exact.corrected.get(grid), other.corrected.get(grid)
        np.testing.assert_array_equal(two.flag, one.flag)
        for channel, values in one.channels.items():
            np.testing.assert_allclose(two.channels[channel], values, rtol=0, atol=MOST)
    for ours, theirs in ((exact.rasters, other.rasters), (exact.raw_rasters, other.raw_rasters)):
        assert set(ours) == set(theirs) != set()
        for channel, raster in ours.items():
            for kind in ("value_blocks", "error_blocks"):
                one, two = getattr(raster, kind).blocks, getattr(theirs[channel], kind).blocks
                assert set(one) == set(two)
                for key, block in one.items():
                    np.testing.assert_allclose(two[key], block, rtol=2.0**-23, atol=MOST)
