"""The survey's GeoPackage, read back by GDAL and by QGIS (OGC GeoPackage 1.3, 12-128r17)."""

import sqlite3
from contextlib import closing

import numpy as np
import pytest
from osgeo import ogr, osr
from turnrow.processing_provider.bridge.vector.geopackage import readings_layer, rows_layer, write_geopackage
from turnrow.processing_provider.bridge.vector.rtree import fill_rtree, outward
from turnrow.processing_provider.bridge.vector.sqlite_rows import insert_rows
from turnrow.processing_provider.engine.core.errors import Cancelled, EngineError
from turnrow.processing_provider.engine.core.readings import Readings

CRS = osr.SpatialReference()
CRS.ImportFromEPSG(32631)
WKT = CRS.ExportToWkt()
WEST, SOUTH = 500100.0, 6000100.0


@pytest.fixture
def layers():
    x = WEST + np.array([0.0, 1.0, 2.0, np.nan])
    readings = Readings.build(
        [1, 1, 2, 2], {"eca": [1.5, np.nan, 3.5, 4.5]}, grids=("A",), sources=("a.csv",), x=x, y=x - WEST + SOUTH
    ).with_flag("unplaced", [3])
    ring = [(WEST, SOUTH), (WEST + 3, SOUTH), (WEST + 3, SOUTH + 5), (WEST, SOUTH)]
    return [
        readings_layer([readings], len(readings)),
        rows_layer(
            "traverses", "line", [{"line": 1, "geometry": ring[:2]}, {"line": 2, "geometry": None}], {"line": int}
        ),
        rows_layer(
            "grids", "polygon", [{"grid": "A", "scale": np.nan, "geometry": ring}], {"grid": str, "scale": float}
        ),
    ]


@pytest.fixture
def written(tmp_path, layers):
    path = tmp_path / "survey.gpkg"
    write_geopackage(path, layers, WKT)
    return path


def test_gdal_reads_back_every_value(written):
    source = ogr.Open(str(written))
    layer = source.GetLayerByName("readings")
    assert layer.GetFeatureCount() == 4
    assert layer.GetSpatialRef().GetAuthorityCode(None) == "32631"
    assert layer.GetExtent() == (WEST, WEST + 2, SOUTH, SOUTH + 2)
    rows = list(layer)
    assert [r.items()["eca"] for r in rows] == [1.5, None, 3.5, 4.5]
    assert [r.items()["flag"] for r in rows] == ["", "", "", "unplaced"]
    assert [r.items()["seq"] for r in rows] == [0, 1, 0, 1]
    assert [r.GetGeometryRef() and r.GetGeometryRef().GetPoint_2D() for r in rows] == [
        (WEST, SOUTH), (WEST + 1, SOUTH + 1), (WEST + 2, SOUTH + 2), None,
    ]  # fmt: skip


def test_lines_polygons_and_missing_geometry(written):
    source = ogr.Open(str(written))
    first, second = list(source.GetLayerByName("traverses"))
    assert first.GetGeometryRef().Length() == 3
    assert second.GetGeometryRef() is None
    (grid,) = source.GetLayerByName("grids")
    assert grid.GetGeometryRef().Area() == 7.5
    assert grid.items()["scale"] is None


def test_spatial_index_finds_by_place(written):
    source = ogr.Open(str(written))
    layer = source.GetLayerByName("readings")
    layer.SetSpatialFilterRect(WEST + 0.5, SOUTH + 0.5, WEST + 1.5, SOUTH + 1.5)
    assert [f.items()["row"] for f in layer] == [2]
    with closing(sqlite3.connect(written)) as connection:
        tables = {row[0] for row in connection.execute("SELECT table_name FROM gpkg_extensions")}
    assert tables == {"readings", "traverses", "grids"}


def test_rows_added_later_are_counted(written):
    source = ogr.Open(str(written), 1)
    layer = source.GetLayerByName("readings")
    layer.CreateFeature(ogr.Feature(layer.GetLayerDefn()))
    assert layer.GetFeatureCount() == 5


def test_qgis_opens_it(written, qgis_app):
    from qgis.core import QgsVectorLayer

    layer = QgsVectorLayer(f"{written}|layername=grids", "grids", "ogr")
    assert layer.isValid()
    assert layer.crs().authid() == "EPSG:32631"
    assert next(layer.getFeatures()).geometry().area() == 7.5


def test_unwritable_place_fails_in_a_sentence(tmp_path, layers):
    (tmp_path / "taken").write_text("a file")
    with pytest.raises(EngineError, match="survey.gpkg cannot be written"):
        write_geopackage(tmp_path / "taken" / "survey.gpkg", layers, WKT)
    assert [p.name for p in tmp_path.iterdir()] == ["taken"]


def test_sqlite_finds_the_spatial_indexes_whole(written):
    """SQLite's own check of an R*Tree (SQLite documentation, "The SQLite R*Tree Module", section 5, rtreecheck)."""
    with closing(sqlite3.connect(written)) as connection:
        for name in ("readings", "traverses", "grids"):
            assert connection.execute("SELECT rtreecheck(?)", (f"rtree_{name}_geom",)).fetchone() == ("ok",)


