"""Map sheets: to scale, with everything on them, kept in the project."""

import re
import shutil

import numpy as np
import pytest
from qgis.core import (
    QgsCoordinateReferenceSystem,
    QgsFeature,
    QgsGeometry,
    QgsLayoutItemLegend,
    QgsLayoutItemMap,
    QgsProcessingContext,
    QgsProcessingException,
    QgsProject,
    QgsRasterLayer,
    QgsRectangle,
    QgsVectorLayer,
)
from qgis.PyQt.QtGui import QImage
from turnrow.processing_provider.bridge.map_sheet.geometry import MARGIN, PAPERS, plan_sheet
from turnrow.processing_provider.bridge.map_sheet.marks import full_scale_marks
from turnrow.processing_provider.bridge.raster.geotiff import write_raster
from turnrow.processing_provider.bridge.vector import rows_layer, write_geopackage
from turnrow.processing_provider.engine.core.errors import EngineError
from turnrow.processing_provider.engine.geometry.block_raster import BlockRaster
from turnrow.processing_provider.engine.geometry.lattice import Lattice

pytestmark = pytest.mark.usefixtures("turnrow_provider", "qgis_new_project")
X0, Y0 = 512_400, 6_206_200


def sheet(context=None, **parameters):
    from qgis import processing

    given = {"SITE": "Mirrowby Reach", "TITLE": "Conductivity", "PAPER": "A3", **parameters}
    return processing.run("turnrow:mapsheet", given, context=context or QgsProcessingContext())


@pytest.fixture
def make_map(tmp_path):
    def make(name, wide=60, high=40, epsg=32631):
        lattice = Lattice.covering(X0, Y0, X0 + wide, Y0 + high, 0.5)
        values = 15 + np.sin(lattice.x / 4) * np.cos(lattice.y / 5)[:, None]
        wkt = QgsCoordinateReferenceSystem(f"EPSG:{epsg}").toWkt()
        path = tmp_path / f"{name}.tif"
        write_raster(path, BlockRaster.of(values, lattice), wkt, unit="mS/m", name=name)
        return str(path)

    return make


@pytest.fixture
def grids(tmp_path):
    layer = QgsVectorLayer("Polygon?crs=EPSG:32631&field=grid:string", "grids", "memory")
    for number, name in enumerate("AB"):
        feature = QgsFeature(layer.fields())
        feature["grid"] = name
        left = X0 + 30 * number
        feature.setGeometry(QgsGeometry.fromRect(QgsRectangle(left, Y0, left + 30, Y0 + 40)))
        layer.dataProvider().addFeatures([feature])
    return layer


@pytest.fixture
def project(qgis_new_project):
    project = QgsProject.instance()
    context = QgsProcessingContext()
    context.setProject(project)
    return project, context


def pages(path):
    return len(re.findall(rb"/Type\s*/Page\b", path.read_bytes()))


@pytest.mark.parametrize(("scale", "denominator"), [("fit", 200), ("1:250", 250), ("1:500", 500)])
def test_a_metre_is_as_long_as_the_scale_says(make_map, project, tmp_path, scale, denominator):
    # 60 m at 1:200 are 300 mm; A3 offers 420 less margins of 8 mm, a column of 62, and 6 for numbers: 332 mm.
    project, context = project
    sheet(context, INPUT=[make_map("cond")], SCALE=scale, OUTPUT=str(tmp_path / "sheet.pdf"))
    (layout,) = project.layoutManager().printLayouts()
    (item,) = (i for i in layout.items() if isinstance(i, QgsLayoutItemMap))
    assert item.extent().width() / item.rect().width() * 1000 == pytest.approx(denominator, rel=1e-9)
    assert item.scale() == pytest.approx(denominator, rel=1e-3)  # QGIS works it out through dots per inch
    assert item.extent().contains(item.layers()[0].extent())


