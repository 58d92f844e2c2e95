"""A processed survey in a project: groups, order, names, relative paths."""

import zipfile

import numpy as np
import pytest
from turnrow.processing_provider.bridge.project.metadata import history_lines
from turnrow.processing_provider.bridge.project.project import SurveyLayer, keep_looks, with_layers, write_project
from turnrow.processing_provider.bridge.raster.geotiff import write_raster
from turnrow.processing_provider.bridge.style.ramps import QUIET, SEQUENTIAL
from turnrow.processing_provider.bridge.vector.geopackage import rows_layer, write_geopackage
from turnrow.processing_provider.engine.align.record import AlignFigures, AlignRecord
from turnrow.processing_provider.engine.core.errors import EngineError
from turnrow.processing_provider.engine.geometry.block_raster import BlockRaster
from turnrow.processing_provider.engine.geometry.lattice import Lattice
from turnrow.processing_provider.engine.interpolate.record import MapRecord
from turnrow.processing_provider.engine.mosaic.record import MosaicRecord

pytestmark = pytest.mark.usefixtures("qgis_app")
ORDER = ["Findings", "Grids", "eca, whole site", "inphase, whole site", ["Single grids", "eca, grid A"],
         ["Standard errors", "eca, standard error"]]  # fmt: skip


@pytest.fixture
def crs():
    from qgis.core import QgsCoordinateReferenceSystem

    return QgsCoordinateReferenceSystem("EPSG:32631")


@pytest.fixture
def layers(tmp_path, crs):
    folder = tmp_path / "out"
    site = ("Meadow",)
    ring = [(500000, 5999980), (500030, 5999980), (500030, 6000000), (500000, 5999980)]
    tables = [
        rows_layer("findings", "point", [{"severity": "note", "geometry": None}], {"severity": str}),
        rows_layer("grids", "polygon", [{"grid": "A", "geometry": ring}], {"grid": str}),
    ]
    write_geopackage(folder / "survey.gpkg", tables, crs.toWkt())
    specs = [SurveyLayer(f"{folder}/survey.gpkg|layername={t.name}", t.name.title(), site, t.name) for t in tables]
    for name, file, group, ramp, visible in (
        ("eca, whole site", "site_eca.tif", site, SEQUENTIAL, True),
        ("inphase, whole site", "site_inphase.tif", site, SEQUENTIAL, False),
        ("eca, grid A", "grids/A_eca.tif", (*site, "Single grids"), SEQUENTIAL, False),
        ("eca, standard error", "site_eca_se.tif", (*site, "Standard errors"), QUIET, False),
    ):
        values = np.linspace(10, 20, 2400).reshape(40, 60)
        write_raster(
            folder / file, BlockRaster.of(values, Lattice(500000.0, 6000000.0, 0.5, 40, 60)), crs.toWkt(), unit="mS/m"
        )
        specs.append(SurveyLayer(str(folder / file), name, group, "raster", (12.0, 18.0), "mS/m", ramp, visible))
    return specs


def names(group):
    from qgis.core import QgsLayerTreeGroup

    inner = [(child.name(), child) for child in group.children()]
    return [[name, *names(child)] if isinstance(child, QgsLayerTreeGroup) else name for name, child in inner]


def read(path):
    from qgis.core import QgsProject

    project = QgsProject()
    assert project.read(str(path))
    return project


def test_project_opens_with_groups_order_and_visibility(layers, crs, tmp_path):
    write_project(tmp_path / "out" / "site.qgz", layers, crs, "Meadow")
    project = read(tmp_path / "out" / "site.qgz")
    root = project.layerTreeRoot()
    assert names(root) == [["Meadow", *ORDER]]
    shown = [node.name() for node in root.findLayers() if node.isVisible()]
    assert shown == ["Findings", "Grids", "eca, whole site"]
    assert not root.findGroup("Standard errors").isExpanded()
    assert project.crs().authid() == "EPSG:32631"
    assert project.title() == "Meadow"
    assert project.viewSettings().defaultViewExtent().contains(layers[2].open().extent())


def test_project_may_be_moved_with_its_folder(layers, crs, tmp_path):
    write_project(tmp_path / "out" / "site.qgz", layers, crs, "Meadow")
    with zipfile.ZipFile(tmp_path / "out" / "site.qgz") as archive:
        (inside,) = [n for n in archive.namelist() if n.endswith(".qgs")]
        assert inside == "site.qgs"
        text = archive.read(inside).decode()
    assert str(tmp_path) not in text
    assert "./grids/A_eca.tif" in text
    (tmp_path / "out").rename(tmp_path / "elsewhere")
    project = read(tmp_path / "elsewhere" / "site.qgz")
    assert len(project.mapLayers()) == len(layers)
    assert all(layer.isValid() for layer in project.mapLayers().values())


def test_writing_leaves_the_open_project_alone(layers, crs, tmp_path):
    from qgis.core import QgsProject

    before = set(QgsProject.instance().mapLayers()), QgsProject.instance().fileName()
    write_project(tmp_path / "out" / "site.qgz", layers, crs, "Meadow")
    assert (set(QgsProject.instance().mapLayers()), QgsProject.instance().fileName()) == before


