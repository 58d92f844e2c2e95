"""GeoTIFFs as written, read back by GDAL alone (OGC GeoTIFF 1.1, 19-008r4)."""

import resource
import shutil
import signal
import subprocess

import numpy as np
import pytest
from osgeo import gdal, osr
from turnrow.processing_provider.bridge.raster.geotiff import read_raster, write_raster
from turnrow.processing_provider.engine.core.errors import EngineError
from turnrow.processing_provider.engine.geometry.block_raster import BlockRaster
from turnrow.processing_provider.engine.geometry.lattice import Lattice


@pytest.fixture
def wkt():
    crs = osr.SpatialReference()
    crs.ImportFromEPSG(32631)
    return crs.ExportToWkt()


@pytest.fixture
def lattice():
    return Lattice.covering(500100.1, 6000099.8, 500110.1, 6000105.2, 0.25)


def test_gdal_reads_back_lattice_nodata_unit_and_georeference(tmp_path, wkt, lattice):
    values = np.arange(lattice.rows * lattice.cols, dtype=float).reshape(lattice.shape)
    values[0, 0] = np.nan
    write_raster(
        tmp_path / "a.tif", BlockRaster.of(values, lattice), wkt, unit="mS/m", name="eca", metadata={"SITE": "field"}
    )
    data = gdal.Open(str(tmp_path / "a.tif"))
    band = data.GetRasterBand(1)
    assert gdal.GetDataTypeName(band.DataType) == "Float32"
    assert (band.GetNoDataValue(), band.GetUnitType(), band.GetDescription()) == (-9999.0, "mS/m", "eca")
    west, cell, skew_x, north, skew_y, down = data.GetGeoTransform()
    assert (cell, skew_x, skew_y, down) == (0.25, 0, 0, -0.25)
    assert (west / 0.25) % 1 == 0
    assert (north / 0.25) % 1 == 0
    assert data.GetSpatialRef().GetAuthorityCode(None) == "32631"
    assert data.GetMetadataItem("SITE") == "field"
    assert band.GetBlockSize() == [256, 256]
    assert data.GetMetadataItem("COMPRESSION", "IMAGE_STRUCTURE") == "DEFLATE"
    read = band.ReadAsArray()
    assert read[0, 0] == -9999
    np.testing.assert_array_equal(read.ravel()[1:], values.ravel()[1:])


def test_round_trip_keeps_nan(tmp_path, wkt, lattice):
    values = np.full(lattice.shape, np.nan)
    values[3, 4] = 12.5
    write_raster(tmp_path / "a.tif", BlockRaster.of(values, lattice), wkt, unit="ppt", name="inphase")
    read, geotransform, _, unit, name = read_raster(tmp_path / "a.tif")
    np.testing.assert_array_equal(read, values)
    assert (geotransform, unit, name) == (lattice.geotransform, "ppt", "inphase")


def test_folder_that_is_a_file_fails_in_a_sentence_and_leaves_nothing(tmp_path, wkt, lattice):
    (tmp_path / "taken").write_text("a file")
    with pytest.raises(EngineError, match="a.tif cannot be written to .*taken"):
        write_raster(tmp_path / "taken" / "a.tif", BlockRaster.of(np.zeros(lattice.shape), lattice), wkt)
    assert sorted(p.name for p in tmp_path.iterdir()) == ["taken"]


def test_full_disk_fails_in_a_sentence_and_leaves_nothing(tmp_path, wkt):
    """The system refuses to let any file grow beyond 8 kB, as a full disk does."""
    lattice = Lattice(500000.0, 6000000.0, 0.5, 400, 400)
    values = np.random.default_rng(1).normal(size=lattice.shape)
    handler, limits = signal.signal(signal.SIGXFSZ, signal.SIG_IGN), resource.getrlimit(resource.RLIMIT_FSIZE)
    try:
        resource.setrlimit(resource.RLIMIT_FSIZE, (8192, limits[1]))
        with pytest.raises(EngineError, match="The raster a.tif cannot be written to .* Is the disk full"):
            write_raster(tmp_path / "a.tif", BlockRaster.of(values, lattice), wkt)
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, limits)
        signal.signal(signal.SIGXFSZ, handler)
    assert not list(tmp_path.iterdir())


def test_missing_raster_fails_in_a_sentence(tmp_path):
    with pytest.raises(EngineError, match="none.tif cannot be opened"):
        read_raster(tmp_path / "none.tif")


def test_statistics_of_an_earlier_raster_of_the_name_go(tmp_path, wkt, lattice):
    write_raster(tmp_path / "a.tif", BlockRaster.of(np.zeros(lattice.shape), lattice), wkt)
    data = gdal.Open(str(tmp_path / "a.tif"))
    data.GetRasterBand(1).ComputeStatistics(False)
    del data
    assert (tmp_path / "a.tif.aux.xml").exists()
    write_raster(tmp_path / "a.tif", BlockRaster.of(np.full(lattice.shape, 7.0), lattice), wkt)
    assert [p.name for p in tmp_path.iterdir()] == ["a.tif"]


def test_full_device_fails_in_a_sentence_and_leaves_nothing(tmp_path, wkt):
    """A file system of 64 KiB, where the machine lets the test mount one."""
    place = tmp_path / "small"
    place.mkdir()
    mount = shutil.which("mount")
    if not mount or subprocess.run([mount, "-t", "tmpfs", "-o", "size=64k", "tmpfs", place], check=False).returncode:
        pytest.skip("no right to mount")
    try:
        lattice = Lattice(500000.0, 6000000.0, 0.5, 400, 400)
        noise = np.random.default_rng(1).normal(size=lattice.shape)
        with pytest.raises(EngineError, match="a.tif cannot be written to .*small.*Is the disk full"):
            write_raster(place / "a.tif", BlockRaster.of(noise, lattice), wkt)
        assert list(place.iterdir()) == []
    finally:
        subprocess.run([shutil.which("umount"), place], check=True)
