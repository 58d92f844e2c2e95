"""Constants of scattered points that were set by trial: ``python tests/calibration/scattered.py [COUNT] [SEED]``.

On COUNT simulated grids of 15 to 20 m, with other values for each constant: those of the standard error of minimum
curvature by the logarithmic score of values and standard errors, on noise alone and on sites with missing lines; the
neighbours of kriging by the standard error above that of all readings; the choice of a variogram by how often it finds
the model that made the field; noise from pairs by its error. Then settings of the computation: how many steps surfaces
take, and by how much values change, in noise, with more rounds. Takes about 3 minutes.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from _values import Trial, changed, count_and_seed, judge, log_score, register_plugin

register_plugin()

from turnrow.processing_provider.engine.core import Readings, noise  # noqa: E402
from turnrow.processing_provider.engine.geometry import Lattice  # noqa: E402
from turnrow.processing_provider.engine.scattered import (  # noqa: E402
    interpolate_scattered,
    kriging,
    minimum_curvature,
    minimum_curvature_blocks,
    minimum_curvature_error,
    multigrid,
    variogram_selection,
)
from turnrow.processing_provider.engine.scattered.variogram import Variogram  # noqa: E402
from turnrow.sample_project.simulator import walks as walk  # noqa: E402

SIZE_M, COUNT = 20.0, 16
ON_NOISE = (
    Trial("OWN_NOISE", (minimum_curvature_error,), (0.3, 0.45, 0.65, 0.8)),
    Trial("POOLED_AREA", (minimum_curvature_error,), (1.0, 2.0, 3.0, 6.0, 8.0)),
    Trial("POOLED_ALONG", (minimum_curvature_error,), (0.8, 1.2, 2.2, 3.2)),
)
ON_SITES = (
    Trial("POOL_SPACINGS", (minimum_curvature_blocks,), (1.0, 1.5, 3.0, 4.0, 8.0)),
    Trial("OVERALL_WEIGHT", (minimum_curvature_error,), (0.01, 0.03, 0.2, 0.3, 1.0)),
)
OF_PAIRS = (Trial("PAIRS", (noise,), (2, 4, 9, 12, 20)),)
OF_THE_CHOICE = (
    Trial("TESTS", (variogram_selection,), (100, 800)),
    Trial("BOX_SPACINGS", (variogram_selection,), (3.0, 12.0)),
)


class Case(NamedTuple):
    """Readings, the field that they were taken from, and their noise."""

    readings: Readings
    field: walk.Field
    noise: float


def level_walk(seed: int) -> Case:
    """Return noise alone on lines, whose positions in the cells differ from walk to walk."""
    rng = np.random.default_rng(seed)
    field, spacing = walk.Field(SIZE_M), (0.5, 1.0)[seed % 2]
    readings = walk.walk(field, rng, walk.Faults(noise=0.3), spacing=spacing).readings
    return Case(readings.replace(x=readings.x + rng.uniform(0, 0.25)), field, 0.3)


def site_walk(seed: int) -> Case:
    """Return a walk over a site with lines missing."""
    rng = np.random.default_rng(seed)
    field, sd = (walk.site, walk.geology)[seed % 2](SIZE_M, rng), (0.05, 0.15)[seed // 2 % 2]
    readings = walk.walk(field, rng, walk.Faults(noise=sd)).readings
    return Case(readings.take(~np.isin(readings.line, np.arange(5, 38, 4))), field, sd)


def mapped(case: Case) -> tuple[np.ndarray, np.ndarray]:
    """Return errors and standard errors of a minimum-curvature map away from its edges."""
    lattice = Lattice.covering(0.0, 0.0, SIZE_M, SIZE_M, 0.25)
    values, errors, _ = interpolate_scattered(case.readings, "eca", lattice)
    x, y = np.meshgrid(lattice.x, lattice.y)
    inner = slice(6, -6), slice(6, -6)
    return (values.whole() - case.field.at(x, y))[inner], errors.whole()[inner]


def score(case: Case) -> float:
    """Return the logarithmic score of a minimum-curvature map."""
    return log_score(*mapped(case))


def error_of_noise(seed: int) -> float:
    """Return the squared error of the logarithm of the noise of scattered points on sloping ground."""
    rng = np.random.default_rng(seed)
    points = rng.uniform(0.0, 20.0, (900, 2))
    values = 2 * np.sin(points[:, 0] / 2.5) * np.cos(points[:, 1] / 3) + 0.1 * rng.normal(size=900)
    return float(np.log(max(noise.noise_of_pairs(points, values), 1e-3) / 0.1) ** 2)


def wrong_model(case: tuple[str, np.ndarray]) -> float:
    """Return 1 where another model is chosen than the one that made the field, else 0."""
    model, (x, y, z) = case
    return float(variogram_selection.choose_variogram(x, y, z).model != model)


def field_of_model(seed: int) -> tuple[str, np.ndarray]:
    """Return a model and x, y and values of a field that has it, with a nugget, on lines a metre from each other."""
    rng, model = np.random.default_rng(seed), ("spherical", "exponential", "gaussian")[seed % 3]
    x, y = (a.ravel() for a in np.meshgrid(np.arange(0.5, 20.0), np.arange(0.25, 20.0, 0.5), indexing="ij"))
    variogram = Variogram(model, 0.05, 1.0, 6.0)
    distance = np.hypot(x[:, None] - x, y[:, None] - y)
    covariance = variogram.psill * variogram.correlation(distance) + variogram.nugget * np.eye(len(x))
    return model, np.stack([x, y, np.linalg.cholesky(covariance) @ rng.normal(size=len(x))])


def print_neighbours(count: int, seed: int) -> None:
    """Print by how much the standard error of kriging exceeds that of all readings."""
    x, y = (a.ravel() for a in np.meshgrid(np.arange(0.5, 15.0), np.arange(0.06, 10.0, 0.12), indexing="ij"))
    x0, y0 = np.random.default_rng(seed).uniform(3.0, 7.0, (2, 10 * count))
    print(f"\nStandard error of kriging above that of all {len(x)} readings, {len(x0)} positions: mean +- spread, in %")
    for model in ("spherical", "exponential", "gaussian"):
        given = (x, y, np.zeros(len(x)), x0, y0, Variogram(model, 0.05, 1.0, 4.0))
        best = kriging.ordinary_kriging(*given, nugget_is_noise=True, neighbours=len(x))[1]
        row = []
        for number in (10, 20, 40, 80):
            found = kriging.ordinary_kriging(*given, nugget_is_noise=True, neighbours=number)[1]
            more = 100 * (np.sqrt(found / best) - 1)
            row.append(f"{number}: {more.mean():.2f} +- {more.std():.2f}")
        print(f"  NEIGHBOURS = {kriging.NEIGHBOURS}, {model}: {'; '.join(row)}")


def steps_of(case: Case) -> list[int]:
    """Return the steps of conjugate gradients of each surface that a map takes."""
    steps, own = [], multigrid.Preconditioner.__call__

    def counted(self: multigrid.Preconditioner, force: np.ndarray) -> np.ndarray:
        self.steps = getattr(self, "steps", -1) + 1
        if self.steps == 0:
            steps.append(0)
        steps[-1] = self.steps
        return own(self, force)

    multigrid.Preconditioner.__call__ = counted
    try:
        mapped(case)
    finally:
        multigrid.Preconditioner.__call__ = own
    return steps


def print_computation(cases: list[Case]) -> None:
    """Print steps of conjugate gradients, and how values change with more rounds."""
    print(f"\nSteps of conjugate gradients a map, mean +- spread over {len(cases)} maps; most of one surface")
    for name, values in (("HELD_STIFFNESS", (1.0, 5.0, 10.0, 20.0, 100.0)), ("COARSEST", (4, 8, 16, 32))):
        row, own = [], getattr(multigrid, name)
        for value in values:
            with changed((multigrid,), name, value):
                steps = [steps_of(case) for case in cases]
            total = [sum(one) for one in steps]
            row.append(f"{value}: {np.mean(total):.0f} +- {np.std(total):.0f}; {max(map(max, steps))}")
        print(f"  {name} = {own} (MOST_STEPS = {multigrid.MOST_STEPS}): {', '.join(row)}")
    print("Root mean square change of values with more rounds, by the noise: mean +- spread")
    for module, name, other in ((minimum_curvature, "ROUNDS", 24),):
        before = [mapped(case)[0] for case in cases]
        with changed((module,), name, other):
            after = [mapped(case)[0] for case in cases]
        change = [np.sqrt(np.nanmean((a - b) ** 2)) / case.noise for a, b, case in zip(after, before, cases)]
        print(f"  {name} = {getattr(module, name)}, with {other}: {np.mean(change):.1e} +- {np.std(change):.1e}")


def print_fits(count: int, seed: int) -> None:
    """Print by how much noise from pairs changes with four times as many fits."""
    found = []
    for number in (noise.MOST_FITS, 4 * noise.MOST_FITS):
        with changed((noise,), "MOST_FITS", number):
            found.append(np.sqrt([error_of_noise(seed + k) for k in range(count)]))
    off = np.abs(found[1] - found[0])
    print(
        f"  MOST_FITS = {noise.MOST_FITS}: four times as many change the noise by {off.mean():.1e} +- {off.std():.1e}"
    )


def main() -> None:
    """Judge all constants."""
    count, seed = count_and_seed(COUNT)
    seeds = range(seed, seed + count)
    sites = [site_walk(one) for one in seeds]
    judge(ON_NOISE, [level_walk(one) for one in seeds], score, "Logarithmic score on noise alone")
    judge(ON_SITES, sites, score, "Logarithmic score on sites")
    judge(OF_PAIRS, range(seed, seed + 8 * count), error_of_noise, "Squared error of log noise from pairs")
    print_fits(count, seed)
    judge(
        OF_THE_CHOICE,
        [field_of_model(one) for one in seeds[: max(2, count // 2)]],
        wrong_model,
        "Fraction of wrong variogram models",
    )
    print_neighbours(count, seed)
    print_computation(sites[:4])


if __name__ == "__main__":
    main()
