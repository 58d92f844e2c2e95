"""Grids that fit their neighbours better mirrored, from another start corner, or with another grid's log."""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import combinations, product
from math import isclose
from typing import Collection, Iterable, Iterator, Optional, Sequence

import numpy as np

from ..core import Progress, certainty_of, halves_of, nearest_whole
from .likeness import Likeness, amplitudes, likeness, power_law, profile_at, wave_lengths
from .line_cells import LineCells, common_lag
from .shared_edges import EDGES, edge_profiles, shared_edges

ALARM = 1 / 20
"""Surveys without any two grids of like ground along their edges in which chance reports a grid, at most. Common
practice, no source: the 5 % level of tests. Where edges are alike, as recorded, it is far less."""
SAME_SIZE = 1e-5
"""Fraction by which sizes of grids that are the same may differ. Common practice, no source: no tape shows less."""
CONFIRMED = 20.0
"""A grid is confirmed as it is recorded where that is so much likelier than that it is mirrored, and another
explanation is ruled out where it is so much less likely than the best. Common practice, no source: the 5 % level of
tests."""
SETTLED = 1000.0
"""A grid that is so much likelier to lie on the ground of its neighbours than on unlike ground is not tried otherwise.
Derived: by Markov's inequality a grid that lies wrong reaches it in one of a thousand cases; it spares most of the
work."""
BITS = {"start": (0, 0), "baseline": (1, 0), "opposite": (1, 1), "head": (0, 1)}
"""Corners in widths and lengths of the grid. Derived: the frame of a grid."""


@dataclass(frozen=True)
class Turn:
    """A symmetry of a grid: along u, along v, then u for v."""

    along_u: bool = False
    along_v: bool = False
    swap: bool = False

    def corner(self, name: str) -> str:
        """Return which corner of the log lies at a corner of the grid."""
        a, b = BITS[name]
        a, b = a ^ self.along_u, b ^ self.along_v
        bits = (b, a) if self.swap else (a, b)
        return next(corner for corner, own in BITS.items() if own == bits)

    def edge(self, edge: int) -> tuple[int, bool]:
        """Return which edge of the log lies at an edge of the grid, and whether it runs the other way there."""
        first, last = (self.corner(name) for name in EDGES[edge])
        return (EDGES.index((first, last)), False) if (first, last) in EDGES else (EDGES.index((last, first)), True)


RECORDED = Turn()
TURNS = tuple(Turn(*bits) for bits in product((False, True), repeat=3))[1:]
"""All others. Derived: the group of a square, of which a rectangle has those that keep u and v apart."""
MIRRORED = Turn(along_u=True)
Log = tuple[int, Turn]
"""Whose log lies in a grid, and how it is turned."""
Pair = tuple[int, Log, Log]
"""Which shared edge, and the logs on either side of it."""


@dataclass(frozen=True)
class Questioned:
    """A grid that its neighbours explain better otherwise than recorded.

    Attributes
    ----------
    grid, other : str
        The grid, and the one with which it has exchanged logs; empty for a turned grid.
    turn : Turn
    certainty : float
        Posterior probability.
    recorded, proposed : float
        Correlation along the shared edges.
    neighbours : tuple of str
    rivals : tuple of str
        Other grids that, turned or with another log instead, explain the edges about as well.
    """

    grid: str
    other: str
    turn: Turn
    certainty: float
    recorded: float
    proposed: float
    neighbours: tuple[str, ...]
    rivals: tuple[str, ...] = ()


@dataclass(frozen=True)
class GridsByEdges:
    """What shared edges show: grids that are not as recorded, and names of those confirmed not to be mirrored."""

    questioned: tuple[Questioned, ...] = ()
    confirmed: frozenset[str] = frozenset()


def grids_by_edges(
    grids: Sequence[LineCells], to_confirm: Optional[Collection[str]] = None, progress: Progress = None
) -> GridsByEdges:
    """Return which grids of a survey are not as recorded.

    Parameters
    ----------
    grids : sequence of LineCells
        All grids that are placed.
    to_confirm : collection of str, optional
        Names of the grids to be confirmed; all when not given.
    progress : callable, optional
        Called with the fraction done; what it raises ends the search.

    Notes
    -----
    See docs/methods/mistakes.md. By Markov's inequality a likelihood ratio exceeds M / ``ALARM``, M being the number of
    alternatives, in at most ``ALARM`` of the surveys without mistake.
    """
    channels = [c for c in (grids[0].values if grids else ()) if all(c in g.values for g in grids)]
    if len(grids) < 2 or not channels:
        return GridsByEdges()
    search = _Search(_Edges(grids, max(channels, key=lambda c: _clearness(grids, c)), progress))
    questioned = search.questioned()
    named = {name for one in questioned for name in (one.grid, one.other)}
    asked = {g.grid for g in grids} if to_confirm is None else set(to_confirm)
    confirmed = search.confirmed([k for k, g in enumerate(grids) if g.grid in asked - named])
    return GridsByEdges(questioned, frozenset(grids[k].grid for k in confirmed))


