"""Constants of the search for recording mistakes, found again on simulated sites.

    python tests/calibration/mistakes.py [sites] [seed] [part ...]

Parts: ``margins``, ``powers``, ``temper``, ``residuals``, ``shapes``, ``stationary``, ``fits``; all when none is given.
Each prints the constant as it is, what the sites say, and the spread over sites drawn with replacement (half of the
distance between the 16 and 84 % quantiles). Sites and walks are those of ``tests/benchmarks/doubts.py``.
"""

from __future__ import annotations

import sys
from functools import partial
from pathlib import Path
from typing import Callable, Iterator, NamedTuple, Sequence

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "benchmarks"))
import _measure  # noqa: E402, F401 (registers the package)
import _other_walks  # noqa: E402
import doubts as sites_of  # noqa: E402
from turnrow.processing_provider.engine.mistakes import (  # noqa: E402
    line_weights,
    lost_by_clock,
    lost_by_neighbours,
    neighbour_fit,
    order,
    order_likelihood,
    posterior,
    skipped_line,
    spacing_by_shape,
    stationary,
)
from turnrow.processing_provider.engine.mistakes.context import GridContext, aligned_alone, context_of  # noqa: E402
from turnrow.processing_provider.engine.mistakes.order_likelihood import OrderLikelihood  # noqa: E402

DRAWS = 200


class Search(NamedTuple):
    """What is known of a simulated grid: the context, all its lines, and their likelihoods as logged and as aligned."""

    grid: GridContext
    index: np.ndarray
    logged: OrderLikelihood
    aligned: OrderLikelihood


class Case(NamedTuple):
    """Terms (n,) of the log likelihood ratio of a mistake at each line, and at which it truly is; -1 for none."""

    terms: tuple[np.ndarray, ...]
    truth: int


def context_by_itself(readings, scheme) -> GridContext:
    """Return what the checks of one grid have in common, aligned by what it shows itself."""
    return context_of(readings, scheme, ("eca",), aligned_alone(readings, ("eca",)))


def search_of(readings, scheme) -> Search:
    """Return the likelihoods of all lines of a grid."""
    grid = context_by_itself(readings, scheme)
    index, size = np.arange(len(grid.lines)), (grid.lines.step_m, scheme.spacing_m, neighbour_fit.COARSE_M)
    likelihoods = (OrderLikelihood(m, grid.position, *size) for m in (grid.matrix, grid.walked))
    return Search(grid, index, *likelihoods)


def clean(count: int, seed: int) -> Iterator[Search]:
    """Yield grids without any mistake."""
    for number in range(count):
        yield search_of(*sites_of.walked(seed + number))


def spread_of(values: np.ndarray) -> float:
    """Return half of the distance between the 16 and 84 % quantiles."""
    low, high = np.quantile(values, [0.16, 0.84])
    return float(high - low) / 2


def report(name: str, now: object, values: Sequence[float], of: Callable = np.median, note: str = "") -> None:
    """Print a constant and what ``of`` the sites' values is, with its spread over draws of the sites."""
    values = np.asarray(values, float)
    values = values[np.isfinite(values)]
    draws = np.random.default_rng(1).integers(0, len(values), (DRAWS, len(values)))
    spread = spread_of(np.array([of(values[draw]) for draw in draws]))
    print(f"{name:16s} is {now!s:>12s}, found {of(values):8.3g} +- {spread:.2g}  {note}", flush=True)


