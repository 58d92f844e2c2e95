"""How often a recording mistake is found by the readings alone.

    python tests/benchmarks/doubts.py [sites] [first seed] [10m] [other] [kind ...]

On random sites walked with all the usual faults: clean grids with a finding, grids with something odd that is no such
mistake, and one mistake at a time of each kind; with kinds named, such as line-skipped or clean, only those. What a
person sees counts, who noted no line: findings of the comparison, and possible mistakes. Grids are 20 or 30 m long;
with ``10m``, or another size, all have that. With ``other`` ground and walks are drawn by other rules, on which no
constant was found (see ``_other_walks.py``).
"""

from __future__ import annotations

import re
import sys
from collections import Counter
from dataclasses import dataclass, field
from functools import partial

import numpy as np
from _measure import whole_benchmark
from _other_walks import readings_of
from turnrow.processing_provider.engine.compare import compare_notes, lines_in_error
from turnrow.processing_provider.engine.core import Note
from turnrow.processing_provider.engine.core.columns import kind_code
from turnrow.processing_provider.engine.core.readings import concatenate, flag_bit
from turnrow.processing_provider.engine.core.scheme import Scheme
from turnrow.processing_provider.engine.mistakes.detect import possible_mistakes
from turnrow.sample_project.simulator import walks as walk

SPACING, RATE = 0.5, 8.0
OTHER = "other"
LENGTH = re.compile(r"([0-9]+)m")
SIZE_M = next((float(found[1]) for found in map(LENGTH.fullmatch, sys.argv) if found), None)
"""Size of all grids; drawn for each when it is not given."""
LATE = 10
"""Readings that a line is off whose start station was mistyped by ten."""


@dataclass
class Elsewhere(walk.Field):
    """A field in which whole lines are walked some spacings from where they are recorded."""

    move: np.ndarray = field(default=None)

    def at(self, u, v):
        """Value where the line of u truly lies."""
        line = np.clip(np.rint(np.asarray(u) / SPACING - 0.5).astype(int), 0, len(self.move) - 1)
        return super().at(u + self.move[line] * SPACING, v)


def scheme_of(size):
    """Return the scheme of a simulated grid."""
    return Scheme(grid="A", length_m=size, width_m=size, spacing_m=SPACING, readings_per_m=RATE)


def walked(seed, move=None, ties=()):
    """Return an ordinary walk over a random site.

    ``move`` (line count) -> spacings that lines lie off; ``ties`` are fractions of the length at which ties are walked.
    """
    if OTHER in sys.argv:
        readings, size = readings_of(seed, SPACING, RATE, move, ties, SIZE_M)
        return as_logged(readings), scheme_of(size)
    rng = np.random.default_rng(seed)
    drawn, lag = rng.choice([20.0, 30.0]), rng.uniform(0.15, 0.6)
    size = drawn if SIZE_M is None else SIZE_M
    ground, how = walk.site(size, rng), dict(spacing=SPACING, rate=RATE, ties=[size * share for share in ties])
    after = rng.bit_generator.state
    readings = walk.walk(ground, rng, walk.usual(lag), **how).readings
    if move is not None:
        # The same walk with the same noise, but over other ground; ties lie where they are recorded.
        rng.bit_generator.state = after
        elsewhere = Elsewhere(ground.size_m, ground.values, move(round(size / SPACING)))
        there = walk.walk(elsewhere, rng, walk.usual(lag), **how).readings.channels["eca"]
        survey = readings.kind == kind_code("survey")
        readings = readings.replace(channels={"eca": np.where(survey, there, readings.channels["eca"])})
    return as_logged(readings), scheme_of(size)


def as_logged(readings):
    """Return the readings with stations that count down on the way back, as a logger has them."""
    station = np.where(readings.v_m >= 0, np.rint(readings.v_m * RATE + 0.5), readings.station)
    survey = readings.kind == kind_code("survey")
    return readings.replace(station=np.where(survey, station, readings.station))


