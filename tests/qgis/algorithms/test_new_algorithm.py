"""A new algorithm stands everywhere once it is in the provider's tuple: nothing else lists algorithms."""

import importlib.util
from pathlib import Path

import pytest
from qgis.core import QgsApplication
from turnrow.processing_provider import provider
from turnrow.processing_provider.base import SurveyAlgorithm
from turnrow.processing_provider.parameters import Number, NumberResult

ROOT = Path(__file__).resolve().parents[3]


class CountPegs(SurveyAlgorithm):
    """What a new file under ``algorithms`` holds."""

    NAME, LABEL, GROUP, HELP_PAGE = "countpegs", "Count the pegs", "Read", "start"
    SUMMARY = "Counts the pegs that a baseline needs."
    PARAMETERS = (Number("LENGTH", "Length", "Of the baseline.", unit="m", default=20, minimum=0),)
    RESULTS = (NumberResult("PEGS", "Pegs", "How many pegs."),)

    def run_values(self, values, progress, feedback):
        values.results["PEGS"] = int(values.length // 20) + 1


def tool(name):
    """Return a script of the repository as a module."""
    spec = importlib.util.spec_from_file_location("turnrow_" + Path(name).stem, ROOT / name)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.fixture
def added(turnrow_provider, monkeypatch):
    monkeypatch.setattr(provider, "ALGORITHMS", (*provider.ALGORITHMS, CountPegs))
    turnrow_provider.refreshAlgorithms()
    yield QgsApplication.processingRegistry().algorithmById("turnrow:countpegs")
    monkeypatch.undo()
    turnrow_provider.refreshAlgorithms()


def test_it_stands_in_the_toolbox_with_its_help_and_runs(added):
    from qgis import processing

    assert (added.displayName(), added.group()) == ("Count the pegs", "Read")
    assert "<strong>Length (m)</strong>: Of the baseline.</p>" in added.shortHelpString()
    assert "<strong>Pegs</strong>: How many pegs.</p>" in added.shortHelpString()
    assert added.helpUrl().endswith("start.html") or added.helpUrl().endswith("start.md")
    assert processing.run("turnrow:countpegs", {"LENGTH": 60})["PEGS"] == 4


def test_its_texts_are_listed_for_translation(added):
    listed = tool("i18n/strings.py").texts()
    assert {"Count the pegs", "Counts the pegs that a baseline needs.", "Of the baseline.", "How many pegs."} <= {
        *listed
    }


def test_readme_has_a_row_for_every_algorithm(added):
    readme, text = tool("tests/readme.py"), (ROOT / "README.md").read_text("utf-8")
    assert readme.with_table(text, provider.ALGORITHMS[:-1]) == text, "run tests/readme.py"
    assert "| *Count the pegs* | Counts the pegs that a baseline needs. |" in readme.with_table(
        text, provider.ALGORITHMS
    )