def test_further_layers_go_on_top(layers, crs, tmp_path):
    from qgis.core import QgsVectorLayer

    write_project(tmp_path / "out" / "site.qgz", layers, crs, "Meadow")
    plan = QgsVectorLayer("Point?crs=EPSG:32631", "Plan", "memory")
    with_layers(tmp_path / "out" / "site.qgz", tmp_path / "plan.qgz", [plan])
    project = read(tmp_path / "plan.qgz")
    assert names(project.layerTreeRoot())[0] == "Plan"
    assert all(layer.isValid() for layer in project.mapLayers().values())


def test_styles_and_metadata_come_back_with_the_files(layers):
    """Fields that a complete record lacks: QGIS's own validator names only what a person has to add."""
    from qgis.core import QgsNativeMetadataValidator, QgsRasterLayer, QgsVectorLayer

    keep_looks(layers, "Meadow", ["flagoutliers: threshold = 6"])
    raster = QgsRasterLayer(layers[2].uri, "again")
    raster.loadDefaultMetadata()
    grids = QgsVectorLayer(layers[1].uri, "again", "ogr")
    grids.loadDefaultMetadata()
    assert raster.renderer().classificationMax() == 18.0
    assert grids.labelsEnabled()
    for layer, title in ((raster, "Meadow: eca, whole site"), (grids, "Meadow: Grids")):
        record = layer.metadata()
        assert record.title() == title
        assert record.history() == ["flagoutliers: threshold = 6"]
        assert record.crs().authid() == "EPSG:32631"
        (extent,) = record.extent().spatialExtents()
        assert (extent.bounds.xMinimum(), extent.bounds.yMaximum()) == (500000.0, 6000000.0)
        _, lacking = QgsNativeMetadataValidator().validate(record)
        assert {item.section for item in lacking} == {"contacts", "links", "license"}


def test_validator_complains_about_an_empty_record():
    """The twin of the test above: QGIS 3.22 and later find nine faults in an empty record."""
    from qgis.core import QgsLayerMetadata, QgsNativeMetadataValidator

    assert len(QgsNativeMetadataValidator().validate(QgsLayerMetadata())[1]) == 9


def test_missing_file_fails_in_a_sentence(layers, crs, tmp_path):
    (tmp_path / "out" / "site_eca.tif").unlink()
    with pytest.raises(EngineError, match="eca, whole site cannot be opened from .*site_eca.tif. Was the file moved"):
        write_project(tmp_path / "out" / "site.qgz", layers, crs, "Meadow")
    assert not list((tmp_path / "out").glob("*.qgz"))


def test_unwritable_place_fails_in_a_sentence(layers, crs, tmp_path):
    (tmp_path / "taken").write_text("a file")
    with pytest.raises(EngineError, match="The project site.qgz cannot be written to .*taken"):
        write_project(tmp_path / "taken" / "site.qgz", layers, crs, "Meadow")


def test_missing_project_fails_in_a_sentence(tmp_path):
    with pytest.raises(EngineError, match="none.qgz cannot be read"):
        with_layers(tmp_path / "none.qgz", tmp_path / "new.qgz", [])


@pytest.mark.usefixtures("turnrow_provider", "qgis_new_project")
def test_run_in_an_open_project_loads_everything_named_grouped_and_styled(survey_files, monkeypatch):
    """One post-processor a layer, whatever order QGIS loads them in."""
    from qgis import processing
    from qgis.core import QgsProject, QgsRasterLayer, QgsSingleBandPseudoColorRenderer

    monkeypatch.setattr("processing.gui.Postprocessing.iface", None, raising=False)
    processing.runAndLoadResults("turnrow:processregister", survey_files.parameters())
    root = QgsProject.instance().layerTreeRoot()
    site = survey_files.folder.name
    assert names(root) == [
        [site, "Findings", "Corners", "Grids", "Traverses", "Readings", "cond, whole site",
         ["As logged", "cond, as logged"],
         ["Single grids", "cond, grid A", "cond, grid B"], ["Standard errors", "cond, standard error"]]
    ]  # fmt: skip
    rasters = [node.layer() for node in root.findLayers() if isinstance(node.layer(), QgsRasterLayer)]
    assert len(rasters) == 5
    assert all(isinstance(layer.renderer(), QgsSingleBandPseudoColorRenderer) for layer in rasters)
    limits = {layer.renderer().classificationMax() for layer in rasters if "error" not in layer.name()}
    assert len(limits) == 1


def test_history_says_what_was_left_to_the_step():
    balanced = MosaicRecord({"channels": ["a", "b"], "model": "offset", "fixed_grid": ""}, {}, ())
    aligned = AlignRecord({"shift_m": None, "factor": 0}, AlignFigures(0.0), (), ())
    said = history_lines([balanced, aligned, MapRecord({"method": "cubic"}, {}, (), "eca")])
    assert said == [
        "balancegrids: channels = a b, model = offset, fixed_grid = automatic",
        "alignopposing: shift_m = automatic, factor = 0",
        "interpolatereadings: channel = eca, method = cubic",
    ]
