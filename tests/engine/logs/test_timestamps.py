"""Notations of time. Reference: ``datetime`` of Python's standard library."""

import doctest
from datetime import datetime, timedelta

import numpy as np
import pytest
from turnrow.processing_provider.engine.core.errors import EngineError
from turnrow.processing_provider.engine.logs import column_roles as _roles
from turnrow.processing_provider.engine.logs import recordings as _logruns
from turnrow.processing_provider.engine.logs import timestamps as _times
from turnrow.processing_provider.engine.logs.time_formats import check_time_format, guess_time_format, quick_notation
from turnrow.processing_provider.engine.logs.timestamps import (
    clock_seconds,
    guess_date_format,
    number_seconds,
    parse_dates,
    parse_times,
    since_first_midnight,
)

START = datetime(2024, 2, 28, 9, 59, 57, 250000)
MOMENTS = [START + timedelta(seconds=0.125 * k + (86400 if k > 50 else 0)) for k in range(100)]
SECONDS = np.array([(m - datetime.combine(m.date(), datetime.min.time())).total_seconds() for m in MOMENTS])
NOTATIONS = {
    "HH:MM:SS.fff": lambda m: f"{m:%H:%M:%S}.{m.microsecond // 1000:03d}",
    "decimal comma": lambda m: f"{m:%H:%M:%S},{m.microsecond // 1000:03d}",
    "one-digit hours": lambda m: f"{m.hour}:{m:%M:%S}.{m.microsecond // 1000:03d}",
    "AM/PM": lambda m: f"{m:%I:%M:%S}.{m.microsecond // 1000:03d} {m:%p}",
    "am/pm": lambda m: f"{m:%I:%M:%S}.{m.microsecond // 1000:03d}{m:%p}".lower(),
}


@pytest.mark.parametrize("modules", [_times, _logruns, _roles], ids=lambda m: m.__name__.rsplit(".", 1)[1])
def test_examples_in_the_docstrings(modules):
    result = doctest.testmod(modules)
    assert result.attempted > 0
    assert result.failed == 0


@pytest.mark.parametrize("write", NOTATIONS.values(), ids=NOTATIONS)
def test_clock_times(write):
    texts = np.array([write(m) for m in MOMENTS])
    assert guess_time_format(texts.tolist()) == "HH:MM:SS"
    seconds, bad = clock_seconds(texts)
    assert not bad.any()
    np.testing.assert_allclose(seconds, SECONDS, rtol=0, atol=1e-9)  # rounding of doubles near 86400 is 1.5e-11


def test_clock_times_of_different_patterns_side_by_side():
    texts = np.array(["9:05", "09:05:30", " 09:05:30.5", "23:59:60", "", "12:00 am", "12:00 pm", "1:00 p.m.", "24:00"])
    seconds, bad = clock_seconds(texts)
    expected = [32700, 32730, 32730.5, 86400, np.nan, 0, 43200, 46800, 86400]
    np.testing.assert_allclose(seconds, expected, rtol=0, atol=1e-9)
    assert not bad.any()


@pytest.mark.parametrize(
    "text", ["9", "9:5x", "9:60:00", "9:00:61", "25:00", ":30", "9:00:", "9:0:0.1.2", "13:00 PM", "9:1:2:3"]
)
def test_texts_that_are_no_clock_time(text):
    seconds, bad = clock_seconds(np.array([text, "09:00"]))
    assert bad.tolist() == [True, False]
    assert np.isnan(seconds[0])


def test_minutes_and_seconds_past_59_are_bad_in_texts_of_one_pattern():
    seconds, bad = clock_seconds(np.array(["09:75:00", "09:10:75", "09:10:00"]))
    assert bad.tolist() == [True, True, False]
    np.testing.assert_array_equal(seconds, [np.nan, np.nan, 33000])


@pytest.mark.parametrize(
    "pattern",
    ["%Y-%m-%dT%H:%M:%S.%f", "%Y-%m-%d %H:%M:%S.%f", "%Y-%m-%dT%H:%M:%S.%fZ", "%Y-%m-%dT%H:%M:%S.%f+02:00",
     "%d.%m.%Y %H:%M:%S.%f", "%m/%d/%Y %I:%M:%S.%f %p", "%d %b %Y %H:%M:%S.%f"],
)  # fmt: skip
def test_dates_with_times(pattern):
    texts = np.array([m.strftime(pattern) for m in MOMENTS])
    assert guess_time_format(texts.tolist()) == "date-time"
    seconds, days, bad = parse_times(texts, "date-time")
    assert not bad.any()
    np.testing.assert_allclose(seconds, SECONDS, rtol=0, atol=1e-9)
    assert days.tolist() == [m.toordinal() for m in MOMENTS]
    elapsed = [(m - datetime(2024, 2, 28)).total_seconds() for m in MOMENTS]
    np.testing.assert_allclose(since_first_midnight(seconds, days), elapsed, rtol=0, atol=1e-9)