def margins(count: int, seed: int) -> None:
    """What chance gains on clean grids beyond log(M / ALARM), and what true exchanges gain by the fast estimate.

    Every second grid is of ground and walks drawn by other rules, for the margins are for what the model leaves out.
    """
    near, far, again, foreign, screens = [], [], [], [], []
    for number in range(count):
        walked = sites_of.walked(seed + number)
        if number % 2:
            readings, size = _other_walks.readings_of(seed + number, sites_of.SPACING, sites_of.RATE)
            walked = readings, sites_of.scheme_of(size)
        search = search_of(*walked)
        logged, n = search.logged, len(search.index)
        fast = logged.swap_screen()
        first, second = np.triu_indices(n, 1)
        for found, beside in ((near, second - first == 1), (far, second - first > 1)):
            best = np.argsort(np.where(beside, fast[first, second], -np.inf))[::-1][: order.CLOSELY]
            gains = logged.swaps(list(zip(first[best].tolist(), second[best].tolist())))
            found.append(gains.max() - np.log(np.count_nonzero(beside) / order.ALARM))
        again.append(again_gain(search) - np.log(n**2 / order.ALARM))
        foreign.append(search.aligned.foreign(range(n)).max() - np.log(n / order.ALARM))
        rng = np.random.default_rng(seed + number)
        readings, scheme, lines = sites_of.swapped_apart(seed + number, rng)
        a, b = (line - 1 for line in sorted(lines))
        screens.append(search_of(readings, scheme).logged.swap_screen()[a, b])
    note = "largest excess of chance on clean grids (negative: none); the margin lies above"
    report("NEAR_MARGIN", order.NEAR_MARGIN, near, np.max, note)
    report("FAR_MARGIN", order.FAR_MARGIN, far, np.max, note)
    report("AGAIN_MARGIN", order.AGAIN_MARGIN, again, np.max, note)
    report("FOREIGN_MARGIN", order.FOREIGN_MARGIN, foreign, np.max, note)
    report("SCREEN", order.SCREEN, screens, lambda v: np.median(v) / 10, "a tenth of the median of true exchanges")


def again_gain(search: Search) -> float:
    """Return the largest gain of a line on the ground of one farther off, of those that are looked at closely."""
    n = len(search.index)
    first, second = np.nonzero(np.abs(np.subtract.outer(np.arange(n), np.arange(n))) > 1)
    best = np.argsort(-search.logged.repeat_screen()[first, second])[: order.CLOSELY]
    pairs = list(zip(first[best].tolist(), second[best].tolist()))
    return float((search.logged.repeats(pairs) + search.aligned.repeats(pairs)).max() / 2)


def powers(count: int, seed: int) -> None:
    """Powers of likelihood ratios that give the greatest probability to what is true (logarithmic score)."""
    step = np.arange(0.0, 1.01, 0.1)
    two, three = {}, sites_of.THREE
    for name, spoil, none in (
        ("doubled", sites_of.walked_twice, sites_of.one_beyond),
        ("skipped", sites_of.left_out, sites_of.last_not_walked),
        ("beside", sites_of.walked_again_beside, None),
    ):
        cases = []
        for number in range(count):
            at, how = seed + number, {"ties": three} if none else {}
            readings, scheme, (line,) = spoil(at, np.random.default_rng(at), **how)
            cases.append(_case(name, search_of(readings, scheme), line - 1))
            plain = none(at, **how) if none else sites_of.walked(at)
            cases.append(_case(name, search_of(*plain), -1))
        two[name] = cases
    _best(two["doubled"], {"DOUBLES": (order.DOUBLES, step), "TIES": (posterior.TIES, step)})
    shapes = {"SHAPES": (skipped_line.SHAPES, step), "TIES": (posterior.TIES, step)}
    _best(two["skipped"], shapes, (skipped_line.ODDS, np.array([0.5, 1.0, 1.5, 2.0, 3.0])))
    _best(two["beside"], {"BESIDE_SHAPES": (order.BESIDE_SHAPES, step), "BESIDE_ORDER": (order.BESIDE_ORDER, step)})


def _case(name: str, search: Search, truth: int) -> Case:
    """Return the terms of one kind of mistake in a grid; ``truth`` is the index of the line, -1 for none."""
    grid, n = search.grid, len(search.index)
    ties = grid.farther(search.index, 1.0 if name == "skipped" else -1.0) / posterior.TIES
    if name == "doubled":
        gains, lines = np.full(n, -np.inf), list(range(order.EDGE - 1, n - order.EDGE))
        gains[np.array(lines) + 1] = (search.logged.doubles(lines) + search.aligned.doubles(lines)) / 2
        return Case((gains, ties), truth)
    if name == "skipped":
        gains = np.mean([s.gains("skipped") for s in grid.shapes(search.index)], axis=0)
        gains = np.where(np.isfinite(gains), gains, 0.0)
        gains[0] = -np.inf
        return Case((gains, ties), truth)
    shapes = [
        np.mean([s.gains(places) for s in grid.shapes(search.index)], axis=0) for places in ("on-last", "on-next")
    ]
    lines = np.flatnonzero(np.isfinite(shapes[0])).tolist()
    pairs = [(k - 1, k) for k in lines] + [(k, k - 1) for k in lines]
    repeats = (search.logged.repeats(pairs) + search.aligned.repeats(pairs)) / 2
    return Case((np.concatenate([s[lines] for s in shapes]), repeats), lines.index(truth) if truth in lines else -1)


