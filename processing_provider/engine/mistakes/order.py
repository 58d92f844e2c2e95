"""Doubts about the order of lines: swapped, walked twice, or not of this ground."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Iterator, Optional, Sequence

import numpy as np

from ..core import Code
from .order_likelihood import Ground
from .posterior import LEAST_SURE, Spot, spot_of
from .spacing_by_shape import Gaps

ALARM = 1 / 20
"""Clean grids in which chance raises a doubt about the order of the lines, at most."""
NEAR_MARGIN, FAR_MARGIN = 3.0, 8.0
"""What walking and features of odd shape gain beyond chance where nothing is wrong, when neighbouring lines are
exchanged, and else (measured on simulated sites, with as much again to spare)."""
STRANGE_MARGIN = 4.0
"""Likewise for a line of other ground, by lines put where they were walked."""
BESIDE_GROUND, BESIDE_SHAPES = 0.4, 0.3
"""Powers of the two likelihood ratios of a line on the ground of the next one, by ``Ground`` and by ``Gaps``, that make
probabilities come true (found on simulated sites): both look at the same readings."""
BESIDE_SURE = 0.95
"""Such a line, or a few of which it is one, are told from this probability on, were a fault as likely as none in a
grid. Ground that is alike on two lines and changes at the next is common."""
PRIOR = 0.01
"""Share of lines with such a fault: one in a hundred (common practice, no source)."""
SCREEN = 0.1
"""Least gain by the fast estimate of a swap that is looked at closely: a tenth of what the true ones have."""
CLOSELY = 12
"""Candidates of each kind that are looked at closely."""
GROUND = 0.5
"""Power of the likelihood ratio by ``Ground`` that makes probabilities of lines walked twice come true (found on
simulated sites): what is left of the walk is not as independent from reading to reading as the model has it."""
EDGE = 2
"""Lines so near to an edge of the grid have neighbours on one side only; nothing is said of their order."""


@dataclass(frozen=True)
class OrderDoubt:
    """One arrangement that explains the readings better than the recorded one.

    Attributes
    ----------
    code : Code
        ``lines-swapped``, ``line-doubled`` (this and all later lines lie one spacing nearer), ``line-again`` or
        ``line-strange``.
    line, other : int
        Places of the lines among those given to ``Ground``; ``other`` is -1 when there is none.
    gain, threshold : float
        Log likelihood gained, and what chance reaches.
    certainty : float
        Posterior probability with the prior odds ``PRIOR``; where there is a ``spot``, that it is this line.
    recorded, proposed : float
        Correlation of the line with what its neighbours foretell.
    spot : Spot, optional
        Of a line walked twice and of one on the ground of the next, the lines one of which it is.
    """

    code: Code
    line: int
    other: int
    gain: float
    threshold: float
    certainty: float
    recorded: float
    proposed: float
    spot: Optional[Spot] = None


def order_doubt(
    ground: Ground, walked: Ground, gaps: Sequence[Gaps], nearer: Optional[np.ndarray]
) -> Optional[OrderDoubt]:
    """Return the best-founded doubt about the order of the lines, None where there is none.

    Parameters
    ----------
    ground : Ground
        The lines after the common lag.
    walked : Ground
        The same lines, each put where it was walked. What the walk leaves between two lines passes for a step of the
        ground, so the likeness of two lines is judged without it; but lines in a wrong order are put wrong by it.
    gaps : sequence of Gaps
        What the features that cross the lines tell of their distances, as logged and as walked; empty while lines may
        still be turned round or moved, at which features break off as at a wrong distance.
    nearer : (L,) float or None
        Log likelihood ratio of all lines from this one on lying a spacing nearer, as of ``of_later_lines``, where the
        log has more lines than the grid. Only there is a line looked for that was walked twice with all later ones
        a spacing off: ground that is alike on two lines is too common to tell it by the readings alone.

    Notes
    -----
    The threshold of a kind of fault with M candidates is log(M / ``ALARM``): by Markov's inequality a likelihood ratio
    exceeds it in at most ``ALARM`` of the grids without fault. Of those above it the largest excess is taken. A line
    walked twice in a grid with one line too many is judged by its probability (see ``_doubles``), and so is one on the
    ground of the next where no line is too many (see ``_beside``): both explain two lines that are alike. A line that
    fits better on the ground of a neighbour is neither exchanged with it, nor of a line far off, nor of other ground.
    """
    doubts = [
        *_swaps(ground),
        *(_beside(ground, walked, gaps) if nearer is None else _doubles(ground, walked, nearer)),
        *_strangers(ground, walked),
    ]
    above = [d for d in doubts if d.gain > d.threshold]
    return max(above, key=lambda d: d.gain - d.threshold, default=None)


def certainty_of(gain: float, candidates: float) -> float:
    """Return the posterior probability of a fault with ``candidates`` alternatives a line and prior odds ``PRIOR``."""
    return float(1.0 / (1.0 + np.exp(-np.clip(gain - np.log(candidates / PRIOR), -50.0, 50.0))))


def _swaps(ground: Ground) -> Iterator[OrderDoubt]:
    fast, n = ground.swap_screen(), len(ground.place)
    first, second = np.triu_indices(n, 1)
    inner = (first >= EDGE - 1) & (second < n - EDGE + 1)
    first, second = first[inner], second[inner]
    beside = ground.place[second] - ground.place[first] < 1.5
    for near in (True, False):
        mine = np.flatnonzero((beside == near) & (fast[first, second] > SCREEN))
        candidates = np.count_nonzero(beside == near)
        mine = mine[np.argsort(fast[first[mine], second[mine]])[::-1][:CLOSELY]]
        for a, b in zip(first[mine].tolist(), second[mine].tolist()):
            place = ground.place.copy()
            place[[a, b]] = place[[b, a]]
            margin, gain = NEAR_MARGIN if near else FAR_MARGIN, ground.swap(a, b)
            if not near or gain > max(ground.again(a, b), ground.again(b, a)):
                yield _doubt(ground, Code.LINES_SWAPPED, a, b, gain, candidates, place, margin)


def _doubles(ground: Ground, walked: Ground, nearer: np.ndarray) -> Iterator[OrderDoubt]:
    """The line most probably walked twice where one line is too many, or a few lines one of which it is.

    Beforehand a line walked beyond the edge is as probable as one walked twice, and of those each the same. The log
    likelihood ratios are GROUND g_k + t_k, g_k being the mean gain of both grounds and t_k that of ``nearer``.
    """
    n = len(ground.place)
    beside = np.diff(ground.place)
    ratios = np.full(n, -np.inf)
    for k in range(EDGE - 1, n - EDGE):
        if 0.5 < beside[k] < 1.5:
            ratios[k + 1] = GROUND * (ground.double(k) + walked.double(k)) / 2 + nearer[k + 1]
    spot = spot_of(ratios, 1.0)
    if spot is None:
        return
    place = ground.place.copy()
    place[spot.line :] -= 1
    yield _probable(Code.LINE_DOUBLED, spot.line, spot.line - 1, float(ratios[spot.line]), GROUND, LEAST_SURE,
                    ground, place, spot)  # fmt: skip


def _beside(ground: Ground, walked: Ground, gaps: Sequence[Gaps]) -> Iterator[OrderDoubt]:
    """The line most probably walked on the ground of the next one while all others lie where they are recorded, or a
    few lines one of which it is.

    The gains of all candidates come from ``Gaps``, those of the best also from ``Ground``, in powers.
    """
    found = []
    for places, own, other in (("on-last", 0, -1), ("on-next", -1, 0)) if gaps else ():
        gains = BESIDE_SHAPES * np.mean([g.gains(places) for g in gaps], axis=0)
        found += [(float(gains[k]), k + own, k + other) for k in np.flatnonzero(np.isfinite(gains)).tolist()]
    closely = sorted(found)[::-1][:CLOSELY]
    ratios = [g + BESIDE_GROUND * _again(ground, walked, a, b) for g, b, a in closely]
    spot = spot_of(np.array(ratios), len(closely) / max(len(found), 1))
    if spot is None:
        return
    _, line, other = closely[spot.line]
    lines = tuple(sorted({closely[k][1] for k in spot.lines}))
    place = ground.place.copy()
    place[line] = place[other]
    yield _probable(Code.LINE_AGAIN, line, other, ratios[spot.line], BESIDE_GROUND, BESIDE_SURE,
                    ground, place, replace(spot, lines=lines, line=line))  # fmt: skip


def _strangers(ground: Ground, walked: Ground) -> Iterator[OrderDoubt]:
    n = len(ground.place)
    gains = {b: walked.stranger(b) for b in range(n)}
    for b in sorted(gains, key=gains.get)[::-1][:CLOSELY]:
        if gains[b] <= 0:
            break
        explained = max(_again(ground, walked, a, b) for a in (b - 1, b + 1) if 0 <= a < n)
        if EDGE - 1 <= b <= n - EDGE:
            for a in _alike(ground, b):
                place = ground.place.copy()
                place[b] = place[a]
                doubt = _doubt(ground, Code.LINE_AGAIN, b, a, ground.again(a, b), n * n, place, FAR_MARGIN)
                # Of n (n - 1) places against 2 n, and against one of other ground.
                gain = _again(ground, walked, a, b)
                if doubt.gain > doubt.threshold and gain > explained + np.log(n / 2):
                    explained = max(explained, gain - np.log(n))
                    yield doubt
        place = ground.place.copy()
        place[b] = np.nan
        if (gains[b] + ground.stranger(b)) / 2 > explained:
            yield _doubt(ground, Code.LINE_STRANGE, b, -1, gains[b], n, place, STRANGE_MARGIN)


def _alike(ground: Ground, b: int) -> Iterator[int]:
    """Yield the lines farther off that resemble a line most."""
    likeness = [abs(ground.correlation(a, b)) if abs(ground.place[a] - ground.place[b]) > 1.5 else 0.0
                for a in range(len(ground.place))]  # fmt: skip
    yield from np.argsort(likeness)[::-1][:3].tolist()


def _again(ground: Ground, walked: Ground, a: int, b: int) -> float:
    """Return what line b gains on the ground of line a, on the mean of both."""
    return (ground.again(a, b) + walked.again(a, b)) / 2


def _doubt(ground: Ground, code: Code, line: int, other: int, gain: float, candidates: int, place, margin: float):
    threshold = float(np.log(candidates / ALARM) + margin)
    each = max(candidates / len(ground.place), 1.0)
    here = np.isfinite(place[line])
    return OrderDoubt(
        code, line, other, gain, threshold, certainty_of(gain - margin, each),
        ground.fit(line, ground.place), ground.fit(line, place) if here else 0.0,
    )  # fmt: skip


def _probable(
    code: Code, line: int, other: int, ratio: float, power: float, least: float, ground: Ground, place, spot: Spot
):
    """Return a doubt that is told from a probability of ``least`` on, in units of the ground's gains, as the other
    kinds of doubt are."""
    above = np.log(spot.certainty * (1 - least) / ((1 - spot.certainty) * least + 1e-30))
    return OrderDoubt(
        code, line, other, ratio / power, float(ratio - above) / power, spot.certainty_line,
        ground.fit(line, ground.place), ground.fit(line, place), spot,
    )  # fmt: skip