def _clearness(grids: Sequence[LineCells], channel: str) -> float:
    """Return how much a channel varies along the lines, in standard deviations of its noise."""
    own = []
    for grid in grids:
        values = grid.values[channel][np.isfinite(grid.values[channel])]
        spread = np.median(np.abs(values - np.median(values))) if len(values) else 0.0
        own.append(spread / grid.noise[channel] if grid.noise[channel] > 0 else 0.0)
    return float(np.median(own))


class _Edges:
    """The shared edges of a survey in one channel, and how alike they are with given logs on either side."""

    def __init__(self, grids: Sequence[LineCells], channel: str, progress: Progress) -> None:
        self._rounds = halves_of(progress)
        lag_m = common_lag(grids, channel)
        self.grids, self.shared = grids, list(shared_edges(grids))
        meet = {g for s in self.shared for g in s.grids}
        self.of = [[n for n, s in enumerate(self.shared) if g in s.grids] for g in range(len(grids))]
        self._profiles, within = {}, next(self._rounds)
        for done, g in enumerate(sorted(meet)):
            if within is not None:
                within(done / len(meet))
            self._profiles[g] = edge_profiles(grids[g], channel, lag_m)
        self._pitch = [max(grids[g].pitch_m for g in s.grids) for s in self.shared]
        self._waves = [wave_lengths(s.length_m, p) for s, p in zip(self.shared, self._pitch)]
        self._amplitudes: dict[tuple[int, int, Log], Optional[np.ndarray]] = {}
        self._likeness: dict[Pair, Likeness] = {}
        self._power = self._expected()

    def _expected(self) -> list[np.ndarray]:
        """Return the expected power of the waves of each shared edge, from all of them; nothing from too few."""
        waves: list[np.ndarray] = [np.zeros(0)]
        powers: list[np.ndarray] = [np.zeros(0)]
        for number, shared in enumerate(self.shared):
            for side, grid in enumerate(shared.grids):
                found = self._sides(number, side, [(grid, RECORDED)])[0]
                if found is not None:
                    waves.append(self._waves[number])
                    powers.append(found**2)
        law = power_law(np.concatenate(waves), np.concatenate(powers))
        return [] if law is None else [np.exp(np.polyval(law, np.log(waves))) for waves in self._waves]

    def _sides(self, number: int, side: int, logs: Sequence[Log]) -> list[Optional[np.ndarray]]:
        """Return the amplitudes of logs along a shared edge."""
        new = [log for log in dict.fromkeys(logs) if (number, side, log) not in self._amplitudes]
        profiles = [self._profile(number, side, log) for log in new]
        found = amplitudes(profiles, self.shared[number].length_m, len(self._waves[number]))
        self._amplitudes.update(((number, side, log), one) for log, one in zip(new, found))
        return [self._amplitudes[number, side, log] for log in logs]

    def _profile(self, number: int, side: int, log: Log) -> Optional[np.ndarray]:
        """Return what a log shows along a shared edge."""
        shared, (index, turn) = self.shared[number], log
        edge, back = turn.edge(shared.edges[side])
        position, value, _ = self._profiles[index][edge]
        low, high = shared.span[side]
        count = max(int(nearest_whole(shared.length_m / self._pitch[number])), 1)
        at = low + (high - low) * (np.arange(count) + 0.5) / count
        return profile_at(position, value, (1 - at if back else at) * self.grids[index].size_m[edge < 2])

    def compare(self, wanted: Iterable[Pair]) -> None:
        """Find how alike pairs of logs are along shared edges; all that one edge is asked for together."""
        by_edge: dict[int, list[Pair]] = {}
        within = next(self._rounds)
        for pair in dict.fromkeys(wanted):
            if pair not in self._likeness:
                by_edge.setdefault(pair[0], []).append(pair)
        for done, (number, pairs) in enumerate(by_edge.items()):
            if within is not None:
                within(done / len(by_edge))
            one = self._sides(number, 0, [pair[1] for pair in pairs])
            two = self._sides(number, 1, [pair[2] for pair in pairs])
            both = {p: (a, b) for p, a, b in zip(pairs, one, two) if a is not None and b is not None and self._power}
            self._likeness.update(dict.fromkeys(pairs, Likeness()))
            if both:
                noise = np.array([self._noise(*pair) for pair in both])
                first, second = (np.stack(side) for side in zip(*both.values()))
                found = likeness(first, second, noise, self._power[number], self._waves[number])
                self._likeness.update(zip(both, found))

    def like(self, pair: Pair) -> Likeness:
        """Return how alike two logs are along a shared edge."""
        if pair not in self._likeness:
            self.compare([pair])
        return self._likeness[pair]

    def _noise(self, number: int, *logs: Log) -> float:
        """Return the power of the noise of two logs along a shared edge, their mean."""
        edges = [log[1].edge(own)[0] for log, own in zip(logs, self.shared[number].edges)]
        return self._pitch[number] * sum(self._profiles[log[0]][edge][2] for log, edge in zip(logs, edges)) / 2


@dataclass(frozen=True)
class _Arrangement:
    """Logs (G,) of all grids, and the grids in which they differ from before."""

    grids: tuple[int, ...]
    logs: tuple[Log, ...]