def _best(cases: Sequence[Case], of: dict, odds: tuple = (1.0, np.array([1.0]))) -> None:
    """Print the powers, and the odds, of the greatest logarithmic score."""
    (_, (_, first)), (_, (_, second)) = of.items()
    scores = np.empty((len(cases), len(first), len(second), len(odds[1])))
    for k, case in enumerate(cases):
        possible = np.isfinite(case.terms[0])
        a, b = (term[possible] for term in case.terms)
        ratio = first[:, None, None] * a + second[:, None] * b - np.log(len(a))
        most = np.maximum(ratio.max(axis=2), 0.0)
        total = np.sum(np.exp(ratio - most[..., None]), axis=2)
        own = ratio[..., np.flatnonzero(possible).tolist().index(case.truth)] if case.truth >= 0 else 0.0
        for j, prior in enumerate(odds[1]):
            true = own + np.log(prior) if case.truth >= 0 else 0.0
            scores[k, ..., j] = true - most - np.log(np.exp(-most) + prior * total)
    axes = (first, second, odds[1])

    def best(draw: np.ndarray) -> list[float]:
        where = np.unravel_index(int(scores[draw].sum(axis=0).argmax()), scores.shape[1:])
        return [float(axis[i]) for axis, i in zip(axes, where)]

    draws = np.random.default_rng(1).integers(0, len(cases), (DRAWS, len(cases)))
    spreads = np.std([best(draw) for draw in draws], axis=0)
    names = [*((name, now) for name, (now, _) in of.items()), ("ODDS", odds[0])]
    for (name, now), value, spread in zip(names, best(np.arange(len(cases))), spreads):
        if name != "ODDS" or len(odds[1]) > 1:
            print(f"{name:16s} is {now!s:>12s}, found {value:8.3g} +- {spread:.2g}  greatest logarithmic score")


def temper(count: int, seed: int) -> None:
    """Power of the likelihood ratios of readings lost in a log without times, by the logarithmic score."""
    tried = np.arange(0.2, 1.21, 0.2)
    cases = []
    for number in range(count):
        for lost in (True, False):
            rng = np.random.default_rng(seed + number)
            made = (
                sites_of.stuttered_without_times(seed + number, rng) if lost else sites_of.stopped_early(seed + number)
            )
            grid = context_by_itself(made[0], made[1])
            lines = [int(np.flatnonzero(grid.lines.line == n)[0]) for n in made[2]] if lost else None
            cases.append((grid, lines))
    scores = np.zeros((len(cases), len(tried)))
    before = lost_by_neighbours.TEMPER, lost_by_neighbours.LEAST_SURE
    lost_by_neighbours.LEAST_SURE = 0.0
    for j, power in enumerate(tried):
        lost_by_neighbours.TEMPER = power
        for k, (grid, lines) in enumerate(cases):
            found = {s.line: s.certainty for s in lost_by_neighbours.slips_of(grid.readings, grid.matrix, grid.lines,
                                                                             grid.ends)}  # fmt: skip
            if lines:
                scores[k, j] = sum(np.log(np.clip(found.get(line, 0.0), 1e-3, 1.0)) for line in lines)
            else:
                scores[k, j] = np.mean([np.log(np.clip(1 - c, 1e-3, 1.0)) for c in found.values()] or [0.0])
    lost_by_neighbours.TEMPER, lost_by_neighbours.LEAST_SURE = before
    best = partial(_best_value, scores, tried)
    report("TEMPER", before[0], np.arange(len(cases)), best, "greatest logarithmic score")


