"""Where corners put a survey: exchanged axes, area and scale of the CRS, other layers; each said only where it is sure.

Positions by longitude and latitude are brought into each CRS by PROJ, through QGIS.
"""

import math
import re
import threading

import pytest
from qgis.core import (
    QgsCoordinateReferenceSystem,
    QgsCoordinateTransform,
    QgsCoordinateTransformContext,
    QgsFeature,
    QgsGeometry,
    QgsPointXY,
    QgsProject,
    QgsVectorLayer,
)
from turnrow.processing_provider.bridge.vector import extents_in_project, site_findings, survey_corners
from turnrow.processing_provider.engine.core import EngineError
from turnrow.processing_provider.engine.geometry import CORNERS, local_corner

pytestmark = pytest.mark.usefixtures("qgis_app")
WORLD, PLAIN = QgsCoordinateReferenceSystem("EPSG:4326"), QgsCoordinateTransformContext()
KINDS = {
    # UTM north and south; transverse Mercators with other origins, northing first but for 27700; conical.
    "EPSG:32631": (2.3, 48.0), "EPSG:32733": (15.4, -31.6), "EPSG:2180": (19.0, 51.5), "EPSG:31468": (11.6, 48.1),
    "EPSG:27700": (-2.0, 52.6), "EPSG:2154": (3.0, 46.5), "EPSG:2193": (171.8, -41.5),
}  # fmt: skip
TOLD_APART = ("EPSG:32631", "EPSG:32733", "EPSG:31468", "EPSG:2154", "EPSG:2193")
"""CRSs whose area holds no position with its coordinates exchanged: northings are millions, eastings are not."""


def crs_of(name):
    return QgsCoordinateReferenceSystem(name)


def position(name, lon_lat):
    point = QgsCoordinateTransform(WORLD, crs_of(name), PLAIN).transform(QgsPointXY(*lon_lat))
    return point.x(), point.y()


def rows(x, y, grid="A", names=("x", "y")):
    local = {name: local_corner(name, 20, 20) for name in CORNERS}
    return [dict(zip(("grid", "corner", *names), (grid, n, x + u, y + v))) for n, (u, v) in local.items()]


def exchanged(table):
    return [{**row, "x": row["y"], "y": row["x"]} for row in table]


def found(table, name, layers=(), given=None):
    return site_findings((table, given, None), crs_of(name), PLAIN, layers)


def codes(*arguments, **options):
    return [f.code for f in found(*arguments, **options)]


def layer_at(lon_lat, name="trenches", wide=0.0, crs="EPSG:4326"):
    layer = QgsVectorLayer(f"Point?crs={crs}", name, "memory")
    for step in (0.0, wide):
        feature = QgsFeature()
        x, y = position(crs, (lon_lat[0] + step, lon_lat[1] + step))
        feature.setGeometry(QgsGeometry.fromPointXY(QgsPointXY(x, y)))
        layer.dataProvider().addFeature(feature)
    layer.updateExtents()
    return layer


def project_with(*layers):
    project = QgsProject()
    project.addMapLayers(list(layers))
    return project


@pytest.mark.parametrize(("name", "lon_lat"), KINDS.items())
def test_nothing_is_said_of_a_site_in_its_crs(name, lon_lat):
    assert found(rows(*position(name, lon_lat)), name) == []


@pytest.mark.parametrize("name", TOLD_APART)
def test_exchanged_axes_are_an_error_with_the_columns(name):
    (finding,) = found(exchanged(rows(*position(name, KINDS[name]))), name)
    assert (finding.code, finding.severity, finding.action, finding.grid) == ("axes-exchanged", "error", "ask", "")
    assert "easting and northing of the corners" in finding.advice
    assert "easting from x, northing from y" in finding.found


def test_columns_are_shown_as_they_are_called():
    x, y = position("EPSG:32631", KINDS["EPSG:32631"])
    assert "easting from Easting, northing from Northing" in (
        found(rows(y, x, names=("Easting", "Northing")), "EPSG:32631")[0].found
    )


@pytest.mark.parametrize("name", ["EPSG:27700", "EPSG:2180"])
def test_axes_that_could_be_either_way_round_are_not_accused(name):
    """With its coordinates exchanged each of these two sites still lies in the area of its CRS."""
    assert codes(exchanged(rows(*position(name, KINDS[name]))), name) == []


@pytest.mark.parametrize("name", ["EPSG:27700", "EPSG:2180"])
def test_layers_of_the_project_show_which_way_round_axes_are(name):
    layers = extents_in_project(project_with(layer_at(KINDS[name])))
    right = rows(*position(name, KINDS[name]))
    assert codes(right, name, layers) == []
    assert codes(exchanged(right), name, layers) == ["axes-exchanged"]


