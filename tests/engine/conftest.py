"""Fixtures of the engine's tests."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path

import pytest


@pytest.fixture(scope="session")
def walk():
    """The tests' own small simulator of walked grids (``walk.py``) as a module."""
    name = "turnrow_test_walk"
    if name not in sys.modules:
        found = importlib.util.spec_from_file_location(name, Path(__file__).with_name("walk.py"))
        sys.modules[name] = importlib.util.module_from_spec(found)
        found.loader.exec_module(sys.modules[name])
    return sys.modules[name]