class _Search:
    """The search for grids that are not as recorded, one after the other, the surest first."""

    def __init__(self, edges: _Edges) -> None:
        self._edges = edges
        self._logs: tuple[Log, ...] = tuple((k, RECORDED) for k in range(len(edges.grids)))

    def questioned(self) -> tuple[Questioned, ...]:
        """Return the grids that are not as recorded."""
        found: list[Questioned] = []
        settled: set[int] = set()
        while True:
            options = list(self._alternatives())
            settled |= {k for k in range(len(self._logs)) if self._ratio([k]) > np.log(SETTLED)}
            tried = [option for option in options if not settled & set(option.grids)]
            self._compare(tried)
            gains = [self._gain(option) for option in tried]
            if not tried or max(gains) < np.log(len(options) / ALARM):
                return tuple(found)
            best = tried[int(np.argmax(gains))]
            alike = {g for o, gain in zip(tried, gains) if gain > max(gains) - np.log(CONFIRMED) for g in o.grids}
            rivals = tuple(self._edges.grids[g].grid for g in sorted(alike - set(best.grids)))
            found.append(replace(self._about(best, max(gains), len(options)), rivals=rivals))
            self._logs = best.logs
            settled |= alike

    def confirmed(self, grids: Sequence[int]) -> list[int]:
        """Return those of some grids that are much likelier as they are than mirrored."""
        mirrored = [self._turned(k, MIRRORED) for k in grids if self._edges.of[k]]
        self._compare(mirrored)
        differences = ((m.grids, self._ratio(m.grids) - self._ratio(m.grids, m.logs)) for m in mirrored)
        return [grid for (grid,), difference in differences if difference > np.log(CONFIRMED)]

    def _compare(self, options: Iterable[_Arrangement]) -> None:
        """Find how alike the shared edges are in all these arrangements; together that is faster than one by one."""
        self._edges.compare(pair for option in options for pair in self._pairs(option.grids, option.logs))

    def _ratio(self, grids: Sequence[int], logs: Optional[tuple[Log, ...]] = None) -> float:
        """Return the log likelihood ratio of the shared edges of some grids against unlike ground."""
        return sum(one.ratio for one in self._likenesses(grids, self._logs if logs is None else logs))

    def _alternatives(self) -> Iterator[_Arrangement]:
        """Yield the arrangements that differ from the present one in how a grid is turned, or by exchanged logs."""
        grids = self._edges.grids
        meeting = [k for k in range(len(grids)) if self._edges.of[k]]
        for k in meeting:
            square = isclose(*grids[k].size_m, rel_tol=SAME_SIZE)
            yield from (self._turned(k, turn) for turn in TURNS if square or not turn.swap)
        for i, j in combinations(meeting, 2):
            if all(isclose(*both, rel_tol=SAME_SIZE) for both in zip(grids[i].size_m, grids[j].size_m)):
                logs = list(self._logs)
                logs[i], logs[j] = logs[j], logs[i]
                yield _Arrangement((i, j), tuple(logs))

    def _turned(self, grid: int, turn: Turn) -> _Arrangement:
        logs = list(self._logs)
        logs[grid] = (logs[grid][0], turn)
        return _Arrangement((grid,), tuple(logs))

    def _likenesses(self, grids: Sequence[int], logs: Sequence[Log]) -> list[Likeness]:
        """Return how alike the shared edges of some grids are."""
        return [self._edges.like(pair) for pair in self._pairs(grids, logs)]

    def _pairs(self, grids: Sequence[int], logs: Sequence[Log]) -> list[Pair]:
        """Return the shared edges of some grids, and the logs on either side."""
        numbers = sorted({number for grid in grids for number in self._edges.of[grid]})
        sides = ((n, *self._edges.shared[n].grids) for n in numbers)
        return [(n, logs[one], logs[two]) for n, one, two in sides]

    def _gain(self, option: _Arrangement) -> float:
        """Return the log likelihood ratio against what is recorded, or against unlike ground where that is better."""
        before = self._likenesses(option.grids, self._logs)
        return self._ratio(option.grids, option.logs) - sum(max(one.ratio, 0.0) for one in before)

    def _about(self, option: _Arrangement, gain: float, count: int) -> Questioned:
        grids, edges = self._edges.grids, self._edges
        recorded, proposed = (_mean(self._likenesses(option.grids, logs)) for logs in (self._logs, option.logs))
        first, other = option.grids[0], option.grids[-1]
        beside = {g for k in option.grids for n in edges.of[k] for g in edges.shared[n].grids} - set(option.grids)
        names = sorted(grids[g].grid for g in beside or {other} - {first})
        certainty = certainty_of(gain, count / len(grids))
        turn = option.logs[first][1] if first == other else RECORDED
        name = grids[other].grid if first != other else ""
        return Questioned(grids[first].grid, name, turn, certainty, recorded, proposed, tuple(names))


def _mean(found: Sequence[Likeness]) -> float:
    """Return the mean correlation."""
    weight = sum(one.weight for one in found)
    return sum(one.correlation * one.weight for one in found) / weight if weight > 0 else 0.0