def residuals(count: int, seed: int) -> None:
    """Residuals of lines predicted from their neighbours: tails, length over which they are alike, kernels."""
    from scipy.stats import t as student

    tails, lengths, kernels, wander, reach = [], [], [], [], []
    for search in clean(count, seed):
        logged = search.logged
        rows = search.index
        error, variance, squares = logged._residuals([(logged.position, rows)])
        spread = logged._spread(rows, variance, squares)
        free, _ = logged._without_wander(error, logged.band, spread)
        own = free / np.sqrt(spread)
        tails.append(student.fit(own[:, ::8].ravel(), floc=0.0)[0])
        lengths.append(_alike_m(own, logged.step_m))
        wander.append(_alike_m(np.gradient(error - free, axis=1), logged.step_m))
        kernels.append(logged.kernel)
        weights = line_weights.weights_of_all(logged.position, logged.kernel)
        away = np.abs(logged.position[:, None] - logged.position)
        reach.append(np.sum((weights**2)[away > line_weights.REACH]) / np.sum(weights**2))
    report("TAIL", order_likelihood.TAIL, tails, note="degrees of freedom of Student's t, maximum likelihood")
    report("INDEPENDENT_M", order_likelihood.INDEPENDENT_M, lengths, note="integral of the autocorrelation, both ways")
    report("REACH", line_weights.REACH, reach, np.max, "fraction of the squared weights that lies beyond it")
    names = ("RANGES", "NUGGETS", "FAR_FRACTIONS")
    for k, name in enumerate(names):
        values, times = np.unique([kernel[k] for kernel in kernels], return_counts=True)
        chosen = ", ".join(f"{v:g}: {n}" for v, n in zip(values, times))
        report(name, getattr(line_weights, name), [kernel[k] for kernel in kernels], note=f"chosen {chosen}")


def _alike_m(values: np.ndarray, step_m: float) -> float:
    """Return the length over which values on lines are alike: the integral of their autocorrelation, both ways."""
    wave = np.abs(np.fft.rfft(values - values.mean(axis=1, keepdims=True), 2 * values.shape[1], axis=1)) ** 2
    product = np.fft.irfft(wave.sum(axis=0))[: values.shape[1]]
    alike = product / product[0] * values.shape[1] / (values.shape[1] - np.arange(values.shape[1]))
    end = int(np.argmax(alike <= 0.0)) or len(alike)
    return float((2 * np.sum(alike[:end]) - 1) * step_m)


def shapes(count: int, seed: int) -> None:
    """Constants of the mixture of shapes by the logarithmic score of lines left out, all else as it is."""
    tried = {"UNEVEN": (0.05, 0.1, 0.15, 0.25, 0.4), "NOISE": (1.0, 1.3, 2.0), "MOST": (1.0, 2.0, 4.0, 8.0),
             "LEVELS": (3, 5, 8), "RANK": (20, 40, 60), "LEARN": (2, 8, 20), "LEAST_COUNT": (0.1, 0.5, 2.0),
             "TILE_M": (1.5, 2.5, 3.5), "STEP_M": (0.25, 0.5)}  # fmt: skip
    made = [sites_of.left_out(at, np.random.default_rng(at)) for at in range(seed, seed + count)]
    made += [(*sites_of.last_not_walked(at), {0}) for at in range(seed, seed + count)]
    cases = [(context_by_itself(readings, scheme), min(lines) - 1) for readings, scheme, lines in made]
    for name, values in tried.items():
        now, scores = getattr(spacing_by_shape, name), np.empty((len(cases), len(values)))
        for j, value in enumerate(values):
            setattr(spacing_by_shape, name, value)
            spacing_by_shape._shapes.cache_clear()
            scores[:, j] = [_score_of_shapes(grid, truth) for grid, truth in cases]
        setattr(spacing_by_shape, name, now)
        spacing_by_shape._shapes.cache_clear()
        note = "mean score: " + ", ".join(f"{v:g}: {g:.3f}" for v, g in zip(values, scores.mean(axis=0)))
        best = partial(_best_value, scores, values)
        report(name, now, np.arange(len(cases)), best, note)


def _best_value(scores: np.ndarray, values: Sequence[float], cases: np.ndarray) -> float:
    """Return which of the values has the greatest mean score (cases, values) over some cases."""
    return values[int(scores[cases.astype(int)].mean(axis=0).argmax())]


