"""Regular expressions that people write into a layout: none may run away on a row of a log."""

from __future__ import annotations

import re
import time
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Callable, Iterable, Sequence

from ..core import EngineError, Progress, shown

try:
    from re import _constants as codes  # type: ignore[attr-defined]
    from re import _parser as parser  # type: ignore[attr-defined]
except ImportError:  # Python before 3.11
    import sre_constants as codes
    import sre_parse as parser

REACH = 400
"""Characters of a row that an expression sees. Derived: a row that opens a line has fewer, and what takes time with the
square of the length takes some 0.1 ms for as many."""
REPEATS = (8, 12, 16, 20, 24, 28)
"""Derived: an expression that runs away at least multiplies its time by 1.6 with each more repetition (Fibonacci), by
500,000 from 0 to 28; any other takes microseconds for all of them."""
LONGEST_S = 0.01
"""CPU time of the quickest of three trials from which an expression runs away, s. Derived: some 100,000 steps of
matching, where 28 repetitions need some hundred."""
SURELY_S = 0.1
"""CPU time of a single trial from which it runs away, s. Derived: ten times as long as that of the quickest of three,
which no delay of a processor makes of a shorter one."""
LONGEST_EXPRESSION = 2000
"""Characters of an expression. Common practice, no source: five times as many as of the row that it sees."""
KEPT_ANSWERS = 64
"""Expressions whose answer is kept. Derived: each change to a layout in a window makes it anew, with its two."""


COUNTS = re.compile(r"(?<!\\)\{(\d+)(?:,(\d*))?\}")
"""Counts of a repetition, ``{3}`` or ``{2,5}``."""
LEAST_COUNTS = range(2, 25)
"""Derived: as for ``REPEATS``, 1.6 to the power of 24 is 80,000."""
MOST_NESTED = 2
"""Repetitions inside each other. Derived: with three, the first counts that are tried may already take minutes; and an
expression with so many can be written with fewer."""


def check_expression(option: str, expression: str, groups: Sequence[str], progress: Progress = None) -> None:
    """Raise EngineError unless an option of a layout is a regular expression that may be used.

    Parameters
    ----------
    option : str
        Its key in the layout.
    expression : str
    groups : sequence of str
        Named groups that it may have.
    progress : callable, optional
        Called with 0 again and again; what it raises ends the check.
    """
    if isinstance(expression, str) and len(expression) > LONGEST_EXPRESSION:
        raise EngineError(
            f"Invalid {option} of a log layout: {shown(expression)} was given, {len(expression):,} characters. It must "
            f"have at most {LONGEST_EXPRESSION:,}."
        )
    try:
        found = re.compile(expression).groupindex
    except (re.error, TypeError, OverflowError, RecursionError) as error:
        raise EngineError(
            f"Invalid {option} of a log layout: {shown(expression)} was given. It must be a regular expression "
            f"({error})."
        ) from None
    if runs_away(expression, progress):
        raise EngineError(
            f"Invalid {option} of a log layout: {shown(expression)} was given, and takes minutes on some rows. "
            "Write it without a repetition inside a repetition, such as (\\d+)*."
        )
    for group in found:
        if group not in groups:
            raise EngineError(
                f"Invalid {option} of a log layout: the group {shown(group)} was given. "
                f"It must be: {', '.join(groups) or 'without named groups'}."
            )


@dataclass(frozen=True)
class _Watch:
    """What ends a check; the answer does not depend on it."""

    report: Progress = field(compare=False)

    def look(self) -> None:
        if self.report is not None:
            self.report(0.0)


def runs_away(expression: str, progress: Progress = None) -> bool:
    r"""Return whether an expression takes time out of proportion on some row: ``(\d+)*x`` on digits without an x.

    Each repetition in the expression is tried on rows in which what it repeats comes often and the end does not fit.
    An expression with counts, such as ``(\d?){30}``, is tried with smaller counts before. ``progress`` is called with 0
    before each trial; what it raises ends them.
    """
    return _answer(expression, _Watch(progress))


@lru_cache(maxsize=KEPT_ANSWERS)
def _answer(expression: str, watch: _Watch) -> bool:
    if _depth(parser.parse(expression)) > MOST_NESTED:
        return True
    smaller = [_with_smaller_counts(expression, most) for most in LEAST_COUNTS]
    return any(_runs_away(one, watch) for one in dict.fromkeys([*smaller, expression]))