def test_the_page_has_the_size_of_the_paper(make_map, tmp_path):
    sheet(INPUT=[make_map("cond")], PAPER="A4", OUTPUT=str(tmp_path / "sheet.png"))
    image = QImage(str(tmp_path / "sheet.png"))
    # ISO 216: A4 is 297 by 210 mm; 300 dots per inch, a dot of rounding.
    assert image.width() == pytest.approx(297 / 25.4 * 300, abs=1)
    assert image.height() == pytest.approx(210 / 25.4 * 300, abs=1)
    colours = {image.pixel(x, image.height() // 2) for x in range(0, image.width(), 20)}
    assert len(colours) > 20


def test_the_words_of_the_sheet(make_map, project, tmp_path):
    project, context = project
    sheet(context, INPUT=[make_map("cond")], OUTPUT=str(tmp_path / "sheet.pdf"))
    (layout,) = project.layoutManager().printLayouts()
    words = " ".join(item.text() for item in layout.items() if hasattr(item, "text"))
    for said in ("Mirrowby Reach", "Conductivity", "cond (mS/m)", "1:200 on A3", "EPSG:32631", "not a clearance",
                 "no proof of absence"):  # fmt: skip
        assert said in words


def test_as_logged_stands_beside_in_the_same_colours(make_map, project, tmp_path):
    project, context = project
    sheet(context, INPUT=[make_map("cond")], COMPARE=[make_map("raw")], SCALE="1:500", OUTPUT=str(tmp_path / "s.pdf"))
    (layout,) = project.layoutManager().printLayouts()
    before, after = sorted((i for i in layout.items() if isinstance(i, QgsLayoutItemMap)), key=lambda i: i.pos().x())
    assert before.extent() == after.extent()
    ranges = {
        (function.minimumValue(), function.maximumValue())
        for item in (before, after)
        for function in [item.layers()[0].renderer().shader().rasterShaderFunction()]
    }
    assert len(ranges) == 1


def test_readings_at_full_scale_are_marked_on_the_map_of_their_channel(make_map, project, tmp_path):
    types = {"channel": str, "value": float, "beyond": float}
    rows = [{"channel": "cond", "value": 50.0, "beyond": 2.0, "geometry": [(X0 + x, Y0 + 20.0)]} for x in (10.0, 20.0)]
    crs = QgsCoordinateReferenceSystem("EPSG:32631").toWkt()
    write_geopackage(tmp_path / "survey.gpkg", [rows_layer("full_scale", "point", rows, types)], crs)
    project, context = project
    sheet(context, INPUT=[make_map("cond"), make_map("other")], OUTPUT=str(tmp_path / "sheet.png"))
    (layout,) = project.layoutManager().printLayouts()
    maps = {i.id(): [layer.name() for layer in i.layers()] for i in layout.items() if isinstance(i, QgsLayoutItemMap)}
    said = "cond at full scale (a bound)"
    assert maps == {"cond (mS/m)": [said, "cond (mS/m)"], "other (mS/m)": ["other (mS/m)"]}
    (legend,) = (i for i in layout.items() if isinstance(i, QgsLayoutItemLegend))
    assert [node.name() for node in legend.model().rootGroup().findLayers()] == ["cond (mS/m)", "other (mS/m)", said]
    sheet(context, INPUT=[make_map("cond")], OUTPUT=str(tmp_path / "again.png"))
    assert len([one for one in project.mapLayers().values() if one.name() == said]) == 1


def test_marks_of_a_survey_stand_on_maps_of_its_grids_and_not_on_those_of_another_within_it(make_map, tmp_path):
    types = {"channel": str, "value": float, "beyond": float}
    row = {"channel": "cond", "value": 50.0, "beyond": 2.0, "geometry": [(X0 + 10.0, Y0 + 20.0)]}
    crs = QgsCoordinateReferenceSystem("EPSG:32631").toWkt()
    write_geopackage(tmp_path / "survey.gpkg", [rows_layer("full_scale", "point", [row], types)], crs)
    own, other = tmp_path / "grids" / "A_cond.tif", tmp_path / "again" / "site_cond.tif"
    for path in (own, other):
        path.parent.mkdir()
        shutil.copy(make_map("cond"), path)
    write_geopackage(other.with_name("survey.gpkg"), [rows_layer("findings", "point", [row], types)], crs)
    project = QgsProject()
    marks = [full_scale_marks(QgsRasterLayer(str(path), path.stem), project) for path in (own, other)]
    assert marks[0].featureCount() == 1
    assert marks[1] is None


def test_one_page_a_grid(make_map, grids, tmp_path):
    done = sheet(INPUT=[make_map("cond")], GRIDS=grids, EACH_GRID=True, SCALE="1:250", OUTPUT=str(tmp_path / "s.pdf"))
    assert pages(tmp_path / "s.pdf") == 2
    assert done["OUTPUT"] == str(tmp_path / "s.pdf")
    sheet(INPUT=[make_map("cond")], GRIDS=grids, EACH_GRID=True, SCALE="1:250", OUTPUT=str(tmp_path / "s.png"))
    assert sorted(p.name for p in tmp_path.glob("s*.png")) == ["s_A.png", "s_B.png"]


def test_pages_of_grids_with_hostile_names_lie_beside_each_other(make_map, grids, tmp_path):
    layer = QgsVectorLayer(grids, "grids", "ogr") if isinstance(grids, str) else grids
    layer.startEditing()
    for feature, name in zip(layer.getFeatures(), ("../x", "A/1")):
        layer.changeAttributeValue(feature.id(), layer.fields().indexOf("grid"), name)
    layer.commitChanges()
    folder = tmp_path / "pages"
    sheet(INPUT=[make_map("cond")], GRIDS=layer, EACH_GRID=True, SCALE="1:250", OUTPUT=str(folder / "s.png"))
    assert sorted(path.name for path in folder.iterdir()) == ["s_A_1.png", "s__._x.png"]


def test_a_second_sheet_keeps_the_first(make_map, project, tmp_path):
    project, context = project
    path = make_map("cond")
    for number in range(2):
        sheet(context, INPUT=[path], OUTPUT=str(tmp_path / f"{number}.pdf"))
    names = sorted(layout.name() for layout in project.layoutManager().layouts())
    assert names == ["Mirrowby Reach Conductivity", "Mirrowby Reach Conductivity 2"]


@pytest.mark.parametrize(
    ("change", "sentence"),
    [
        ({"SCALE": "1:250", "PAPER": "A4"}, "does not fit on A4 at 1:250 with 1 map a sheet. Choose 1:500"),
        ({"COMPARE": ["cond", "cond"]}, "1 maps and 2 maps as logged"),
        ({"COMPARE": ["zone30"]}, "All maps of a sheet must be in one CRS"),
        ({"EACH_GRID": True}, "no grids were given"),
        ({"OUTPUT": "sheet.odt"}, "a sheet is a PDF or a PNG"),
    ],
)
def test_what_cannot_be_put_on_a_sheet_is_refused(make_map, tmp_path, change, sentence):
    files = {"cond": make_map("cond"), "zone30": make_map("zone30", epsg=32630)}
    given = {"INPUT": [files["cond"]], "OUTPUT": str(tmp_path / "sheet.pdf"), **change}
    if "COMPARE" in change:
        given["COMPARE"] = [files[name] for name in change["COMPARE"]]
    if "/" not in given["OUTPUT"]:
        given["OUTPUT"] = str(tmp_path / given["OUTPUT"])
    with pytest.raises(QgsProcessingException, match=sentence):
        sheet(**given)
    assert not list(tmp_path.glob("sheet.*"))


@pytest.mark.parametrize("maps", [1, 2, 3, 4, 6])
@pytest.mark.parametrize("paper", list(PAPERS))
def test_frames_lie_on_the_page_and_apart(maps, paper):
    plan = plan_sheet((60.0, 40.0), maps, paper)
    boxes = [plan.column, *plan.frames]
    for box in boxes:
        assert box.x >= MARGIN
        assert box.y >= MARGIN
        assert box.x + box.width <= plan.page[0] - MARGIN + 1e-9
        assert box.y + box.height <= plan.page[1] - MARGIN + 1e-9
    for i, a in enumerate(boxes):
        for b in boxes[i + 1 :]:
            apart = a.x + a.width <= b.x or b.x + b.width <= a.x or a.y + a.height <= b.y or b.y + b.height <= a.y
            assert apart
    frame = plan.frames[0]
    assert 60_000 / plan.scale <= frame.width
    assert 40_000 / plan.scale <= frame.height


def test_ground_too_wide_for_any_scale_is_refused():
    with pytest.raises(EngineError, match="does not fit on A4 with 1 map a sheet. Choose one sheet a grid"):
        plan_sheet((50_000.0, 100.0), 1, "A4")
