"""Changes by hand: what a person does to a line, as new edits."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Mapping, Optional, Sequence

from ..core import (
    UNREADABLE,
    Edits,
    EngineError,
    FlagEdit,
    Key,
    Note,
    edited_notes,
    edits_as_json,
    notes_for,
    parse_edits,
    whole_file,
)
from ..place import note_for_run

BY_HAND = "changed by hand"


def note_in_force(notes: Sequence[Note], edits: Edits, key: Key, recordings: int) -> Note:
    """Return the note that speaks of one recording only, made from the one that counts for it now.

    Parameters
    ----------
    notes : sequence of Note
        Of the field book.
    edits : Edits
    key : (grid, line, run)
    recordings : int
        How many recordings the line has.
    """
    grid, line, run = key
    own = notes_for(edited_notes(notes, edits), grid)
    note = note_for_run(own, line, run, recordings) or Note(grid, line)
    kind = "void" if note.kind == UNREADABLE else note.kind
    return replace(note, grid=grid, line=line, run=run, kind=kind, where=BY_HAND)


def with_kind(edits: Edits, note: Note, kind: str) -> Edits:
    """Return the edits that make a recording of another kind, such as void or survey."""
    return edits.with_note(replace(note, kind=kind))


def turned(edits: Edits, note: Note, heading: int) -> Edits:
    """Return the edits that have a recording walked the other way than ``heading`` (1 out, -1 back).

    Noted ends belong to the direction that was noted, so they go.
    """
    return edits.with_note(replace(note, heading=-heading, start_station=None, stop_station=None))


def started_at(edits: Edits, note: Note, station: float, heading: int) -> Edits:
    """Return the edits that have a recording start at another station, in the direction it has now."""
    return edits.with_note(replace(note, heading=heading, start_station=station, stop_station=None))


def moved_to(edits: Edits, note: Note, position_m: float, heading: int) -> Edits:
    """Return the edits that have a recording lie elsewhere: u of a line, v of a tie line, in metres.

    The direction it has now stays: a proposal that turned the line is not made again for one that is noted.
    """
    return edits.with_note(replace(note, position_m=position_m, heading=heading))


def obstructed(edits: Edits, key: Key, seqs: tuple[int, int], stations: tuple[float, float]) -> Edits:
    """Return the edits that have an obstacle on a line between two stations, in the place of flags set there by hand.

    An obstacle stands on the ground, so it counts for every recording of the line.
    """
    grid, line, _ = key
    first, last = sorted(stations)
    note = Note(grid, line, start_station=first, stop_station=last, kind="obstacle", where=BY_HAND)
    return edits.without_flags(*key, *seqs).with_note(note)


def as_noted(edits: Edits, key: Key) -> Edits:
    """Return the edits without anything about one recording, or in its way: notes and flags as in the field book."""
    notes = tuple(n for n in edits.notes if (n.grid, n.line, n.run if n.of_recording else n.run or key[2]) != key)
    flags = tuple(f for f in edits.flags if (f.grid, f.line, f.run) != key)
    return Edits(notes, flags)


def flagged(edits: Edits, key: Key, seqs: tuple[int, int], flag: Optional[str]) -> Edits:
    """Return the edits that flag readings of a recording (first and last ``seq``); None lifts flags set by hand."""
    return edits.with_flag(FlagEdit(*key, *seqs, flag=flag or "void", on=flag is not None))


def about_grid(edits: Edits, grid: str) -> Edits:
    """Return the share of the edits that one grid has."""
    return Edits(tuple(n for n in edits.notes if n.grid in ("", grid)), tuple(f for f in edits.flags if f.grid == grid))


def edits_in(text: str, where: str) -> Edits:
    """Return the edits that a recipe keeps.

    Raises
    ------
    EngineError
        When the text is no JSON object, or its edits cannot be understood.
    """
    return parse_edits(_content(text, where).get("edits"), where=where)


def recipe_with_edits(text: str, where: str, edits: Edits) -> str:
    """Return a recipe with other edits; everything else in it stays.

    Raises
    ------
    EngineError
        When the text is no JSON object.
    """
    content = {**_content(text, where), "edits": edits_as_json(edits)}
    return json.dumps(content, indent=2, ensure_ascii=False) + "\n"


def save_text(path: Path, text: str) -> None:
    """Write a text file that appears under its name only when whole.

    Raises
    ------
    EngineError
        When it cannot be written.
    """
    with whole_file(path, "recipe") as part:
        part.write_text(text, "utf-8")


def _content(text: str, where: str) -> Mapping:
    try:
        content = json.loads(text)
    except json.JSONDecodeError as error:
        raise EngineError(f"The {where} cannot be read as JSON: line {error.lineno}, {error.msg}.") from None
    if not isinstance(content, dict):
        raise EngineError(f"The {where} is no recipe. Use a recipe.json that a processed survey left.")
    return content
