"""The parameter in Processing's dialogs: a button in the toolbox's, the plain file widget in batch and models."""

import os
import subprocess
import sys
from pathlib import Path

import pytest
from qgis.core import QgsApplication, QgsProcessingContext, QgsProcessingModelAlgorithm
from qgis.gui import QgsProcessingModelerParameterWidget
from qgis.PyQt.QtWidgets import QDialog
from turnrow.plugin.log_layout import layout_parameter

from ..conftest import until

pytestmark = pytest.mark.usefixtures("qgis_app", "qgis_new_project", "turnrow_provider")

ALGORITHM = "turnrow:readlog"
ROOT = Path(__file__).resolve().parents[4]


def read_log():
    return QgsApplication.processingRegistry().createAlgorithmById(ALGORITHM)


@pytest.fixture
def dialog(monkeypatch):
    from processing.gui.AlgorithmDialog import AlgorithmDialog

    # The window of the test run is none that QGIS's own code accepts.
    monkeypatch.setattr("processing.gui.ParametersPanel.iface", None)

    made = AlgorithmDialog(read_log())
    yield made
    made.close()
    made.deleteLater()


def wrapper_of(dialog):
    return dialog.mainWidget().wrappers["LAYOUT"]


def given(dialog):
    """What the dialog would run with."""
    return dialog.mainWidget().createProcessingParameters()


def test_button_needs_a_log_and_the_file_is_the_value(dialog, log, tmp_path):
    wrapper = wrapper_of(dialog)
    assert not wrapper.button.isEnabled()
    dialog.setParameters({"LOG": [str(log)]})
    assert wrapper.button.isEnabled()
    assert not given(dialog).get("LAYOUT")
    dialog.setParameters({"LOG": [str(log)], "LAYOUT": str(tmp_path / "layout.json")})
    assert given(dialog)["LAYOUT"] == str(tmp_path / "layout.json")
    dialog.setParameters({"LOG": [str(tmp_path / "nowhere.csv")]})
    assert not wrapper.button.isEnabled()


def test_layout_that_is_kept_becomes_the_value(dialog, log, tmp_path, monkeypatch):
    path, seen = tmp_path / "kept.json", []

    def as_a_person(shown):
        until(lambda: not shown.works.names)
        seen.append((shown.about.log, shown.about.layout, shown.parent()))
        shown.save(path)
        return QDialog.DialogCode.Accepted

    monkeypatch.setattr(layout_parameter.LayoutDialog, "exec", as_a_person)
    dialog.setParameters({"LOG": [str(log)]})
    wrapper_of(dialog).button.click()
    assert seen == [(log, None, dialog)]
    assert given(dialog)["LAYOUT"] == str(path)
    monkeypatch.setattr(layout_parameter.LayoutDialog, "exec", lambda s: seen.append(s.about.layout) or s.reject())
    wrapper_of(dialog).button.click()
    assert seen[1:] == [path]
    assert given(dialog)["LAYOUT"] == str(path)


def test_batch_has_the_plain_file_widget(log, tmp_path):
    from processing.gui.BatchAlgorithmDialog import BatchAlgorithmDialog

    batch = BatchAlgorithmDialog(read_log(), None)
    panel = batch.mainWidget()
    if not panel.wrappers:
        panel.addRow()
    wrapper = panel.wrappers[0][panel.parameter_to_column["LAYOUT"]]
    assert not isinstance(wrapper, layout_parameter.LayoutWidget)
    wrapper.setParameterValue(str(tmp_path / "layout.json"), QgsProcessingContext())
    assert wrapper.parameterValue() == str(tmp_path / "layout.json")
    batch.close()
    batch.deleteLater()


def test_model_designer_has_its_own_widget():
    from processing.modeler.ModelerParametersDialog import ModelerParametersDialog

    designer = ModelerParametersDialog(read_log(), QgsProcessingModelAlgorithm())
    wrapper = designer.widget.widget.wrappers["LAYOUT"]
    assert isinstance(wrapper, QgsProcessingModelerParameterWidget)
    assert wrapper.parameterDefinition().name() == "LAYOUT"
    designer.close()
    designer.deleteLater()


def test_without_a_window_nothing_of_it_is_imported(log, tmp_path):
    """As ``qgis_process`` runs the algorithm."""
    (tmp_path / "turnrow").symlink_to(ROOT, target_is_directory=True)
    code = (
        "import sys; from qgis.core import QgsApplication; a = QgsApplication([], False); a.initQgis();"
        f"sys.path[:0] = [{str(tmp_path)!r}]; import turnrow; p = turnrow.classFactory(None); p.initProcessing();"
        "g = p.provider.algorithm('readlog').create(); print(g.parameterDefinition('LAYOUT').type());"
        "from qgis.core import QgsProcessingContext, QgsProcessingFeedback as F; c = QgsProcessingContext();"
        f"r = g.run({{'LOG': [{str(log)!r}], 'OUTPUT': 'memory:'}}, c, F()); print(r[1]);"
        "print([m for m in sys.modules if 'log_layout' in m]); p.unload()"
    )
    profile = {"QGIS_CUSTOM_CONFIG_PATH": str(tmp_path / "profile")}
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False,
                          env={**os.environ, **profile})  # fmt: skip
    kind, good, loaded = done.stdout.splitlines()[-3:]
    assert (kind, good, loaded) == ("file", "True", "[]"), done.stderr[-2000:]
