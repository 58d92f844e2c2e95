"""A plan image laid onto the map."""

from __future__ import annotations

import numpy as np
import pytest
from osgeo import gdal
from qgis.core import QgsCoordinateReferenceSystem
from turnrow.plugin.map_tools.plan_image import SKEW, TURN, Pair, fit_plan, place_plan
from turnrow.processing_provider.engine.core.errors import EngineError

from .conftest import (
    ERRORS_M,
    IMAGE_POINTS,
    IMAGE_PX,
    RESIDUALS_M,
    SKEW_RESIDUAL_M,
    SQUARE,
    SQUARE_CENTRE,
    UTM31,
    crs,
    on_map,
    quarters,
    sample,
    write_image,
)

pytestmark = pytest.mark.usefixtures("qgis_app", "qgis_new_project")


def pairs(places, image=IMAGE_POINTS):
    return [Pair(*spot, *place) for spot, place in zip(image, places)]


@pytest.mark.parametrize("method", [TURN, SKEW])
def test_plan_lands_where_geometry_puts_it(method):
    found = fit_plan(pairs(SQUARE), method)
    assert found.pixel_m == pytest.approx(0.1, abs=1e-8)
    assert max(found.residuals_m) < 1e-6
    centre = gdal.ApplyGeoTransform(found.geotransform, IMAGE_PX / 2, IMAGE_PX / 2)
    assert centre == pytest.approx(SQUARE_CENTRE, abs=1e-6)


def test_residuals_of_a_plan_are_those_of_the_fit():
    places = np.add(SQUARE, ERRORS_M)
    turned = fit_plan(pairs(places))
    assert turned.residuals_m == pytest.approx(np.hypot(*RESIDUALS_M.T).tolist(), abs=1e-6)
    assert turned.pixel_m == pytest.approx(0.999988006 * 0.1, abs=1e-9)
    skewed = fit_plan(pairs(places), SKEW)
    # An affine fit of four corners of a rectangle leaves each the same: a quarter of their sum with changing signs.
    assert skewed.residuals_m == pytest.approx([SKEW_RESIDUAL_M] * 4, abs=1e-6)
    control = [gdal.GCP(x, y, 0, *spot) for spot, (x, y) in zip(IMAGE_POINTS, (places - SQUARE[0]).tolist())]
    by_gdal = gdal.GCPsToGeoTransform(control, False)
    np.testing.assert_allclose(
        np.subtract(skewed.geotransform, by_gdal)[[1, 2, 4, 5]], 0.0, atol=1e-9, err_msg="GDAL's own fit to points"
    )
    np.testing.assert_allclose(np.subtract(skewed.geotransform, by_gdal)[[0, 3]], SQUARE[0], atol=1e-6)


def test_coordinates_of_millions_keep_their_digits():
    far = np.add(SQUARE, (100000.0, 5600000.0))
    assert max(fit_plan(pairs(far)).residuals_m) < 1e-6


@pytest.mark.parametrize(
    ("given", "method", "said"),
    [
        (pairs(SQUARE)[:1], TURN, "1 points are given; this needs 2 or more"),
        (pairs(SQUARE)[:2], SKEW, "2 points are given; this needs 3 or more"),
        ([Pair(5, 5, *SQUARE[0]), Pair(5, 5, *SQUARE[1])], TURN, "at one place or on one line of the image"),
        ([Pair(5, 5, *SQUARE[0]), Pair(9, 5, *SQUARE[0])], TURN, "at one place or on one line of the map"),
        (
            [Pair(n, n, x, y) for n, (x, y) in enumerate(SQUARE[:3])], SKEW, "at one place or on one line of the image"
        ),
        (pairs([SQUARE[1], SQUARE[0], SQUARE[3], SQUARE[2]]), SKEW, "the image would lie mirrored"),
    ],
)  # fmt: skip
def test_points_that_hold_no_image_are_reported(given, method, said):
    with pytest.raises(EngineError, match=said):
        fit_plan(given, method)


@pytest.mark.parametrize(("driver", "suffix"), [("PNG", "png"), ("GTiff", "tif")])
def test_placed_image_is_north_up_and_shows_each_part_in_its_place(tmp_path, driver, suffix):
    image = write_image(tmp_path / f"plan.{suffix}", quarters((10, 80, 150, 220)), driver)
    before = image.read_bytes()
    path = place_plan(image, fit_plan(pairs(SQUARE)), crs().toWkt())
    assert path == tmp_path / "plan_placed.tif"
    # Upper left quarter of the plan = first half of the baseline, second half of the traverses, and so on.
    for value, (u, v) in ((10, (5, 15)), (80, (15, 15)), (150, (5, 5)), (220, (15, 5))):
        (grey, alpha), (_, width, turn, _, turn_too, height), bands = sample(path, *on_map(u, v))
        assert (grey, alpha, bands, turn, turn_too) == (value, 255, 2, 0.0, 0.0)
        assert (width, height) == pytest.approx((0.1, -0.1), abs=1e-6)
    assert sample(path, SQUARE[3][0] + 0.3, SQUARE[0][1] + 0.3)[0][1] == 0  # outside of the plan
    assert QgsCoordinateReferenceSystem(gdal.Open(str(path)).GetProjection()).authid() == UTM31
    assert image.read_bytes() == before
    assert sorted(p.name for p in tmp_path.iterdir()) == sorted([image.name, path.name])


def test_second_placing_takes_a_new_name(tmp_path):
    image = write_image(tmp_path / "plan.png", quarters((10, 80, 150, 220)))
    placement = fit_plan(pairs(SQUARE[:2]))
    first = place_plan(image, placement, crs().toWkt())
    kept = first.read_bytes()
    assert place_plan(image, placement, crs().toWkt()).name == "plan_placed2.tif"
    assert first.read_bytes() == kept


def test_colours_of_a_palette_and_of_a_photograph_are_kept(tmp_path):
    drawn = write_image(tmp_path / "drawn.png", quarters((0, 1, 2, 1)), palette=True)
    path = place_plan(drawn, fit_plan(pairs(SQUARE)), crs().toWkt())
    assert sample(path, *on_map(15, 15))[0] == (200, 30, 10, 255)
    grey = quarters((10, 80, 150, 220))
    photo = write_image(tmp_path / "photo.png", np.stack([grey, 255 - grey, grey // 2, np.full_like(grey, 255)]))
    path = place_plan(photo, fit_plan(pairs(SQUARE)), crs().toWkt())
    assert sample(path, *on_map(15, 15))[0] == (80, 175, 40, 255)


def test_file_that_is_no_image_is_reported(tmp_path):
    path = tmp_path / "notes.txt"
    path.write_text("no image")
    with pytest.raises(EngineError, match=r"The image notes\.txt cannot be read"):
        place_plan(path, fit_plan(pairs(SQUARE)), crs().toWkt())
    assert [p.name for p in tmp_path.iterdir()] == ["notes.txt"]
