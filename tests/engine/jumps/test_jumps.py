"""Jumps of the level between lines and inside them: found and taken off where they are proven, else left."""

from math import erf, sqrt

import numpy as np
import pytest
from turnrow.processing_provider.engine.balance import balance_traverses
from turnrow.processing_provider.engine.core import Readings, Reset

LINES, COUNT, SPACING_M, STEP_M, LINE_S = 40, 80, 0.5, 0.25, 25.0
FOOTPRINT_M = 0.35


def grid(seed, *, jump=0.0, before=20, ground=None, stripe=0.2, direction=0.3, timed=True, from_reading=0, wide=1.0):
    """Return a grid of lines there and back, and u of its readings; truth is what is added here."""
    rng = np.random.default_rng(seed)
    line, index = (one.ravel() for one in np.meshgrid(np.arange(LINES), np.arange(COUNT), indexing="ij"))
    heading = np.where(line % 2, -1, 1)
    along = np.where(heading > 0, index, COUNT - 1 - index)
    u, v = (line + 0.5) * SPACING_M * wide, (along + 0.5) * STEP_M
    values = 15 + 0.1 * rng.normal(size=len(line)) + 0.3 * np.sin(v / 3) + (0 if ground is None else ground(u, v))
    values += stripe * rng.standard_t(3, LINES)[line] + direction / 2 * heading
    values += jump * ((line > before) | ((line == before) & (index >= from_reading)))
    table = Readings.build(
        line + 1, {"eca": values}, grids=("A",), station=index + 1.0, u_m=u, v_m=v, heading=heading,
        time_s=36000 + LINE_S * line + 0.25 * index if timed else None, units={"eca": "mS/m"},
    )  # fmt: skip
    return table, u


def boundary(height, at=10.0, width_m=FOOTPRINT_M):
    """Return ground with a straight boundary along the lines: a step, as coils with a Gaussian footprint blur it."""
    return lambda u, v: height * np.array([0.5 + 0.5 * erf((x - at) / width_m / sqrt(2)) for x in u])


def jumps(table, **options):
    return balance_traverses(table, **options)[1].jumps


@pytest.mark.parametrize("seed", range(1, 6))
def test_a_reset_half_way_is_found_with_time_and_size_and_taken_off(seed):
    table, _ = grid(seed, jump=-4.0)
    balanced, record = balance_traverses(table)
    (jump,) = record.jumps
    assert (jump.line, jump.run, jump.seq, jump.time_s) == (21, 1, 0, 36000 + 20 * LINE_S)
    assert (jump.taken_off, jump.noted) == (True, False)
    # Three standard errors hold 99.7 %; stripes of three degrees of freedom have heavier tails, hence four.
    assert jump.size == pytest.approx(-4.0, abs=4 * jump.standard_error)
    assert jump.standard_error < 0.5
    # Without the jump the ground has one level: what is left of it between the halves is below a quarter.
    half = [balanced.channels["eca"][(table.line > 20) == late].mean() for late in (False, True)]
    assert abs(half[1] - half[0]) < 1.0
    # The values as logged stay, the mean of the lines too, and the table has all that was subtracted.
    np.testing.assert_array_equal(balanced.raw["eca"], table.channels["eca"])
    assert balanced.channels["eca"].mean() == pytest.approx(table.channels["eca"].mean(), abs=0.01)
    taken = table.channels["eca"] - balanced.channels["eca"]
    for row in record.table:
        assert taken[table.line == row.line].mean() == pytest.approx(row.offset, abs=1e-4)


@pytest.mark.parametrize("height", [2.0, 5.0, 20.0])
def test_a_boundary_along_the_lines_is_no_jump(height):
    # As wide as the footprint and as much of its own; stripes on both sides of a low one may hide that by chance.
    grounds = [boundary(height, at=9.0 + seed / 4, width_m=0.5) for seed in range(6)]
    found = [jump for seed, ground in enumerate(grounds) for jump in jumps(grid(seed, ground=ground)[0])]
    assert sum(jump.taken_off for jump in found) <= (height < 5)


def test_stripes_alone_are_no_jump():
    assert sum(jump.taken_off for seed in range(20) for jump in jumps(grid(100 + seed)[0])) <= 1


def test_without_times_the_rows_of_the_log_give_the_order():
    table, _ = grid(1, jump=4.0, timed=False)
    (jump,) = jumps(table)
    assert (jump.line, jump.time_s, jump.taken_off) == (21, None, True)
    assert "before line 21; that was taken off" in balance_traverses(table)[1].sentences({"eca": "mS/m"})[-1]


def test_lines_that_were_walked_in_another_order_show_it_where_it_was_walked():
    # The outer lines first: the jump then shows as two edges of one height.
    table, _ = grid(3)
    order = np.argsort([*range(10), *range(30, 40), *range(10, 30)])
    time_s = 36000 + LINE_S * order[table.line - 1] + 0.25 * table.seq
    values = table.channels["eca"] + 2.0 * (order[table.line - 1] >= 20)
    (jump,) = jumps(table.replace(time_s=time_s, channels={"eca": values}))
    assert (jump.taken_off, jump.line) == (True, 11)
    assert jump.size == pytest.approx(2.0, abs=4 * jump.standard_error)


