"""One range of colours for the maps of a channel, and grey for printing."""

from __future__ import annotations

import numpy as np
import pytest
from qgis.core import QgsColorRampShader, QgsGradientColorRamp, QgsProject
from qgis.PyQt.QtGui import QColor
from turnrow.plugin.map_tools.grey_mark import is_grey
from turnrow.plugin.map_tools.shared_colours import limits_of, set_grey, shared_looks, show_shared, to_share
from turnrow.processing_provider.bridge.style.ramps import DIVERGING, QUIET, RAMPS, SEQUENTIAL
from turnrow.processing_provider.engine.core.errors import Cancelled, EngineError

from .conftest import raster

pytestmark = pytest.mark.usefixtures("qgis_app", "qgis_new_project")


def shader_of(layer):
    return layer.renderer().shader().rasterShaderFunction()


def end_colours(layer):
    items = shader_of(layer).colorRampItemList()
    return items[0].color.name(), items[-1].color.name()


def ends_of(ramp):
    return RAMPS[ramp][0], RAMPS[ramp][-1]


def same_colours(project, progress=lambda fraction: None):
    shares = to_share(project)
    return show_shared(project, shares, shared_looks(shares, progress))


def test_maps_of_a_channel_take_one_range_and_others_stay(tmp_path, two_maps):
    layers, values = two_maps
    other = raster(tmp_path, "other", np.full((4, 4), 500.0) + np.arange(4), unit="ppt", look=(1.0, 2.0, DIVERGING))
    other_before = 500.0 + np.percentile(np.tile(np.arange(4), 4), (2, 98))
    said = same_colours(QgsProject.instance())
    expected = np.percentile(values, (2, 98))  # numpy's own percentile over both maps
    for layer in layers:
        np.testing.assert_allclose(limits_of(layer), expected, rtol=1e-6)  # Float32 in the file
        items = [item.value for item in shader_of(layer).colorRampItemList()]
        np.testing.assert_allclose((items[0], items[-1]), expected, rtol=1e-6)
        assert end_colours(layer) == ends_of(SEQUENTIAL)
        assert shader_of(layer).legendSettings().suffix() == " mS/m"
    np.testing.assert_allclose(limits_of(other), other_before, rtol=1e-6)
    assert end_colours(other) == ends_of(DIVERGING)
    assert shader_of(other).legendSettings().suffix() == " ppt"
    low, high = expected
    assert f"cond: 2 maps from {low:.4g} to {high:.4g} mS/m" in said


def test_map_that_was_taken_away_meanwhile_is_left_out(two_maps):
    project = QgsProject.instance()
    shares, reported = to_share(project), []
    looks = shared_looks(shares, reported.append)
    assert reported == [0.0, 0.5]
    project.removeMapLayer(two_maps[0][1].id())
    assert "1 maps from" in show_shared(project, shares, looks)


def test_cancel_ends_the_reading_of_maps(two_maps):
    def stop(fraction):
        raise Cancelled

    with pytest.raises(Cancelled):
        same_colours(QgsProject.instance(), stop)


def test_range_about_zero_keeps_zero_in_its_middle(tmp_path):
    a = raster(tmp_path, "a", np.linspace(-2, 8, 400).reshape(20, 20), look=(-1.0, 1.0, DIVERGING))
    b = raster(tmp_path, "b", np.linspace(-1, 4, 400).reshape(20, 20), look=(-3.0, 3.0, DIVERGING))
    same_colours(QgsProject.instance())
    low, high = limits_of(a)
    assert low == -high
    assert limits_of(b) == (low, high)
    middle = [item for item in shader_of(a).colorRampItemList() if abs(item.value) < high / 30]
    assert all(item.color.lightness() > 200 for item in middle)


def test_own_ramp_of_a_person_is_kept(tmp_path, two_maps):
    layers, _ = two_maps
    shader = shader_of(layers[0])
    shader.setSourceColorRamp(QgsGradientColorRamp(QColor("#102030"), QColor("#f0e0d0")))
    shader.setClassificationMode(QgsColorRampShader.ClassificationMode.EqualInterval)
    shader.classifyColorRamp(7)
    same_colours(QgsProject.instance())
    assert end_colours(layers[0]) == ("#102030", "#f0e0d0")
    assert len(shader_of(layers[0]).colorRampItemList()) == 7
    assert shader_of(layers[0]).sourceColorRamp().color1().name() == "#102030"
    np.testing.assert_allclose(limits_of(layers[0]), limits_of(layers[1]))


def test_grey_and_back_keeps_ramps_and_the_range_of_now(two_maps):
    layers, _ = two_maps
    project = QgsProject.instance()
    before = [limits_of(layer) for layer in layers]
    assert set_grey(project, True) == "2 maps are in greys now."
    assert [limits_of(layer) for layer in layers] == before
    assert [end_colours(layer) for layer in layers] == [ends_of(QUIET)] * 2
    assert shader_of(layers[0]).legendSettings().suffix() == " mS/m"
    assert is_grey(project)
    assert set_grey(project, True) == "0 maps are in greys now."
    same_colours(project)
    assert end_colours(layers[0]) == ends_of(QUIET)
    shared = limits_of(layers[0])
    assert set_grey(project, False) == "2 maps are in their colours again."
    assert [end_colours(layer) for layer in layers] == [ends_of(SEQUENTIAL)] * 2
    for layer in layers:
        np.testing.assert_allclose(limits_of(layer), shared)
    assert not is_grey(project)


def test_grey_survives_saving_the_project(tmp_path, two_maps):
    project = QgsProject.instance()
    set_grey(project, True)
    path = str(tmp_path / "kept.qgz")
    assert project.write(path)
    project.clear()
    assert project.read(path)
    assert is_grey(project)
    set_grey(project, False)
    assert {end_colours(layer) for layer in project.mapLayers().values()} == {ends_of(SEQUENTIAL)}


def test_project_without_maps_is_reported():
    with pytest.raises(EngineError, match="holds no map whose band carries the name of a channel"):
        same_colours(QgsProject.instance())
