"""Readings and tables between QGIS layers and arrays: nothing changes on the way, and wrong layers get a sentence."""

import numpy as np
import pytest
from osgeo import ogr
from qgis.core import (
    QgsCoordinateReferenceSystem,
    QgsCoordinateTransformContext,
    QgsFeature,
    QgsGeometry,
    QgsProcessingContext,
    QgsProcessingFeatureSource,
    QgsProcessingFeatureSourceDefinition,
    QgsVectorFileWriter,
    QgsVectorLayer,
)
from turnrow.processing_provider.bridge.vector import layers
from turnrow.processing_provider.bridge.vector.arrow_stream import can_stream, stream
from turnrow.processing_provider.bridge.vector.layers import channel_names, read_readings, read_table, write_readings
from turnrow.processing_provider.engine.core.errors import EngineError
from turnrow.processing_provider.engine.core.readings import Readings

pytestmark = pytest.mark.usefixtures("qgis_app")
CRS = QgsCoordinateReferenceSystem("EPSG:32631")


def source_of(layer):
    """The layer as an algorithm gets it."""
    context = QgsProcessingContext()
    source = QgsProcessingFeatureSource(layer, context)
    source.kept = layer, context  # QGIS keeps no hold of them
    return source


def writer(path):
    """A maker of sinks into a GeoPackage, as Processing makes them."""
    options = QgsVectorFileWriter.SaveVectorOptions()
    options.driverName = "GPKG"

    def make(fields, geometry, crs):
        return QgsVectorFileWriter.create(str(path), fields, geometry, crs, QgsCoordinateTransformContext(), options)

    return make


def saved(readings, path, crs=CRS):
    write_readings(readings, writer(path), crs)
    layer = QgsVectorLayer(str(path), path.stem, "ogr")
    assert layer.isValid()
    return layer


@pytest.fixture
def readings():
    n = 12
    table = Readings.build(
        np.repeat([1, 2, 10], 4),
        {"eca": np.linspace(10, 20, n), "inphase": np.linspace(-1, 1, n)},
        grids=("A", "Bø"),
        sources=("a.csv",),
        grid=np.repeat([0, 1, 1], 4),
        station=np.append(np.arange(11.0), np.nan),
        time_s=np.arange(n) / 8,
        heading=np.repeat([1, -1, 0], 4),
        u_m=np.repeat([0.25, 0.75, np.nan], 4),
        x=np.append(500100.0 + np.arange(11) / 3, np.nan),
        y=np.append(6000100.0 + np.arange(11) / 7, np.nan),
        units={"eca": "mS/m", "inphase": "ppt"},
        extras={"temperature": np.append(np.full(11, 12.5), np.nan)},
    )
    table = table.with_flag("overrun", [0, 3]).with_flag("outlier", [3]).with_flag("unplaced", [11])
    changed = table.channels["eca"] + 1
    changed[2] = np.nan
    table = table.with_channel("eca", changed, np.full(n, 0.1))
    return table.replace(se={**table.se, "v_m": np.append(np.full(11, 0.12), np.nan)})


def assert_same(a: Readings, b: Readings, units=True):
    for name, values in a.to_columns().items():
        np.testing.assert_array_equal(b.to_columns()[name], values, err_msg=name)
    assert list(b.to_columns()) == list(a.to_columns())
    np.testing.assert_array_equal(b.x, a.x)
    np.testing.assert_array_equal(b.y, a.y)
    assert (b.grids, b.sources, tuple(b.channels)) == (a.grids, a.sources, tuple(a.channels))
    if units:
        assert b.units == a.units


def test_round_trip_through_a_file_feature_by_feature(tmp_path, readings):
    layer = saved(readings, tmp_path / "r.gpkg")
    assert_same(readings, read_readings(source_of(layer)), units=False)


def test_round_trip_through_a_file_at_once(tmp_path, readings):
    layer = saved(readings, tmp_path / "r.gpkg")
    assert can_stream(layer, len(readings)) == hasattr(ogr.Layer, "GetArrowStreamAsNumPy")
    assert_same(readings, read_readings(source_of(layer), layer), units=False)


def test_both_ways_of_reading_agree_without_geometry(tmp_path, readings):
    layer = saved(readings, tmp_path / "r.gpkg", QgsCoordinateReferenceSystem())
    slow, fast = read_readings(source_of(layer)), read_readings(source_of(layer), layer)
    assert np.isnan(fast.x).all()
    assert_same(slow, fast)