@pytest.mark.parametrize("count", [1, 51, 52, 4000])
def test_index_of_any_size_is_whole_and_holds_every_box(count):
    """A node of 1228 bytes holds 51 boxes: one node, one full, two levels, three levels."""
    place = np.random.default_rng(count)
    low = place.uniform(-7e6, 7e6, (count, 2))
    high = low + place.uniform(0, 3, (count, 2))
    boxes = np.stack([low[:, 0], high[:, 0], low[:, 1], high[:, 1]], axis=1)
    with closing(sqlite3.connect(":memory:")) as connection:
        connection.execute("CREATE VIRTUAL TABLE boxes USING rtree(id, min_x, max_x, min_y, max_y)")
        fill_rtree(connection, "boxes", np.arange(count) + 10, outward(boxes))
        assert connection.execute("SELECT rtreecheck('boxes')").fetchone() == ("ok",)
        found = connection.execute("SELECT * FROM boxes ORDER BY id").fetchall()
        assert [row[0] for row in found] == list(range(10, count + 10))
        kept = np.array(found)[:, 1:]
        # A float32 of up to 7e6 is right to half a metre; the sides lie outside by no more.
        assert (kept[:, ::2] <= boxes[:, ::2]).all()
        assert (kept[:, 1::2] >= boxes[:, 1::2]).all()
        assert np.abs(kept - boxes).max() <= 0.5
        near = "SELECT id FROM boxes WHERE min_x <= ? AND max_x >= ? AND min_y <= ? AND max_y >= ?"
        for number in range(0, count, max(count // 20, 1)):
            x, y = low[number]
            assert (number + 10,) in connection.execute(near, (x, x, y, y)).fetchall()


def test_units_come_back_as_comments(tmp_path, layers):
    crs = osr.SpatialReference()
    crs.ImportFromEPSG(32631)
    readings = Readings.build([1], {"eca": [1.5]}, x=[WEST], y=[SOUTH], units={"eca": "mS/m"})
    write_geopackage(tmp_path / "survey.gpkg", [readings_layer([readings], len(readings))], crs.ExportToWkt())
    source = ogr.Open(str(tmp_path / "survey.gpkg"))
    definition = source.GetLayerByName("readings").GetLayerDefn()
    eca = definition.GetFieldDefn(definition.GetFieldIndex("eca"))
    if not hasattr(eca, "GetComment"):
        pytest.skip("GDAL before 3.7 keeps no comments of fields")
    assert eca.GetComment() == "mS/m"


def test_table_without_a_row(tmp_path):
    crs = osr.SpatialReference()
    crs.ImportFromEPSG(32631)
    write_geopackage(tmp_path / "survey.gpkg", [rows_layer("findings", "point", [], {"code": str})], crs.ExportToWkt())
    source = ogr.Open(str(tmp_path / "survey.gpkg"))
    layer = source.GetLayerByName("findings")
    assert layer.GetFeatureCount() == 0
    assert [f.GetName() for f in layer.schema] == ["code"]


def test_cancel_leaves_nothing_and_keeps_the_file_of_before(written, layers):
    before = written.read_bytes()

    def stop(share):
        raise Cancelled

    with pytest.raises(Cancelled):
        write_geopackage(written, layers, WKT, stop)
    assert written.read_bytes() == before
    assert [p.name for p in written.parent.iterdir()] == ["survey.gpkg"]


@pytest.mark.parametrize("count", [0, 1, 449, 450, 451, 1351])
def test_rows_of_full_and_of_started_statements_all_arrive(count):
    """Two values a row make 450 rows a statement."""
    rows = [(n, f"row {n}") for n in range(count)]
    with closing(sqlite3.connect(":memory:")) as connection:
        connection.execute("CREATE TABLE t (n, name)")
        insert_rows(connection, "INSERT INTO t", 2, iter(rows), count)
        assert connection.execute("SELECT n, name FROM t ORDER BY rowid").fetchall() == rows


def test_readings_keep_their_order_and_places(tmp_path):
    crs = osr.SpatialReference()
    crs.ImportFromEPSG(32631)
    values = np.arange(500.0)
    readings = Readings.build(np.ones(500, int), {"eca": values}, x=WEST + values, y=SOUTH - values)
    shares = []
    write_geopackage(
        tmp_path / "survey.gpkg", [readings_layer([readings], len(readings))], crs.ExportToWkt(), shares.append
    )
    source = ogr.Open(str(tmp_path / "survey.gpkg"))
    rows = [(f.GetFID(), f["eca"], *f.GetGeometryRef().GetPoint_2D()) for f in source.GetLayerByName("readings")]
    assert rows == [(n + 1, v, WEST + v, SOUTH - v) for n, v in enumerate(values)]
    assert shares == [0.0]
