"""A small part of the faults that ``tests/faults.sh`` tries: a result is whole afterwards, and inputs are as before."""

import pytest
from turnrow.tests.faults import faults
from turnrow.tests.faults.survey_under_fault import SurveyUnderFault


@pytest.fixture(scope="module")
def survey(tmp_path_factory):
    """A survey with a result of an earlier run."""
    return SurveyUnderFault(tmp_path_factory.mktemp("faults"))


@pytest.mark.parametrize(
    ("kind", "count"),
    [(faults.kills_in_time, 2), (faults.kills_in_moving, 2), (faults.cancels, 3), (faults.full_disks, 1)],
)
def test_nothing_is_lost_or_mixed(survey, kind, count):
    found = dict(kind(survey, count))
    assert found
    assert [outcome for outcome in found.values() if outcome.startswith("!")] == []


def test_a_second_run_is_refused_and_the_first_ends_well(survey):
    found = dict(faults.two_at_once(survey))
    assert found == {"the second": "refused", "the first": "the new result"}