def test_an_edge_between_lines_that_are_far_from_each_other_is_left():
    # 1.5 m from each other: on both sides of an edge between two lines the coils see none of it, as beside a jump.
    for seed in range(2):
        table, _ = grid(seed, wide=3.0, ground=boundary(3.0, at=30.0))
        record = balance_traverses(table)[1]
        (jump,) = record.jumps
        assert jump.line == 21
        assert 0.25 < jump.probability < 0.5
        (warning,) = record.warnings({"eca": "mS/m"})
        assert "was left, and the standard error is wider" in warning
        (finding,) = record.findings({"eca": "mS/m"})
        assert (finding.severity, finding.action, finding.line) == ("warning", "ask", None)
        # Half of the step on either side, about the mean of the lines, times the root of its probability.
        errors = np.array([row.standard_error for row in record.table])
        assert errors.min() > 0.9 * abs(jump.size) / 2 * np.sqrt(jump.probability)


def test_a_noted_reset_is_taken_off_from_smaller_sizes_on():
    note = (Reset("A", 21, 1, 0, None, None),)
    tables = [grid(seed, jump=1.5)[0] for seed in range(8)]
    noted = [jump for table in tables for jump in jumps(table, resets=note) if jump.taken_off]
    assert len(noted) >= 7
    assert {(jump.noted, jump.line) for jump in noted} == {(True, 21)}
    assert len(noted) > sum(jump.taken_off for table in tables for jump in jumps(table))


def test_a_noted_reset_without_a_jump_takes_nothing_off():
    table, _ = grid(2, stripe=0.05)
    with_note, record = balance_traverses(table, resets=(Reset("A", 21, 1, 0, None, None),))
    (jump,) = record.jumps
    assert (jump.noted, jump.taken_off) == (True, False)
    assert not record.warnings({"eca": "mS/m"})
    np.testing.assert_array_equal(with_note.channels["eca"], balance_traverses(table)[0].channels["eca"])


def test_a_reset_noted_at_a_station_is_taken_off_from_there_on():
    table, _ = grid(4, jump=3.0, from_reading=40)
    balanced, record = balance_traverses(table, resets=(Reset("A", 21, 1, 40, 41.0, None),))
    (jump,) = record.jumps
    assert (jump.taken_off, jump.seq) == (True, 40)
    taken = (table.channels["eca"] - balanced.channels["eca"])[table.line == 21]
    assert np.mean(taken[40:]) - np.mean(taken[:40]) == pytest.approx(jump.size, abs=0.3)


def test_what_is_said_names_grid_line_time_and_size():
    table, _ = grid(1, jump=-4.0)
    record = balance_traverses(table)[1]
    (finding,) = record.findings({"eca": "mS/m"})
    assert (finding.code, finding.severity, finding.grid, finding.line) == ("instrument-reset", "note", "A", 21)
    assert "before line 21 (10:08:20)" in finding.found
    assert "mS/m" in finding.found
    assert record.as_json()["jumps"][0]["size"] == record.jumps[0].size


@pytest.mark.parametrize("method", ["median", "direction only"])
def test_methods_without_neighbours_look_for_none(method):
    assert not jumps(grid(0, jump=4.0)[0], method=method)


def test_few_lines_show_no_jump():
    table, _ = grid(0, jump=4.0, before=4)
    assert not jumps(table.take(table.line <= 9))


@pytest.mark.parametrize("line", [1, 12, 25, 40])
@pytest.mark.parametrize("size", [2.0, -2.0])
def test_a_step_inside_a_line_is_found_at_its_reading_and_leaves_no_ghost(line, size):
    table, _ = grid(line)
    behind = (table.line == line) & (table.seq >= 30)
    stepped = table.replace(channels={"eca": table.channels["eca"] + size * behind})
    balanced, record = balance_traverses(stepped)
    (jump,) = record.jumps
    assert (jump.line, jump.seq, jump.inside, jump.taken_off) == (line, 30, True, True)
    assert jump.time_s == 36000 + (line - 1) * LINE_S + 0.25 * 30
    # In the direction of time, whichever way the line was walked.
    assert jump.size == pytest.approx(size, abs=4 * jump.standard_error)
    # Against the same survey without it: nowhere is half of the step left.
    ghost = (balanced.channels["eca"] - balance_traverses(table)[0].channels["eca"])[table.line == line]
    assert np.abs(ghost).max() < abs(size) / 2
    assert "inside line" in record.sentences({"eca": "mS/m"})[-1]


def test_ground_is_no_step_inside_a_line():
    # A boundary across all lines, and a ditch half a line long under two of them, both blurred by the coils.
    def across(u, v):
        return 5 * np.array([0.5 + 0.5 * erf((x - 10) / FOOTPRINT_M / sqrt(2)) for x in v])

    def half_a_line(u, v):
        ends = np.array([0.5 + 0.5 * erf((x - 10) / FOOTPRINT_M / sqrt(2)) for x in v])
        return 4 * ends * np.exp(-0.5 * ((u - 10.25) / 0.4) ** 2)

    for seed, ground in enumerate((across, half_a_line)):
        assert not any(jump.inside for jump in jumps(grid(seed, ground=ground)[0]))
    assert not any(jump.inside for seed in range(10) for jump in jumps(grid(200 + seed)[0]))
