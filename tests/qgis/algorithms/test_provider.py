"""What QGIS and its users expect of every algorithm; a walk over all of them without exemptions."""

import configparser
import re
import subprocess
import sys
from pathlib import Path

import pytest
from qgis.core import QgsApplication, QgsProcessingAlgorithm, QgsProcessingParameterDefinition
from qgis.PyQt.QtCore import QUrl
from turnrow.processing_provider.parameters import Choice, Integer, Number
from turnrow.processing_provider.provider import ALGORITHMS
from turnrow.processing_provider.values import Values

pytestmark = pytest.mark.usefixtures("turnrow_provider")
ROOT = Path(__file__).resolve().parents[3]


@pytest.fixture(params=ALGORITHMS, ids=lambda a: a.NAME)
def algorithm(request):
    return QgsApplication.processingRegistry().algorithmById(f"turnrow:{request.param.NAME}")


def test_ids_are_stable_words(algorithm):
    assert re.fullmatch(r"[a-z]+", algorithm.name())
    assert algorithm.id() == f"turnrow:{algorithm.name()}"
    assert re.fullmatch(r"[a-z]+", algorithm.groupId())


def test_labels_are_verb_phrases_in_sentence_case(algorithm):
    words = algorithm.displayName().split()
    assert words[0][0].isupper()
    assert not any(word[0].isupper() for word in words[1:])
    assert 2 <= len(words) <= 6
    assert algorithm.group()


def test_every_parameter_has_an_upper_case_id_a_label_and_help(algorithm):
    for parameter in algorithm.parameterDefinitions():
        assert re.fullmatch(r"[A-Z][A-Z_]*", parameter.name())
        assert parameter.description()[0].isupper()
        assert parameter.help().endswith((".", "...")), parameter.name()


def test_every_parameter_and_output_stands_in_the_help_panel(algorithm):
    text = algorithm.shortHelpString()
    for row in (*type(algorithm).PARAMETERS, *type(algorithm).RESULTS):
        assert f"<strong>{row.text}</strong>: {row.help}</p>" in text
    assert algorithm.shortDescription().endswith(".")


def test_help_leads_to_a_page_of_the_plugin(turnrow_provider):
    """Models, too. A checkout has the page itself, where none was made of it."""
    for one in turnrow_provider.algorithms():
        page = Path(QUrl(one.helpUrl()).toLocalFile())
        assert page.is_file(), one.id()
        assert page.parent in (ROOT / "help", ROOT / "docs", ROOT / "docs" / "methods")


def test_every_output_is_declared(algorithm):
    declared = {o.name() for o in algorithm.outputDefinitions()}
    assert {r.id for r in type(algorithm).RESULTS} <= declared
    assert {r.id for r in type(algorithm).PARAMETERS if r.is_output} <= declared


def test_numbers_say_their_unit_in_the_label(algorithm):
    for row in type(algorithm).PARAMETERS:
        if isinstance(row, Number) and not isinstance(row, Integer):
            label = algorithm.parameterDefinition(row.id).description()
            assert re.fullmatch(r"[A-Z].* \(.+\)", label), row.id


def test_numbers_beyond_their_range_are_refused(algorithm):
    for row in type(algorithm).PARAMETERS:
        if isinstance(row, Number):
            parameter = algorithm.parameterDefinition(row.id)
            assert row.minimum < row.maximum
            assert not parameter.checkValueIsAcceptable(row.minimum - 1)
            assert not parameter.checkValueIsAcceptable(row.maximum + 1)
            assert row.default is None or parameter.checkValueIsAcceptable(row.default)
            assert parameter.checkValueIsAcceptable(None) == (row.optional or row.default is not None)


def test_choices_are_stored_as_words(algorithm):
    for row in type(algorithm).PARAMETERS:
        if isinstance(row, Choice):
            parameter = algorithm.parameterDefinition(row.id)
            assert parameter.usesStaticStrings()
            assert parameter.defaultValue() in row.words == tuple(parameter.options())


def test_no_input_is_called_as_something_that_values_do(algorithm):
    """Or the one would hide the other."""
    assert [row.id for row in type(algorithm).PARAMETERS if hasattr(Values, row.id.lower())] == []


def test_optional_outputs_are_made_only_when_asked_for(algorithm):
    for parameter in algorithm.destinationParameterDefinitions():
        optional = bool(parameter.flags() & QgsProcessingParameterDefinition.Flag.FlagOptional)
        assert parameter.createByDefault() != optional, parameter.name()


def test_instances_are_fresh(algorithm):
    first, second = algorithm.create(), algorithm.create()
    assert first is not second
    assert first.parameterDefinitions()[0] is not second.parameterDefinitions()[0]


def test_runs_in_batch_and_can_be_cancelled(algorithm):
    flags = algorithm.flags()
    assert flags & QgsProcessingAlgorithm.Flag.FlagSupportsBatch
    assert flags & QgsProcessingAlgorithm.Flag.FlagCanCancel


def test_icon_is_there(algorithm):
    assert not algorithm.icon().isNull()
    assert not algorithm.icon().pixmap(16, 16).isNull()


