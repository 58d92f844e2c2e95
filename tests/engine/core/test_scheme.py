"""The scheme of a grid: counts, positions, stations and directions.

Sources are named beside the checks. "Standard procedures" is the annex on standard procedures of a national
archaeological laboratory: lines 1 m apart start half a metre in, readings 0.25 m apart start 0.125 m in.
"""

from dataclasses import replace

import numpy as np
import pytest
from turnrow.processing_provider.engine.core.errors import EngineError
from turnrow.processing_provider.engine.core.readings import Readings
from turnrow.processing_provider.engine.core.scheme import Scheme

TEN = Scheme(grid="A", length_m=10, width_m=10, spacing_m=1, readings_per_m=8)
TWENTY = Scheme(grid="B", length_m=20, width_m=20, spacing_m=0.5, readings_per_m=8)


def test_eight_readings_a_second_at_walking_pace():
    # Arithmetic: 1 m/s and 8 readings a second are 12.5 cm a reading.
    assert replace(TEN, readings_per_m=8 / 1.0).interval_m == 0.125


def test_numbers_of_readings_and_lines():
    # Arithmetic: 10 m at 8 a metre; 20 m by 20 m with lines half a metre apart.
    assert TEN.readings_per_line == 80
    assert TWENTY.line_count == 40
    assert TWENTY.readings_per_line == 160
    assert TWENTY.line_count * TWENTY.readings_per_line == 6400


@pytest.mark.parametrize(
    ("spacing_m", "first_m", "last_m"),
    # 1 m: standard procedures. 0.5 m: half a spacing in, as there, by arithmetic.
    [(0.5, 0.25, 19.75), (1.0, 0.5, 19.5)],
)
def test_first_and_last_line_lie_half_a_spacing_in(spacing_m, first_m, last_m):
    scheme = replace(TWENTY, spacing_m=spacing_m, first_offset_m=None)
    positions = scheme.position_m(scheme.lines)
    assert positions[0] == pytest.approx(first_m, abs=1e-12)
    assert positions[-1] == pytest.approx(last_m, abs=1e-12)


def test_readings_lie_in_the_middle_of_their_interval():
    # Standard procedures; and "Geophysical Data in Archaeology: A Guide to Good Practice" (Schmidt and Ernenwein,
    # 2nd ed.), conversion to other formats: the value of a 1 m cell belongs at 0.5, not at 0.
    distance = TWENTY.distance_m(1 + np.arange(160))
    assert distance[0] == 0.0625
    assert distance[-1] == 19.9375
    assert replace(TWENTY, readings_per_m=1).distance_m(1) == 0.5
    np.testing.assert_allclose(np.diff(distance), 0.125, atol=1e-12)


def test_stations_may_count_from_another_number():
    from_zero = replace(TWENTY, first_station=0)
    np.testing.assert_array_equal(from_zero.distance_m(np.arange(160)), TWENTY.distance_m(1 + np.arange(160)))
    assert from_zero.edge_stations(1) == (0, 159)


def overrun_count(first, last):
    """How many readings of a line from one station to another lie outside the grid."""
    step = 1 if last > first else -1
    distance = TEN.distance_m(np.arange(first, last + step, step))
    return int(np.count_nonzero((distance < 0) | (distance > TEN.length_m)))


def test_overrun_to_trim():
    # Common practice, no source: a line stopped at station 86 has 6 readings to trim, one walked back from 80 down
    # to -10 has 11 (station 0 counts).
    assert overrun_count(1, 86) == 6
    assert overrun_count(80, -10) == 11
    assert overrun_count(1, 80) == 0


def test_edge_stations_turn_with_the_heading():
    assert TEN.edge_stations(1) == (1, 80)
    assert TEN.edge_stations(-1) == (80, 1)
    assert TEN.edge_stations(1, length_m=4) == (1, 32)


def test_lag_moves_opposite_lines_apart():
    # Arithmetic: 0.25 s at 1 m/s is 0.25 m a line and 0.50 m between neighbours: 2 and 4 readings at 8 a second.
    assert 0.25 / TEN.interval_m == 2
    assert 0.50 / TEN.interval_m == 4


@pytest.mark.parametrize(
    ("pattern", "first_heading", "headings"),
    [
        ("alternate", "out", [1, -1, 1, -1]),
        ("alternate", "back", [-1, 1, -1, 1]),
        ("one-way", "out", [1, 1, 1, 1]),
        ("one-way", "back", [-1, -1, -1, -1]),
    ],
)
@pytest.mark.parametrize(("first_line", "line_step"), [(1, 1), (101, 2), (40, -1)])
def test_headings_follow_the_order_of_the_lines(pattern, first_heading, headings, first_line, line_step):
    scheme = replace(TEN, pattern=pattern, first_heading=first_heading, first_line=first_line, line_step=line_step)
    assert scheme.heading(scheme.lines[:4]).tolist() == headings


def test_lines_of_the_scheme():
    odd = replace(TEN, first_line=101, line_step=2)
    assert odd.lines.tolist() == list(range(101, 121, 2))
    assert [odd.has_line(n) for n in (99, 101, 102, 119, 121)] == [False, True, False, True, False]
    down = replace(TEN, first_line=10, line_step=-1)
    assert [down.has_line(n) for n in (0, 1, 10, 11)] == [False, True, True, False]
    assert all(odd.has_line(n) for n in odd.lines.tolist())


def test_line_on_the_baseline_corner():
    assert replace(TEN, first_offset_m=0).line_count == 11
    assert replace(TEN, first_offset_m=0).position_m([1, 11]).tolist() == [0, 10]


@pytest.mark.parametrize(
    ("values", "sentence"),
    [
        ({"length_m": 0}, "Invalid length_m of grid A: 0 was given. It must be above zero."),
        ({"width_m": -3}, "Invalid width_m of grid A: -3 was given. It must be above zero."),
        ({"spacing_m": "wide"}, "Invalid spacing_m of grid A: 'wide' was given. It must be a number."),
        ({"readings_per_m": float("nan")}, "Invalid readings_per_m of grid A: nan was given. It must be a number."),
        ({"first_station": None}, "Invalid first_station of grid A: None was given. It must be a number."),
        ({"line_step": 0}, "Invalid line_step of grid A: 0 was given. It must be a whole number other than zero."),
        (
            {"pattern": "zigzag"},
            "Invalid pattern of grid A: 'zigzag' was given. It must be one of: alternate, one-way.",
        ),
        ({"first_heading": "up"}, "Invalid first_heading of grid A: 'up' was given. It must be one of: out, back."),
        ({"pace": "steps"}, "Invalid pace of grid A: 'steps' was given. It must be one of: rate, ends, marks."),
    ],
)
def test_invalid_scheme_fails_with_its_sentence(values, sentence):
    with pytest.raises(EngineError) as error:
        replace(TEN, **values)
    assert str(error.value) == sentence


def test_valid_scheme_passes():
    assert replace(TEN, length_m=0.5, line_step=-1, pace="marks").readings_per_line == 4


def test_readings_of_a_whole_grid_fill_it():
    # Arithmetic: 6400 readings, each for a cell of 0.125 m by 0.5 m, cover 400 square metres.
    line = np.repeat(TWENTY.lines, TWENTY.readings_per_line)
    readings = Readings.build(line, {"eca": np.zeros(len(line))})
    assert len(readings) * TWENTY.interval_m * TWENTY.spacing_m == TWENTY.length_m * TWENTY.width_m
