"""The recipe: which steps a survey goes through, with every option, so that a run can be repeated."""

from __future__ import annotations

import inspect
import json
from dataclasses import dataclass, field
from typing import Callable, Mapping, Optional, Sequence

from ..align import align_opposing
from ..balance import balance_traverses
from ..core import (
    CARRIED,
    LIMITS,
    PLATFORMS,
    Code,
    Correction,
    Edits,
    EngineError,
    Finding,
    GridStore,
    Progress,
    Record,
    Reset,
    check_choice,
    check_finite,
    check_limits,
    edits_as_json,
    flag_by_hand,
    for_tables,
    parse_edits,
    part_of,
    shown,
)
from ..flag import flag_outliers
from ..interpolate import interpolate_readings
from ..mosaic import balance_grids

FORMAT = 1
"""Form of the file. Derived: counts up when programs that read recipes must know of a change."""


CORRECTIONS: Mapping[str, Correction[..., Record]] = {
    "flagoutliers": flag_outliers,
    "alignopposing": align_opposing,
    "balancetraverses": balance_traverses,
    "balancegrids": balance_grids,
}
WEIGHTS = {"flagoutliers": 1.0, "alignopposing": 4.0, "balancetraverses": 4.0, "balancegrids": 6.0}
"""Parts of the time of the corrections. Derived: measured, as for a survey."""
INTERPOLATION = "interpolatereadings"
LEAST_CERTAINTY = 0.5
"""Derived: nothing less likely than its opposite is taken over."""
BY_PLATFORM = ("alignopposing", "balancetraverses")
"""Corrections that go by how the instrument was moved."""
BY_RESETS = "balancetraverses"
"""The correction that goes by where the instrument was reset."""
NOT_OPTIONS = ("readings", "channels", "channel", "lattice", "halo", "platform", "resets", "progress")


@dataclass(frozen=True)
class Step:
    """One step of a recipe: its id and its options (all of them, defaults included)."""

    step: str
    options: Mapping[str, object] = field(default_factory=dict)


@dataclass(frozen=True)
class Recipe:
    """What a survey is put through.

    Attributes
    ----------
    steps : tuple of Step
        Corrections in order; the interpolation comes last.
    channels : tuple of str
        Empty = all.
    cell_size_m : float or None
        None = half the smallest spacing.
    fit : str
        How frames are fitted to corners.
    target_crs : str
        CRS of the survey as authority and code, or as WKT; empty = as the corners.
    inputs : tuple of dict
        ``path``, ``sha256`` and ``bytes`` of each file that the recipe was written for.
    accept_certainty : float or None
        Possible mistakes about a line are settled by their own proposals from this certainty on, 0.5 to 1;
        None = never.
    edits : Edits
        What a person changed by hand.
    platform : str
        How the instrument was moved: a name of ``PLATFORMS``.
    """

    steps: tuple[Step, ...]
    channels: tuple[str, ...] = ()
    cell_size_m: Optional[float] = None
    fit: str = "similarity"
    target_crs: str = ""
    inputs: tuple[Mapping[str, object], ...] = ()
    accept_certainty: Optional[float] = None
    edits: Edits = field(default_factory=Edits)
    platform: str = CARRIED.name

    @property
    def corrections(self) -> tuple[Step, ...]:
        """The steps that change readings."""
        return tuple(s for s in self.steps if s.step != INTERPOLATION)

    @property
    def interpolation(self) -> Step:
        """The step that makes rasters."""
        return self.steps[-1]


def default_recipe() -> Recipe:
    """Return the recipe for a survey of which nothing special is known."""
    return Recipe(steps=tuple(Step(name, options_of(name)) for name in (*CORRECTIONS, INTERPOLATION)))


def options_of(step: str) -> dict[str, object]:
    """Return the options of a step with their defaults."""
    function: Callable[..., object] = interpolate_readings if step == INTERPOLATION else CORRECTIONS[step]
    parameters = inspect.signature(function).parameters
    return {name: p.default for name, p in parameters.items() if name not in NOT_OPTIONS}


def parse_recipe(text: str, *, where: str = "recipe") -> Recipe:
    """Return the recipe in a JSON text.

    Raises
    ------
    EngineError
        When the text is no recipe, or names a step or an option that is not known.
    """
    try:
        given = json.loads(text)
    except json.JSONDecodeError as error:
        raise EngineError(f"The {where} cannot be read as JSON: line {error.lineno}, {error.msg}.") from None
    except (ValueError, RecursionError) as error:
        what = "too many brackets inside brackets" if isinstance(error, RecursionError) else str(error)
        raise EngineError(f"The {where} cannot be read as JSON: {what}. Use one that a survey left.") from None
    if not isinstance(given, dict) or not isinstance(given.get("steps"), list) or not given["steps"]:
        raise EngineError(f"The {where} has no list of steps. Use a recipe.json that a processed survey left.")
    steps = tuple(_parse_step(item, where) for item in given["steps"])
    names = [s.step for s in steps]
    if names[-1] != INTERPOLATION or INTERPOLATION in names[:-1]:
        raise EngineError(f"The steps of the {where} must end with {INTERPOLATION}, once. Given: {', '.join(names)}.")
    for name in ("channels", "inputs"):
        if not isinstance(given.get(name) or [], list):
            raise EngineError(f"Invalid {name} in the {where}: {shown(given[name])} was given. It must be a list.")
    size, of = given.get("cell_size_m"), f"in the {where}"
    return Recipe(
        steps=steps,
        channels=tuple(given.get("channels") or ()),
        cell_size_m=None if size is None else check_limits("cell_size_m", check_finite(f"cell_size_m {of}", size), of),
        fit=given.get("fit", "similarity"),
        target_crs=given.get("target_crs") or "",
        inputs=tuple(given.get("inputs") or ()),
        accept_certainty=_parse_certainty(given.get("accept_certainty"), where),
        edits=parse_edits(given.get("edits"), where=where),
        platform=check_choice(f"platform in the {where}", given.get("platform", CARRIED.name), tuple(PLATFORMS)),
    )


