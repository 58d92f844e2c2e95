"""Algorithms take damaged tables with sentences, and with nothing else."""

import pytest
from turnrow.tests.qgis.algorithms.damaged_tables import fault_of

pytestmark = pytest.mark.usefixtures("turnrow_provider")


@pytest.mark.parametrize("seed", range(5))
def test_damage_gives_sentences(seed, tmp_path):
    assert fault_of(seed, tmp_path / "survey") == ""
