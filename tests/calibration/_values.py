"""Constants that were set by trial: each with other values, judged on simulated data, and printed with its spread."""

from __future__ import annotations

import importlib.util
import sys
from contextlib import contextmanager
from pathlib import Path
from types import ModuleType
from typing import Callable, Iterable, Iterator, NamedTuple, Sequence

import numpy as np

TESTS = Path(__file__).resolve().parents[1]


def register_plugin() -> None:
    """Register the checkout as the package ``turnrow``, as the tests do."""
    name = "turnrow_tests_conftest"
    if name not in sys.modules:
        spec = importlib.util.spec_from_file_location(name, TESTS / "conftest.py")
        sys.modules[name] = importlib.util.module_from_spec(spec)
        spec.loader.exec_module(sys.modules[name])


class Trial(NamedTuple):
    """A constant, the modules that hold it (the one that states it first), and other values for it."""

    name: str
    modules: tuple[ModuleType, ...]
    others: tuple


@contextmanager
def changed(modules: Iterable[ModuleType], name: str, value: object) -> Iterator[None]:
    """Give a constant another value for a while."""
    before = [(module, getattr(module, name)) for module in modules]
    for module, _ in before:
        setattr(module, name, value)
    try:
        yield
    finally:
        for module, old in before:
            setattr(module, name, old)


def judge(trials: Sequence[Trial], cases: Sequence, score: Callable[[object], float], what: str) -> None:
    """Print, for each constant, scores of other values less that of the one in the code, and which are as good.

    ``score`` of a case is the better the lower it is. A value is as good as the best one when it is no worse than that
    by two standard errors over the cases: these values are the spread of the constant.
    """
    print(f"\n{what}, lower is better, {len(cases)} cases; less that of the value in the code")
    now = np.array([score(case) for case in cases])
    print(f"  as in the code: {now.mean():.4f}")
    for name, modules, others in trials:
        own = getattr(modules[0], name)
        found = {own: np.zeros(len(cases))}
        for value in others:
            with changed(modules, name, value):
                found[value] = np.array([score(case) for case in cases]) - now
        best = min(found, key=lambda value: found[value].mean())
        good = [value for value, off in found.items() if _no_worse(off - found[best])]
        rows = [
            f"{value}: {off.mean():+.4f} +- {off.std(ddof=1) / np.sqrt(len(off)):.4f}"
            for value, off in sorted(found.items(), key=lambda item: str(item[0]))
            if value != own
        ]
        print(f"  {name} = {own}; as good as the best: {', '.join(sorted(map(str, good)))}\n    {'; '.join(rows)}")


def _no_worse(off: np.ndarray) -> bool:
    return off.mean() <= 2 * off.std(ddof=1) / np.sqrt(len(off))


def log_score(error: np.ndarray, standard_error: np.ndarray) -> float:
    """Return the mean of log v + e^2 / v: the logarithmic score of normal errors e with the variance v.

    Gneiting and Raftery 2007, doi 10.1198/016214506000001437.
    """
    variance = np.square(standard_error)
    return float(np.nanmean(np.log(variance) + np.square(error) / variance))


def count_and_seed(default: int) -> tuple[int, int]:
    """Return the arguments COUNT and SEED of the script."""
    given = [int(word) for word in sys.argv[1:]]
    return (given[0] if given else default), (given[1] if len(given) > 1 else 4000)
