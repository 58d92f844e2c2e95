"""Regional and local response of a raster, through Processing."""

import numpy as np
import pytest
from qgis.core import QgsCoordinateReferenceSystem, QgsProcessingException
from turnrow.processing_provider.bridge.raster.geotiff import read_map, write_raster
from turnrow.processing_provider.engine.geometry.block_raster import BlockRaster
from turnrow.processing_provider.engine.geometry.lattice import Lattice

pytestmark = pytest.mark.usefixtures("turnrow_provider")
WKT = QgsCoordinateReferenceSystem("EPSG:32631").toWkt()


def split(path, **parameters):
    from qgis import processing

    return processing.run("turnrow:splitresponse", {"INPUT": str(path), "WIDTH": 4, **parameters})


@pytest.fixture
def map_file(tmp_path):
    lattice = Lattice.covering(512_400, 6_206_200, 512_430, 6_206_220, 0.25)
    values = 15 + 0.01 * (lattice.x - 512_400) + 0.02 * (lattice.y[:, None] - 6_206_200)
    values[40:44, 60] += 3.0
    values[:10, :10] = np.nan
    path = tmp_path / "cond.tif"
    write_raster(path, BlockRaster.of(values, lattice), WKT, unit="mS/m", name="cond")
    return path


def test_the_two_responses_add_up_on_the_same_lattice(map_file, tmp_path):
    done = split(map_file, REGIONAL=str(tmp_path / "regional.tif"), LOCAL=str(tmp_path / "local.tif"))
    before, lattice, _, _ = read_map(map_file)
    regional, lattice_regional, unit, name = read_map(done["REGIONAL"])
    local, lattice_local, _, local_name = read_map(done["LOCAL"])
    assert lattice == lattice_regional == lattice_local
    assert (unit, name, local_name) == ("mS/m", "cond regional", "cond local")
    np.testing.assert_allclose(regional + local, before, atol=4e-6)  # two roundings to Float32 of 20
    assert np.nanmax(local) > 2.0
    assert np.nanstd(local[60:]) < 0.01


def test_a_turned_raster_is_refused(map_file, tmp_path):
    from osgeo import gdal

    gdal.Translate(str(tmp_path / "turned.tif"), str(map_file))
    turned = gdal.Open(str(tmp_path / "turned.tif"), gdal.GA_Update)
    turned.SetGeoTransform((512_400, 0.2, 0.1, 6_206_220, 0.1, -0.2))
    del turned
    with pytest.raises(QgsProcessingException, match="turned or has cells"):
        split(tmp_path / "turned.tif", REGIONAL=str(tmp_path / "r.tif"), LOCAL=str(tmp_path / "l.tif"))
    assert not (tmp_path / "r.tif").exists()


def test_degrees_are_refused(map_file, tmp_path):
    from osgeo import gdal

    degrees = str(tmp_path / "degrees.tif")
    gdal.Translate(degrees, str(map_file), outputSRS="EPSG:4326", outputBounds=(3, 56, 3.01, 55.99))
    with pytest.raises(QgsProcessingException, match="degrees"):
        split(degrees, REGIONAL=str(tmp_path / "r.tif"), LOCAL=str(tmp_path / "l.tif"))


def test_the_input_is_never_written_to(map_file, tmp_path):
    with pytest.raises(QgsProcessingException, match="inputs are never changed"):
        split(map_file, REGIONAL=str(map_file), LOCAL=str(tmp_path / "l.tif"))
    assert read_map(map_file)[3] == "cond"
