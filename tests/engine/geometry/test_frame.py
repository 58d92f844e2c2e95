"""Frames fitted to corners, against worked examples and against GDAL, pyproj and scikit-image."""

import numpy as np
import pytest
from turnrow.processing_provider.engine.core.errors import EngineError
from turnrow.processing_provider.engine.geometry import CORNERS, Corner, fit_frame, frame_of_readings, local_corner

ORIGIN = np.array([400100.0, 200050.0])
TURN = np.array([[np.cos(np.pi / 6), -0.5], [0.5, np.cos(np.pi / 6)]])


def square(length=20.0, width=20.0, errors_mm=None, hand=1.0):
    local = np.array([local_corner(c, length, width) for c in CORNERS]) * [1.0, hand]
    on_map = local @ TURN.T + ORIGIN + np.array(errors_mm or np.zeros((4, 2))) / 1000
    return [Corner("A", name, *xy) for name, xy in zip(CORNERS, on_map)]


def test_square_turned_30_degrees():
    # Plane geometry: a 20 m square turned by 30 degrees about (400100, 200050).
    frame = fit_frame(square(), 20, 20)
    x, y = frame.to_map([0, 20, 20, 0, 10], [0, 0, 20, 20, 10])
    np.testing.assert_allclose(x, [400100, 400117.320508, 400107.320508, 400090, 400103.660254], atol=1e-6)
    np.testing.assert_allclose(y, [200050, 200060, 200077.320508, 200067.320508, 200063.660254], atol=1e-6)
    assert frame.bearing_deg == pytest.approx(330, abs=1e-9)
    assert frame.findings == ()


def test_reading_in_the_frame():
    # Half-pixel example: local (0.25, 0.0625) of the same square; plane geometry.
    x, y = fit_frame(square(), 20, 20).to_map(0.25, 0.0625)
    assert (float(x), float(y)) == (
        pytest.approx(400100.185256, abs=1e-6),
        pytest.approx(200050.179127, abs=1e-6),
    )


ERRORS_MM = [(20, -10), (-10, 30), (0, -20), (-30, 10)]


def test_corner_errors_are_shared_out():
    # Umeyama's least-squares similarity (IEEE PAMI 13, 1991), worked example computed with scikit-image.
    frame = fit_frame(square(errors_mm=ERRORS_MM), 20, 20)
    np.testing.assert_allclose(frame.matrix, [[0.8656504, -0.500625], [0.500625, 0.8656504]], atol=1e-6)
    assert frame.scale == pytest.approx(0.999988006, abs=1e-9)
    residuals = np.array([frame.residuals_m[c] for c in CORNERS]) * 1000
    np.testing.assert_allclose(residuals, [(-15, 10), (7.5, -17.5), (-15, 25), (22.5, -17.5)], atol=1e-3)
    rms = np.sqrt(np.mean(np.sum(residuals**2, axis=1)))
    assert rms == pytest.approx(24.238, abs=1e-3)


def test_affine_residuals_alternate():
    # Law of the parallelogram: 8 equations, 6 unknowns leave one pattern a coordinate, equal in size.
    frame = fit_frame(square(errors_mm=ERRORS_MM), 20, 20, fit="affine")
    residuals = np.array([frame.residuals_m[c] for c in CORNERS]) * 1000
    np.testing.assert_allclose(np.abs(residuals), np.tile([15, 17.5], (4, 1)), atol=1e-6)


def test_exact_fit_is_bilinear_and_says_so():
    # Geometry: the middle of a bilinear quad is the mean of its corners.
    quad = [Corner("A", n, *xy) for n, xy in zip(CORNERS, [(0, 0), (20, 0), (20.4, 19.8), (-0.3, 20.2)])]
    frame = fit_frame(quad, 20, 20, fit="exact")
    x, y = frame.to_map(10.0, 10.0)
    assert (x, y) == (pytest.approx(10.025, abs=1e-9), pytest.approx(10.0, abs=1e-9))
    u, v = np.meshgrid(np.linspace(0, 20, 7), np.linspace(0, 20, 5))
    back = frame.to_local(*frame.to_map(u, v))
    np.testing.assert_allclose(back, [u, v], atol=1e-9)
    assert "exact-fit" in [f.code for f in frame.findings]
    assert frame.largest_residual_m < 1e-9


