"""Registers the checkout as the package ``turnrow``, whatever its folder is called, and shares fixtures."""

from __future__ import annotations

import importlib
import importlib.util
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
NAME = "turnrow"

if NAME not in sys.modules:
    spec = importlib.util.spec_from_file_location(NAME, ROOT / "__init__.py", submodule_search_locations=[str(ROOT)])
    package = importlib.util.module_from_spec(spec)
    sys.modules[NAME] = package
    spec.loader.exec_module(package)


@pytest.fixture(scope="session", autouse=True)
def worded_findings():
    """Every finding with an advice that any test brings about says first what to do (``wording.py``)."""
    findings = importlib.import_module(f"{NAME}.processing_provider.engine.core.findings")
    wording = importlib.import_module(f"{NAME}.tests.wording")
    made = findings.Finding.__post_init__

    def check(finding):
        made(finding)
        fault = wording.fault_of(finding.advice, finding.action) if finding.advice else ""
        assert not fault, f"{finding.code}: {fault}"

    findings.Finding.__post_init__ = check
    yield
    findings.Finding.__post_init__ = made


@pytest.fixture(scope="session")
def simulate():
    """The sample's simulator (``sample_project/simulator``): formulas as a site, walks, files."""
    return importlib.import_module("turnrow.sample_project.simulator")


@pytest.fixture(scope="session")
def walk():
    """The simulator of walks over random sites (``sample_project/simulator/walks.py``)."""
    return importlib.import_module("turnrow.sample_project.simulator.walks")


@pytest.fixture(scope="session")
def planting():
    """What draws the surveys of ``tests/cases`` and plants mistakes in them (``tests/cases/planting.py``)."""
    return importlib.import_module(f"{NAME}.tests.cases.planting")


@pytest.fixture(scope="session")
def turnrow_provider(qgis_app, qgis_processing):
    """Turnrow's provider in the Processing registry, added by the plugin itself."""
    from turnrow import classFactory

    plugin = classFactory(None)
    plugin.initProcessing()
    yield plugin.provider
    plugin.unload()
