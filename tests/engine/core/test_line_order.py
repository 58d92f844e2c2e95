"""Readings in the order of their lines, against a plain sort."""

import numpy as np
import pytest
from turnrow.processing_provider.engine.core.line_order import line_order


def walked(lines=6, stations=9):
    """Return line, recording and place of lines walked back and forth."""
    line = np.repeat(np.arange(1, lines + 1), stations)
    v = np.tile(np.arange(stations) + 0.25, (lines, 1))
    v[1::2] = v[1::2, ::-1].copy()
    return line, np.ones(len(line), int), v.ravel()


def back_and_forth():
    return walked()


def from_the_far_end():
    return tuple(column[::-1] for column in walked())


def shuffled():
    order = np.random.default_rng(0).permutation(54)
    return tuple(column[order] for column in walked())


def a_line_in_two_pieces():
    line, run, v = walked()
    order = np.concatenate([np.arange(3), np.arange(9, 54), np.arange(3, 9)])
    return line[order], run[order], v[order]


def a_step_back():
    line, run, v = walked()
    v[4], v[5] = v[5], v[4]
    return line, run, v


def walked_twice():
    line, run, v = walked()
    return np.append(line, line[:9]), np.append(run, run[:9] + 1), np.append(v, v[:9] + 0.1)


@pytest.mark.parametrize(
    "walk", [back_and_forth, from_the_far_end, shuffled, a_line_in_two_pieces, a_step_back, walked_twice]
)
def test_it_equals_a_sort_by_line_recording_and_place(walk):
    """numpy.lexsort and numpy.unique."""
    line, run, v = walk()
    order, recording = line_order((line, run), v)
    expected = np.lexsort((v, run, line))
    np.testing.assert_array_equal(order, expected)
    _, number = np.unique(np.stack([line, run], axis=1)[expected], axis=0, return_inverse=True)
    np.testing.assert_array_equal(recording, number.reshape(-1))


def test_no_readings_have_no_order():
    order, recording = line_order((np.zeros(0, int),), np.zeros(0))
    assert len(order) == len(recording) == 0
