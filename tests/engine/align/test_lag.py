"""The lag is a time: two paces, channels that differ, ties, and lines that all lead one way."""

import numpy as np
import pytest
from turnrow.processing_provider.engine.align import align_opposing
from turnrow.processing_provider.engine.align.lag_of_ties import posterior_of, shifts
from turnrow.processing_provider.engine.align.pace import Clock
from turnrow.processing_provider.engine.core import INSTRUMENT, Readings, concatenate, kind_code

LAG_S = 0.3


def bumps(rng, count=60, size=20.0):
    """A field of round features, as a function of u and v."""
    where, high = rng.uniform(0, size, (count, 2)), rng.normal(0, 3, count)

    def at(u, v):
        return sum(h * np.exp(-((u - a) ** 2 + (v - b) ** 2) / (2 * 0.6**2)) for (a, b), h in zip(where, high))

    return at


def survey(seed, speeds=(1.0,) * 40, lags=(LAG_S,), one_way=False, ties=(), noise=0.05, start_m=0.0):
    """Lines half a metre from each other, 8 readings a metre, each at a speed of its own; values are late by a time.

    ``start_m`` is the standard deviation of where lines start.
    """
    rng = np.random.default_rng(seed)
    at, parts, clock = bumps(rng), [], 0.0
    strokes = [("survey", k, s) for k, s in enumerate(speeds)] + [("tie", k, 1.0) for k in range(len(ties))]
    for kind, k, speed in strokes:
        heading = -1 if k % 2 and not one_way else 1
        progress = (np.arange(-4, 164) + 0.5) / 8
        along = progress if heading > 0 else 20.0 - progress
        aside = np.full(len(along), ties[k] if kind == "tie" else (k + 0.5) / 2)
        ahead, values = start_m * rng.normal(), []
        for lag_s in lags:
            true = along + ahead - heading * lag_s * speed
            values.append(at(true, aside) if kind == "tie" else at(aside, true))
        time_s = clock + np.arange(len(along)) / (8 * speed)
        clock = time_s[-1] + 5.0
        tie = kind == "tie"
        parts.append((np.full(len(along), 901 + k if tie else k + 1), np.full(len(along), heading), time_s,
                      along if tie else aside, aside if tie else along, np.full(len(along), kind_code(kind)),
                      np.stack(values, axis=1) + rng.normal(0, noise, (len(along), len(lags)))))  # fmt: skip
    line, heading, time_s, u, v, kind, values = (np.concatenate(column) for column in zip(*parts))
    names = ("eca", "deep", "third")
    return Readings.build(
        line, {names[c]: values[:, c] for c in range(len(lags))}, grids=("A",), time_s=time_s, u_m=u, v_m=v,
        heading=heading, kind=kind,
    ), at  # fmt: skip


def on_lines(readings):
    return readings.kind == kind_code("survey")


@pytest.mark.parametrize("slow", [0.6, 1.0, 1.5])
def test_two_paces_are_one_lag(slow):
    # Arithmetic: 0.3 s is 0.3 m at 1 m/s, and 0.18 m at 0.6 m/s.
    speeds = np.repeat([1.0, slow], 20)
    readings, _ = survey(1, speeds)
    moved, record = align_opposing(readings, per_traverse=False)
    figures = record.figures
    assert figures.lag_s == pytest.approx(LAG_S, abs=max(0.01, 2 * figures.lag_error_s))
    of_line = speeds[readings.line - 1]
    np.testing.assert_allclose(moved.v_m - readings.v_m, -figures.lag_s * readings.heading * of_line, atol=1e-9)
    # At the median speed.
    assert figures.shift_m == pytest.approx(-figures.lag_s * np.median(speeds))
    assert record.table[0].shift_m == pytest.approx(figures.shift_m)


def test_a_grid_by_itself_moves_as_in_its_survey_by_the_shift_of_its_row():
    slow, fast = survey(1, (0.6,) * 40)[0], survey(2)[0]
    second = fast.replace(grids=("B",))
    both, record = align_opposing(concatenate([slow, second]), per_traverse=False)
    for row, alone, part in zip(record.table, (slow, second), both.by_grid()):
        again = align_opposing(alone, shift_m=row.shift_m, per_traverse=False)[0]
        np.testing.assert_allclose(part[1].v_m, again.v_m, atol=1e-9)
    assert record.table[0].shift_m == pytest.approx(0.6 * record.table[1].shift_m)


def test_a_log_without_times_has_its_lag_in_readings():
    # 0.3 m at 8 readings a metre are 2.4 readings.
    readings, _ = survey(1)
    figures = align_opposing(readings.replace(time_s=np.full(len(readings), np.nan)))[1].figures
    assert figures.lag_s is None
    assert figures.lag_readings == pytest.approx(2.4, abs=0.15)


def test_pauses_and_whole_seconds_leave_the_pace():
    readings, _ = survey(1, (0.73,) * 40)
    paused = readings.time_s + 30.0 * (readings.seq > 60)
    for time_s in (readings.time_s, np.floor(readings.time_s), paused):
        ratio = Clock(True, 0.73).ratios(readings.replace(time_s=time_s))
        np.testing.assert_allclose(ratio, 1.0, atol=0.05)


