"""The axis of a picture."""

import pytest
from turnrow.plugin.profile.axis import Scale, round_step

pytestmark = pytest.mark.usefixtures("qgis_app", "qgis_processing")


def test_scale_goes_there_and_back():
    scale = Scale(10.0, 20.0, 100.0, 300.0)
    assert scale.px(15.0) == 200.0
    assert scale.value(250.0) == 17.5
    upwards = Scale(0.0, 1.0, 80.0, 20.0)
    assert upwards.px(0.25) == 65.0


def test_zoom_leaves_the_value_under_the_pointer_where_it_is():
    scale = Scale(10.0, 20.0, 100.0, 300.0)
    zoomed = scale.zoomed(2.0, 150.0)
    assert zoomed.px(12.5) == pytest.approx(150.0)
    assert zoomed.high - zoomed.low == pytest.approx(5.0)


def test_moving_takes_the_picture_along():
    assert Scale(10.0, 20.0, 100.0, 300.0).moved(20.0).px(15.0) == pytest.approx(220.0)


def test_ticks_are_round_and_apart():
    ticks = Scale(-0.3, 1.0, 0.0, 260.0).ticks(40.0)
    assert [label for _, label in ticks] == ["-0.2", "0.0", "0.2", "0.4", "0.6", "0.8", "1.0"]
    assert [label for _, label in Scale(0.0, 40.0, 0.0, 400.0).ticks(90.0)] == ["0", "10", "20", "30", "40"]
    assert (round_step(0.21), round_step(2.0), round_step(51.0)) == (pytest.approx(0.5), 2.0, 100.0)
