"""Tries values of a constant on simulated surveys and prints which are best, and how much that is worth."""

from __future__ import annotations

import sys
from types import ModuleType
from typing import Callable, Sequence

import numpy as np
from _values import changed


def count_and_seed(count: int, seed: int) -> tuple[int, int]:
    """Return the arguments ``COUNT SEED`` of the command line, or those of the script."""
    given = [int(text) for text in sys.argv[1:3]]
    return (*given, count, seed)[0], (*given[1:], seed)[0]


def scores(
    modules: Sequence[ModuleType], name: str, values: Sequence[object], score: Callable[[object], float],
    surveys: Sequence[object],
) -> np.ndarray:  # fmt: skip
    """Return the score (values, surveys) of each value of a constant on each survey."""
    found = []
    for value in values:
        with changed(modules, name, value):
            found.append([score(survey) for survey in surveys])
    return np.array(found)


def print_least(
    modules: Sequence[ModuleType], name: str, values: Sequence[object], score: Callable[[object], float],
    surveys: Sequence[object],
) -> None:  # fmt: skip
    """Print the value with the least mean score, and all that are as good.

    A value is as good where the mean of its differences from the best one, survey by survey, is below two of its
    standard errors or below 1 % of the score.
    """
    found = scores(modules, name, values, score, surveys)
    best = int(np.argmin(found.mean(axis=1)))
    more = found - found[best]
    error = more.std(axis=1, ddof=1) / np.sqrt(len(surveys))
    good = more.mean(axis=1) <= np.maximum(2 * error, 0.01 * found[best].mean())
    now = getattr(modules[0], name)
    ratios = ", ".join(f"{value}: {mean / found[best].mean():.3f}" for value, mean in zip(values, found.mean(axis=1)))
    as_good = ", ".join(str(value) for value, is_good in zip(values, good) if is_good)
    said = "" if good[list(values).index(now)] else "  <- THE CONSTANT IS NOT AMONG THEM"
    print(f"{name} = {now}: best {values[best]}, as good {as_good}{said}\n    error by value: {ratios}")


def print_root(
    modules: Sequence[ModuleType], name: str, values: Sequence[float], ratio: Callable[[object], float],
    surveys: Sequence[object],
) -> None:  # fmt: skip
    """Print the value at which a ratio is 1, mean and standard deviation over the surveys (straight between values)."""
    found = np.log(scores(modules, name, values, ratio, surveys))
    roots = []
    for curve in found.T:
        order = np.argsort(curve)
        roots.append(np.interp(0.0, curve[order], np.array(values, float)[order]))
    mean, spread = np.mean(roots), np.std(roots, ddof=1)
    now = getattr(modules[0], name)
    means = ", ".join(f"{value}: {np.exp(one):.3f}" for value, one in zip(values, found.mean(axis=1)))
    print(f"{name} = {now}: {mean:.2f} +- {spread:.2f} a survey, mean +- {spread / np.sqrt(len(roots)):.2f}")
    print(f"    ratio by value: {means}")