def test_many_batches_arrive_in_order(tmp_path):
    """GDAL hands out 65536 rows at a time (GDAL documentation, OGRLayer::GetArrowStream, MAX_FEATURES_IN_BATCH)."""
    n = 70_000
    many = Readings.build(np.ones(n, int), {"eca": np.arange(n, dtype=float)}, x=np.arange(n), y=-np.arange(n))
    layer = saved(many, tmp_path / "many.gpkg")
    read = read_readings(source_of(layer), layer)
    np.testing.assert_array_equal(read.channels["eca"], np.arange(n))
    np.testing.assert_array_equal(read.y, -np.arange(n))


def test_temporary_layers_keep_units_from_algorithm_to_algorithm(turnrow_provider, readings):
    from qgis import processing

    made = QgsVectorLayer("Point?crs=EPSG:32631", "made", "memory")
    readings = readings.replace(v_m=readings.station / 8)

    def make(fields, geometry, crs):
        made.dataProvider().addAttributes(fields.toList())
        made.updateFields()
        return made.dataProvider()

    write_readings(readings, make, CRS)
    layers.label_units(made, readings)
    assert made.fields().field("eca_raw").alias() == "eca_raw (mS/m)"
    flagged = processing.run("turnrow:flagoutliers", {"INPUT": made, "OUTPUT": "memory:"})["OUTPUT"]
    assert flagged.crs() == CRS
    again = read_readings(source_of(flagged), flagged)
    assert again.units == {"eca": "mS/m", "inphase": "ppt"}
    assert_same(readings, read_readings(source_of(made), made))


def test_files_keep_units_where_gdal_keeps_comments(tmp_path, readings):
    if not hasattr(ogr.FieldDefn, "GetComment"):
        pytest.skip("GDAL before 3.7 keeps no comments of fields")
    layer = saved(readings, tmp_path / "r.gpkg")
    assert read_readings(source_of(layer), layer).units == readings.units


def test_filter_selection_edits_and_joins_are_respected(tmp_path, readings):
    layer = saved(readings, tmp_path / "r.gpkg")
    layer.setSubsetString('"line" = 2')
    assert not can_stream(layer, layer.featureCount())
    assert read_readings(source_of(layer), layer).line.tolist() == [2] * 4
    layer.setSubsetString("")
    assert not can_stream(layer, 4)
    layer.startEditing()
    layer.changeAttributeValue(next(layer.getFeatures()).id(), layer.fields().indexOf("eca"), 99.0)
    assert read_readings(source_of(layer), layer).channels["eca"][0] == 99.0
    layer.rollBack()
    assert can_stream(layer, len(readings)) == hasattr(ogr.Layer, "GetArrowStreamAsNumPy")


def test_selected_readings_only(tmp_path, readings, qgis_processing):
    from qgis.core import QgsProcessingParameterFeatureSource, QgsProcessingParameters, QgsProject

    layer = saved(readings, tmp_path / "r.gpkg")
    layer.selectByExpression('"line" = 10')
    QgsProject.instance().addMapLayer(layer, False)
    context = QgsProcessingContext()
    context.setProject(QgsProject.instance())
    given = {"INPUT": QgsProcessingFeatureSourceDefinition(layer.id(), True)}
    parameter = QgsProcessingParameterFeatureSource("INPUT")
    source = QgsProcessingParameters.parameterAsSource(parameter, given, context)
    there = QgsProcessingParameters.parameterAsVectorLayer(parameter, given, context)
    assert read_readings(source, there).line.tolist() == [10] * 4
    QgsProject.instance().removeMapLayer(layer.id())


def geometry_layer(kind, *wkts):
    layer = QgsVectorLayer(f"{kind}?crs=EPSG:32631&field=line:integer&field=eca:double", "pegs", "memory")
    for number, wkt in enumerate(wkts):
        feature = QgsFeature(layer.fields())
        feature.setAttributes([1, float(number)])
        feature.setGeometry(QgsGeometry.fromWkt(wkt))
        layer.dataProvider().addFeature(feature)
    return layer


def test_single_points_of_a_multipoint_layer_are_read(tmp_path):
    layer = geometry_layer("MultiPoint", "MultiPoint((1 2))", "MultiPoint((3 4))")
    assert read_readings(source_of(layer)).y.tolist() == [2, 4]
    path = str(tmp_path / "multi.gpkg")
    options = QgsVectorFileWriter.SaveVectorOptions()
    QgsVectorFileWriter.writeAsVectorFormatV3(layer, path, QgsCoordinateTransformContext(), options)
    in_file = QgsVectorLayer(path, "multi", "ogr")
    assert stream(in_file, ["line", "eca"]) is None
    assert read_readings(source_of(in_file), in_file).y.tolist() == [2, 4]
    assert [(row["x"], row["y"]) for row in read_table(source_of(layer))] == [(1, 2), (3, 4)]


def test_height_of_points_is_passed_over():
    assert read_readings(source_of(geometry_layer("PointZ", "PointZ(1 2 30)"))).x.tolist() == [1]


