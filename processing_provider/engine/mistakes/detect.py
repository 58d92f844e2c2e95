"""Doubts: lines whose readings contradict what the log says of them, and what would mend it."""

from __future__ import annotations

from typing import Iterator, Optional, Sequence

import numpy as np

from ..core import Code, Note, Readings, Scheme, check_channels, kind_code
from .context import Doubt, Proposal, Work, work_of
from .lost_by_clock import breaks_of
from .lost_by_neighbours import slips_of
from .messages import (
    AS_RECORDED,
    fits_as_recorded,
    told_by_neighbours,
    told_by_times,
    told_of_again,
    told_of_beside,
    told_of_double,
    told_of_skip,
)
from .neighbour_fit import GROUND_M, Fit, excess, moves_of
from .order import OrderDoubt, certainty_of, order_doubt
from .order_likelihood import Ground
from .posterior import Spot
from .skipped_line import last_line_missing, skip_of
from .stationary import still_lines

LEAST_LINES = 5
WHOLE = 0.8
"""Share of its readings that a line must have for a word on its order."""
UNSURE_M = 0.5
"""A line turned round is moved only by more than this: so far off may any line be walked."""


def doubts_of(
    readings: Readings, scheme: Scheme, notes: Sequence[Note] = (), *, channels: Optional[Sequence[str]] = None
) -> list[Doubt]:
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

    Returns
    -------
    list of Doubt
        By line. Codes: ``line-reversed``, ``line-shifted``, ``lines-swapped``, ``line-doubled``, ``line-again``,
        ``line-copied``, ``line-strange``, ``line-skipped``, ``readings-lost``.

    Raises
    ------
    EngineError
        When a channel is not there.

    Notes
    -----
    Each line is held against its neighbours, turned round and moved (see ``fits``), and the order of all lines is
    judged as a whole (see ``Ground``), before and after. Both raise at most one false doubt in 20 clean grids, each.
    Lost readings are told by the times (see ``breaks_of``), in a log without times by the neighbours (``slips_of``).
    Tie lines cross all lines: where a log has a line too many or too few they tell best from which one on lines lie
    elsewhere (see ``farther_by_ties``).
    """
    chosen = check_channels(channels, tuple(readings.channels))
    chosen = tuple(c for c in chosen if np.isfinite(readings.channels[c]).any())
    work = work_of(readings, scheme, chosen)
    doubts = [*_breaks(work), *_slips(work), *_copies(work), *_stills(work)]
    if len(work.lines) >= LEAST_LINES:
        # A line turned round or moved is strange where it lies: strangers have their say when those are settled.
        doubts += [*_orders(work, strangers=False), *_places(work), *_orders(work, strangers=True)]
        if all(n.line != scheme.lines[-1] for n in notes):
            doubts += _skips(work)
    noted = {n.line for n in notes if n.line is not None and n.kind != "obstacle"}
    settled = [d if not noted & {p.line for p in d.proposals} else Doubt(d.finding, (), d.among) for d in doubts]
    return sorted(settled, key=lambda d: (d.finding.line, d.finding.run))


def _breaks(work: Work) -> Iterator[Doubt]:
    for item in breaks_of(work.readings, work.lines):
        work.trusted[item.line] = False
        line, step = int(work.lines.line[item.line]), work.scheme.interval_m
        finding = work.finding(Code.READINGS_LOST, item.line, *told_by_times(item, line, step))
        yield Doubt(finding, (work.proposal(item.line, item.certainty, kind="void"),))


def _slips(work: Work) -> Iterator[Doubt]:
    for item in slips_of(work.readings, work.matrix, work.lines):
        work.trusted[item.line] = False
        line, step = int(work.lines.line[item.line]), work.scheme.interval_m
        finding = work.finding(Code.READINGS_LOST, item.line, *told_by_neighbours(item, line, step))
        yield Doubt(finding, (work.proposal(item.line, item.certainty, kind="void"),))


def _copies(work: Work) -> Iterator[Doubt]:
    """Lines whose readings are those of an earlier line, value by value."""
    seen: dict[bytes, int] = {}
    first = [np.flatnonzero(work.lines.owner == i).min() for i in range(len(work.lines))]
    for i in np.argsort(first).tolist():
        mine = work.lines.owner == i
        values = [work.readings.channels[c][mine] for c in work.channels]
        if not any(np.ptp(v[np.isfinite(v)]) > 0 for v in values if np.isfinite(v).any()):
            continue
        key = b"".join(v.tobytes() for v in values)
        if key not in seen:
            seen[key] = i
            continue
        work.trusted[i] = False
        line, other = int(work.lines.line[i]), int(work.lines.line[seen[key]])
        found = f"Its readings are those of line {other}, value by value."
        advice = f"Find the right readings of line {line} in the log, or note it as void and walk it again."
        finding = work.finding(Code.LINE_COPIED, i, found, "readings of its own", advice)
        yield Doubt(finding, (work.proposal(i, 1.0, kind="void"),))


def _stills(work: Work) -> Iterator[Doubt]:
    """Lines that were read on one spot."""
    unit = work.readings.units.get(work.channels[work.clearest], "")
    for item in still_lines(work.matrix, work.lines.step_m):
        if not work.trusted[item.line]:
            continue
        work.trusted[item.line] = False
        found = (
            f"Its readings hardly change along the line (by {item.own:.2g} {unit}".rstrip()
            + f"), where those of the lines around it change by {item.beside:.2g} at least."
        )
        advice = "If it is a dummy line or was read standing still, note it as dummy, and walk the line again."
        finding = work.finding(Code.LINE_STRANGE, item.line, found, "ground like that beside it", advice)
        yield Doubt(finding, (work.proposal(item.line, certainty_of(item.gain, 1.0), kind="dummy"),))


def _places(work: Work) -> Iterator[Doubt]:
    """Lines that fit when they are turned round or moved, the worst first."""
    found = 0
    while found < len(work.lines) // 2:
        fit = work.fit()
        above = excess(fit, work.trusted).max(axis=0)
        worst = int(above.argmax())
        if above[worst] <= 0:
            break
        # A line is held against its neighbours: of two doubted side by side the one that stands without the other.
        for rival in (worst - 1, worst + 1):
            if 0 <= rival < len(above) and above[rival] > 0 and _alone(work, rival, worst) > _alone(work, worst, rival):
                worst = rival
        # Its neighbours were held against it; they get another hearing without it.
        work.trusted[worst] = False
        found += 1
        yield _misplaced(work, worst, fit)


def _alone(work: Work, i: int, other: int) -> float:
    """Return what a line gains beyond chance when another one is taken out."""
    trusted = work.trusted.copy()
    trusted[other] = False
    return float(excess(work.fit(trusted), trusted)[:, i].max())


def _misplaced(work: Work, i: int, fit: Fit) -> Doubt:
    above = excess(fit, np.ones(len(work.lines), bool))[:, i]
    way = int(above.argmax())
    at = int(fit.best[way, i])
    recorded, proposed = fit.correlation[0, i, fit.near].max(), fit.correlation[way, i, at]
    found = f"Its readings fit the neighbouring lines with a correlation of {recorded:.2f} as recorded, "
    heading, move = int(work.lines.heading[i]), float(fit.move_m[at])
    certainty = certainty_of(float(fit.proposed[way, i] - fit.recorded[i]), moves_of(fit))
    start = work.start_m(i)
    if way:
        found += f"and of {proposed:.2f} when the line is turned round."
        code, advice = Code.LINE_REVERSED, "note its true heading and start_station."
        heading = -heading
        start = work.lines.v[0] + work.lines.v[-1] - start + (move if abs(move) > UNSURE_M else 0.0)
    else:
        found += f"and of {proposed:.2f} when it is moved by {move:+.1f} m along the traverse."
        code, advice = Code.LINE_SHIFTED, "note its true start_station."
        start += move
    finding = work.finding(code, i, found, "a line that fits best where it was recorded",
                           f"If the field book agrees, {advice}")  # fmt: skip
    if not heading:
        return Doubt(finding)
    station = work.station(start, heading)
    return Doubt(finding, (work.proposal(i, certainty, heading=heading, start_station=station),))


def _orders(work: Work, strangers: bool) -> Iterator[Doubt]:
    """Lines that fit at another place of the order, the surest first; without ``strangers`` until one fits nowhere."""
    lines, spacing = work.lines, work.scheme.spacing_m
    known = np.count_nonzero(np.isfinite(work.matrix), axis=1)
    whole = known >= WHOLE * np.median(known)
    outside = work.readings.has_flag("unplaced") & (work.readings.kind == kind_code("survey"))
    logged = work.readings.line[(lines.owner >= 0) | outside]
    too_many = len(np.unique(logged)) - work.scheme.line_count
    while np.count_nonzero(work.trusted & whole) >= LEAST_LINES:
        index = np.flatnonzero(work.trusted & whole)
        state = (index.tobytes(), work.place.tobytes(), strangers)
        if state not in work.judged:
            ground, walked = (
                Ground(m[index], work.place[index], lines.step_m, spacing, GROUND_M) for m in (work.matrix, work.walked)
            )
            nearer = work.farther(index, -1.0) if too_many > work.doubled else None
            work.judged[state] = order_doubt(ground, walked, work.gaps(index) if strangers else (), nearer)
        found = work.judged[state]
        if found is None or (found.code is Code.LINE_STRANGE and not strangers):
            return
        i, other = int(index[found.line]), int(index[found.other]) if found.other >= 0 else -1
        if not strangers:
            # One of them that is turned round or moved may fit even better.
            misplaced = excess(work.fit(), work.trusted)[:, [k for k in (i, other) if k >= 0]].max()
            if misplaced > found.gain - found.threshold:
                return
        work.trusted[i] = False
        if found.code is Code.LINES_SWAPPED:
            work.trusted[other] = False
        if found.spot:
            work.trusted[index[list(found.spot.lines)]] = False
        if found.code is Code.LINE_DOUBLED:
            work.place[i:] -= 1
            work.doubled += 1
        yield (_probable if found.spot else _misordered)(work, found, index)


def _skips(work: Work) -> Iterator[Doubt]:
    """A line left out on the way, where the last one of the grid is missing in the log."""
    index = np.flatnonzero(work.trusted)
    if not len(index) or not last_line_missing(work.readings, work.scheme):
        return
    skip = skip_of(work.gaps(index), work.farther(index, 1.0))
    if skip is None:
        return
    i, lines = int(index[skip.line]), work.lines
    among = _numbers(work, skip, index)
    told = told_of_skip(skip, among, int(lines.line[i]), work.scheme, bool(work.ties))
    finding = work.finding(Code.LINE_SKIPPED, i, *told, severity="warning")
    moved = tuple(
        work.proposal(int(k), skip.certainty_line, position_m=float(lines.u[k] + work.scheme.spacing_m))
        for k in np.flatnonzero(lines.u > lines.u[i] - 1e-6)
    )
    yield Doubt(finding, moved, among)


def _numbers(work: Work, spot: Spot, index: np.ndarray) -> tuple[int, ...]:
    return tuple(sorted(int(work.lines.line[index[k]]) for k in spot.lines))


def _probable(work: Work, doubt: OrderDoubt, index: np.ndarray) -> Doubt:
    """Return the doubt about a line on the ground of the one beside it, or about a few of which it is one."""
    u, spot = work.lines.u, doubt.spot
    i, other = int(index[doubt.line]), int(index[doubt.other])
    among = _numbers(work, spot, index)
    later = np.flatnonzero(u > u[i] + 1e-6) if doubt.code is Code.LINE_DOUBLED else ()
    tell = told_of_double if doubt.code is Code.LINE_DOUBLED else told_of_beside
    told = tell(doubt, among, int(work.lines.line[i]), int(work.lines.line[other]))
    redo = work.proposal(i, spot.certainty_line, kind="redo", position_m=float(u[other]))
    moved = (work.proposal(int(k), spot.certainty_line, position_m=float(u[k] - work.scheme.spacing_m)) for k in later)
    return Doubt(work.finding(doubt.code, i, *told), (redo, *moved), among if len(among) > 1 else ())


def _misordered(work: Work, doubt: OrderDoubt, index: np.ndarray) -> Doubt:
    lines, sure, here = work.lines, doubt.certainty, work.lines.line
    i, other = int(index[doubt.line]), int(index[doubt.other]) if doubt.other >= 0 else -1
    u = lines.u
    found = fits_as_recorded(doubt)
    expected = AS_RECORDED
    proposals: tuple[Proposal, ...]
    if doubt.code is Code.LINES_SWAPPED:
        found += f", and of {doubt.proposed:.2f} when it changes places with line {here[other]}."
        advice = f"If the field book agrees that lines {here[i]} and {here[other]} were exchanged, note the true "
        advice += "position_m of both."
        proposals = (work.proposal(i, sure, position_m=float(u[other])),
                     work.proposal(other, sure, position_m=float(u[i])))  # fmt: skip
    elif doubt.code is Code.LINE_AGAIN:
        found, expected, advice = told_of_again(doubt, int(here[i]), int(here[other]))
        proposals = (work.proposal(i, sure, kind="redo", position_m=float(u[other])),)
    else:
        found += ", and nowhere else."
        advice = "If it is a dummy line or of another grid, note it as dummy, and walk the line again."
        proposals = (work.proposal(i, sure, kind="dummy"),)
    return Doubt(work.finding(doubt.code, i, found, expected, advice), proposals)
