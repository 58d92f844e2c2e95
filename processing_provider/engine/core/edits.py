"""What a person changes by hand on the way: notes taken back or made good, and flags set or lifted."""

from __future__ import annotations

from dataclasses import asdict, dataclass, fields, replace
from typing import Mapping, Sequence, TypeVar

import numpy as np

from .checks import LIMITS, check_finite, check_limits, shown
from .columns import FLAGS, flag_bit
from .errors import EngineError
from .notes import KINDS, UNREADABLE, Note
from .readings import Readings

Edit = TypeVar("Edit", Note, "FlagEdit")
WHOLE = ("line", "run", "first_seq", "last_seq", "heading")
TEXTS = ("grid", "kind", "flag", "comment", "where")
NOT_NOTED = ("line", "run", "start_station", "stop_station", "position_m")
"""Fields of a note that may be null."""
BY_HAND = ("void", "outlier", "obstacle")
"""Flags that a person sets; the others follow from notes and places."""


@dataclass(frozen=True)
class FlagEdit:
    """Readings of one recording that a person flagged, or took into use again.

    Attributes
    ----------
    grid : str
    line, run : int
    first_seq, last_seq : int
        First and last reading, both included.
    flag : str
        One of ``BY_HAND``; with ``on`` off the readings carry none of them.
    on : bool
    """

    grid: str
    line: int
    run: int
    first_seq: int
    last_seq: int
    flag: str = "void"
    on: bool = True


@dataclass(frozen=True)
class Edits:
    """All changes by hand, in the order in which they were made."""

    notes: tuple[Note, ...] = ()
    flags: tuple[FlagEdit, ...] = ()

    def __bool__(self) -> bool:
        return bool(self.notes or self.flags)

    def with_note(self, note: Note) -> Edits:
        """Return the edits with a note that takes the place of an earlier one about the same recording."""
        kept = tuple(n for n in self.notes if n != note and not _same(n, note))
        return Edits((*kept, note), self.flags)

    def with_flag(self, edit: FlagEdit) -> Edits:
        """Return the edits with one more change of flags."""
        return Edits(self.notes, (*self.flags, edit))

    def without_flags(self, grid: str, line: int, run: int, first_seq: int, last_seq: int) -> Edits:
        """Return the edits with no change of flags between two readings of a recording, both included."""
        kept: list[FlagEdit] = []
        for edit in self.flags:
            if (edit.grid, edit.line, edit.run) != (grid, line, run):
                kept.append(edit)
                continue
            before = replace(edit, last_seq=min(edit.last_seq, first_seq - 1))
            behind = replace(edit, first_seq=max(edit.first_seq, last_seq + 1))
            kept += [part for part in (before, behind) if part.first_seq <= part.last_seq]
        return Edits(self.notes, tuple(kept))


def _same(one: Note, other: Note) -> bool:
    return one.of_recording and other.of_recording and (one.grid, one.line, one.run) == (
        other.grid, other.line, other.run,
    )  # fmt: skip


def _settles(edit: Note, row: Note) -> bool:
    """Whether a person said by hand how a line is whose row cannot be read."""
    return row.kind == UNREADABLE and row.grid in ("", edit.grid) and row.line == edit.line


def edited_notes(notes: Sequence[Note], edits: Edits) -> list[Note]:
    """Return the notes of the field book with those that a person changed in their place."""
    kept = [note for note in notes if not any(_same(note, edit) or _settles(edit, note) for edit in edits.notes)]
    # The first note that fits a recording counts, so what was changed by hand comes first.
    return [*edits.notes, *kept]


def flag_by_hand(readings: Readings, edits: Sequence[FlagEdit]) -> Readings:
    """Return the readings with flags set and lifted by hand, later edits on top of earlier ones."""
    if not edits:
        return readings
    bits = readings.flag.copy()
    any_of_them = sum(flag_bit(word) for word in BY_HAND)
    for edit in edits:
        if edit.grid not in readings.grids:
            continue
        where = (readings.grid == readings.grids.index(edit.grid)) & (readings.line == edit.line)
        where &= (readings.run == edit.run) & (readings.seq >= edit.first_seq) & (readings.seq <= edit.last_seq)
        bits[where] &= np.uint16(0xFFFF ^ any_of_them)
        if edit.on:
            bits[where] |= np.uint16(flag_bit(edit.flag))
    return readings.replace(flag=bits)


def edits_as_json(edits: Edits) -> dict:
    """Return edits as plain values for a recipe."""
    defaults = {f.name: f.default for f in fields(Note)}
    notes = [{k: v for k, v in asdict(note).items() if v != defaults[k]} for note in edits.notes]
    return {"notes": notes, "flags": [asdict(edit) for edit in edits.flags]}


def parse_edits(given: object, *, where: str = "recipe") -> Edits:
    """Return the edits of a recipe.

    Raises
    ------
    EngineError
        When they are no edits, or name a field or a flag that is not known.
    """
    if not given:
        return Edits()
    if not isinstance(given, Mapping) or set(given) - {"notes", "flags"}:
        raise EngineError(f"Invalid edits in the {where}. They must hold lists of notes and flags, and nothing else.")
    notes = tuple(_built(Note, item, "note", where) for item in given.get("notes") or ())
    flags = tuple(_built(FlagEdit, item, "flag", where) for item in given.get("flags") or ())
    for note in notes:
        if note.kind not in KINDS:
            raise EngineError(
                f"Invalid kind in the edits of the {where}: {note.kind!r} was given. It must be one of: "
                f"{', '.join(KINDS)}."
            )
    for edit in flags:
        if edit.flag not in BY_HAND:
            raise EngineError(
                f"Invalid flag in the edits of the {where}: {edit.flag!r} was given. It must be one of: "
                f"{', '.join(word for word in FLAGS if word in BY_HAND)}."
            )
    return Edits(notes, flags)


def _built(kind: type[Edit], item: object, word: str, where: str) -> Edit:
    known = {f.name for f in fields(kind)}
    if not isinstance(item, Mapping) or set(item) - known:
        odd = ", ".join(sorted(set(item) - known)) if isinstance(item, Mapping) else repr(item)
        raise EngineError(f"Invalid {word} in the edits of the {where}: {odd} is not known.")
    for name, value in item.items():
        _check_field(name, value, where)
    try:
        return kind(**item)
    except TypeError:
        raise EngineError(f"A {word} in the edits of the {where} lacks a field; needed are grid, line, run.") from None


def _check_field(name: str, value: object, where: str) -> None:
    """Refuse what is no whole number, no number or no text where one is needed."""
    if value is None and name in NOT_NOTED:
        return
    of = f"in the edits of the {where}"
    needed = ""
    if name in LIMITS:
        needed = "a whole number" if name in WHOLE else "a number"
        if isinstance(value, (int, float)) and not isinstance(value, bool):
            number = check_limits(name, check_finite(f"{name} {of}", value), of)
            needed = needed if name in WHOLE and number != int(number) else ""
    elif name in TEXTS and not isinstance(value, str):
        needed = "a text"
    elif name == "on" and not isinstance(value, bool):
        needed = "true or false"
    if needed:
        raise EngineError(f"Invalid {name} {of}: {shown(value)} was given. It must be {needed}.")
