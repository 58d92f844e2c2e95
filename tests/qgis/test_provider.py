"""What QGIS and its users expect of every algorithm; a walk over all of them without exemptions."""

import inspect
import re

import pytest
from qgis.core import QgsApplication, QgsProcessingAlgorithm, QgsProcessingParameterDefinition
from turnrow.processing_provider.algorithms._scheme import SCHEME
from turnrow.processing_provider.engine import align, balance, frame, interpolate, outliers, scheme
from turnrow.processing_provider.parameters import Number
from turnrow.processing_provider.provider import ALGORITHMS

pytestmark = pytest.mark.usefixtures("turnrow_provider")


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
        assert row.label in text
        assert row.help.split("&")[0].split("'")[0].split("<")[0] in text
    assert algorithm.shortDescription().endswith(".")
    assert algorithm.helpUrl().startswith("https://")


def test_every_output_is_declared(algorithm):
    declared = {o.name() for o in algorithm.outputDefinitions()}
    assert {r.id for r in type(algorithm).RESULTS} <= declared
    assert {r.id for r in type(algorithm).PARAMETERS if r.is_output} <= declared


def test_numbers_have_limits_and_units(algorithm):
    for row in type(algorithm).PARAMETERS:
        if isinstance(row, Number) and row.id not in ("FIRST_LINE", "LINE_STEP", "FIRST_STATION", "THRESHOLD"):
            assert row.unit, row.id


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


ENGINE = {
    "flagoutliers": outliers.flag_outliers,
    "alignopposing": align.align_opposing,
    "balancetraverses": balance.balance_traverses,
    "interpolatereadings": interpolate.interpolate_readings,
}
NAMES = {"SHIFT": "shift_m", "MAX_GAP": "max_gap_m"}


@pytest.mark.parametrize("name", ENGINE)
def test_defaults_are_those_of_the_engine(name):
    rows = {r.id: r for r in next(a for a in ALGORITHMS if a.NAME == name).PARAMETERS}
    compared = 0
    for option, parameter in inspect.signature(ENGINE[name]).parameters.items():
        row = next((r for i, r in rows.items() if NAMES.get(i, i.lower()) == option), None)
        if row is not None and hasattr(row, "default") and parameter.default is not parameter.empty:
            assert row.default == parameter.default
            compared += 1
    assert compared


def test_defaults_of_the_scheme_are_those_of_the_engine():
    names = {"SENSOR_AHEAD": "sensor_ahead_m", "SENSOR_RIGHT": "sensor_right_m"}
    defaults = {n: p.default for n, p in inspect.signature(scheme.Scheme).parameters.items()}
    for row in SCHEME:
        default = defaults.get(names.get(row.id, row.id.lower()), inspect.Parameter.empty)
        if default is not inspect.Parameter.empty and default is not None:
            assert row.default == default, row.id
    assert inspect.signature(frame.fit_frame).parameters["fit"].default == "similarity"


def test_plugin_loads_unloads_and_loads_again(qgis_app):
    from turnrow import classFactory

    registry = QgsApplication.processingRegistry()
    kept = registry.providerById("turnrow")
    assert kept is not None
    plugin = classFactory(None)
    plugin.initGui()
    # A second provider of the same id is refused, and the first stays.
    assert plugin.provider is None
    plugin.unload()
    assert registry.providerById("turnrow") is not None