def test_axes_are_not_accused_where_layers_are_far_either_way():
    right = rows(*position("EPSG:27700", KINDS["EPSG:27700"]))
    assert codes(right, "EPSG:27700", extents_in_project(project_with(layer_at((0.5, 51.0))))) == ["site-far"]


def test_one_exchanged_grid_is_named():
    x, y = position("EPSG:32631", KINDS["EPSG:32631"])
    findings = found([*rows(x, y), *exchanged(rows(x + 20, y, "B"))], "EPSG:32631")
    assert [(f.code, f.grid) for f in findings] == [("axes-exchanged", "B")]


def test_exchanged_degrees_are_seen_by_the_area_of_the_survey():
    table = [{"grid": "A", "corner": n, "x": 48.0, "y": 2.3} for n in CORNERS]
    assert codes(table, "EPSG:32631", given=WORLD) == ["axes-exchanged"]
    assert codes(exchanged(table), "EPSG:32631", given=WORLD) == []


def test_site_just_past_a_zone_near_the_equator_is_not_called_exchanged():
    """There the northing is as small as an easting, and exchanged it would lie in the zone."""
    assert codes(rows(*position("EPSG:32631", (6.5, 3.0))), "EPSG:32631") == ["crs-area"]


@pytest.mark.parametrize(
    ("name", "lon_lat", "zone"),
    [
        ("EPSG:32631", (9.5, 48.0), "UTM zone 32 north (EPSG:32632)"),
        ("EPSG:32733", (15.4, 10.0), "UTM zone 33 north (EPSG:32633)"),
        ("EPSG:31468", (8.0, 48.1), "UTM zone 32 north (EPSG:32632)"),
        ("EPSG:2180", (28.0, 51.5), "UTM zone 35 north (EPSG:32635)"),
        ("EPSG:2193", (160.0, -41.5), "UTM zone 57 south (EPSG:32757)"),
    ],
)
def test_site_outside_the_area_of_its_crs(name, lon_lat, zone):
    """Zone = floor((longitude + 180) / 6) + 1, EPSG 326xx north and 327xx south (EPSG registry, UTM on WGS 84)."""
    (finding,) = found(rows(*position(name, lon_lat)), name)
    assert (finding.code, finding.severity, finding.action) == ("crs-area", "warning", "ask")
    assert zone in finding.advice
    assert f"outside the area of {name}" in finding.found


@pytest.mark.parametrize(("longitude", "expected"), [(177.5, []), (-179.0, []), (170.0, ["crs-area"])])
def test_area_across_the_180th_meridian(longitude, expected):
    """EPSG:3460 is made for 176.81 east to 178.15 west (EPSG registry)."""
    assert codes(rows(*position("EPSG:3460", (longitude, -17.5))), "EPSG:3460") == expected


def test_grid_outside_the_area_of_the_others_is_named():
    x, y = position("EPSG:32631", (2.3, 48.0))
    (finding,) = found([*rows(100.0, 100.0, "B"), *rows(x, y)], "EPSG:32631")
    assert (finding.code, finding.grid) == ("crs-area", "B")


def test_site_across_the_edge_of_an_area_is_one_site():
    x, y = position("EPSG:32631", (6.0, 48.0))
    assert codes([*rows(x - 60, y), *rows(x - 40, y, "B"), *rows(x + 20, y, "C")], "EPSG:32631") == []


def test_crs_without_an_area_is_not_judged_by_it():
    crs = QgsCoordinateReferenceSystem.fromProj("+proj=tmerc +lon_0=7 +k=1 +x_0=0 +datum=WGS84 +units=m")
    assert site_findings((rows(1000.0, 5.3e6), None, None), crs, PLAIN) == []


@pytest.mark.parametrize("latitude", [10.0, 50.0, -50.0, 70.0])
def test_scale_of_spherical_mercator(latitude):
    """Spherical Mercator stretches by 1 / cos(latitude) on its sphere (Snyder, Map Projections, 1987, eq. 7-3).

    On the ellipsoid that is times a / N to the east and a / M to the north, by its radii of curvature N and M.
    """
    (finding,) = found(rows(*position("EPSG:3857", (3.0, latitude))), "EPSG:3857")
    assert (finding.code, finding.severity, finding.action) == ("crs-scale", "warning", "ask")
    squared, sine = 0.00669437999014, math.sin(math.radians(latitude))  # WGS 84
    root = math.sqrt(1 - squared * sine**2)
    mercator = 1 / math.cos(math.radians(latitude))
    east, north = (float(text) for text in re.findall(r"([0-9.]+) m \(", finding.found))
    # Four decimals are shown; the middle of the site lies 10 m from where its first corner is.
    assert (east, north) == pytest.approx((mercator * root, mercator * root**3 / (1 - squared)), abs=1.2e-4)
    assert f"UTM zone 31 {'north' if latitude > 0 else 'south'}" in finding.advice