def test_mirrored_grid_is_legal_and_reported():
    frame = fit_frame(square(hand=-1.0), 20, 20)
    assert frame.mirrored
    assert frame.largest_residual_m < 1e-9
    assert [f.code for f in frame.findings] == ["mirrored"]


def test_two_corners_lead_left_of_the_baseline():
    corners = square()[:2]
    frame = fit_frame(corners, 20, 20)
    np.testing.assert_allclose(frame.to_map(0, 20), [400090, 200067.320508], atol=1e-6)
    assert [f.code for f in frame.findings] == ["two-corners"]


def test_diagonal_too_long_is_a_warning():
    corners = square()
    shifted = [c if c.corner != "opposite" else Corner("A", "opposite", c.x + 0.4, c.y) for c in corners]
    found = [f for f in fit_frame(shifted, 20, 20).findings if f.severity == "warning"]
    assert {f.code for f in found} == {"corner-residual", "corner-distance"}
    assert any("start to opposite measures 28." in f.found for f in found)


@pytest.mark.parametrize(
    ("side", "diagonal"), [(10, 14.1421), (20, 28.2843), (30, 42.4264), (50, 70.7107), (100, 141.4214)]
)
def test_diagonals_that_are_expected(side, diagonal):
    # Pythagoras; the far corner is moved out along the diagonal by 0.2 m.
    out = TURN @ np.array([0.2, 0.2]) / np.sqrt(2)
    corners = [
        Corner("A", c.corner, c.x + out[0] * (c.corner == "opposite"), c.y + out[1] * (c.corner == "opposite"))
        for c in square(side, side)
    ]
    sentences = [f for f in fit_frame(corners, side, side).findings if f.found.startswith("start to opposite")]
    assert sentences[0].expected == f"{diagonal:.2f} m"
    assert f"measures {diagonal + 0.2:.2f} m" in sentences[0].found


def test_rhombus_with_one_diagonal_a_decimetre_too_long():
    # Law of cosines: a 20 m square whose diagonal is 0.10 m too long has a corner of 90.404759 degrees, and the end
    # of a side stands 0.1413 m aside.
    angle = np.radians(90.404759)
    aside = 20 * np.array([np.cos(angle), np.sin(angle)])
    assert aside[0] == pytest.approx(-0.1413, abs=5e-5)
    places = [(0, 0), (20, 0), (20 + aside[0], aside[1]), tuple(aside)]
    frame = fit_frame([Corner("A", n, *xy) for n, xy in zip(CORNERS, places)], 20, 20)
    sentences = [f.found for f in frame.findings]
    assert sentences == ["start to opposite measures 28.18 m."]
    # The fit turns by half the angle, so every corner, half a diagonal from the middle, is off by the other half.
    off = 28.2843 / 2 * np.radians(0.404759) / 2
    np.testing.assert_allclose([np.hypot(*r) for r in frame.residuals_m.values()], off, atol=1e-4)


def compass_rule(legs, bearings_deg, start=(0.0, 0.0)):
    """Stations and misclosure of a closed traverse, the misclosure shared out by length (compass or Bowditch rule)."""
    legs, bearings = np.asarray(legs), np.radians(bearings_deg)
    raw = np.stack([legs * np.sin(bearings), legs * np.cos(bearings)], axis=1)
    closure = raw.sum(axis=0)
    legs_adjusted = raw - closure * (legs / legs.sum())[:, None]
    return np.vstack([[0, 0], legs_adjusted.cumsum(axis=0)]) + start, closure, legs_adjusted - raw