def test_a_channel_that_is_later_gets_its_own_lag():
    readings, at = survey(3, lags=(0.1, 0.35), noise=0.05)
    moved, record = align_opposing(readings, per_traverse=False)
    found = {row.channel: row.lag_s for row in record.channels}
    assert found["eca"] == pytest.approx(0.1, abs=0.02)
    assert found["deep"] == pytest.approx(0.35, abs=0.02)
    assert [row.own for row in record.channels].count(True) == 1
    for name in ("eca", "deep"):
        known = moved.in_use & np.isfinite(moved.channels[name]) & (moved.v_m > 1) & (moved.v_m < 19)
        wrong = (moved.channels[name] - at(moved.u_m, moved.v_m))[known]
        # Noise of 0.05, and the slope (2 mS/m by the metre) times an error of the lag of a centimetre.
        assert np.sqrt(np.mean(wrong**2)) < 0.08
        np.testing.assert_array_equal(moved.raw.get(name, moved.channels[name]), readings.channels[name])
    own = next(row for row in record.channels if row.own)
    # A quarter of a metre is two readings, at one end of each line.
    assert own.lost <= 3 * 40
    assert any("has a lag of its own" in text for text in record.sentences({}))


def test_channels_with_one_lag_keep_their_values():
    for seed in range(8):
        readings, _ = survey(seed, lags=(0.2, 0.2, 0.2), noise=0.2, start_m=0.1)
        moved, record = align_opposing(readings, per_traverse=False)
        assert record.channels == ()
        assert not moved.raw


def test_outliers_lie_between_no_other_readings():
    readings, at = survey(3, lags=(0.1, 0.35))
    wild = {name: values.copy() for name, values in readings.channels.items()}
    for values in wild.values():
        values[::50] = 1e4
    moved, _ = align_opposing(readings.replace(channels=wild).with_flag("outlier", np.arange(0, len(readings), 50)))
    for values in moved.channels.values():
        assert np.nanmax(np.abs(values[moved.in_use])) < 100


def test_ties_show_the_lag_of_lines_that_all_lead_one_way():
    ratio = []
    for seed in range(10, 22):
        readings, _ = survey(seed, one_way=True, ties=(3.3, 10.0, 16.7), start_m=0.15)
        figures = align_opposing(readings)[1].figures
        assert figures.based_on == "tie lines"
        assert figures.shift_m == pytest.approx(-LAG_S, abs=0.2)
        ratio.append((figures.estimate_m + LAG_S) / figures.shift_error_m)
    # Chi-square of 12 degrees of freedom over 12: 99.9 % of it is below 2.74.
    assert np.mean(np.square(ratio)) < 2.74


def test_ties_on_flat_ground_show_no_lag():
    readings, _ = survey(1, one_way=True, ties=(3.3, 10.0, 16.7))
    flat = np.random.default_rng(5).normal(0, 0.1, len(readings))
    moved, record = align_opposing(readings.replace(channels={"eca": flat}))
    assert record.figures.based_on == ""
    np.testing.assert_array_equal(moved.v_m, readings.v_m)


def test_the_lag_of_a_likelihood_is_that_of_bayes_theorem():
    # Theory: a normal likelihood of 0.4 (0.1) and a normal prior of 0 (0.3) make 0.36 (0.0949).
    found = posterior_of([-0.5 * ((shifts() - 0.4) / 0.1) ** 2])
    assert found == pytest.approx((0.36, 0.3 / np.sqrt(10)), rel=1e-3)
    assert INSTRUMENT.lag_m == 0.3
    assert posterior_of([]) is None


def test_without_ties_the_lag_is_unknown_and_in_the_standard_errors():
    readings, _ = survey(1, one_way=True)
    moved, record = align_opposing(readings)
    figures = record.figures
    assert (figures.shift_m, figures.estimate_m, figures.based_on) == (0.0, None, "")
    assert np.all(moved.se["v_m"][on_lines(moved)] >= INSTRUMENT.lag_m)
    said = record.warnings({})
    assert len(said) == 1
    assert said[0].startswith("Walk a tie line across each grid")
    assert align_opposing(readings, shift_m=-0.3)[1].warnings({}) == []


def test_a_grid_walked_one_way_takes_the_lag_of_the_others_and_its_error():
    one_way = survey(1, one_way=True)[0].replace(grids=("B",))
    moved, record = align_opposing(concatenate([survey(2)[0], one_way]), per_traverse=False)
    assert record.figures.based_on == "opposite neighbours"
    assert record.table[1].shift_m == pytest.approx(-LAG_S, abs=0.03)
    assert record.warnings({}) == []


def test_a_tie_without_values_of_a_channel_shows_nothing():
    readings, _ = survey(1, one_way=True, ties=(10.0,), lags=(LAG_S, LAG_S))
    deep = np.where(on_lines(readings), readings.channels["deep"], np.nan)
    moved, record = align_opposing(readings.replace(channels={**readings.channels, "deep": deep}))
    assert np.isfinite(moved.v_m).all()
    # The other channel shows by itself what it shows beside this one.
    alone = align_opposing(readings, channels=("eca",))[1].figures
    assert (record.figures.based_on, record.figures.estimate_m) == (alone.based_on, alone.estimate_m)
    assert alone.based_on == "tie lines"
