"""Possible recording mistakes: lines whose readings contradict what the log says of them, and what would mend it."""

from __future__ import annotations

from dataclasses import replace
from typing import Collection, Iterator, Optional, Sequence

import numpy as np

from ..core import Code, Note, Progress, Readings, Scheme, certainty_of, check_channels, kind_code
from .context import AlignedReadings, GridContext, PossibleMistake, Proposal, aligned_alone, context_of
from .lost_by_clock import breaks_of
from .lost_by_neighbours import slips_of
from .messages import (
    exchanged,
    foreign,
    left_out,
    lost_by_fit,
    lost_by_times,
    standing_still,
    stationary,
    walked_again,
    walked_beside,
    walked_twice,
)
from .misplaced import misplaced_in_error, misplaced_lines
from .neighbour_fit import FEATURE_M
from .order import OrderMistake
from .order_likelihood import INDEPENDENT_M
from .posterior import ProbableLines
from .repeated_values import repeated_values
from .skipped_line import last_line_missing, skip_of
from .stationary import still_lines

LEAST_LINES = 5
"""Least lines whose order is judged. Derived: ``EDGE`` lines at either edge have neighbours on one side only, so that
five are the fewest of which one has two on both."""
WHOLE = 0.8
"""Fraction of its readings that a line must have for its order to be judged. Common practice, no source: a line with a
gap for an obstacle is judged, half a line is not."""

MOST_SEARCHES = 11
"""Parts of the progress of a search. Derived: the searches of ``_searches``, and what comes before them."""
COPY_READINGS = 16
"""Lines of which so many first readings are the same may be copies; then all readings are compared. Derived: it only
saves comparing, as instruments with noise do not repeat so many readings."""
STILL_M = 0.5
"""Shortest stretch of one value that is walked again, as other stretches without readings are. Common practice, no
source: it hides a pit or a post."""


def possible_mistakes(
    readings: Readings,
    scheme: Scheme,
    notes: Sequence[Note] = (),
    *,
    channels: Optional[Sequence[str]] = None,
    aligned: Optional[AlignedReadings] = None,
    in_error: Collection[int] = (),
    progress: Progress = None,
) -> list[PossibleMistake]:
    """Return lines whose readings say that they were walked otherwise than recorded.

    Parameters
    ----------
    readings : Readings
        Placed readings of one grid, as logged. Nothing is changed.
    scheme : Scheme
    notes : sequence of Note
        A line that they speak of (obstacles apart) gets no proposal.
    channels : sequence of str, optional
        Channels to look at; all when not given.
    aligned : AlignedReadings, optional
        The same readings as the corrections flagged and aligned them; both is done here when not given.
    in_error : collection of int
        Lines that the comparison with the notes has as an error (``lines_in_error``): no other line is held against
        them.
    progress : callable, optional
        Called with the fraction done; what it raises ends the search.

    Returns
    -------
    list of PossibleMistake
        By line. Codes: ``line-reversed``, ``line-shifted``, ``lines-swapped``, ``line-doubled``, ``line-again``,
        ``line-copied``, ``line-strange``, ``line-skipped``, ``readings-lost``.

    Raises
    ------
    EngineError
        When a channel is not there.

    Notes
    -----
    Each line is held against its neighbours, turned round and moved (see ``misplacements``), and the order of all lines
    is judged as a whole (see ``OrderLikelihood``), before and after. Both report at most one mistake in 20 clean grids,
    each. Lost readings show in the times (see ``breaks_of``), in a log without times in the neighbours (``slips_of``).
    Tie lines cross all lines: where a log has a line too many or too few they show best from which one on lines lie
    elsewhere (see ``farther_by_ties``). See ``docs/methods/mistakes.md``.
    """
    chosen = check_channels(channels, tuple(readings.channels))
    chosen = tuple(c for c in chosen if np.isfinite(readings.channels[c]).any())
    report, found = progress or (lambda fraction: None), []
    report(0.0)
    grid = context_of(readings, scheme, chosen, aligned or aligned_alone(readings, chosen))
    searches = _searches(grid, in_error, all(n.line != scheme.lines[-1] for n in notes))
    for number, search in enumerate(searches, 1):
        report(number / MOST_SEARCHES)
        for mistake in search:
            found.append(mistake)
            report(number / MOST_SEARCHES)
    noted = {n.line for n in notes if n.line is not None and n.of_recording}
    found = [replace(m, implied=tuple(p.note for p in m.proposals)) for m in found]
    settled = [m if not noted & {p.line for p in m.proposals} else replace(m, proposals=()) for m in found]
    return sorted(settled, key=lambda m: (m.finding.line, m.finding.run))


