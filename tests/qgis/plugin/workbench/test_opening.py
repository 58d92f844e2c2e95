"""Opening a processed folder."""

import pytest
from qgis.core import QgsProject
from turnrow.plugin.workbench.opening import find_tables, open_tables
from turnrow.processing_provider.engine.core.errors import EngineError

from ..conftest import until

pytestmark = pytest.mark.usefixtures("qgis_app", "qgis_processing")


def test_folder_that_is_no_processed_survey_is_reported(plugin, tmp_path):
    plugin.action.trigger()
    plugin.workbench.desk.open_folder(tmp_path)
    assert "holds no recipe.json" in plugin.workbench.message.text()
    assert "holds no recipe.json" in plugin.iface.said[0]


def test_processed_folder_finds_its_inputs_and_loads_its_maps(plugin, survey_files):
    from qgis import processing

    processing.run("turnrow:processregister", survey_files.parameters())
    found = find_tables(survey_files.output)
    assert (found.register, found.corners, found.notes) == (
        survey_files.register, survey_files.corners, survey_files.notes,
    )  # fmt: skip
    plugin.action.trigger()
    bench = plugin.workbench
    bench.desk.open_folder(survey_files.output)
    until(lambda: bench.desk.session is not None)
    assert not [f for f in bench.desk.session.findings() if f.code == "input-changed"]
    names = {layer.name() for layer in QgsProject.instance().mapLayers().values()}
    assert {"cond", "Grids", "Findings"} <= names
    given = bench.parameters()
    assert (given["OUTPUT_FOLDER"], given["RECIPE"]) == (
        str(survey_files.output), str(survey_files.output / "recipe.json"),
    )  # fmt: skip


def test_changed_input_of_a_processed_folder_is_a_finding(plugin, survey_files):
    from qgis import processing

    processing.run("turnrow:processregister", survey_files.parameters())
    survey_files.write_log("A", 0.0, shift=1.0)
    session = open_tables(find_tables(survey_files.output), survey_files.output / "recipe.json").read()
    assert ["A.csv" in f.found for f in session.findings() if f.code == "input-changed"] == [True]


def test_inputs_that_were_moved_are_reported(plugin, survey_files, tmp_path_factory):
    from qgis import processing

    processing.run("turnrow:processregister", survey_files.parameters())
    elsewhere = tmp_path_factory.mktemp("elsewhere") / "out"
    survey_files.output.rename(elsewhere)
    with pytest.raises(EngineError, match="are not found in that folder or above it"):
        find_tables(elsewhere)
