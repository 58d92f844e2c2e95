"""What a step of the processing did, as typed records that carry their own sentences."""

from __future__ import annotations

from dataclasses import dataclass, fields, is_dataclass
from typing import ClassVar, Mapping, Sequence


@dataclass(frozen=True)
class Record:
    """What a step did. Log, report, recipe, printed map and window all read this.

    A step has a subclass of its own. Its fields, in their order, are the keys that ``recipe.json`` keeps.

    Attributes
    ----------
    step, title : str
        Id of the step, and its name in a report.
    options : mapping
        Every option of the step with its value.
    """

    step: ClassVar[str]
    title: ClassVar[str]
    options: Mapping[str, object]

    def as_json(self) -> dict[str, object]:
        """Return the record in lists, mappings and numbers, as ``recipe.json`` keeps it."""
        return {"step": self.step, **{item.name: _plain(getattr(self, item.name)) for item in fields(self)}}

    def sentences(self, units: Mapping[str, str]) -> list[str]:
        """Return what was done and how well, in sentences.

        Parameters
        ----------
        units : mapping of str
            Unit by channel.
        """
        return []

    def warnings(self, units: Mapping[str, str]) -> list[str]:
        """Return, in sentences, what a person should look at; ``units`` as in ``sentences``."""
        return []


def with_unit(number: float, unit: str, digits: int = 2) -> str:
    """Return a number with so many digits, and its unit where it has one."""
    return f"{number:.{digits}g} {unit}".rstrip()


def counted(number: int, what: str, several: str = "") -> str:
    """Return a count with the right form of its noun; ``several`` where that is not just an s more."""
    return f"{number} {what if number == 1 else several or what + 's'}"


def _plain(value: object) -> object:
    # Most values are plain already, and a survey has a row for every line.
    if value is None or isinstance(value, (str, int, float)):
        return value
    if is_dataclass(value):
        return {name: _plain(inner) for name, inner in vars(value).items()}
    if isinstance(value, Mapping):
        return {key: _plain(inner) for key, inner in value.items()}
    if isinstance(value, Sequence):
        return [_plain(inner) for inner in value]
    return value
