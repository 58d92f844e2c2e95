"""Outliers: spikes go, ground stays."""

import json

import numpy as np
import pytest
from turnrow.processing_provider.engine.core.errors import EngineError
from turnrow.processing_provider.engine.core.readings import flag_bit
from turnrow.processing_provider.engine.flag import outliers
from turnrow.processing_provider.engine.flag.outliers import flag_outliers
from turnrow.processing_provider.engine.flag.record import FlagFigures


def quiet(walk, seed=1, size=10.0, noise=0.1, rate=8.0):
    """A grid with nothing but noise on gentle ground."""
    rng = np.random.default_rng(seed)
    return walk.walk(walk.geology(size, rng), rng, walk.Faults(noise=noise), rate=rate).readings


def raised(readings, line, first, count, height):
    """The readings with ``count`` of them in a row raised on one line."""
    values = readings.channels["eca"].copy()
    rows = np.flatnonzero(readings.line == line)[first : first + count]
    values[rows] += height
    return readings.replace(channels={"eca": values}), rows


def flagged(readings):
    return flag_outliers(readings)[0].has_flag("outlier")


def test_spikes_are_found_on_ordinary_walks(walk):
    hits = found = spikes = 0
    for seed in range(6):
        rng = np.random.default_rng(seed)
        walked = walk.walk(walk.site(20.0, rng), rng, walk.usual(0.3))
        here = flagged(walked.readings)
        hits += np.count_nonzero(here & walked.spike)
        found += np.count_nonzero(here)
        spikes += np.count_nonzero(walked.spike)
    assert hits >= 0.97 * spikes
    assert hits >= 0.97 * found


@pytest.mark.parametrize("count", [1, 2, 3])
def test_up_to_three_readings_in_a_row_can_be_outliers(walk, count):
    # Common practice, no source: spikes are single or double-signed, 1 to 3 readings.
    changed, rows = raised(quiet(walk), 7, 30, count, 10.0)
    assert np.flatnonzero(flagged(changed)).tolist() == rows.tolist()


def test_four_readings_in_a_row_are_ground(walk):
    changed, _ = raised(quiet(walk), 7, 30, 4, 10.0)
    assert not flagged(changed).any()


@pytest.mark.parametrize("contrast", [10.0, 40.0, -40.0])
def test_iron_or_kiln_of_one_metre_is_ground(walk, contrast):
    rng = np.random.default_rng(3)
    field = walk.geology(10.0, rng)
    u, v = field.axes
    field.add(np.hypot(u - 5.2, v - 4.9) < 0.5, contrast)
    assert not flagged(walk.walk(field, rng, walk.Faults(noise=0.1)).readings).any()


def test_what_the_neighbour_shows_at_the_same_place_is_ground(walk):
    changed, rows = raised(quiet(walk, size=20.0, rate=2.0), 7, 15, 1, 10.0)
    across = raised(changed, 8, 39 - 15, 1, 10.0)[0]
    assert flagged(changed)[rows].all()
    assert not flagged(across).any()


def test_readings_sharper_than_coils_can_see_are_no_ground_even_side_by_side(walk):
    changed, rows = raised(quiet(walk), 7, 30, 1, 10.0)
    across, others = raised(changed, 8, 79 - 30, 1, 10.0)
    assert np.flatnonzero(flagged(across)).tolist() == [*rows, *others]


@pytest.mark.parametrize("beside", range(-6, 7))
def test_a_spike_on_the_flank_of_iron_is_found_and_the_iron_is_not(walk, beside):
    # On a flank of 5 mS/m a reading, 20 mS/m are four times what the next reading differs by.
    rng = np.random.default_rng(5)
    field = walk.geology(10.0, rng).iron(3.25, 3.8, 25.0)
    changed, rows = raised(walk.walk(field, rng, walk.Faults(noise=0.1)).readings, 7, 30 + beside, 1, -20.0)
    assert np.flatnonzero(flagged(changed)).tolist() == rows.tolist()


@pytest.mark.parametrize("step_m", [0.05, 0.125, 0.2, 0.25])
def test_the_sharpest_anomaly_that_coils_see_is_ground(walk, step_m):
    # A Gaussian of 0.25 m, 50,000 times above the noise, on one line alone, however the readings fall on it.
    readings = quiet(walk, size=20.0, noise=1e-3, rate=1 / step_m)
    rows = np.flatnonzero(readings.line == 7)
    for shift in np.linspace(0, step_m, 7):
        values = readings.channels["eca"].copy()
        values[rows] += 50 * np.exp(-(((readings.v_m[rows] - 10.0 - shift) / 0.25) ** 2) / 2)
        known, owner = values[rows], np.zeros(len(rows), int)
        nothing = np.zeros(len(rows), bool)
        assert not outliers._sharp(known, known, nothing, owner, readings.v_m[rows], 6e-3).any()


