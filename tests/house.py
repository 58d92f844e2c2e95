"""The house: which folder is which room, who may import what, and how large rooms, files and functions are.

Reads imports as text (``ast``), inside functions too. ``python tests/house.py`` prints the rooms and their arrows.
"""

from __future__ import annotations

import ast
import sys
from collections import defaultdict
from dataclasses import dataclass
from pathlib import Path
from typing import Iterator, Mapping

ROOT = Path(__file__).resolve().parents[1]
ENGINE, BRIDGE = "processing_provider/engine", "processing_provider/bridge"
COMMON = frozenset({"core", "geometry"})

# A stage of the engine -> the stages that it uses besides core and geometry.
MAY_USE: Mapping[str, frozenset[str]] = {
    "core": frozenset(),
    "geometry": frozenset({"core"}),
    "logs": COMMON,
    "place": COMMON,
    "compare": COMMON | {"place"},
    "flag": COMMON,
    "jumps": COMMON,
    "balance": COMMON | {"jumps"},
    "align": COMMON | {"balance"},
    "mosaic": COMMON,
    "mistakes": COMMON | {"align", "flag", "balance"},
    "scattered": COMMON,
    "interpolate": COMMON | {"scattered"},
    "interpret": COMMON,
}
WORKFLOW = "workflow"
BRIDGES = ("map_sheet", "project", "raster", "report", "rewalk_sheet", "style", "vector")
WINDOWS = ("log_layout", "map_tools", "map_view", "profile", "workbench")
# Floors of the house, the highest first; a room imports from its own floor and from those below.
FLOORS = ("plugin", "processing_provider", BRIDGE, ENGINE)
LIBRARIES = {"numpy", "scipy"}
"""What the engine imports besides the standard library."""

MOST_MODULES, MOST_ARROWS, MOST_LINES, MOST_FUNCTION_LINES = 22, 40, 350, 40


@dataclass(frozen=True)
class Import:
    """An import: file and line, the module that is imported from, and its room; outside modules have no room."""

    file: str
    line: int
    module: tuple[str, ...]
    room: str


def sources(root: Path = ROOT) -> dict[str, str]:
    """Return the text of every module of the plugin by its path from the root."""
    files = [path for folder in ("plugin", "processing_provider") for path in (root / folder).rglob("*.py")]
    return {path.relative_to(root).as_posix(): path.read_text("utf-8") for path in sorted(files)}


def room_of(file: str) -> str:
    """Return the room of a file: its folder, or itself where it is loose in ``plugin`` or ``processing_provider``."""
    folder, _, name = file.rpartition("/")
    return file[: -len(".py")] if folder in ("plugin", "processing_provider") and name != "__init__.py" else folder


def floor_of(room: str) -> int:
    """Return the floor of a room, 0 = the highest."""
    return max(i for i, floor in enumerate(FLOORS) if room == floor or room.startswith(floor + "/"))


def imports(files: Mapping[str, str]) -> Iterator[Import]:
    """Yield every import of the files, one for each module that is imported from."""
    modules = {tuple(file[: -len(".py")].split("/")): file for file in files}
    packages = {key[:-1]: file for key, file in modules.items() if key[-1] == "__init__"}
    offered = {key: _offered(files[file]) for key, file in packages.items()}
    for file, text in files.items():
        here = file.split("/")[:-1]
        for node in ast.walk(ast.parse(text)):
            if isinstance(node, ast.Import):
                for alias in node.names:
                    yield Import(file, node.lineno, tuple(alias.name.split(".")), "")
            elif isinstance(node, ast.ImportFrom) and not node.level:
                yield Import(file, node.lineno, tuple(node.module.split(".")), "")
            elif isinstance(node, ast.ImportFrom):
                source = (*here[: len(here) - node.level + 1], *(node.module.split(".") if node.module else ()))
                for alias in node.names:
                    module = (*source, alias.name)
                    # A name that a package offers counts as the package's, though a module may be called alike.
                    whole = alias.name not in offered.get(source, ()) and (module in modules or module in packages)
                    module = module if whole else source
                    there = modules.get(module) or packages.get(module)
                    # What is not there is put where it would be: the walk over it is what must fail.
                    yield Import(file, node.lineno, module, room_of(there or "/".join(module) + ".py"))


def _offered(text: str) -> set[str]:
    """Return the names that the ``__init__`` of a package takes from its modules."""
    nodes = [node for node in ast.parse(text).body if isinstance(node, ast.ImportFrom) and node.module]
    return {alias.asname or alias.name for node in nodes for alias in node.names}