def seen(readings, scheme):
    """Return what the comparison finds, and the possible mistakes: what a person sees who noted no line."""
    ties = [Note("A", int(line), kind="tie", position_m=float(readings.v_m[readings.line == line][0]))
            for line in np.unique(readings.line[readings.kind == kind_code("tie")])]  # fmt: skip
    compared = compare_notes(readings, scheme, ties)
    return compared, possible_mistakes(readings, scheme, in_error=lines_in_error(compared))


def values_from(readings, there, here, lost=()):
    """Return the readings with the values of rows ``here`` at rows ``there``; ``lost`` rows have none."""
    values, flag = readings.channels["eca"].copy(), readings.flag.copy()
    values[there], flag[there] = readings.channels["eca"][here], readings.flag[here]
    flag[np.asarray(lost, int)] |= flag_bit("missing")
    return readings.replace(channels={"eca": values}, flag=flag)


def rows_of(readings, line):
    """Return the rows of a line."""
    return np.flatnonzero(readings.line == line)


def turned_round(seed, rng):
    """A line whose direction was not set."""
    readings, scheme = walked(seed)
    line = int(rng.integers(2, scheme.line_count))
    rows = rows_of(readings, line)
    return values_from(readings, rows, rows[::-1]), scheme, {line}


def moved(seed, rng, most=48, least=12):
    """A line counted from a station 1.5 to 6 m off, half its length at most."""
    readings, scheme = walked(seed)
    line, half = int(rng.integers(2, scheme.line_count)), round(scheme.length_m * RATE / 2)
    count = int(rng.integers(least, min(most, half) + 1))
    rows = rows_of(readings, line)
    if rng.random() < 0.5:
        return values_from(readings, rows[count:], rows[:-count], rows[:count]), scheme, {line}
    return values_from(readings, rows[:-count], rows[count:], rows[-count:]), scheme, {line}


def last_inside():
    """Return the index of the last line that has all its neighbours, in the smallest grid."""
    return 36 if SIZE_M is None else round(SIZE_M / SPACING) - 4


def swapped(readings, a, b):
    """Return the readings with the numbers of two lines exchanged."""
    line, u = readings.line.copy(), readings.u_m.copy()
    for one, two in ((a, b), (b, a)):
        rows = rows_of(readings, one)
        line[rows], u[rows] = two, (two - 0.5) * SPACING
    return readings.replace(line=line, u_m=u)


def swapped_neighbours(seed, rng):
    """Two neighbouring lines, numbers exchanged."""
    readings, scheme = walked(seed)
    a = int(rng.integers(3, scheme.line_count - 2))
    return swapped(readings, a, a + 1), scheme, {a, a + 1}


def swapped_apart(seed, rng):
    """Two lines 2 to 8 spacings apart, numbers exchanged."""
    readings, scheme = walked(seed)
    a, apart = int(rng.integers(3, scheme.line_count - 9)), int(rng.integers(2, 9))
    return swapped(readings, a, a + apart), scheme, {a, a + apart}


def walked_twice(seed, rng, ties=()):
    """A line walked twice, all later ones one spacing off, and one line too many."""
    k = int(rng.integers(4, last_inside()))
    readings, scheme = walked(seed, lambda n: np.where(np.arange(n) >= k, -1, 0), ties)
    extra = readings.take(readings.line == scheme.line_count)
    return *beyond_the_edge(readings, scheme, extra), {k + 1}


def beyond_the_edge(readings, scheme, extra):
    """Return the readings with those of a line that was walked after the last one of the scheme."""
    nowhere = np.full(len(extra), np.nan)
    flag = extra.flag | flag_bit("unplaced")
    return concatenate([readings, extra.replace(line=extra.line + 1, u_m=nowhere, v_m=nowhere, flag=flag)]), scheme


def one_beyond(seed, ties=()):
    """One line too many, walked beyond the edge."""
    readings, scheme = walked(seed, ties=ties)
    return beyond_the_edge(readings, scheme, readings.take(readings.line == scheme.line_count))