@pytest.mark.parametrize(("pattern", "dated"), [("%Hh%Mm%S.%f", False), ("%j/%H%M%S.%f", True)])
def test_formats_of_ones_own(pattern, dated):
    texts = np.array([m.strftime(pattern) for m in MOMENTS])
    seconds, days, bad = parse_times(texts, pattern)
    np.testing.assert_allclose(seconds, SECONDS, rtol=0, atol=1e-9)
    assert not bad.any()
    assert np.isfinite(days).all() == dated
    assert parse_times(np.array(["noon", ""]), pattern)[2].tolist() == [True, False]


@pytest.mark.parametrize("pattern", ["%Y-%m-%d", "%d.%m.%Y", "%m/%d/%Y", "%Y%m%d", "%d/%m/%y", "%d-%b-%Y"])
def test_dates(pattern):
    texts = np.array([m.strftime(pattern) for m in MOMENTS])
    days, bad = parse_dates(texts)
    assert not bad.any()
    assert days.tolist() == [m.toordinal() for m in MOMENTS]
    assert parse_dates(np.array(["", "30.2.2024", "1.3.2024"]), "%d.%m.%Y")[1].tolist() == [False, True, False]


def test_a_date_that_can_be_read_both_ways_is_the_one_with_neighbouring_days():
    assert guess_date_format(["03/05/2024", "03/06/2024"]) == "%m/%d/%Y"
    assert guess_date_format(["03/05/2024", "04/05/2024"]) == "%d/%m/%Y"


def test_plain_numbers():
    clock = [f"{m:%H%M%S}.{m.microsecond // 100000}" for m in MOMENTS]
    assert guess_time_format(clock) == "HHMMSS"
    whole = np.array([m.hour * 3600 + m.minute * 60 + m.second for m in MOMENTS])
    found = number_seconds(np.array([float(f"{m:%H%M%S}") for m in MOMENTS]), "HHMMSS")
    assert found.tolist() == whole.tolist()
    assert guess_time_format([str(35997250 + 125 * k) for k in range(100)]) == "ms"
    assert guess_time_format([f"{35997.25 + 0.125 * k:.3f}" for k in range(100)]) == "s"
    assert guess_time_format([str(33000 + k) for k in range(100)]) == "s"
    assert guess_time_format([str(m.hour * 10000 + m.minute * 100 + m.second) for m in
                              (START + timedelta(seconds=k) for k in range(100))]) == "HHMMSS"  # fmt: skip
    assert np.isnan(number_seconds(np.array([96100.0]), "HHMMSS"))[0]


def test_times_grow_over_midnight():
    truth = np.arange(86390.0, 2 * 86400 + 20, 7.5)
    nothing = np.full(len(truth), np.nan)
    np.testing.assert_array_equal(since_first_midnight(truth % 86400, nothing), truth)
    with_gap = np.where(np.arange(len(truth)) == 1, np.nan, truth % 86400)
    np.testing.assert_array_equal(since_first_midnight(with_gap, nothing)[2:], truth[2:])


def test_a_clock_set_back_a_little_is_no_midnight():
    seconds = np.array([36000.0, 36060.0, 35000.0])
    assert since_first_midnight(seconds, np.full(3, np.nan)).tolist() == seconds.tolist()


def test_seconds_counted_from_an_epoch_start_at_the_first_midnight():
    epoch = 1709114397.25  # 28 February 2024, 09:59:57.25 UTC, by datetime.timestamp
    assert epoch == START.timestamp() - datetime(1970, 1, 1).timestamp()
    seconds = since_first_midnight(np.array([epoch, epoch + 1]), np.full(2, np.nan))
    assert seconds.tolist() == [35997.25, 35998.25]


@pytest.mark.parametrize(
    "form", ["%H:%M:%S.%f", "%I:%M:%S.%f %p", "%Y-%m-%dT%H:%M:%S.%f", "%d.%m.%Y %H:%M:%S,%f", "%m-%d-%Y %I:%M:%S.%f%p"]
)
def test_the_quick_notations_read_what_strptime_reads(form):
    texts = [m.strftime(form) for m in MOMENTS]
    quick, date_form = quick_notation(form)
    assert quick in ("HH:MM:SS", "date-time")
    seconds, days, bad = parse_times(np.array(texts), quick, date_form)
    moments = [datetime.strptime(text, form) for text in texts]
    midnights = [datetime.combine(m.date(), datetime.min.time()) for m in moments]
    expected = [(m - midnight).total_seconds() for m, midnight in zip(moments, midnights)]
    np.testing.assert_allclose(seconds, expected, rtol=0, atol=1e-9)
    assert not bad.any()
    if date_form:
        assert days.tolist() == [m.toordinal() for m in moments]


def test_a_format_that_times_cannot_have():
    with pytest.raises(EngineError, match="Invalid format of a time: 'weeks' was given. It must be one of: s, ms"):
        check_time_format("weeks")


def test_linear_drift_between_two_base_readings():
    """12.0 at 09:00 and 12.9 at 10:30 drift by 0.01 a minute: 25.40 at 09:40 stands for 25.00.

    Common practice, no source.
    """
    seconds, _, _ = parse_times(np.array(["09:00", "09:40", "10:30"]), "HH:MM:SS")
    minutes = seconds / 60
    rate = (12.9 - 12.0) / (minutes[2] - minutes[0])
    assert rate == pytest.approx(0.01)
    assert 25.40 - rate * (minutes[1] - minutes[0]) == pytest.approx(25.00)