def _searches(grid: GridContext, in_error: Collection[int], skips: bool) -> Iterator[Iterator[PossibleMistake]]:
    """Yield one search after the other, each to be gone through before the next; a line left out only if ``skips``."""
    yield from (search(grid) for search in (_breaks, _slips, _copies, _stationary, _repeats))
    if len(grid.lines) < LEAST_LINES:
        return
    wrong = [i for i in np.flatnonzero(np.isin(grid.lines.line, list(in_error))).tolist() if grid.trusted[i]]
    grid.trusted[wrong] = False
    # Until it is corrected, a reversed or shifted line looks foreign: lines from other ground are looked for last.
    yield _orders(grid, last=False)
    yield misplaced_lines(grid)
    yield _orders(grid, last=True)
    yield misplaced_in_error(grid, wrong)
    if skips:
        yield _skips(grid)


def _breaks(grid: GridContext) -> Iterator[PossibleMistake]:
    for item in breaks_of(grid.readings, grid.rows, grid.ends, grid.lines.step_m):
        grid.trusted[item.line] = False
        line, step = int(grid.lines.line[item.line]), grid.scheme.interval_m
        finding = grid.finding(Code.READINGS_LOST, item.line, *lost_by_times(item, line, step))
        yield PossibleMistake(finding, (grid.proposal(item.line, item.certainty, kind="void"),))


def _slips(grid: GridContext) -> Iterator[PossibleMistake]:
    for item in slips_of(grid.readings, grid.matrix, grid.lines, grid.ends):
        grid.trusted[item.line] = False
        line, step = int(grid.lines.line[item.line]), grid.scheme.interval_m
        finding = grid.finding(Code.READINGS_LOST, item.line, *lost_by_fit(item, line, step))
        yield PossibleMistake(finding, (grid.proposal(item.line, item.certainty, kind="void"),))


def _copies(grid: GridContext) -> Iterator[PossibleMistake]:
    """Yield lines whose readings are those of another line, value by value, as far as the shorter one goes.

    The copy is the one that differs more from the lines beside it; the later one where these do not show it.
    """
    seen: dict[bytes, list[tuple[int, list[np.ndarray]]]] = {}
    for i in np.argsort([rows.min() for rows in grid.rows]).tolist():
        values = [grid.readings.channels[c][grid.rows[i]] for c in grid.channels]
        if not any(np.ptp(v[np.isfinite(v)]) > 0 for v in values if np.isfinite(v).any()):
            continue
        alike = seen.setdefault(b"".join(v[:COPY_READINGS].tobytes() for v in values), [])
        at = next((n for n, (_, earlier) in enumerate(alike) if _same_readings(earlier, values)), None)
        if at is None:
            alike.append((i, values))
            continue
        before = alike[at][0]
        if _difference_beside(grid, before, i) > _difference_beside(grid, i, before):
            alike[at] = (i, values)
            i, before = before, i
        grid.trusted[i] = False
        line, other = int(grid.lines.line[i]), int(grid.lines.line[before])
        found = f"The readings are those of line {other}, value by value."
        advice = f"Walk line {line} again, and note it as void. If its right readings are in the log, take those."
        finding = grid.finding(Code.LINE_COPIED, i, found, "readings of its own", advice)
        yield PossibleMistake(finding, (grid.proposal(i, 1.0, kind="void"),))


def _difference_beside(grid: GridContext, i: int, but: int) -> float:
    """Return the robust scale of the differences between a line and those beside it but for one; NaN without any."""
    beside = [k for k in (i - 1, i + 1) if 0 <= k < len(grid.lines) and k != but]
    differences = [d[np.isfinite(d)] for d in grid.matrix[beside] - grid.matrix[i]]
    scales = [np.median(np.abs(d - np.median(d))) for d in differences if len(d)]
    return float(np.mean(scales)) if scales else np.nan


