"""Grids held against each other: truth is known, as the corners or logs of a walked site are exchanged on purpose."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from turnrow.processing_provider.engine.core.readings import Readings
from turnrow.processing_provider.engine.core.scheme import Scheme
from turnrow.processing_provider.engine.geometry.frame import Corner, fit_frame, local_corner
from turnrow.processing_provider.engine.mosaic.likeness import likeness, wave_lengths
from turnrow.processing_provider.engine.mosaic.line_cells import CELL_M, common_lag, line_cells, moved
from turnrow.processing_provider.engine.mosaic.shared_edges import EDGES, shared_edges
from turnrow.processing_provider.engine.mosaic.whole_grids import RECORDED, TURNS, Turn, grids_by_edges

SIZE = 20.0
SCHEME = Scheme(length_m=SIZE, width_m=SIZE, spacing_m=0.5, readings_per_m=8)
CORNERS = ("start", "baseline", "opposite", "head")


def cells_of(walks, turned=(), logs=None, places=((0, 0), (0, 1), (1, 0), (1, 1))):
    """Cells of grids A to D on a square of two by two, some of them with corners under other names or other logs."""
    turns, found = dict(turned), []
    for k, (i, j) in enumerate(places):
        name, turn = "ABCD"[k], turns.get("ABCD"[k], RECORDED)
        corners = []
        for corner in CORNERS:
            u, v = local_corner(turn.corner(corner), SIZE, SIZE)
            corners.append(Corner(name, corner, i * SIZE + u, j * SIZE + v))
        readings = walks[k if logs is None else logs[k]].readings
        found.append(line_cells(readings, replace(SCHEME, grid=name), fit_frame(corners, SIZE, SIZE)))
    return found


@pytest.fixture(scope="module")
def faults(walk):
    """An ordinary walk but for the stripes, which are as small as with a warm instrument."""
    return replace(walk.usual(0.3), stripe=0.2, direction=0.3)


@pytest.fixture(scope="module")
def walks(walk, faults):
    """Two by two grids over one site, with half a metre of overrun."""
    return walk.block(np.random.default_rng(5), faults, across=2, size_m=SIZE, overrun=4)


def test_a_site_as_recorded_is_confirmed(walks):
    found = grids_by_edges(cells_of(walks))
    assert found.questioned == ()
    assert found.confirmed == frozenset("ABCD")


@pytest.mark.parametrize("turn", TURNS)
def test_a_grid_with_other_corners_is_named_with_how_it_lies(walks, turn):
    (found,) = grids_by_edges(cells_of(walks, turned={"B": turn}.items())).questioned
    assert (found.grid, found.other, found.neighbours) == ("B", "", ("A", "D"))
    # The turn is found that takes the wrong names back: of the log's corner at the place of each recorded one.
    assert [found.turn.corner(turn_back(turn, c)) for c in CORNERS] == list(CORNERS)
    assert found.proposed > found.recorded


def turn_back(turn, corner):
    """The recorded name of the place at which a corner of the log lies."""
    return next(name for name in CORNERS if turn.corner(name) == corner)


def test_exchanged_logs_are_named_once(walks):
    (found,) = grids_by_edges(cells_of(walks, logs=(0, 3, 2, 1))).questioned
    assert {found.grid, found.other} == {"B", "D"}
    assert found.turn == RECORDED


def test_two_grids_are_enough(walks):
    pair = cells_of(walks, turned={"B": Turn(along_u=True)}.items())[:2]
    (found,) = grids_by_edges(pair).questioned
    # One common edge does not show which of the two runs the other way along it.
    assert {found.grid, *found.rivals} == {"A", "B"}


def test_grids_on_unlike_ground_are_left_alone(walk, faults):
    parts = [walk.walk(walk.site(SIZE, np.random.default_rng(k)), np.random.default_rng(k), faults) for k in range(4)]
    found = grids_by_edges(cells_of(parts))
    assert found.questioned == ()
    assert found.confirmed == frozenset()


def test_flat_ground_shows_nothing(walk, faults):
    flat = walk.Field(2 * SIZE)
    parts = [walk.walk(flat, np.random.default_rng(k), faults, size_m=SIZE) for k in range(4)]
    assert grids_by_edges(cells_of(parts)).questioned == ()


def test_a_level_or_a_drift_of_a_grid_changes_nothing(walks):
    lifted = list(walks)
    readings = walks[1].readings
    lifted[1] = replace(walks[1], readings=readings.replace(channels={"eca": readings.channels["eca"] + 5.0}))
    assert grids_by_edges(cells_of(lifted)).confirmed == frozenset("ABCD")


def test_one_grid_alone_or_far_from_others_shows_nothing(walks):
    assert grids_by_edges(cells_of(walks)[:1]) == grids_by_edges([])
    far = grids_by_edges(cells_of(walks, places=((0, 0), (3, 0), (0, 3), (3, 3))))
    assert far.questioned == ()
    assert far.confirmed == frozenset()


def test_lines_without_readings_do_no_harm(walks):
    half = [replace(w, readings=w.readings.take(w.readings.line < 12)) for w in walks]
    assert grids_by_edges(cells_of(half)).questioned == ()


def test_shared_edges_are_those_of_the_drawing(walks):
    drawn = {(s.grids, tuple(EDGES[e] for e in s.edges)) for s in shared_edges(cells_of(walks))}
    end, start = ("head", "opposite"), ("start", "baseline")
    right, left = ("baseline", "opposite"), ("start", "head")
    assert drawn == {
        ((0, 1), (end, start)),
        ((2, 3), (end, start)),
        ((0, 2), (right, left)),
        ((1, 3), (right, left)),
    }
    assert all(s.length_m == pytest.approx(SIZE) for s in shared_edges(cells_of(walks)))


@pytest.mark.parametrize("lag_m", [-0.5, 0.0, 0.3, 0.6])
def test_the_lag_of_the_walk_is_found(walk, lag_m):
    field = walk.site(SIZE, np.random.default_rng(2))
    walked = walk.walk(field, np.random.default_rng(3), walk.Faults(noise=0.1, lag_m=lag_m))
    # A tenth of a cell: noise is small and lines lie where they are written.
    assert common_lag(cells_of([walked] * 4)[:1], "eca") == pytest.approx(lag_m, abs=0.1)


def test_moved_lines_are_those_of_a_straight_slope():
    matrix = np.arange(12.0).reshape(2, 6)
    found = moved(matrix, np.array([0.5 * CELL_M, -CELL_M]))
    np.testing.assert_allclose(found[0, :5], matrix[0, :5] + 0.5)
    np.testing.assert_allclose(found[1, 1:], matrix[1, :5])
    assert np.isnan(found[1, 0])


def test_a_spike_is_no_part_of_a_cell():
    v = np.arange(0.0, SIZE, 0.125) + 0.0625
    value = np.sin(v)
    value[40] += 100.0
    line = np.ones(len(v), int)
    readings = Readings.build(line, {"eca": value}, heading=line, u_m=0.25 * line, v_m=v)
    corners = [Corner("A", name, *local_corner(name, SIZE, SIZE)) for name in CORNERS]
    cells = line_cells(readings, SCHEME, fit_frame(corners, SIZE, SIZE)).values["eca"]
    assert np.nanmax(np.abs(cells)) <= 1.0


@pytest.mark.parametrize("seed", range(3))
def test_unlike_ground_is_mistaken_as_seldom_as_the_likelihood_says(seed):
    # Markov's inequality: a likelihood ratio exceeds 20 in at most 1 of 20 cases where it does not hold.
    rng, waves = np.random.default_rng(seed), wave_lengths(20.0, 0.5)
    power = np.ones(len(waves))
    found = likeness(*rng.normal(size=(2, 400, len(waves))), np.full(400, 0.05), power, waves)
    assert np.mean([one.ratio > np.log(20) for one in found]) <= 1 / 20


def test_the_same_ground_is_as_like_as_it_can_be():
    waves = wave_lengths(20.0, 0.5)
    one = np.random.default_rng(1).normal(size=len(waves))
    same, turned = likeness(np.array([one, one]), np.array([one, -one]), np.zeros(2), np.ones(len(waves)), waves)
    assert same.correlation == pytest.approx(1.0)
    assert turned.correlation == pytest.approx(-1.0)
    # With no likeness left only the part of unlike ground remains.
    assert turned.ratio == pytest.approx(np.log(0.2), abs=0.05)
    assert same.ratio > 10