def test_advanced_parameters_have_defaults(algorithm):
    for parameter in algorithm.parameterDefinitions():
        flags = parameter.flags()
        if flags & QgsProcessingParameterDefinition.Flag.FlagAdvanced:
            optional = flags & QgsProcessingParameterDefinition.Flag.FlagOptional
            assert optional or parameter.defaultValue() is not None


def test_second_provider_of_the_same_id_is_refused(qgis_app):
    from turnrow import classFactory

    registry = QgsApplication.processingRegistry()
    plugin = classFactory(None)
    plugin.initProcessing()
    assert plugin.provider is None
    plugin.unload()
    assert registry.providerById("turnrow") is not None


LOADER = """
import sys
from qgis.core import QgsApplication

application = QgsApplication([], False)
application.initQgis()
import qgis.utils

sys.path.insert(0, r"{folder}")
qgis.utils.plugin_paths = [r"{folder}"]
qgis.utils.updateAvailablePlugins()
assert qgis.utils.available_plugins == ["turnrow"], "not found"
registry = QgsApplication.processingRegistry()
providers = {{p.id() for p in registry.providers()}}
for times in range(2):
    assert qgis.utils.loadPlugin("turnrow"), "not loaded"
    assert qgis.utils.startProcessingPlugin("turnrow"), "not started"
    provider = registry.providerById("turnrow")
    assert {{a.name() for a in provider.algorithms()}} >= {names}, "algorithms are missing"
    assert not provider.icon().isNull() and provider.longName(), "no icon or name"
    assert qgis.utils.unloadPlugin("turnrow"), "not unloaded"
    assert {{p.id() for p in registry.providers()}} == providers, "something is left behind"
"""


def test_qgis_loads_unloads_and_loads_the_plugin_again(tmp_path):
    """By the functions that QGIS's plugin manager calls, in a program of its own."""
    (tmp_path / "turnrow").symlink_to(ROOT, target_is_directory=True)
    script = LOADER.format(folder=tmp_path, names={a.NAME for a in ALGORITHMS})
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr[-2000:]


START = """
import sys

sys.path.insert(0, r"{processing}")
from qgis.core import QgsApplication

application = QgsApplication([], False)
application.initQgis()
from processing.core.Processing import Processing

Processing.initialize()
sys.path.insert(0, r"{folder}")
before = set(sys.modules)
import turnrow

plugin = turnrow.classFactory(None)
plugin.initProcessing()
algorithms = plugin.provider.algorithms()
for algorithm in algorithms:
    assert algorithm.parameterDefinitions() and algorithm.canExecute()[0] and algorithm.shortHelpString()
print(len(algorithms), *sorted(set(sys.modules) - before))
"""
WORKERS = (
    "turnrow.processing_provider.engine",
    "turnrow.processing_provider.bridge",
    "turnrow.processing_provider.values",
)


def test_start_loads_nothing_that_only_a_run_needs(tmp_path, turnrow_provider):
    """In a program of its own; what an algorithm's dialog asks for is asked, too."""
    import processing

    (tmp_path / "turnrow").symlink_to(ROOT, target_is_directory=True)
    script = START.format(folder=tmp_path, processing=Path(processing.__file__).parents[1])
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr[-2000:]
    count, *loaded = done.stdout.split()
    assert int(count) == len(turnrow_provider.algorithms())
    assert "turnrow.processing_provider.algorithms.readlog" in loaded
    assert [name for name in loaded if name.split(".")[0] in ("numpy", "scipy", "matplotlib")] == []
    assert [name for name in loaded if name.startswith(WORKERS)] == []


def test_only_rasters_that_are_written_are_offered(turnrow_provider):
    assert turnrow_provider.supportedOutputRasterLayerExtensions() == ["tif"]


# --- what the plugin site asks of metadata and files (its documentation, "Publish a plugin")


def test_metadata_is_complete():
    """Read as the site reads it: ConfigParser with interpolation, so a lone per-cent sign would break the upload."""
    parser = configparser.ConfigParser()
    parser.optionxform = str
    parser.read_string((ROOT / "metadata.txt").read_text("utf-8"))
    facts = dict(parser.items("general"))
    for name in ("name", "description", "about", "author", "email", "tags"):
        assert facts[name], name
    for name in ("tracker", "repository", "homepage"):
        assert facts[name].startswith("https://"), name
    assert re.fullmatch(r"\d+\.\d+\.\d+", facts["version"])
    assert f'version = "{facts["version"]}"' in (ROOT / "pyproject.toml").read_text("utf-8")
    assert (facts["qgisMinimumVersion"], facts["qgisMaximumVersion"]) == ("3.22", "4.99")
    assert facts["hasProcessingProvider"] == "yes"
    assert facts["category"] in ("Raster", "Vector", "Database", "Mesh", "Web")
    assert (ROOT / facts["icon"]).is_file()
    assert "supportsQt6" not in facts


def test_licence_is_the_whole_of_the_gpl():
    text = (ROOT / "LICENSE").read_text("utf-8")
    assert "GNU GENERAL PUBLIC LICENSE" in text
    assert "Version 2, June 1991" in text
    assert "END OF TERMS AND CONDITIONS" in text