def test_pegs_of_a_taped_traverse_are_taken():
    # Worked example of the compass rule (textbook, from memory): 20.00, 20.01, 19.98 and 20.02 m round the square.
    pegs, closure, change = compass_rule([20.00, 20.01, 19.98, 20.02], [0, 90, 180, 270], (500000.0, 6000000.0))
    np.testing.assert_allclose(closure, [-0.01, 0.02], atol=1e-9)
    assert 80.01 / np.hypot(*closure) == pytest.approx(3578.16, abs=0.01)
    np.testing.assert_allclose(change[0], [0.0025, -0.004999], atol=1e-6)
    names = ("start", "head", "opposite", "baseline")
    frame = fit_frame([Corner("A", n, *xy) for n, xy in zip(names, pegs)], 20, 20)
    assert frame.findings == ()
    assert 0 < frame.largest_residual_m < np.hypot(*closure)
    assert frame.bearing_deg == pytest.approx(0, abs=0.05)


def test_misclosure_of_five_centimetres_is_within_what_pegs_have():
    # 0.05 m on 80 m are 1:1600, inside the 1:500 to 1:1000 that a tape is trusted with (common practice, no source).
    off = np.array([0.03, -0.04])
    assert 80 / np.hypot(*off) == pytest.approx(1600)
    corners = [
        Corner("A", c.corner, c.x + off[0] * (c.corner == "head"), c.y + off[1] * (c.corner == "head"))
        for c in square()
    ]
    frame = fit_frame(corners, 20, 20)
    assert frame.findings == ()
    # A single corner's error: 8 equations, 4 unknowns leave at most its own size at any corner.
    assert 0 < frame.largest_residual_m < 0.05


def test_map_scale_of_a_utm_zone_on_its_middle():
    # Definition of UTM: 0.9996 on the central meridian, so a taped side of 20 m is 8 mm short on the map, 100 m 40 mm.
    corners = [Corner("A", n, 500000 + 0.9996 * u, 0.9996 * v) for n in CORNERS for u, v in [local_corner(n, 100, 20)]]
    frame = fit_frame(corners, 100, 20)
    assert frame.scale == pytest.approx(0.9996, abs=1e-9)
    assert frame.largest_residual_m < 1e-9
    assert np.ptp(frame.to_map([0, 20], [0, 0])[0]) == pytest.approx(20 - 0.008, abs=1e-6)
    assert np.ptp(frame.to_map([0, 0], [0, 100])[1]) == pytest.approx(100 - 0.040, abs=1e-6)
    assert frame.findings == ()


@pytest.mark.parametrize(
    ("first", "second"), [("start", "baseline"), ("baseline", "opposite"), ("opposite", "head"), ("head", "start")]
)
def test_swapped_corners_are_refused_by_name(first, second):
    exchange = {first: second, second: first}
    swapped = [Corner("A", exchange.get(c.corner, c.corner), c.x, c.y) for c in square(length=30)]
    with pytest.raises(EngineError, match="swapped: exchanging .*") as caught:
        fit_frame(swapped, 30, 20)
    assert f"{first} and {second}" in str(caught.value) or f"{second} and {first}" in str(caught.value)


def test_corner_far_off_is_refused():
    corners = square()
    moved = [c if c.corner != "head" else Corner("A", "head", c.x + 3, c.y) for c in corners]
    with pytest.raises(EngineError, match=r"head corner of grid A is \d\.\d\d m away"):
        fit_frame(moved, 20, 20, grid="A")


def test_wrong_size_is_refused():
    with pytest.raises(EngineError, match=r"lie 1\.\d+ times as far apart"):
        fit_frame(square()[:2], 20, 19)


@pytest.mark.parametrize(("length", "width", "column"), [(8, 20, "length_m"), (20, 25, "width_m")])
def test_side_of_the_register_that_all_corners_contradict_is_named(length, width, column):
    for corners in (square(), square()[:3]):
        with pytest.raises(EngineError, match=f"20.00 m from each other along {column}.*Correct {column}"):
            fit_frame(corners, length, width)