def _with_smaller_counts(expression: str, most: int) -> str:
    def smaller(found: re.Match[str]) -> str:
        low, high = found.group(1), found.group(2)
        if high is None:
            return f"{{{min(int(low), most)}}}"
        return f"{{{min(int(low), most)},{min(int(high), most) if high else ''}}}"

    return COUNTS.sub(smaller, expression)


def _depth(items: Iterable) -> int:
    """Return how many repetitions are inside each other, single optional things not counted."""
    deepest = 0
    for code, value in items:
        if code in (codes.MAX_REPEAT, codes.MIN_REPEAT):
            deepest = max(deepest, (value[1] > 1) + _depth(value[2]))
        elif code is codes.SUBPATTERN:
            deepest = max(deepest, _depth(value[-1]))
        elif code is codes.BRANCH:
            deepest = max([deepest, *map(_depth, value[1])])
        elif code in (codes.ASSERT, codes.ASSERT_NOT):
            deepest = max(deepest, _depth(value[1]))
    return deepest


def _runs_away(expression: str, watch: _Watch) -> bool:
    compiled = re.compile(expression)
    courses = [*_repetitions(parser.parse(expression), ""), *(("", sign) for sign in "a0 ")]
    # From the shortest on, for the longest row of an expression that runs away would take years.
    rows = (
        (before + body * count)[:REACH] + "\0" for before, body in courses for count in (*REPEATS, REACH // 4, REACH)
    )
    return any(_trial(compiled, row, watch) > LONGEST_S for row in rows)


def _trial(compiled: re.Pattern[str], row: str, watch: _Watch) -> float:
    best = float("inf")
    for _ in range(3):
        watch.look()
        start = time.thread_time()
        compiled.search(row)
        best = min(best, time.thread_time() - start)
        if not LONGEST_S < best < SURELY_S:
            break
    return best


def _repetitions(items: Iterable, before: str) -> Iterable[tuple[str, str]]:
    """Yield (a text that leads to it, a text that its body fits) of each repetition, of a choice several bodies."""
    for code, value in items:
        if code in (codes.MAX_REPEAT, codes.MIN_REPEAT):
            yield from ((before, body) for body in dict.fromkeys(_example(value[2], pick) for pick in PICKS))
            yield from _repetitions(value[2], before)
        elif code is codes.SUBPATTERN:
            yield from _repetitions(value[-1], before)
        elif code is codes.BRANCH:
            for branch in value[1]:
                yield from _repetitions(branch, before)
        elif code in (codes.ASSERT, codes.ASSERT_NOT):
            yield from _repetitions(value[1], before)
        before += _example([(code, value)], _first_of_longest)


def _first_of_longest(texts: Iterable[str]) -> str:
    return max(texts, key=len)[:1]


def _longest(texts: Iterable[str]) -> str:
    return max(texts, key=len)


def _shortest(texts: Iterable[str]) -> str:
    return min(texts, key=len)


PICKS: tuple[Callable[[Iterable[str]], str], ...] = (_first_of_longest, _longest, _shortest)
"""Texts that stand for a choice: rows of them fit it in the most ways where its branches begin alike, or join."""


def _example(items: Iterable, pick: Callable[[Iterable[str]], str]) -> str:
    """Return a text that items of an expression fit; a repetition gives its body once, a choice what ``pick`` takes."""
    text = ""
    for code, value in items:
        if code is codes.LITERAL:
            text += chr(value)
        elif code in (codes.ANY, codes.NOT_LITERAL):
            text += "a"
        elif code is codes.IN:
            text += _of_set(value)
        elif code in (codes.MAX_REPEAT, codes.MIN_REPEAT):
            text += _example(value[2], pick)
        elif code is codes.SUBPATTERN:
            text += _example(value[-1], pick)
        elif code is codes.ASSERT and value[0] < 0:
            text += _example(value[1], pick)
        elif code is codes.BRANCH:
            text += pick([_example(branch, pick) for branch in value[1]])
    return text


def _of_set(items: Iterable) -> str:
    r"""Return a character of a set such as ``[a-z\d]``."""
    for code, value in items:
        if code is codes.LITERAL:
            return chr(value)
        if code is codes.RANGE:
            return chr(value[0])
        if code is codes.CATEGORY:
            names = {codes.CATEGORY_DIGIT: "0", codes.CATEGORY_SPACE: " ", codes.CATEGORY_NOT_SPACE: "a"}
            return names.get(value, "a" if value is codes.CATEGORY_WORD else "-")
    return "a"
