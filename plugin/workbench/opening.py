"""Opening a survey: its register, corners and notes, given by the person or found through a processed survey."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Optional, Sequence

from qgis.core import QgsCoordinateReferenceSystem, QgsProject, QgsVectorLayer

from ...processing_provider.bridge.vector import extents_in_project, read_table, site_findings, survey_corners
from ...processing_provider.engine.core import Edits, EngineError, Progress, read_text
from ...processing_provider.engine.workflow import (
    Recipe,
    Session,
    SurveySources,
    changed_inputs,
    default_recipe,
    edits_in,
    file_facts,
    gather_sources,
    open_survey,
    parse_recipe,
)

RECIPE = "recipe.json"
LEVELS_UP = 4
"""How far above a processed survey its inputs are looked for."""
COLUMNS = {
    "register": {"grid", "log", "length_m", "width_m"},
    "corners": {"grid", "corner"},
    "notes": {"grid", "line"},
}
"""Columns by which the tables of a survey are recognised and from logs."""


@dataclass(frozen=True)
class Tables:
    """Where the tables of a survey are.

    Attributes
    ----------
    register, corners : Path
    notes : Path or None
    log_folder : Path
    crs : QgsCoordinateReferenceSystem
        Invalid = as the recipe says, or as the corners.
    """

    register: Path
    corners: Path
    notes: Optional[Path]
    log_folder: Path
    crs: QgsCoordinateReferenceSystem = field(default_factory=QgsCoordinateReferenceSystem)


@dataclass(frozen=True)
class Opened:
    """A survey that is ready to be read.

    Attributes
    ----------
    tables : Tables
    sources : SurveySources
    recipe : Recipe
    recipe_path : Path or None
        Of the processed survey that was opened.
    edits : Edits
    crs : QgsCoordinateReferenceSystem
        Of the survey.
    inputs : tuple of Path
        The files that a recipe vouches for.
    """

    tables: Tables
    sources: SurveySources
    recipe: Recipe
    recipe_path: Optional[Path]
    edits: Edits
    crs: QgsCoordinateReferenceSystem

    def read(self, progress: Progress = None) -> Session:
        """Read every grid; may run in another thread."""
        session = open_survey(self.sources, self.recipe, self.edits, progress)
        paths = [self.tables.register, self.tables.corners, self.tables.notes, *self.sources.files]
        facts = [file_facts(path, self.tables.log_folder) for path in dict.fromkeys(filter(None, paths))]
        session.findings_of_survey = (*session.findings_of_survey, *changed_inputs(self.recipe, facts))
        return session


def find_tables(folder: Path) -> Tables:
    """Return the tables that a processed survey was made from.

    Raises
    ------
    EngineError
        When the folder holds no recipe, or its inputs are no longer where they were.
    """
    path = folder / RECIPE
    if not path.is_file():
        raise EngineError(
            f"{folder} holds no {RECIPE}, so it is no processed survey. Choose the output folder of 'Process a survey "
            "register', or open the register itself."
        )
    recipe = parse_recipe(read_text(path, "recipe"), where=RECIPE)
    names = [str(item["path"]) for item in recipe.inputs]
    base = next((f for f in (folder, *folder.parents[:LEVELS_UP]) if all((f / n).is_file() for n in names)), None)
    if not names or base is None:
        raise EngineError(
            f"The register, corners and logs of {folder.name} are not found in that folder or above it. "
            "Open the register itself and say where the corners and the notes are."
        )
    found = _by_role([base / name for name in names])
    if "register" not in found or "corners" not in found:
        raise EngineError(f"{RECIPE} names no register and corners in files. Open the register itself.")
    crs = QgsCoordinateReferenceSystem(recipe.target_crs)
    return Tables(found["register"], found["corners"], found.get("notes"), base, crs)


def _by_role(paths: Sequence[Path]) -> dict[str, Path]:
    """Return the files that are tables of a survey; the first ones that fit, since logs come last."""
    found: dict[str, Path] = {}
    for path in paths[: len(COLUMNS)]:
        layer = QgsVectorLayer(str(path), path.stem, "ogr")
        names = {name.strip().lower() for name in layer.fields().names()} if layer.isValid() else set()
        role = next((r for r, needed in COLUMNS.items() if needed <= names and r not in found), None)
        if role:
            found[role] = path
    return found


def open_tables(tables: Tables, recipe_path: Optional[Path] = None) -> Opened:
    """Bring the tables of a survey together; no log is read yet.

    Raises
    ------
    EngineError
        When a table or the recipe cannot be used.
    """
    recipe, edits = default_recipe(), Edits()
    if recipe_path is not None:
        text = read_text(recipe_path, "recipe")
        recipe, edits = parse_recipe(text, where=recipe_path.name), edits_in(text, recipe_path.name)
    wanted = tables.crs if tables.crs.isValid() else QgsCoordinateReferenceSystem(recipe.target_crs)
    register, _ = _rows(tables.register, "register")
    corners, corners_crs = _rows(tables.corners, "corners")
    notes = _rows(tables.notes, "notes")[0] if tables.notes else []
    project, given = QgsProject.instance(), (corners, corners_crs, tables.corners)
    placed, crs = survey_corners(given, wanted, project)
    around = extents_in_project(project, [str(tables.corners)])
    site = site_findings(given, crs, project.transformContext(), around)
    sources = gather_sources(register, placed, notes, tables.log_folder, site)
    return Opened(tables, sources, replace(recipe, target_crs=crs.authid() or crs.toWkt()), recipe_path, edits, crs)


def _rows(path: Path, what: str) -> tuple[list[dict], QgsCoordinateReferenceSystem]:
    layer = QgsVectorLayer(str(path), path.stem, "ogr")
    if not layer.isValid():
        raise EngineError(f"The {what} {path} cannot be opened. Choose a table or a CSV.")
    return read_table(layer, path), layer.crs()