@pytest.mark.parametrize("wrong", range(4))
def test_one_wrong_corner_is_named_with_what_it_is_off_by(wrong):
    """One corner moved by 1 m, whose fit to all four leaves less than half a metre at each."""
    corners = moved_corners(lambda k, u, v: ((k == wrong) * (1 if u else -1), 0.0))
    with pytest.raises(EngineError, match=f"The {CORNERS[wrong]} corner of the grid is 1.00 m away"):
        fit_frame(corners, 20.0, 10.0)


def test_degrees_are_refused():
    corners = [Corner("A", c.corner, c.x / 4e5, c.y / 4e5) for c in square()]
    with pytest.raises(EngineError, match="in degrees.*UTM"):
        fit_frame(corners, 20, 20)


def test_too_few_corners_are_named():
    with pytest.raises(EngineError, match=r"Of grid A only 1 of 4 corners.*baseline, opposite, head"):
        fit_frame(square()[:1], 20, 20, grid="A")


def test_frame_comes_back_from_readings():
    frame = fit_frame(square(errors_mm=ERRORS_MM, hand=-1.0), 20, 20)
    u, v = np.random.default_rng(3).uniform(0, 20, (2, 50))
    again = frame_of_readings(u, v, *frame.to_map(u, v))
    np.testing.assert_allclose(again.to_map(3.0, 4.0), frame.to_map(3.0, 4.0), atol=1e-8)
    assert not again.twist.any()


def test_bilinear_quadrilateral():
    # Worked quadrilateral: the middle of a bilinear quad is the mean of its corners; a projective map would put it at
    # the crossing of the diagonals, (10.379747, 9.391200).
    local = np.array([local_corner(c, 20, 20) for c in CORNERS])
    frame = frame_of_readings(*local.T, [0, 20, 21, -1], [0, 0, 19, 20.5])
    np.testing.assert_allclose(frame.to_map(10, 10), [10, 9.875], atol=1e-9)
    np.testing.assert_allclose(frame.to_local(10, 9.875), [10, 10], atol=1e-9)


def test_frame_of_one_line_is_refused():
    with pytest.raises(EngineError, match="on one line or are not placed"):
        frame_of_readings(np.zeros(9), np.arange(9.0), np.zeros(9), np.arange(9.0))


def moved_corners(change):
    """Return the corners of a grid of 20 by 10 m, each moved by a function of its position."""
    positions = [local_corner(name, 20.0, 10.0) for name in CORNERS]
    return [Corner("A", name, 4e5 + u + change(k, u, v)[0], 5e6 + v + change(k, u, v)[1])
            for k, (name, (u, v)) in enumerate(zip(CORNERS, positions))]  # fmt: skip


@pytest.mark.parametrize(("off", "refused"), [(0.4, False), (0.7, True)])
def test_residuals_above_half_a_metre_are_refused(off, refused):
    """Corners moved to and fro in turn fit no better anywhere: each residual is what a corner was moved by."""
    corners = moved_corners(lambda k, u, v: ((-1) ** k * off, 0.0))
    if refused:
        with pytest.raises(EngineError, match="corner of"):
            fit_frame(corners, 20.0, 10.0)
    else:
        assert fit_frame(corners, 20.0, 10.0).largest_residual_m == pytest.approx(off, abs=1e-9)


@pytest.mark.parametrize(("scale", "refused"), [(1.008, False), (1.015, True), (0.985, True)])
def test_scales_off_by_more_than_a_hundredth_are_refused(scale, refused):
    corners = moved_corners(lambda k, u, v: ((scale - 1) * u, (scale - 1) * v))
    if refused:
        with pytest.raises(EngineError, match="than the register says|as far apart"):
            fit_frame(corners, 20.0, 10.0)
    else:
        assert fit_frame(corners, 20.0, 10.0).scale == pytest.approx(scale, abs=1e-9)
