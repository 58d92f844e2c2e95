"""The normal equations of how all lines of a grid were walked, each held against its neighbours."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Optional, Sequence

import numpy as np

GROUP = 4
"""Places whose lines are solved together, two at least; a few large blocks are quicker than many small ones."""
COUPLES = np.triu_indices(3)
"""Every two of the three lines that a misfit follows."""


@dataclass(frozen=True)
class Misfits:
    """Of a channel at L lines and V nodes: precision times slope times misfit, precision times squared slope.

    ``parts`` (3, L, V) tell how a misfit follows the walk of its line and of the lines before and after.
    """

    pull: np.ndarray
    weight: np.ndarray
    parts: np.ndarray


@dataclass(frozen=True)
class Told:
    """What else is known of the walks of L lines: about weights (L, m), pulls (L, m) and information (L, m, m)."""

    weight: np.ndarray
    pull: np.ndarray
    information: np.ndarray

    @classmethod
    def nothing(cls, weight: np.ndarray) -> Told:
        """Return that nothing is known about these weights."""
        return cls(weight, np.zeros(weight.shape), np.zeros((*weight.shape, weight.shape[1])))

    def with_crossings(self, line, change, rest, variance, level) -> Told:
        """Return what is known with R more observations.

        ``line`` (R,) tells of which line, ``change`` (R, m) how they follow its weights, ``rest`` and ``variance`` (R,)
        what is left of them; ``level`` (L,) is the variance of a number that all observations of a line share.
        """
        lines, m = self.pull.shape
        sure = change / variance[:, None]
        sums = np.zeros((lines, m * m + 2 * m + 1))
        columns = [(sure[:, :, None] * change[:, None]).reshape(-1, m * m), sure * rest[:, None], sure]
        np.add.at(sums, line, np.column_stack([*columns, 1.0 / variance]))
        square, pull, shared, total = np.split(sums, [m * m, m * m + m, m * m + 2 * m], axis=1)
        shared = shared / np.sqrt(1.0 / np.maximum(level, 1e-30)[:, None] + total + 1e-30)
        information = square.reshape(lines, m, m) - shared[:, :, None] * shared[:, None]
        return Told(self.weight, self.pull + pull, self.information + information)


class Blocks:
    """Normal equations of all lines, block-tridiagonal: ``GROUP`` places a group, for a misfit reaches one place away.

    Blocks (m, m) of a group's lines with each other and with those of the next group are told by weights (V,) of the
    nodes. Groups with fewer than W lines are filled up with lines of which only the prior is known.

    Parameters
    ----------
    place : (L,) int
        Place of each line, ascending; recordings of one line share it.
    beside : (2, L) int
        Which line lies before and after each, -1 = none.
    shapes : (V, m) float
        Shapes of a walk.
    """

    def __init__(self, place: np.ndarray, beside: np.ndarray, shapes: np.ndarray):
        self.shapes = shapes
        self.group = place // GROUP
        first = np.searchsorted(self.group, np.arange(self.group[-1] + 1))
        self.slot = np.arange(len(self.group)) - first[self.group]
        self.groups, self.width = len(first), int(self.slot.max()) + 1
        lines = np.stack([np.arange(len(self.group)), *beside])
        there = np.flatnonzero(lines.ravel() >= 0)
        self.to_line = _Sums(lines.ravel()[there], there, len(self.group))
        self.to_block = self._block_sums(lines)

    def _block_sums(self, lines: np.ndarray) -> _Sums:
        """Return what adds up the products of parts (6 L) to blocks: (2, G, W, W) of them.

        What lies below the diagonal groups is told by what lies above.
        """
        one, other = COUPLES
        row, column, source = lines[one].ravel(), lines[other].ravel(), np.arange(lines[one].size)
        twice = np.repeat(one != other, len(self.group))
        row, column = np.concatenate([row, column[twice]]), np.concatenate([column, row[twice]])
        source = np.concatenate([source, source[twice]])
        ahead = np.where((row >= 0) & (column >= 0), self.group[column] - self.group[row], -1)
        told = ahead >= 0
        row, column, ahead = row[told], column[told], ahead[told]
        shape = (2, self.groups, self.width, self.width)
        block = np.ravel_multi_index((ahead, self.group[row], self.slot[row], self.slot[column]), shape)
        return _Sums(block, source[told], int(np.prod(shape)))

    def solve(
        self, misfits: Sequence[Misfits], weight: np.ndarray, size: np.ndarray, told: Optional[Told] = None
    ) -> tuple[np.ndarray, np.ndarray]:
        """Return (L, m) the step of all walks from ``weight`` on, and (L, m, m) their covariances.

        ``size`` (m,) is the variance of the weights before anything is observed.
        """
        nodes, m = self.shapes.shape
        one, other = COUPLES
        pull = sum((c.pull * c.parts).reshape(-1, nodes) for c in misfits)
        coupled = sum((c.weight * c.parts[one] * c.parts[other]).reshape(-1, nodes) for c in misfits)
        squares = (self.shapes[:, :, None] * self.shapes[:, None, :]).reshape(nodes, -1)
        blocks = self.to_block.of(coupled @ squares).reshape(2, self.groups, self.width, self.width, m, m)
        slots = np.arange(self.width)
        blocks[0, :, slots, slots] += np.eye(m) / size
        if told is not None:
            blocks[0, self.group, self.slot, self.slot] += told.information
        own, beyond = blocks.transpose(0, 1, 2, 4, 3, 5).reshape(2, self.groups, self.width * m, -1)
        right = np.zeros((self.groups, self.width, m))
        right[self.group, self.slot] = -self.to_line.of(pull @ self.shapes) - weight / size
        if told is not None:
            right[self.group, self.slot] += told.pull - _times(told.information, weight - told.weight)
        found, inverse = _solve_chain(own, beyond, right.reshape(self.groups, -1))
        inverse = inverse.reshape(self.groups, self.width, m, self.width, m)[:, slots, :, slots]
        return found.reshape(right.shape)[self.group, self.slot], inverse[self.slot, self.group]


def _times(matrices: np.ndarray, vectors: np.ndarray) -> np.ndarray:
    """Return (L, m) the products of matrices (L, m, m) with vectors (L, m)."""
    return np.einsum("lij,lj->li", matrices, vectors)


class _Sums:
    """Adds up rows ``source`` (n,) of an array into rows ``into`` (n,) of another one with ``count`` rows."""

    def __init__(self, into: np.ndarray, source: np.ndarray, count: int):
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

    ``own`` (G, K, K) lie on the diagonal, ``beyond`` (G, K, K) above it (the last one counts for nothing).
    """
    inverse, gain, found = np.empty_like(own), np.empty_like(own), np.empty_like(right)
    for g in range(len(own)):
        block, rest = own[g], right[g]
        if g:
            block = block - beyond[g - 1].T @ gain[g - 1]
            rest = rest - beyond[g - 1].T @ found[g - 1]
        inverse[g] = np.linalg.inv(block)
        gain[g] = inverse[g] @ beyond[g]
        found[g] = inverse[g] @ rest
    for g in range(len(own) - 2, -1, -1):
        found[g] -= gain[g] @ found[g + 1]
        inverse[g] += gain[g] @ inverse[g + 1] @ gain[g].T
    return found, inverse