@pytest.mark.parametrize(
    ("kind", "wkt", "sentence"),
    [
        ("MultiPoint", "MultiPoint((1 2), (3 4))", "A feature of the layer pegs has 2 points. Run 'Multipart"),
        ("Polygon", "Polygon((0 0, 1 0, 1 1, 0 0))", "The layer pegs holds no points"),
        ("Point", None, "The layer pegs has no readings"),
    ],
)
def test_other_geometries_are_refused(kind, wkt, sentence):
    with pytest.raises(EngineError, match=sentence):
        read_readings(source_of(geometry_layer(kind, *filter(None, [wkt]))))


def test_layer_without_what_is_needed_is_refused():
    bare = QgsVectorLayer("Point?crs=EPSG:32631&field=eca:double", "bare", "memory")
    with pytest.raises(EngineError, match="The layer bare has no field line"):
        read_readings(source_of(bare))
    walked = QgsVectorLayer("Point?crs=EPSG:32631&field=line:integer&field=seq:integer", "walked", "memory")
    with pytest.raises(EngineError, match="The layer walked has no channel"):
        read_readings(source_of(walked))


def test_empty_line_number_is_refused():
    layer = geometry_layer("Point", "Point(1 2)", "Point(3 4)")
    layer.dataProvider().changeAttributeValues({2: {0: None}})
    with pytest.raises(EngineError, match="The field line of pegs is empty in some readings"):
        read_readings(source_of(layer))


def test_channels_of_a_bare_layer_are_its_other_numbers():
    numbers = ("line", "eca_10", "eca_10_raw", "eca_10_se", "mark", "easting", "fid", "soil_raw", "ECA")
    uri = "NoGeometry?field=name:string&" + "&".join(f"field={name}:double" for name in numbers)
    # soil_raw is nobody's value as logged: there is no channel soil.
    assert channel_names(QgsVectorLayer(uri, "t", "memory").fields()) == ["eca_10", "soil_raw", "ECA"]


def test_write_error_is_told(readings):
    class Full:
        def addFeatures(self, features, flags):
            return False

        def lastError(self):
            return "disk full"

    with pytest.raises(EngineError, match="could not be written: disk full"):
        write_readings(readings, lambda *shape: Full(), CRS)


def test_every_batch_is_written(tmp_path, monkeypatch, readings):
    monkeypatch.setattr(layers, "ROWS_AT_ONCE", 5)
    assert saved(readings, tmp_path / "r.gpkg").featureCount() == len(readings)


# --- tables that people keep: separators, decimal marks, byte order marks


@pytest.mark.parametrize(
    ("name", "text"),
    [
        ("comma", b"Grid,x ,Y\nA,1.5,2\nB,,4\n"),
        ("semicolon and decimal comma", b"Grid;X;Y\nA;1,5;2\nB;;4\n"),
        ("tab", b"grid\tx\ty\nA\t1.5\t2\nB\t\t4\n"),
        ("byte order mark", b"\xef\xbb\xbfgrid;x;y\r\nA;1,5;2\r\nB;;4\r\n"),
    ],
)
def test_tables_of_any_separator_are_understood(tmp_path, name, text):
    from turnrow.processing_provider.engine.core.notes import number_or_none

    path = tmp_path / "table.csv"
    path.write_bytes(text)
    rows = read_table(source_of(QgsVectorLayer(str(path), "table", "ogr")))
    assert [row["grid"] for row in rows] == ["A", "B"]
    assert [[number_or_none(row, axis, "table") for axis in "xy"] for row in rows] == [[1.5, 2], [None, 4]]


def test_null_becomes_none_in_tables():
    layer = QgsVectorLayer("NoGeometry?field=grid:string&field=line:integer", "notes", "memory")
    feature = QgsFeature(layer.fields())
    feature.setAttributes([None, 3])
    layer.dataProvider().addFeature(feature)
    assert read_table(source_of(layer)) == [{"grid": None, "line": 3}]


@pytest.mark.parametrize("mark", [",", ";"])
def test_empty_rows_of_a_csv_count_as_in_a_spreadsheet(tmp_path, mark):
    """Row 3 is empty and the comment of row 4 has a line break (RFC 4180: quoted), so the last is row 6."""
    path = tmp_path / "notes.csv"
    text = 'line,comment\n1,tree\n\n2,"fence,\nbroken"\n,\n3,\n'
    path.write_bytes(text.replace(",", mark).replace("\n", "\r\n").encode("cp1252"))
    layer = QgsVectorLayer(str(path), "notes", "ogr")
    numbers = [None if row["line"] in (None, "") else int(row["line"]) for row in read_table(layer, path)]
    assert numbers == [1, None, 2, None, 3]
    layer.setSubsetString("line = '3'")
    assert [int(row["line"]) for row in read_table(layer, path)] == [3]