def faults(files: Mapping[str, str]) -> list[str]:
    """Return a sentence for every import that is against the rule, and for every folder that no table names."""
    known = {f"{ENGINE}/{stage}" for stage in (*MAY_USE, WORKFLOW)} | {f"{BRIDGE}/{name}" for name in BRIDGES}
    known |= {f"plugin/{name}" for name in WINDOWS} | {ENGINE, BRIDGE, "plugin", "processing_provider"}
    known |= {"processing_provider/algorithms"}
    folders = {file.rpartition("/")[0] for file in files}
    found = [f"{folder}: a folder that no table names" for folder in sorted(folders - known)]
    for one in imports(files):
        where, mine, theirs = f"{one.file}:{one.line}", room_of(one.file), one.room
        if not theirs:
            found += [f"{where}: {fault}" for fault in _outside(mine, one.module[0])]
        elif theirs != mine:
            found += [f"{where}: {fault}" for fault in _inside(mine, theirs, "/".join(one.module))]
    return found


def _outside(mine: str, library: str) -> list[str]:
    allowed = LIBRARIES | {"__future__"} | set(sys.stdlib_module_names)
    if mine.startswith(ENGINE) and library not in allowed:
        return [f"the engine imports {library}"]
    if library == "osgeo" and not mine.startswith(BRIDGE):
        return ["GDAL is for the bridge only"]
    return []


def _inside(mine: str, theirs: str, module: str) -> list[str]:
    if floor_of(theirs) < floor_of(mine):
        return [f"{mine} imports upward, from {theirs}"]
    if mine.startswith(f"{ENGINE}/"):
        stage, used = mine.split("/")[2], theirs.split("/")[2] if theirs.count("/") > 1 else ""
        if stage != WORKFLOW and used not in MAY_USE.get(stage, frozenset()):
            return [f"{stage} may not use {used or theirs}"]
    if theirs.count("/") and theirs != BRIDGE and theirs != "processing_provider/algorithms" and module != theirs:
        loose = theirs in (f"plugin/{module.split('/')[-1]}", f"processing_provider/{module.split('/')[-1]}")
        return [] if loose else [f"{module} is imported past the face of {theirs}"]
    return []


def arrows(files: Mapping[str, str]) -> dict[tuple[str, str], int]:
    """Return how many imports lead from room to room."""
    count: dict[tuple[str, str], int] = defaultdict(int)
    for one in imports(files):
        mine = room_of(one.file)
        if one.room and one.room != mine:
            count[mine, one.room] += 1
    return dict(count)


def circles(edges: Mapping[tuple[str, str], int]) -> list[list[str]]:
    """Return the rooms that import each other in a circle, a list for each circle."""
    below: dict[str, set[str]] = defaultdict(set)
    for mine, theirs in edges:
        below[mine].add(theirs)
    reach = {room: set(to) for room, to in below.items()}
    for _ in range(len(reach)):
        for room, to in reach.items():
            reach[room] = to | {far for near in to for far in reach.get(near, ())}
    found = {
        frozenset(a for a in reach if a in reach[room] and room in reach[a]) for room in reach if room in reach[room]
    }
    return [sorted(circle) for circle in found]


def long_functions(files: Mapping[str, str]) -> list[str]:
    """Return the functions of the engine that have more lines of code than they should, the docstring left out."""
    found = []
    for file, text in files.items():
        for node in ast.walk(ast.parse(text)):
            if file.startswith(ENGINE) and isinstance(node, (ast.FunctionDef, ast.AsyncFunctionDef)):
                first = node.body[0]
                told = isinstance(first, ast.Expr) and isinstance(first.value, ast.Constant)
                lines = node.end_lineno - node.lineno + 1 - (first.end_lineno - first.lineno + 1 if told else 0)
                if lines > MOST_FUNCTION_LINES:
                    found.append(f"{file}:{node.lineno} {node.name}: {lines} lines")
    return found


def report(files: Mapping[str, str]) -> str:
    """Return the house in words: rooms with their modules, arrows, circles."""
    edges = arrows(files)
    engine = [(a, b) for a, b in edges if a.startswith(ENGINE) and b.startswith(ENGINE)]
    size: dict[str, int] = defaultdict(int)
    for file in files:
        if not file.endswith("__init__.py"):
            size[file.rpartition("/")[0]] += 1
    stages = [room for room in size if room.startswith(ENGINE + "/")]
    rows = [f"{len(stages)} folders in the engine, {len(engine)} arrows between them; {len(edges)} arrows in all"]
    rows += [f"  {room}: {n} modules" for room, n in sorted(size.items())]
    rows += [f"  {a} -> {b} ({n})" for (a, b), n in sorted(edges.items())]
    rows += [f"circle: {', '.join(circle)}" for circle in circles(edges)] or ["no circles"]
    return "\n".join(rows)


if __name__ == "__main__":
    print(report(sources()))
    print("\n".join([*faults(sources()), *long_functions(sources())]))
