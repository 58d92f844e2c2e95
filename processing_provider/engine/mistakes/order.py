"""Mistakes in the order of lines: exchanged, walked twice, or from other ground."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from typing import Collection, Iterator, Optional, Sequence

import numpy as np

from ..core import Code, certainty_of
from .order_likelihood import OrderLikelihood
from .posterior import LEAST_SURE, ProbableLines, probable_lines
from .spacing_by_shape import ShapeEvidence

ALARM = 1 / 20
"""Clean grids in which chance reports a mistake in the order of the lines, at most. Common practice, no source: the 5 %
level of tests."""
NEAR_MARGIN, FAR_MARGIN = 3.0, 8.0
"""What walking and features of odd shape may gain beyond chance where nothing is wrong, when neighbouring lines are
exchanged, and else. Found by tests/calibration/mistakes.py: at most -0.3 +- 0.8 and 2.8 +- 6 on 12 clean grids, half of
them drawn by other rules; the margins lie a spread or more above (``margins``)."""
AGAIN_MARGIN = 5.0
"""Likewise for a line on the ground of one farther off, by the mean of both likelihoods. Found by
tests/calibration/mistakes.py: nothing beyond chance on 20 clean grids, at most -7.2 +- 1.7; the margin is for ground
that the sites do not have (``margins``)."""
FOREIGN_MARGIN = 4.0
"""Likewise for a line from other ground, by aligned lines. Found by tests/calibration/mistakes.py: nothing beyond
chance on 12 clean grids, at most -8.4 +- 0.5; the margin is for ground that the sites do not have (``margins``)."""
BESIDE_ORDER, BESIDE_SHAPES = 0.4, 0.3
"""Powers of the two likelihood ratios of a line on the next one, by ``OrderLikelihood`` and by ``ShapeEvidence``, that
make probabilities come true: both look at the same readings. Found by tests/calibration/mistakes.py, 0.5 +- 0.2 and
0.1 +- 0.1 on 12 sites (``powers``); their sum is better known than either."""
BESIDE_SURE = 0.95
"""Such a line, or a few of which it is one, are reported where there is one anywhere with this probability, were a
mistake as likely as none in a grid of ``EVEN_M``. Ground that is alike on two lines and changes at the next is common.
Common practice, no source: the 5 % level of tests."""
EVEN_M = 720.0
"""Metres of lines of a grid that has such a mistake as likely as not: 40 lines of 20 m, and 2 m to spare. The odds fall
with the square of it, for a smaller grid has less of a chance of one, and shows less of what its ground is like. Common
practice, no source; on 10 x 10 m the model alone reports twice as many mistakes as it should where there are none."""
SCREEN = 0.1
"""Least gain by the fast estimate of a swap that is looked at closely. Found by tests/calibration/mistakes.py: a tenth
of what the median of true exchanges has is 0.41 +- 0.06; a quarter of that keeps the faint ones (``margins``)."""
CLOSELY = 12
"""Candidates of each kind that are looked at closely. Derived: a line has two neighbours to be exchanged with or to lie
on, so the six best lines are among them; the one that is reported is the best of all."""
DOUBLES = 0.5
"""Power of the likelihood ratio by ``OrderLikelihood`` that makes probabilities of lines walked twice come true: what
alignment leaves is not as independent from reading to reading as the model has it. Found by
tests/calibration/mistakes.py, 0.4 +- 0.1 on 12 sites (``powers``)."""
EDGE = 2
"""Lines so near to an edge of the grid have neighbours on one side only; nothing is said of their order. Derived: a
prediction rests on the nearest line on either side and, at a range of 1.5 spacings or more, on the next ones."""


@dataclass(frozen=True)
class OrderMistake:
    """One arrangement that explains the readings better than the recorded one.

    Attributes
    ----------
    code : Code
        ``lines-swapped``, ``line-doubled`` (this and all later lines lie one spacing nearer), ``line-again`` or
        ``line-strange``.
    line, other : int
        Indices of the lines among those of the likelihood; ``other`` is -1 when there is none.
    gain, threshold : float
        Log likelihood gained, and what chance reaches.
    certainty : float
        Posterior probability (``certainty_of``); with ``probable``, that it is this line.
    position : (L,) float64
        Where the lines lie then, in spacings; NaN for a line from other ground.
    recorded, proposed : float
        Correlation of the line with what its neighbours predict.
    beyond_foreign : float
        Log likelihood gained over other ground by a line on one farther off; 0 for other mistakes.
    probable : ProbableLines, optional
        Of a line walked twice and of one on the next, the lines one of which it is.
    """

    code: Code
    line: int
    other: int
    gain: float
    threshold: float
    certainty: float
    position: np.ndarray
    probable: Optional[ProbableLines] = None
    recorded: float = 0.0
    proposed: float = 0.0
    beyond_foreign: float = 0.0


class OrderSearch:
    """The search for mistakes in the order of some lines.

    Parameters
    ----------
    logged : OrderLikelihood
        The lines after the common lag.
    aligned : OrderLikelihood
        The same lines, each put where it was walked. Along-line position errors between two lines pass for a change of
        the ground, so the likeness of two lines is judged without them; but lines in a wrong order are aligned wrongly.
    nearer : (L,) float64 or None
        Log likelihood ratio of all lines from this one on lying a spacing nearer, where the log has more lines than the
        grid. Only there is a line looked for that was walked twice with all later ones a spacing off: ground that is
        alike on two lines is too common to decide by the readings alone.

    Notes
    -----
    The threshold of a kind of mistake with M candidates is log(M / ``ALARM``), more in small grids (``EVEN_M``): by
    Markov's inequality a likelihood ratio exceeds it in at most ``ALARM`` of the grids without mistake. Of those above
    it the largest excess is taken. A line walked twice in a grid with one line too many is judged by its probability,
    and so is one on the next where no line is too many: both explain two lines that are alike. A line that fits better
    on a neighbour is neither exchanged with it, nor from a line far off, nor from other ground.
    """

    def __init__(self, logged: OrderLikelihood, aligned: OrderLikelihood, nearer: Optional[np.ndarray]) -> None:
        self._logged, self._aligned, self._nearer = logged, aligned, nearer
        self._count = len(logged.position)
        self._odds = min(np.count_nonzero(logged.known) * logged.step_m / EVEN_M, 1.0) ** 2

    def best(self, shapes: Sequence[ShapeEvidence]) -> Optional[OrderMistake]:
        """Return the best-founded mistake in the order of the lines, None where there is none.

        ``shapes`` is the evidence of features about the distances of the lines, as logged and aligned; empty while
        lines may still be reversed or shifted, at which features break off as at a wrong distance.
        """
        found = [*self._by_likelihood, *(self._beside(shapes) if self._nearer is None else ())]
        above = [m for m in found if m.gain > m.threshold]
        if not above:
            return None
        best = max(above, key=lambda m: m.gain - m.threshold)
        here = np.isfinite(best.position[best.line])
        return replace(
            best,
            recorded=self._logged.fit(best.line, self._logged.position),
            proposed=self._logged.fit(best.line, best.position) if here else 0.0,
        )

    @cached_property
    def _by_likelihood(self) -> list[OrderMistake]:
        """The mistakes that the shapes of features have no part in."""
        again = list(self._again())
        return [*self._swaps(again), *self._doubles(), *again, *self._foreign({m.line for m in again})]

    def _swaps(self, again: Sequence[OrderMistake]) -> Iterator[OrderMistake]:
        """Yield exchanges that explain more than one of both lines on the ground of another one does."""
        alone = list(zip((m.line for m in again), self._logged.repeats([(m.other, m.line) for m in again]).tolist()))
        fast, n, position = self._logged.swap_screen(), self._count, self._logged.position
        first, second = np.triu_indices(n, 1)
        inner = (first >= EDGE - 1) & (second < n - EDGE + 1)
        first, second = first[inner], second[inner]
        beside = position[second] - position[first] < 1.5
        for near in (True, False):
            mine = np.flatnonzero((beside == near) & (fast[first, second] > SCREEN))
            mine = mine[np.argsort(fast[first[mine], second[mine]])[::-1][:CLOSELY]]
            pairs = list(zip(first[mine].tolist(), second[mine].tolist()))
            margin, candidates = NEAR_MARGIN if near else FAR_MARGIN, np.count_nonzero(beside == near)
            for (a, b), gain in zip(pairs, self._logged.swaps(pairs).tolist()):
                swapped = position.copy()
                swapped[[a, b]] = swapped[[b, a]]
                mistake = self._mistake(Code.LINES_SWAPPED, a, b, gain, candidates, swapped, margin)
                if gain <= max([mistake.threshold, *(own for line, own in alone if line in (a, b))]):
                    continue
                if not (near and gain <= self._logged.repeats([(a, b), (b, a)]).max()):
                    yield mistake

    def _doubles(self) -> Iterator[OrderMistake]:
        """Yield the line most probably walked twice where one line is too many, or a few lines one of which it is.

        Beforehand a line walked beyond the edge is as probable as one walked twice, and of those each the same. The log
        likelihood ratios are DOUBLES g_k + t_k, g_k being the mean gain of both likelihoods and t_k that of ``nearer``.
        """
        if self._nearer is None:
            return
        n, position = self._count, self._logged.position
        between = np.diff(position)
        lines = [k for k in range(EDGE - 1, n - EDGE) if 0.5 < between[k] < 1.5]
        ratios = np.full(n, -np.inf)
        later = np.array(lines, int) + 1
        gains = (self._logged.doubles(lines) + self._aligned.doubles(lines)) / 2
        ratios[later] = DOUBLES * gains + self._nearer[later]
        probable = probable_lines(ratios, 1.0)
        if probable is not None:
            line, moved = probable.line, position.copy()
            moved[line:] -= 1
            ratio = float(ratios[line])
            yield _probable(Code.LINE_DOUBLED, line, line - 1, ratio, DOUBLES, LEAST_SURE, moved, probable)

    def _beside(self, shapes: Sequence[ShapeEvidence]) -> Iterator[OrderMistake]:
        """Yield the line most probably walked on the next one, or a few lines one of which it is.

        All others lie where they are recorded. The gains of all candidates come from the shapes of features, those of
        the best also from the likelihoods, in powers.
        """
        found = []
        for places, own, other in (("on-last", 0, -1), ("on-next", -1, 0)) if shapes else ():
            gains = BESIDE_SHAPES * np.mean([s.gains(places) for s in shapes], axis=0)
            found += [(float(gains[k]), k + own, k + other) for k in np.flatnonzero(np.isfinite(gains)).tolist()]
        closely = sorted(found)[::-1][:CLOSELY]
        ratios = np.array([g for g, _, _ in closely]) + BESIDE_ORDER * self._repeats([(a, b) for _, b, a in closely])
        probable = probable_lines(ratios, self._odds * len(closely) / max(len(found), 1))
        if probable is None:
            return
        _, line, other = closely[probable.line]
        lines = tuple(sorted({closely[k][1] for k in probable.lines}))
        position = self._logged.position.copy()
        position[line] = position[other]
        ratio, probable = float(ratios[probable.line]), replace(probable, lines=lines, line=line)
        yield _probable(Code.LINE_AGAIN, line, other, ratio, BESIDE_ORDER, BESIDE_SURE, position, probable)

    def _again(self) -> Iterator[OrderMistake]:
        """Yield lines on the ground of lines farther off, where nothing else explains them as well.

        Until a line is corrected, those beside it look as if they lay elsewhere: what lies elsewhere explains more than
        that it or one beside it is from other ground.
        """
        n, position = self._count, self._logged.position
        far = np.abs(position[:, None] - position) > 1.5
        far[:, : EDGE - 1] = far[:, n - EDGE + 1 :] = False
        first, second = np.nonzero(far)
        alike = np.argsort(-self._logged.repeat_screen()[first, second], kind="stable")[:CLOSELY]
        pairs = list(zip(first[alike].tolist(), second[alike].tolist()))
        logged, aligned = self._logged.repeats(pairs), self._aligned.repeats(pairs)
        for (a, b), here, gain in zip(pairs, logged.tolist(), ((logged + aligned) / 2).tolist()):
            moved = position.copy()
            moved[b] = moved[a]
            mistake = self._mistake(Code.LINE_AGAIN, b, a, gain, n**2, moved, AGAIN_MARGIN)
            if gain <= mistake.threshold:
                continue
            beyond = here - float(self._logged.foreign(range(b - 1, b + 2)).max())
            # On one of n lines against other ground; of n (n - 1) arrangements against 2 n.
            if beyond > np.log(n) and gain > self._beside_best(b) + np.log(n / 2):
                yield replace(mistake, beyond_foreign=beyond)

    def _foreign(self, again: Collection[int]) -> Iterator[OrderMistake]:
        """Yield lines from other ground, but for those on the ground of another line."""
        gains = self._aligned.foreign(range(self._count))
        for b in np.argsort(gains)[::-1][:CLOSELY].tolist():
            position = self._logged.position.copy()
            position[b] = np.nan
            foreign = self._mistake(Code.LINE_STRANGE, b, -1, float(gains[b]), self._count, position, FOREIGN_MARGIN)
            if foreign.gain > foreign.threshold and b not in again:
                if (foreign.gain + self._logged.foreign([b])[0]) / 2 > self._beside_best(b):
                    yield foreign

    def _beside_best(self, b: int) -> float:
        """Return what a line gains at most on one beside it."""
        return float(self._repeats([(a, b) for a in (b - 1, b + 1) if 0 <= a < self._count]).max())

    def _repeats(self, pairs: Sequence[tuple[int, int]]) -> np.ndarray:
        """Return what line b of each pair (a, b) gains on line a, in the mean of both likelihoods."""
        return (self._logged.repeats(pairs) + self._aligned.repeats(pairs)) / 2

    def _mistake(
        self, code: Code, line: int, other: int, gain: float, candidates: float, position: np.ndarray, margin: float
    ) -> OrderMistake:
        threshold = float(np.log(candidates / ALARM / self._odds) + margin)
        each = max(candidates / self._count, 1.0)
        return OrderMistake(code, line, other, gain, threshold, certainty_of(gain - margin, each), position)


def _probable(
    code: Code,
    line: int,
    other: int,
    ratio: float,
    power: float,
    least: float,
    position: np.ndarray,
    probable: ProbableLines,
) -> OrderMistake:
    """Return a mistake that is reported from a probability of ``least`` on.

    Its gain is in units of the likelihood's gains, as those of the other kinds are.
    """
    # Whether there is such a mistake is one question, and which line has it another: the lines named answer that.
    sure = probable.certainty + (probable.elsewhere if code is Code.LINE_AGAIN else 0.0)
    above = np.log(sure * (1 - least) / ((1 - sure) * least + 1e-30))
    gain, threshold = ratio / power, float(ratio - above) / power
    return OrderMistake(code, line, other, gain, threshold, probable.certainty_line, position, probable)
