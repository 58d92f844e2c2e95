"""What the pictures of the workbench show, brought together from an open survey."""

from __future__ import annotations

from typing import Optional, Sequence

import numpy as np

from ...processing_provider.engine.core import Key, Run
from ...processing_provider.engine.workflow import Session
from ..profile import DISTANCE, ProfileContent, StackedContent, Trace, neighbours, trace_of
from ..texts import tr


def key_of(run: Run) -> Key:
    """Return the name of a recording."""
    return run.grid, run.line, run.run


def profile_of(
    session: Session, keys: Sequence[Key], channel: str, axis: str, shows: frozenset[str], behind: bool
) -> ProfileContent:
    """Return recordings for the profile, the first one with its neighbours in grey when ``behind``."""
    traces = [trace for key in keys if (trace := _trace(session, key, channel, axis)) is not None]
    beside: list[Trace] = []
    if behind and traces:
        grid, runs = traces[0].key[0], session.runs(traces[0].key[0])
        chosen = next(run for run in runs if key_of(run) == traces[0].key)
        state = session.state(grid)
        near = neighbours(state.corrected, runs, chosen) if state and state.corrected else []
        others = (_trace(session, key_of(run), channel, axis) for run in near if key_of(run) not in keys)
        beside = [trace for trace in others if trace is not None]
    return ProfileContent(tuple(traces), tuple(beside), channel, session.unit(channel), axis, shows)


def _trace(session: Session, key: Key, channel: str, axis: str) -> Optional[Trace]:
    run = next((r for r in session.runs(key[0]) if key_of(r) == key), None)
    state = session.state(key[0])
    if run is None or state is None or state.placed is None or state.corrected is None:
        return None
    if channel not in state.corrected.channels:
        return None
    return trace_of(state.placed, state.corrected, run, channel, axis)


def stacked_of(session: Optional[Session], grid: str, channel: str, kind: str) -> StackedContent:
    """Return the lines of a grid at their places, values as logged or corrected; nothing where it has none."""
    state = session.state(grid) if session else None
    if session is None or state is None or state.placed is None or state.corrected is None:
        return StackedContent()
    if channel not in state.corrected.channels:
        return StackedContent()
    table, lines = state.corrected, []
    for run in session.runs(grid):
        used = run.rows[(table.flag[run.rows] == 0) & (table.kind[run.rows] == 0)]
        if len(used):
            trace = trace_of(state.placed, table, run, channel, DISTANCE)
            lines.append((trace, float(np.median(table.u_m[used]))))
    words = tr("Grid {grid}: {channel} ({kind})").format(grid=grid, channel=channel, kind=tr(kind))
    traces, positions = tuple(t for t, _ in lines), tuple(u for _, u in lines)
    spacing = session.source(grid).entry.scheme.spacing_m
    return StackedContent(words, channel, session.unit(channel), traces, kind, positions, spacing)