def _same_readings(one: list[np.ndarray], two: list[np.ndarray]) -> bool:
    """Whether two lines have the same readings in all channels, as far as the shorter one goes."""
    count = min(len(one[0]), len(two[0]))
    return all(a[:count].tobytes() == b[:count].tobytes() for a, b in zip(one, two))


def _stationary(grid: GridContext) -> Iterator[PossibleMistake]:
    """Yield lines that were read on one spot."""
    unit = grid.readings.units.get(grid.channels[grid.clearest], "")
    for item in still_lines(grid.matrix, grid.lines.step_m):
        if not grid.trusted[item.line]:
            continue
        grid.trusted[item.line] = False
        found = stationary(item, unit)
        advice = f"Walk line {int(grid.lines.line[item.line])} again, and note it as void. If it is a dummy, note that."
        finding = grid.finding(Code.LINE_STRANGE, item.line, found, "ground like that beside it", advice)
        yield PossibleMistake(finding, (grid.proposal(item.line, certainty_of(item.gain, 1.0), kind="dummy"),))


def _repeats(grid: GridContext) -> Iterator[PossibleMistake]:
    """Yield lines within which the instrument repeats one value."""
    step = grid.lines.step_m
    for channel in grid.channels:
        index = np.flatnonzero(grid.trusted).tolist()
        rows = [r[(grid.readings.v_m[r] >= 0) & (grid.readings.v_m[r] <= grid.scheme.length_m)] for r in grid.rows]
        values = [grid.readings.channels[channel][rows[i]] for i in index]
        for item in repeated_values(values, int(np.ceil(STILL_M / step))):
            i = index[item.line]
            grid.trusted[i] = False
            ends = sorted(grid.readings.v_m[rows[i][[item.begin, item.end - 1]]].tolist())
            found = standing_still(f"{item.value:.10g} {grid.readings.units.get(channel, '')}".rstrip(), ends)
            advice = f"Walk line {int(grid.lines.line[i])} again, and note it as void."
            finding = grid.finding(Code.LINE_STRANGE, i, found, "values that change from reading to reading", advice)
            yield PossibleMistake(finding)


def _orders(grid: GridContext, last: bool) -> Iterator[PossibleMistake]:
    """Yield lines that fit at another position in the order, the surest first.

    Before the ``last`` time until one fits nowhere.
    """
    known = np.count_nonzero(np.isfinite(grid.matrix), axis=1)
    whole, too_many = known >= WHOLE * np.median(known), _lines_too_many(grid)
    while np.count_nonzero(grid.trusted & whole) >= LEAST_LINES:
        index = np.flatnonzero(grid.trusted & whole)
        found = grid.order(index, too_many > grid.doubled).best(grid.shapes(index) if last else ())
        if found is None or (found.code is Code.LINE_STRANGE and not last):
            return
        i, other = int(index[found.line]), int(index[found.other]) if found.other >= 0 else -1
        if not last and _better_misplaced(grid, found, i, other):
            return
        grid.trusted[i] = False
        if found.code is Code.LINES_SWAPPED:
            grid.trusted[other] = False
        if found.probable:
            grid.trusted[index[list(found.probable.lines)]] = False
        if found.code is Code.LINE_DOUBLED:
            grid.position[i:] -= 1
            grid.doubled += 1
        yield _about_one_of(grid, found, found.probable, index) if found.probable else _misordered(grid, found, index)