def stopped_early(seed):
    """A log without times in which five lines end 5 to 20 readings short."""
    readings, scheme = walked(seed)
    rng, keep = np.random.default_rng(seed + 1), np.ones(len(readings), bool)
    for line in rng.choice(scheme.lines, 5, replace=False):
        keep[rows_of(readings, line)[-int(rng.integers(5, 21)) :]] = False
    return without_times(readings.take(keep)), scheme


def without_times(readings):
    """Return the readings as of a log that has no times."""
    return readings.replace(time_s=np.full(len(readings), np.nan))


def walked_again_beside(seed, rng):
    """A line walked on the ground of the line before, all others where they are recorded."""
    k = int(rng.integers(4, last_inside()))
    readings, scheme = walked(seed, lambda n: np.where(np.arange(n) == k, -1, 0))
    return readings, scheme, {k + 1}


def left_out(seed, rng, ties=()):
    """A line left out, all later ones one spacing farther on than recorded, and one line too few."""
    k = int(rng.integers(4, last_inside()))
    readings, scheme = walked(seed, lambda n: np.where(np.arange(n) >= k, 1, 0), ties)
    return readings.take(readings.line != scheme.line_count), scheme, {k + 1}


def walked_again(seed, rng):
    """A line walked on the ground of another one."""
    a, b = (int(x) for x in rng.choice(np.arange(3, last_inside() + 2, 3), 2, replace=False))
    readings, scheme = walked(seed, lambda n: np.where(np.arange(n) == b - 1, a - b, 0))
    return readings, scheme, {b}


def copied(seed, rng):
    """A line with the readings of another one."""
    readings, scheme = walked(seed)
    a, b = (int(x) for x in rng.choice(np.arange(1, scheme.line_count + 1), 2, replace=False))
    return values_from(readings, rows_of(readings, max(a, b)), rows_of(readings, min(a, b))), scheme, {max(a, b)}


def strange(seed, rng):
    """A line of another site under the number of a survey line."""
    readings, scheme = walked(seed)
    other, _ = walked(next(s for s in range(seed + 5000, seed + 5100)
                           if SIZE_M or np.random.default_rng(s).choice([20.0, 30.0]) == scheme.length_m))  # fmt: skip
    line = int(rng.integers(2, scheme.line_count))
    values = readings.channels["eca"].copy()
    values[rows_of(readings, line)] = other.channels["eca"][rows_of(other, line)]
    return readings.replace(channels={"eca": values}), scheme, {line}


def stood_still(seed, rng):
    """A dummy line, read on one spot, under the number of a survey line."""
    readings, scheme = walked(seed)
    line = int(rng.integers(2, scheme.line_count))
    rows, values = rows_of(readings, line), readings.channels["eca"].copy()
    faults = walk.usual(0.0)
    level = np.median(values) + rng.normal(0, faults.stripe)
    values[rows] = level + rng.normal(0, faults.noise, len(rows))
    return readings.replace(channels={"eca": values}), scheme, {line}


