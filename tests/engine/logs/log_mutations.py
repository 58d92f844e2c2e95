"""Valid logs with damage as files and loggers do it; what must still come out of them is known row by row."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
from turnrow.processing_provider.engine.core import EngineError
from turnrow.processing_provider.engine.logs import LogLayout, read_log
from turnrow.processing_provider.engine.logs.layout import LogColumn

LINES, STATIONS = 3, 14
NAMES = ("line", "station", "time", "cond", "inphase")
LAYOUT = LogLayout(
    columns=(
        *(LogColumn(name, name) for name in NAMES[:3]),
        LogColumn("cond", "channel", unit="mS/m"),
        LogColumn("inphase", "channel", unit="ppt"),
    )
)
COMMAS = str.maketrans(",.", ";,")
"""Semicolons between values, and decimal commas."""


@dataclass
class MutatedLog:
    """A log as rows, and what is known of each.

    Attributes
    ----------
    rows : list of str
    values : list of (float or None)
        The first channel of each row: a number where the row is a whole reading, None where it was damaged.
    readings : list of bool
        Whether a row was a reading before the damage.
    what : list of str
        The damage, for the sentence of a test that fails.
    """

    rows: list[str]
    values: list
    readings: list[bool]
    what: list[str] = field(default_factory=list)

    def insert(self, at: int, row: str, value=None, reading: bool = False) -> None:
        self.rows.insert(at, row)
        self.values.insert(at, value)
        self.readings.insert(at, reading)

    def damage(self, at: int, row: str) -> None:
        self.rows[at], self.values[at] = row, None


def valid_log(rng: np.random.Generator) -> MutatedLog:
    """Return a log of a few lines walked to and fro, as a random but valid survey."""
    log = MutatedLog([",".join(NAMES)], [None], [False])
    clock = 33000.0
    for line in range(1, LINES + 1):
        order = range(1, STATIONS + 1) if line % 2 else range(STATIONS, 0, -1)
        for station in order:
            clock += 0.25
            cond = round(float(20 + 5 * np.sin(station / 3 + line) + rng.normal(0, 0.2)), 2)
            time = f"{int(clock) // 3600:02d}:{int(clock) // 60 % 60:02d}:{clock % 60:05.2f}"
            log.insert(len(log.rows), f"{line},{station},{time},{cond},{rng.normal(1, 0.1):.3f}", cond, True)
        clock += 10
    return log


def damaged_value(log, at, rng):
    fields = log.rows[at].split(",")
    fields[rng.integers(len(fields))] = str(
        rng.choice(["", "x", "OL", "*****", "12..5", "1E+32", "-99.99", "nan", "?"])
    )
    log.damage(at, ",".join(fields))


def lost_field(log, at, rng):
    fields = log.rows[at].split(",")
    del fields[rng.integers(len(fields))]
    log.damage(at, ",".join(fields))


def added_field(log, at, rng):
    log.damage(at, log.rows[at] + ",7")


def cut_row(log, at, rng):
    log.damage(at, log.rows[at][: rng.integers(1, len(log.rows[at]))])


def joined_rows(log, at, rng):
    if at + 1 < len(log.rows) and log.readings[at + 1]:
        log.damage(at, log.rows[at] + log.rows[at + 1])
        for part in (log.rows, log.values, log.readings):
            del part[at + 1]


def changed_character(log, at, rng):
    row, k = log.rows[at], rng.integers(len(log.rows[at]))
    log.damage(at, row[:k] + str(rng.choice(list("0123456789.-:ax;,"))) + row[k + 1 :])


def doubled_row(log, at, rng):
    log.insert(at, log.rows[at], log.values[at], True)


def exchanged_rows(log, at, rng):
    other = int(rng.integers(1, len(log.rows)))
    for part in (log.rows, log.values, log.readings):
        part[at], part[other] = part[other], part[at]


def blank_row(log, at, rng):
    log.insert(at, str(rng.choice(["", "   ", "\t"])))


def row_of_words(log, at, rng):
    log.insert(at, str(rng.choice(["battery low", "MARK", "# pause", "memory 80 %", "END OF FILE", "*** error 5 ***"])))


def long_row(log, at, rng):
    log.insert(at, str(rng.choice(["9", "x", "1,"])) * int(rng.choice([500, 30_000])))


def header_again(log, at, rng):
    log.insert(at, ",".join(NAMES))


MUTATIONS = (
    damaged_value, lost_field, added_field, cut_row, joined_rows, changed_character, doubled_row, exchanged_rows,
    blank_row, row_of_words, long_row, header_again,
)  # fmt: skip


def mutated_log(seed: int) -> MutatedLog:
    """Return a valid log with one to four pieces of damage below its header."""
    rng = np.random.default_rng(seed)
    log = valid_log(rng)
    for _ in range(rng.integers(1, 5)):
        at = int(rng.integers(1, len(log.rows)))
        if log.readings[at]:
            mutation = MUTATIONS[rng.integers(len(MUTATIONS))]
            mutation(log, at, rng)
            log.what.append(f"{mutation.__name__} at row {at + 1}")
    return log


def fault_of(seed: int, folder: Path) -> str:
    """Return what is wrong with how a damaged log is read, empty when nothing is; ``refused`` when it is refused."""
    log = mutated_log(seed)
    end = ("\n", "\r\n")[seed % 2]
    layout = LAYOUT if seed % 4 < 2 else None
    if seed % 3 == 1:
        log.rows = [row.translate(COMMAS) for row in log.rows]
        layout = layout and replace(LAYOUT, delimiter=";", decimal=",")
    elif seed % 3 == 2 and layout is None:
        for part in (log.rows, log.values, log.readings):
            del part[0]
    path = folder / "log.csv"
    path.write_text(end.join([*log.rows, ""]), "utf-8", newline="")
    try:
        result = read_log(path, layout)
    except EngineError as error:
        return "refused" if str(error).endswith(".") else f"seed {seed}: no sentence: {error}"
    lost = sum(log.readings) - len(result.readings) - result.left_out
    if lost > 0:
        return f"seed {seed}: {lost} readings are gone and nobody says so ({log.what})"
    if result.left_out and not result.findings:
        return f"seed {seed}: no finding about what cannot be read ({log.what})"
    cond = result.readings.channels["cond" if "cond" in result.readings.channels else "channel_4"]
    read = dict(zip(result.readings.row.tolist(), cond.tolist()))
    for row, value in enumerate(log.values, 1):
        if value is not None and read.get(row) != value:
            return f"seed {seed}: row {row} is {read.get(row)}, not {value} ({log.what})"
    return ""