def _better_misplaced(grid: GridContext, found: OrderMistake, i: int, other: int) -> bool:
    """Return whether a line, or one beside it that takes part, fits even better turned round or moved.

    The neighbours of a line on other ground fit better without it wherever it lies. So a line on the ground of one
    farther off is held against other ground either way; beside a line that is wrong itself, it seems to lie beyond it.
    """
    misplaced, beyond_chance = grid.misplaced(), found.gain - found.threshold
    if found.code is not Code.LINE_AGAIN:
        return bool(misplaced.above[:, [k for k in (i, other) if k >= 0]].max() > beyond_chance)
    own = np.where(misplaced.above[:, i] > 0, misplaced.foreign[:, i], -np.inf)
    between = [(i + other) // 2] if abs(i - other) == 2 else []
    return bool(
        own.max() * FEATURE_M / INDEPENDENT_M > found.beyond_foreign
        or misplaced.above[:, between].max(initial=-np.inf) > beyond_chance
    )


def _lines_too_many(grid: GridContext) -> int:
    """Return how many lines the log has more than the grid."""
    outside = grid.readings.has_flag("unplaced") & (grid.readings.kind == kind_code("survey"))
    logged = grid.readings.line[(grid.lines.owner >= 0) | outside]
    return len(np.unique(logged)) - grid.scheme.line_count


def _skips(grid: GridContext) -> Iterator[PossibleMistake]:
    """Yield a line left out on the way, where the last one of the grid is missing in the log."""
    index = np.flatnonzero(grid.trusted)
    if not len(index) or not last_line_missing(grid.readings, grid.scheme):
        return
    skip = skip_of(grid.shapes(index), grid.farther(index, 1.0))
    if skip is None:
        return
    i, lines = int(index[skip.line]), grid.lines
    among = _numbers(grid, skip, index)
    texts = left_out(skip, among, int(lines.line[i]), grid.scheme, bool(grid.ties))
    finding = grid.finding(Code.LINE_SKIPPED, i, *texts, severity="warning")
    later = tuple(
        grid.proposal(int(k), skip.certainty_line, position_m=float(lines.u[k] + grid.scheme.spacing_m))
        for k in np.flatnonzero(lines.u > lines.u[i] - 1e-6)
    )
    yield PossibleMistake(finding, later, among)


def _numbers(grid: GridContext, probable: ProbableLines, index: np.ndarray) -> tuple[int, ...]:
    return tuple(sorted(int(grid.lines.line[index[k]]) for k in probable.lines))


def _about_one_of(
    grid: GridContext, found: OrderMistake, probable: ProbableLines, index: np.ndarray
) -> PossibleMistake:
    """Return the mistake of a line that lies on the one beside it, or of a few of which it is one."""
    u, numbers, sure = grid.lines.u, grid.lines.line, probable.certainty_line
    i, other = int(index[found.line]), int(index[found.other])
    among = _numbers(grid, probable, index)
    later = np.flatnonzero(u > u[i] + 1e-6) if found.code is Code.LINE_DOUBLED else np.zeros(0, int)
    words = walked_twice if found.code is Code.LINE_DOUBLED else walked_beside
    texts = words(found, probable, among, int(numbers[i]), int(numbers[other]))
    redo = grid.proposal(i, sure, kind="redo", position_m=float(u[other]))
    nearer = (grid.proposal(int(k), sure, position_m=float(u[k] - grid.scheme.spacing_m)) for k in later)
    finding = grid.finding(found.code, i, *texts)
    return PossibleMistake(finding, (redo, *nearer), among if len(among) > 1 else ())


def _misordered(grid: GridContext, mistake: OrderMistake, index: np.ndarray) -> PossibleMistake:
    sure, numbers, u = mistake.certainty, grid.lines.line, grid.lines.u
    i, other = int(index[mistake.line]), int(index[mistake.other]) if mistake.other >= 0 else -1
    line = int(numbers[i])
    proposals: tuple[Proposal, ...]
    if mistake.code is Code.LINES_SWAPPED:
        texts = exchanged(mistake, line, int(numbers[other]))
        proposals = (grid.proposal(i, sure, position_m=float(u[other])),
                     grid.proposal(other, sure, position_m=float(u[i])))  # fmt: skip
    elif mistake.code is Code.LINE_AGAIN:
        texts = walked_again(mistake, line, int(numbers[other]))
        proposals = (grid.proposal(i, sure, kind="redo", position_m=float(u[other])),)
    else:
        texts = foreign(mistake)
        proposals = (grid.proposal(i, sure, kind="dummy"),)
    return PossibleMistake(grid.finding(mistake.code, i, *texts), proposals)
