"""The map of the sample walked without error, against the simulator's truth and GDAL's linear triangulation."""

import numpy as np
import pytest
from turnrow.processing_provider.engine.core.readings import Readings, concatenate
from turnrow.processing_provider.engine.geometry.lattice import Lattice
from turnrow.processing_provider.engine.interpolate.interpolate import interpolate_readings

CHANNEL = "eca_10"


def perfect_walk(simulate, plan):
    grid = simulate.simulate_grid(plan, seed=1, faults=simulate.Faults())
    columns = {n: getattr(grid, n) for n in ("run", "seq", "u_m", "v_m", "x", "y", "heading")}
    readings = Readings.build(grid.line, {CHANNEL: grid.channels[CHANNEL]}, grids=(plan.grid,), **columns)
    return readings.with_flag("overrun", grid.flag != "")


def triangulated(x, y, values, lattice):
    """GDAL's ``Grid`` with the algorithm ``linear``, in map coordinates as its users have them."""
    gdal, ogr = pytest.importorskip("osgeo.gdal"), pytest.importorskip("osgeo.ogr")
    source = ogr.GetDriverByName("Memory").CreateDataSource("readings")
    layer = source.CreateLayer("readings", geom_type=ogr.wkbPoint25D)
    for east, north, value in zip(x, y, values):
        feature, point = ogr.Feature(layer.GetLayerDefn()), ogr.Geometry(ogr.wkbPoint25D)
        point.AddPoint(float(east), float(north), float(value))
        feature.SetGeometryDirectly(point)
        layer.CreateFeature(feature)
    west, south, east, north = lattice.extent
    options = {"width": lattice.cols, "height": lattice.rows, "outputBounds": [west, north, east, south]}
    name = "/vsimem/readings.gpkg"
    ogr.GetDriverByName("GPKG").CopyDataSource(source, name).FlushCache()
    raster = gdal.Grid("", name, format="MEM", algorithm="linear:radius=0:nodata=-9999", **options)
    gdal.Unlink(name)
    result = raster.ReadAsArray().astype(float)
    return np.where(result == -9999, np.nan, result)


def test_map_of_a_perfect_walk_is_four_times_nearer_to_the_truth_than_triangulation(simulate):
    readings = concatenate([perfect_walk(simulate, plan) for plan in simulate.sample_plans()])
    used = readings.in_use & np.isfinite(readings.x)
    x, y = readings.x[used], readings.y[used]
    lattice = Lattice.covering(x.min(), y.min(), x.max(), y.max(), 0.25)
    ours = interpolate_readings(readings, CHANNEL, lattice).values
    linear = triangulated(x, y, readings.channels[CHANNEL][used], lattice)
    truth = simulate.truth(*np.meshgrid(lattice.x, lattice.y), CHANNEL)
    both = np.isfinite(ours) & np.isfinite(linear)
    assert both.sum() > 0.95 * np.isfinite(ours).sum()
    errors = [np.sqrt(np.mean((z - truth)[both] ** 2)) for z in (ours, linear)]
    assert errors[0] < errors[1] / 4
