"""Frame fits against independent programs: GDAL's ground control points, pyproj and scikit-image."""

import numpy as np
import pytest
from turnrow.processing_provider.engine.geometry.frame import CORNERS, Corner, fit_frame, local_corner

SIZE = 30.0, 20.0


def corners(seed, hand=1.0):
    rng = np.random.default_rng(seed)
    angle = rng.uniform(0, 2 * np.pi)
    turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    local = np.array([local_corner(c, *SIZE) for c in CORNERS])
    on_map = (local * [1, hand]) @ turn.T + rng.uniform(2e5, 8e5, 2) + rng.normal(0, 0.03, (4, 2))
    return local, on_map, [Corner("A", n, *xy) for n, xy in zip(CORNERS, on_map)]


@pytest.mark.parametrize("seed", range(8))
def test_similarity_equals_scikit_image(seed):
    """scikit-image, ``estimate_transform`` (Umeyama 1991)."""
    transform = pytest.importorskip("skimage.transform")
    local, on_map, named = corners(seed)
    centre = on_map.mean(axis=0)  # the library loses digits on large coordinates
    reference = transform.estimate_transform("similarity", local, on_map - centre)
    ours = fit_frame(named, *SIZE)
    # 8e5 m coordinates carry 1e-10 m; two orders for the sums.
    np.testing.assert_allclose(np.stack(ours.to_map(*local.T), 1), reference(local) + centre, atol=1e-8)


@pytest.mark.parametrize("seed", range(4))
def test_affine_equals_gdal_control_points(seed):
    """GDAL, ``GCPsToGeoTransform``: least squares of six parameters."""
    gdal = pytest.importorskip("osgeo.gdal")
    local, on_map, named = corners(seed, hand=-1.0)
    points = [gdal.GCP(x, y, 0, u, v) for (u, v), (x, y) in zip(local, on_map)]
    g = gdal.GCPsToGeoTransform(points, True)
    ours = fit_frame(named, *SIZE, fit="affine")
    u, v = local.T
    expected = [g[0] + g[1] * u + g[2] * v, g[3] + g[4] * u + g[5] * v]
    np.testing.assert_allclose(ours.to_map(u, v), expected, atol=1e-6)


def test_applying_equals_pyproj_affine():
    """PROJ's ``affine`` operation through pyproj, with the coefficients of our fit."""
    pyproj = pytest.importorskip("pyproj")
    try:
        pyproj.datadir.get_data_dir()
    except pyproj.exceptions.DataDirError:  # Debian 13's own pyproj does not look where Debian keeps the data
        pyproj.datadir.set_data_dir("/usr/share/proj")
    local, _, named = corners(5)
    ours = fit_frame(named, *SIZE)
    (a, b), (c, d) = ours.matrix
    shift = ours.map_centre - ours.matrix @ ours.local_centre
    # repr keeps all digits of the coefficients
    pipeline = f"+proj=affine +xoff={shift[0]!r} +yoff={shift[1]!r} +s11={a!r} +s12={b!r} +s21={c!r} +s22={d!r}"
    pipeline = pipeline.replace("np.float64(", "").replace(")", "")
    x, y = pyproj.Transformer.from_pipeline(pipeline).transform(*local.T)
    np.testing.assert_allclose(ours.to_map(*local.T), [x, y], atol=1e-8)