def test_nothing_is_found_in_noise(walk):
    # At 6 standard deviations normal noise flags 2 of 1000 million readings.
    changed, record = flag_outliers(quiet(walk, size=20.0))
    assert record.figures.flagged == 0
    assert json.loads(json.dumps(record.as_json())) == record.as_json()
    assert not changed.has_flag("outlier").any()


def test_noise_is_the_noise_that_was_put_in(walk):
    _, record = flag_outliers(quiet(walk, size=20.0, noise=0.2))
    # The median absolute deviation of n normal values has a relative standard error of about 1.17 / sqrt(n) (its
    # asymptotic efficiency is 37 %, from memory); second differences of 6400 readings count as a third of them.
    assert record.figures.noise["eca"] == pytest.approx(0.2, rel=3 * 1.17 / np.sqrt(6400 / 3))


def test_a_constant_changes_nothing(walk):
    changed, _ = raised(quiet(walk), 7, 30, 1, 10.0)
    higher = changed.replace(channels={"eca": changed.channels["eca"] + 100.0})
    np.testing.assert_array_equal(flagged(higher), flagged(changed))
    assert not flagged(changed.replace(channels={"eca": np.full(len(changed), 12.5)})).any()


def test_a_quiet_instrument_with_coarse_digits_has_no_outliers(walk):
    readings = quiet(walk, noise=0.01)
    coarse = np.round(readings.channels["eca"], 1)
    assert not flagged(readings.replace(channels={"eca": coarse})).any()


def test_mirrored_input_gives_mirrored_output(walk):
    changed, _ = raised(quiet(walk), 7, 30, 2, 10.0)
    mirrored = changed.replace(u_m=10.0 - changed.u_m, heading=-changed.heading, v_m=10.0 - changed.v_m)
    np.testing.assert_array_equal(flagged(mirrored), flagged(changed))


def test_flagged_readings_change_nothing_and_input_stays(walk):
    changed, _ = raised(quiet(walk), 7, 30, 1, 10.0)
    line = np.flatnonzero(changed.line == 9)[:5]
    void = changed.with_flag("void", line)
    wild = void.channels["eca"].copy()
    wild[line] = 1e6
    before = wild.copy()
    result, _ = flag_outliers(void.replace(channels={"eca": wild}))
    np.testing.assert_array_equal(result.flag, flag_outliers(void)[0].flag)
    np.testing.assert_array_equal(result.flag[line], flag_bit("void"))
    np.testing.assert_array_equal(wild, before)
    np.testing.assert_array_equal(result.channels["eca"], before)


def test_flagging_twice_finds_nothing_more(walk):
    rng = np.random.default_rng(4)
    once, _ = flag_outliers(walk.walk(walk.site(20.0, rng), rng, walk.usual(0.3)).readings)
    twice, _ = flag_outliers(once)
    assert np.count_nonzero(twice.flag != once.flag) <= 0.05 * np.count_nonzero(once.has_flag("outlier"))


def test_one_channel_can_be_looked_at_alone(walk):
    changed, rows = raised(quiet(walk), 7, 30, 1, 10.0)
    both = changed.replace(channels={"eca": quiet(walk).channels["eca"], "inphase": changed.channels["eca"]})
    assert not flag_outliers(both, channels=["eca"])[0].has_flag("outlier").any()
    assert flag_outliers(both)[0].has_flag("outlier")[rows].all()


def test_wrong_options_are_told(walk):
    with pytest.raises(EngineError, match="Invalid threshold: 0 was given. It must be above zero."):
        flag_outliers(quiet(walk), threshold=0)
    with pytest.raises(EngineError, match="Invalid channel: 'eci' was given. The readings carry: eca."):
        flag_outliers(quiet(walk), channels=["eci"])


def test_unplaced_readings_are_left_alone(walk):
    readings = quiet(walk)
    lost = readings.replace(v_m=np.full(len(readings), np.nan)).with_flag("unplaced", slice(None))
    result, record = flag_outliers(lost)
    assert record.figures == FlagFigures(0, 0, {"eca": None})
    np.testing.assert_array_equal(result.flag, lost.flag)