def stuttered(seed, rng):
    """A line in which the logger left out 5 to 20 readings; stations count on."""
    readings, scheme = walked(seed)
    line, count = int(rng.integers(2, scheme.line_count)), int(rng.integers(5, 21))
    rows = rows_of(readings, line)
    at = int(rng.integers(len(rows) // 4, len(rows) * 3 // 4))
    keep = np.ones(len(readings), bool)
    keep[rows[at : at + count]] = False
    v, station = readings.v_m.copy(), readings.station.copy()
    v[rows[at + count :]], station[rows[at + count :]] = v[rows[at:-count]], station[rows[at:-count]]
    return readings.replace(v_m=v, station=station).take(keep), scheme, {line}


def stuttered_without_times(seed, rng):
    """The same in a log without times."""
    readings, scheme, lines = stuttered(seed, rng)
    return without_times(readings), scheme, lines


def last_not_walked(seed, ties=()):
    """The last line of the grid is not in the log."""
    readings, scheme = walked(seed, ties=ties)
    return readings.take(readings.line != scheme.line_count), scheme


def about(mistake, lines):
    """Whether a possible mistake names one of the lines, alone or among five at most."""
    among = mistake.among or (mistake.finding.line,)
    return len(among) <= 5 and not lines.isdisjoint(among)


THREE = (1 / 6, 1 / 2, 5 / 6)
ODD = {
    "one line beyond the edge": one_beyond,
    "one line beyond the edge, three ties": partial(one_beyond, ties=THREE),
    "last line not walked": last_not_walked,
    "last line not walked, three ties": partial(last_not_walked, ties=THREE),
    "lines stopped early, no times": stopped_early,
}
KINDS = {
    "line-reversed": turned_round,
    "line-shifted": moved,
    "line-shifted (by 1.25 m)": partial(moved, most=LATE, least=LATE),
    "lines-swapped": swapped_apart,
    "lines-swapped (neighbours)": swapped_neighbours,
    "line-doubled": walked_twice,
    "line-doubled (three ties)": partial(walked_twice, ties=THREE),
    "line-again": walked_again,
    "line-again (next line)": walked_again_beside,
    "line-skipped": left_out,
    "line-skipped (three ties)": partial(left_out, ties=THREE),
    "line-copied": copied,
    "line-strange": strange,
    "line-strange (read on one spot)": stood_still,
    "readings-lost": stuttered,
    "readings-lost (no times)": stuttered_without_times,
}


def print_alarms(what, codes) -> None:
    """Print in how many grids without such a mistake one is reported, and which."""
    raised = Counter(code for found in codes for code in found)
    times = ", ".join(f"{code} {count}" for code, count in raised.most_common())
    print(f"{what}: {sum(map(bool, codes))} of {len(codes)} grids with a finding ({times or 'none'})", flush=True)


def main(words) -> None:
    """Print rates over the sites."""
    words = [word for word in words if not LENGTH.fullmatch(word)]
    numbers = [int(word) for word in words if word.isdigit()]
    sites, first = numbers[0] if numbers else 40, numbers[1] if len(numbers) > 1 else 9000
    seeds = range(first, first + sites)
    kinds = [word for word in words if not word.isdigit() and word != OTHER]
    plain = {"clean": walked, "clean, three ties": partial(walked, ties=THREE), **ODD}
    for what, grid in ((what, grid) for what, grid in plain.items() if not kinds or what in kinds):
        found = [seen(*grid(seed)) for seed in seeds]
        # That a line is missing or one too many is right.
        said = [[f.code for f in compared] if what not in ODD else [] for compared, _ in found]
        print_alarms(what, [[*codes, *(m.finding.code for m in possible)] for codes, (_, possible) in zip(said, found)])
    for kind, spoil in KINDS.items():
        code, found, sure, wrong = kind.split(" ")[0], 0, 0, 0
        for seed in seeds if not kinds or code in kinds else ():
            readings, scheme, lines = spoil(seed, np.random.default_rng(seed))
            compared, possible = seen(readings, scheme)
            hits = [m for m in possible if m.finding.code == code and about(m, lines)]
            # Numbers that come out of their turn are asked about before the readings are.
            asked = code == "lines-swapped" and any(
                f.code == "line-order" and {f.line, *f.also} == lines for f in compared
            )
            found += bool(hits) or asked
            sure += any(m.certainty >= 0.95 for m in hits)
            wrong += any(not about(m, lines) for m in possible)
        if not kinds or code in kinds:
            print(f"{kind}: {found} of {sites} found ({found / sites:.0%}), {sure} with a certainty of 0.95, {wrong} "
                  "with a finding about another line", flush=True)  # fmt: skip


if __name__ == "__main__":
    with whole_benchmark():
        main(sys.argv[1:])
