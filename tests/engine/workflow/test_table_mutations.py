"""Damaged tables of a survey: what is wrong is named in sentences, and nothing else comes of it."""

import pytest
from turnrow.tests.engine.workflow.table_mutations import fault_of


@pytest.mark.parametrize("seed", range(20))
def test_damage_gives_sentences(seed, tmp_path):
    assert fault_of(seed, tmp_path / "survey") in ("", "refused")