def _score_of_shapes(grid: GridContext, truth: int) -> float:
    """Return the log probability of what is true, by shapes alone; ``truth`` is -1 where no line was left out."""
    size = grid.lines.step_m, grid.scheme.spacing_m
    both = (grid.matrix, spacing_by_shape.LOGGED_M), (grid.walked, spacing_by_shape.ALIGNED_M)
    gains = [spacing_by_shape.ShapeEvidence(m, grid.position, *size, unsure).gains("skipped") for m, unsure in both]
    mean = np.mean(gains, axis=0)
    ratio = skipped_line.SHAPES * np.where(np.isfinite(mean), mean, 0.0)[1:]
    weights = skipped_line.ODDS * np.exp(ratio) / len(ratio)
    own = weights[truth - 1] if truth > 0 else 1.0
    return float(np.log(own / (1.0 + weights.sum())))


def still(count: int, seed: int) -> None:
    """What lines change by, those read on one spot and the others, in noise and in each other."""
    own, others, times, typical = [], [], [], []
    for number in range(count):
        readings, scheme, (line,) = sites_of.stood_still(seed + number, np.random.default_rng(seed + number))
        grid = context_by_itself(readings, scheme)
        every = max(1, round(stationary.WINDOW_M / grid.lines.step_m))
        spread = np.array([stationary._spread(row, every) for row in grid.matrix])
        noise = stationary.noise_of_lines(grid.matrix) * np.sqrt(min(1.0, grid.lines.step_m / stationary.WINDOW_M))
        i = int(np.flatnonzero(grid.lines.line == line)[0])
        rest = np.delete(spread, i)
        around = rest[max(0, i - stationary.BESIDE) : i + stationary.BESIDE].min()
        own.append(spread[i] / noise)
        others.append(around / noise)
        times.append(around / spread[i])
        typical.append(around / np.median(spread))
    report("NOISY", stationary.NOISY, own, np.max, "largest of a line read on one spot, in noise")
    low = "2 % quantile around such lines"
    report("SIGNAL", stationary.SIGNAL, others, lambda v: np.quantile(v, 0.02), low + ", in noise")
    report("TIMES", stationary.TIMES, times, lambda v: np.quantile(v, 0.02), low + ", in those of the line")
    report("TYPICAL", stationary.TYPICAL, typical, lambda v: np.quantile(v, 0.02), low + ", in the median of all lines")


def fits(count: int, seed: int) -> None:
    """Where lines of clean grids fit their neighbours best, how far readings are alike, how ends scatter."""
    moves, alike, worse, ends = [], [], [], []
    for search in clean(count, seed):
        grid = search.grid
        fit = grid.fit()
        best = fit.correlation[0][:, fit.near]
        moves.append(np.quantile(np.abs(fit.move_m[fit.near][best.argmax(axis=1)]), 0.95))
        alike.append(_alike_m(neighbour_fit.band_pass(grid.matrix, grid.lines.step_m, 0.5), grid.lines.step_m))
        z = np.arctanh(np.clip(best.max(axis=1), -0.999, 0.999)) * np.sqrt(fit.count - 3)
        around = [np.median(np.delete(z, i)[max(0, i - neighbour_fit.AROUND) : i + neighbour_fit.AROUND])
                  for i in range(len(z))]  # fmt: skip
        worse.append(np.quantile(around - z, 0.84))
        ends.append(np.median(grid.ends.spread))
    report("NEAR_M", neighbour_fit.NEAR_M, moves, np.max, "95 % of the lines of a grid fit best nearer than this")
    report("FEATURE_M", neighbour_fit.FEATURE_M, alike, note="integral of the autocorrelation of features, both ways")
    report("MISFIT", neighbour_fit.MISFIT, worse, np.max, "84 % of the lines of a grid fit no worse than those around")
    report("SPREAD_READINGS", lost_by_clock.SPREAD_READINGS, ends, np.max, "scatter of where lines end, readings")


PARTS = {"margins": margins, "powers": powers, "temper": temper, "residuals": residuals, "shapes": shapes,
         "stationary": still, "fits": fits}  # fmt: skip


def main(words: Sequence[str]) -> None:
    """Run the parts that are named."""
    numbers = [int(word) for word in words if word.isdigit()]
    count, seed = (*numbers, 20, 4000)[:2] if len(numbers) != 1 else (numbers[0], 4000)
    for name, part in PARTS.items():
        if name in words or not any(word in PARTS for word in words):
            print(f"{name}: {count} sites from {seed} on")
            part(count, seed)


if __name__ == "__main__":
    main(sys.argv[1:])