def test_scale_on_the_equator_is_reported_for_mercator_and_that_of_utm_is_not():
    """UTM: 0.9996 on its central meridian (definition). Mercator: 1 on the equator, 1.0067 to the north on the
    ellipsoid (1 / (1 - e^2)), which is reported."""
    assert codes(rows(*position("EPSG:32631", (3.0, 48.0))), "EPSG:32631") == []
    (finding,) = found(rows(*position("EPSG:3857", (3.0, 0.0))), "EPSG:3857")
    assert "1.0000 m (east) and 1.0067 m (north)" in finding.found


def test_scale_is_that_of_the_survey_and_not_of_the_corners():
    table = rows(*position("EPSG:32631", (3.0, 50.0)))
    assert codes(table, "EPSG:3857", given=crs_of("EPSG:32631")) == ["crs-scale"]


def test_site_far_from_all_other_layers():
    table = rows(*position("EPSG:32631", (2.3, 48.0)))
    assert (
        codes(table, "EPSG:32631", extents_in_project(project_with(layer_at((2.3, 48.02)), layer_at((2.3, 49.0)))))
        == []
    )
    (finding,) = found(table, "EPSG:32631", extents_in_project(project_with(layer_at((2.3, 49.0), "pipeline"))))
    assert (finding.code, finding.severity, finding.action) == ("site-far", "warning", "ask")
    # A degree of latitude from 48 to 49 north is 111.2 km (WGS 84 meridian arc).
    assert "111 km from the nearest other layer of the project (pipeline)" in finding.found


def test_base_maps_tables_and_the_corners_themselves_say_nothing():
    corners, table = layer_at((9.0, 50.0), "corners"), QgsVectorLayer("NoGeometry?field=a:string", "notes", "memory")
    project = project_with(layer_at((0.0, 40.0), "base map", wide=10.0), corners, table)
    assert [e.name for e in extents_in_project(project)] == ["corners"]
    assert extents_in_project(project, [corners.source()]) == ()
    assert extents_in_project(None) == ()


def test_extent_of_a_layer_in_another_crs():
    (layer,) = extents_in_project(project_with(layer_at((2.3, 48.02), crs="EPSG:2154")))
    assert (layer.extent.xMinimum(), layer.extent.yMaximum()) == pytest.approx((2.3, 48.02), abs=1e-6)


def test_layers_are_left_alone_outside_the_main_thread():
    project, seen = project_with(layer_at((2.3, 48.0))), []
    thread = threading.Thread(target=lambda: seen.append(extents_in_project(project)))
    thread.start()
    thread.join()
    assert seen == [()]
    assert len(extents_in_project(project)) == 1


def test_corners_by_easting_and_northing_are_transformed():
    x, y = position("EPSG:32631", (2.3, 48.0))
    table = [{"grid": "A", "corner": "start", "Easting": f"{x:.3f}", "Northing": f"{y:.3f}"}]
    (moved,), _ = survey_corners((table, crs_of("EPSG:32631"), None), crs_of("EPSG:2154"), QgsProject.instance())
    assert (moved["x"], moved["y"]) == pytest.approx(position("EPSG:2154", (2.3, 48.0)), abs=2e-3)


def test_rows_that_cannot_be_read_are_passed_over():
    x, y = position("EPSG:32631", (2.3, 48.0))
    good = {"grid": "A", "corner": "start", "x": x, "y": y}
    table = [{**good, "grid": "B", "x": "east"}, dict.fromkeys(good), good]
    moved, _ = survey_corners((table, crs_of("EPSG:32631"), None), crs_of("EPSG:2154"), QgsProject.instance())
    assert moved[:2] == table[:2]
    assert moved[2]["x"] == pytest.approx(position("EPSG:2154", (2.3, 48.0))[0], abs=2e-3)
    context = QgsProject.instance().transformContext()
    assert site_findings((table, crs_of("EPSG:32631"), None), crs_of("EPSG:32631"), context) == []


def test_corners_without_coordinates_show_the_columns_that_were_found():
    table = [{"grid": "A", "corner": "start", "lon": 2.3, "lat": 48.0}]
    with pytest.raises(EngineError, match="corners, row 2.*Easting and Northing.*found are: grid, corner, lon, lat"):
        survey_corners((table, None, None), crs_of("EPSG:32631"), QgsProject.instance())
