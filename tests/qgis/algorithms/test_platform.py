"""A survey with a cart, run from its files: the recipe names the platform, and it comes out nearer the truth."""

import json

import numpy as np
import pytest
from osgeo import gdal, ogr

pytestmark = pytest.mark.usefixtures("turnrow_provider")

STEPS = ["flagoutliers", "alignopposing", "balancetraverses", "balancegrids", "interpolatereadings"]


def survey_of_a_cart(simulate, folder):
    """Drive a cart over two grids: its wheel is set down and slips within 2 cm a line, and there is no pace."""
    faults = simulate.Faults(noise=0.15, stripe=0.4, direction=0.5, lag_m=0.25, lag_jitter_m=0.01, ends_m=0.02,
                             across_m=0.05)  # fmt: skip
    plans = simulate.block_plans(1, 2, length_m=20.0, width_m=15.0)
    return simulate.write_survey(folder, plans, faults=faults, seed=3)


def run(folder, platform):
    from qgis import processing

    recipe = folder / f"{platform}.json"
    recipe.write_text(json.dumps({"steps": STEPS, "platform": platform}))
    names = {"REGISTER": "register.csv", "CORNERS": "corners.csv", "NOTES": "notes.csv"}
    output = folder / platform
    processing.run("turnrow:processregister", {
        **{key: str(folder / name) for key, name in names.items()}, "LOG_FOLDER": str(folder), "RECIPE": str(recipe),
        "CHANNELS": "eca_10", "TARGET_CRS": "EPSG:32631", "OUTPUT_FOLDER": str(output),
    })  # fmt: skip
    return output


def position_errors(output, grids):
    """Return how far readings lie from where they were truly taken (root mean square), and what is said about it."""
    true = {}
    for grid in grids:
        keys = zip([grid.plan.grid] * len(grid), grid.line.tolist(), grid.run.tolist(), grid.seq.tolist())
        true.update(zip(keys, zip(grid.true_x, grid.true_y)))
    source = ogr.Open(str(output / "survey.gpkg"))
    away, said = [], []
    for feature in source.GetLayerByName("readings"):
        if feature["flag"]:
            continue
        point, there = feature.geometry(), true[feature["grid"], feature["line"], feature["run"], feature["seq"]]
        away.append(np.hypot(point.GetX() - there[0], point.GetY() - there[1]))
        said.append(feature["v_m_se"])
    return np.sqrt(np.mean(np.square(away))), np.sqrt(np.mean(np.square(said)))


def map_error(output, simulate):
    raster = gdal.Open(str(output / "site_eca_10.tif"))
    values = raster.ReadAsArray().astype(float)
    west, cell, _, north, _, _ = raster.GetGeoTransform()
    x = west + cell * (np.arange(values.shape[1]) + 0.5)
    y = north - cell * (np.arange(values.shape[0]) + 0.5)
    apart = (values - simulate.truth(*np.meshgrid(x, y), "eca_10"))[values != -9999]
    return np.sqrt(np.mean((apart - apart.mean()) ** 2))


def test_a_cart_is_corrected_better_as_a_cart(simulate, tmp_path):
    grids = survey_of_a_cart(simulate, tmp_path)
    carried, cart = (run(tmp_path, platform) for platform in ("carried", "cart"))
    (as_carried, said_carried), (as_cart, said_cart) = (position_errors(output, grids) for output in (carried, cart))
    # Truth: 0.05 m across the lines, which no correction sees, and 0.02 m along them.
    floor = np.hypot(0.05, 0.02)
    assert as_cart < as_carried
    assert as_cart == pytest.approx(floor, rel=0.1)
    # The standard error along the line is that of a cart, whose size readings leave open within a factor of two.
    assert 0.01 < said_cart < 0.04
    assert said_carried > 1.5 * said_cart
    assert map_error(cart, simulate) < map_error(carried, simulate)
    record = next(r for r in json.loads((cart / "recipe.json").read_text())["results"] if r["step"] == "alignopposing")
    assert record["options"]["platform"] == "cart"
    assert json.loads((cart / "recipe.json").read_text())["platform"] == "cart"


def test_without_a_platform_the_recipe_is_of_a_carried_instrument():
    from turnrow.processing_provider.engine.workflow import parse_recipe

    assert parse_recipe(json.dumps({"steps": STEPS})).platform == "carried"


def test_a_platform_that_nobody_knows_is_named(simulate, tmp_path):
    from qgis.core import QgsProcessingException

    survey_of_a_cart(simulate, tmp_path)
    with pytest.raises(
        QgsProcessingException, match="Invalid platform in the .*: 'sledge' was given. It must be one of"
    ):
        run(tmp_path, "sledge")