def _parse_certainty(value: Optional[float], where: str) -> Optional[float]:
    if value is None:
        return None
    number = check_finite(f"accept_certainty in the {where}", value)
    if not LEAST_CERTAINTY <= number <= 1.0:
        raise EngineError(
            f"Invalid accept_certainty in the {where}: {number:g} was given. It must be {LEAST_CERTAINTY:g} to 1, or "
            "null to accept nothing."
        )
    return number


def _parse_step(item: object, where: str) -> Step:
    allowed = (*CORRECTIONS, INTERPOLATION)
    item = item if isinstance(item, dict) else {"step": item}
    name = item.get("step")
    if name not in allowed:
        raise EngineError(f"Invalid step in the {where}: {name!r} was given. It must be one of: {', '.join(allowed)}.")
    options = options_of(name)
    for option, value in (item.get("options") or {}).items():
        if option not in options:
            raise EngineError(
                f"Invalid option of {name} in the {where}: {option!r} was given. "
                f"It must be one of: {', '.join(options) or 'none'}."
            )
        if option in LIMITS and value is not None and not isinstance(value, Mapping):
            value = check_limits(option, check_finite(f"{option} in the {where}", value), f"in the {where}")
        options[option] = value
    return Step(name, options)


def recipe_text(
    recipe: Recipe,
    *,
    versions: Mapping[str, str],
    results: Sequence[Record] = (),
    run: str = "",
    rasters: Optional[Mapping[str, str]] = None,
) -> str:
    """Return a recipe as JSON, with what it ran on and what it made.

    Parameters
    ----------
    recipe : Recipe
    versions : mapping of str
    results : sequence of Record
        What each step found.
    run : str
        Names the run; the GeoPackage of the same result has the same.
    rasters : mapping of str
        SHA-256 of each raster by its path.
    """
    content = {
        "turnrow_recipe": FORMAT,
        "versions": dict(versions),
        "channels": list(recipe.channels),
        "cell_size_m": recipe.cell_size_m,
        "fit": recipe.fit,
        "target_crs": recipe.target_crs,
        "accept_certainty": recipe.accept_certainty,
        "edits": edits_as_json(recipe.edits),
        "platform": recipe.platform,
        "steps": [{"step": s.step, "options": dict(s.options)} for s in recipe.steps],
        "results": [record.as_json() for record in results],
        "inputs": list(recipe.inputs),
        "run": run,
        "rasters": dict(rasters or {}),
    }
    return json.dumps(content, indent=2, ensure_ascii=False) + "\n"


@for_tables
def correct(
    grids: GridStore, recipe: Recipe, *, channels: Sequence[str] = (), resets: Sequence[Reset] = (),
    progress: Progress = None,
) -> list[Record]:  # fmt: skip
    """Put placed readings through the corrections of a recipe; return them and a record a step.

    ``resets`` are where the notes say that the instrument was set to zero anew or changed.
    """
    records, done, weights = [], 0.0, [WEIGHTS.get(step.step, 1.0) for step in recipe.corrections]
    for step, weight in zip(recipe.corrections, weights):
        before, done = done, done + weight / sum(weights)
        within = part_of(progress, before, done)
        work = CORRECTIONS[step.step].on_store
        known: dict[str, object] = {"platform": recipe.platform} if step.step in BY_PLATFORM else {}
        known.update({"resets": resets} if step.step == BY_RESETS else {})
        records.append(work(grids, channels=channels or None, progress=within, **known, **step.options))
        # What a person took back into use stays in use.
        if recipe.edits.flags:
            for name, part in grids.items():
                grids.put(name, flag_by_hand(part, recipe.edits.flags))
    return records


def changed_inputs(recipe: Recipe, inputs: Sequence[Mapping]) -> list[Finding]:
    """Return a finding for each input that is not the file its recipe was written for."""
    written_for = {item["path"]: item["sha256"] for item in recipe.inputs}
    return [
        Code.INPUT_CHANGED.finding(
            f"{item['path']} is not the file that the recipe was written for.",
            "",
            "Give the file of that run to repeat it exactly. The maps differ from those of the recipe.",
        )  # fmt: skip
        for item in inputs
        if written_for.get(item["path"], item["sha256"]) != item["sha256"]
    ]
