"""The normal equations of the along-line position errors of all lines of a grid, each held against its neighbours."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Optional, Sequence

import numpy as np

from ..core import inverse_symmetric

GROUP = 4
"""Positions along the baseline whose lines are solved together, two at least. Derived: any number gives the same
solution (shown by the tests against a dense solver); few large blocks are quicker than many small ones."""
COUPLES = np.triu_indices(3)
"""Every two of the three lines that a misfit follows. Derived: the upper triangle of their products."""


@dataclass(frozen=True)
class Misfits:
    """Misfits of a channel at L lines and V nodes.

    Attributes
    ----------
    pull, weight : (L, V) float64
        Precision times slope times misfit, and precision times squared slope.
    parts : (3, L, V) float64
        How a misfit follows the position error of its line, and of the lines before and after.
    """

    pull: np.ndarray
    weight: np.ndarray
    parts: np.ndarray


@dataclass(frozen=True)
class Observations:
    """R linear observations of the weights of lines.

    Attributes
    ----------
    line : (R,) int
        Index of the line.
    design : (R, m) float64
        How they follow its weights.
    residual, variance : (R,) float64
        At the weights so far.
    """

    line: np.ndarray
    design: np.ndarray
    residual: np.ndarray
    variance: np.ndarray


@dataclass(frozen=True)
class Evidence:
    """What else than neighbours shows the position errors of L lines.

    Attributes
    ----------
    weight : (L, m) float64
        Weights about which it is linear.
    pull : (L, m) float64
        Information times how far the weights should move.
    information : (L, m, m) float64
    """

    weight: np.ndarray
    pull: np.ndarray
    information: np.ndarray

    @classmethod
    def none(cls, weight: np.ndarray) -> Evidence:
        """Return no evidence about these weights."""
        return cls(weight, np.zeros(weight.shape), np.zeros((*weight.shape, weight.shape[1])))

    def with_observations(self, seen: Observations, level: np.ndarray) -> Evidence:
        """Return the evidence with more observations.

        ``level`` (L,) is the variance of a number that all observations of a line have in common: a nuisance parameter
        that is integrated out.
        """
        lines, m = self.pull.shape
        weighted = seen.design / seen.variance[:, None]
        sums = np.zeros((lines, m * m + 2 * m + 1))
        columns = [(weighted[:, :, None] * seen.design[:, None]).reshape(-1, m * m), weighted * seen.residual[:, None]]
        np.add.at(sums, seen.line, np.column_stack([*columns, weighted, 1.0 / seen.variance]))
        square, pull, common, total = np.split(sums, [m * m, m * m + m, m * m + 2 * m], axis=1)
        common = common / np.sqrt(1.0 / np.maximum(level, 1e-30)[:, None] + total + 1e-30)
        information = square.reshape(lines, m, m) - common[:, :, None] * common[:, None]
        return Evidence(self.weight, self.pull + pull, self.information + information)


class NormalEquations:
    """Normal equations of all lines, block-tridiagonal: a misfit reaches one position along the baseline away.

    ``GROUP`` positions make a group. Blocks (m, m) of a group's lines with each other and with those of the next group
    follow from weights (V,) of the nodes. Groups with fewer than W lines are filled up with lines of which only the
    prior is known.

    Parameters
    ----------
    position : (L,) int
        Position of each line along the baseline, ascending; recordings of one line share it.
    beside : (2, L) int
        Index of the line before and of the line after each, -1 = none.
    shapes : (V, m) float64
        Shapes of a position error.
    """

    def __init__(self, position: np.ndarray, beside: np.ndarray, shapes: np.ndarray) -> None:
        self.shapes = shapes
        self.group = position // GROUP
        first = np.searchsorted(self.group, np.arange(self.group[-1] + 1))
        self.slot = np.arange(len(self.group)) - first[self.group]
        self.groups, self.width = len(first), int(self.slot.max()) + 1
        lines = np.stack([np.arange(len(self.group)), *beside])
        there = np.flatnonzero(lines.ravel() >= 0)
        self.to_line = _Sums(lines.ravel()[there], there, len(self.group))
        self.to_block = self._block_sums(lines)

    def _block_sums(self, lines: np.ndarray) -> _Sums:
        """Return what adds up the products of parts (6 L) to blocks: (2, G, W, W) of them.

        What lies below the diagonal groups is the transpose of what lies above.
        """
        one, other = COUPLES
        row, column, source = lines[one].ravel(), lines[other].ravel(), np.arange(lines[one].size)
        twice = np.repeat(one != other, len(self.group))
        row, column = np.concatenate([row, column[twice]]), np.concatenate([column, row[twice]])
        source = np.concatenate([source, source[twice]])
        ahead = np.where((row >= 0) & (column >= 0), self.group[column] - self.group[row], -1)
        known = ahead >= 0
        row, column, ahead = row[known], column[known], ahead[known]
        shape = (2, self.groups, self.width, self.width)
        block = np.ravel_multi_index((ahead, self.group[row], self.slot[row], self.slot[column]), shape)
        return _Sums(block, source[known], int(np.prod(shape)))

    def solve(
        self, misfits: Sequence[Misfits], weight: np.ndarray, size: np.ndarray, evidence: Optional[Evidence] = None
    ) -> tuple[np.ndarray, np.ndarray]:
        """Return the step (L, m) of all weights from ``weight`` on, and their covariances (L, m, m).

        ``size`` (m,) is the prior variance of the weights.
        """
        nodes, m = self.shapes.shape
        one, other = COUPLES
        pull = np.sum([(c.pull * c.parts).reshape(-1, nodes) for c in misfits], axis=0)
        coupled = np.sum([(c.weight * c.parts[one] * c.parts[other]).reshape(-1, nodes) for c in misfits], axis=0)
        squares = (self.shapes[:, :, None] * self.shapes[:, None, :]).reshape(nodes, -1)
        blocks = self.to_block.of(coupled @ squares).reshape(2, self.groups, self.width, self.width, m, m)
        slots = np.arange(self.width)
        blocks[0, :, slots, slots] += np.eye(m) / size
        if evidence is not None:
            blocks[0, self.group, self.slot, self.slot] += evidence.information
        own, beyond = blocks.transpose(0, 1, 2, 4, 3, 5).reshape(2, self.groups, self.width * m, -1)
        right = np.zeros((self.groups, self.width, m))
        right[self.group, self.slot] = -self.to_line.of(pull @ self.shapes) - weight / size
        if evidence is not None:
            right[self.group, self.slot] += evidence.pull - _times(evidence.information, weight - evidence.weight)
        found, inverse = _solve_chain(own, beyond, right.reshape(self.groups, -1))
        inverse = inverse.reshape(self.groups, self.width, m, self.width, m)[:, slots, :, slots]
        return found.reshape(right.shape)[self.group, self.slot], inverse[self.slot, self.group]


def _times(matrices: np.ndarray, vectors: np.ndarray) -> np.ndarray:
    """Return (L, m) the products of matrices (L, m, m) with vectors (L, m)."""
    return np.einsum("lij,lj->li", matrices, vectors)


class _Sums:
    """Adds up rows ``source`` (n,) of an array into rows ``into`` (n,) of another one with ``count`` rows."""

    def __init__(self, into: np.ndarray, source: np.ndarray, count: int) -> None:
        order = np.argsort(into, kind="stable")
        self.source, into, self.count = source[order], into[order], count
        self.starts = np.flatnonzero(np.append(True, into[1:] != into[:-1]))
        self.rows = into[self.starts]

    def of(self, values: np.ndarray) -> np.ndarray:
        """Return the sums (count, V) of values (N, V)."""
        total = np.zeros((self.count, values.shape[1]))
        total[self.rows] = np.add.reduceat(values[self.source], self.starts, axis=0)
        return total


def _solve_chain(own: np.ndarray, beyond: np.ndarray, right: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Solve a symmetric block-tridiagonal system; return the solution (G, K) and the inverse's blocks (G, K, K).

    ``own`` (G, K, K) lie on the diagonal, ``beyond`` (G, K, K) above it (the last one is not used).
    """
    inverse, gain, found = np.empty_like(own), np.empty_like(own), np.empty_like(right)
    for g in range(len(own)):
        block, known = own[g], right[g]
        if g:
            block = block - beyond[g - 1].T @ gain[g - 1]
            known = known - beyond[g - 1].T @ found[g - 1]
        inverse[g] = inverse_symmetric(block)
        gain[g] = inverse[g] @ beyond[g]
        found[g] = inverse[g] @ known
    for g in range(len(own) - 2, -1, -1):
        found[g] -= gain[g] @ found[g + 1]
        inverse[g] += gain[g] @ inverse[g + 1] @ gain[g].T
    return found, inverse
