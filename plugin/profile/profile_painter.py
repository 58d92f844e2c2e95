"""How a profile is painted: axes, traverses, flags, legend."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np
from qgis.PyQt.QtCore import QPointF, QRectF, Qt
from qgis.PyQt.QtGui import QFontMetricsF, QPainter, QPen, QPolygonF

from ...processing_provider.engine.core import FLAGS, Key
from ..texts import tr
from .axis import Scale
from .theme import Look, draw_symbol, first_flag
from .traces import CORRECTED, DIFFERENCE, DISTANCE, LOGGED, Trace

TICK_DISTANCE_X, TICK_DISTANCE_Y = 70, 26
SECONDS_A_DAY = 86400


@dataclass(frozen=True)
class ProfileContent:
    """What a profile shows.

    Attributes
    ----------
    traces : tuple of Trace
        The first one is the line that is worked on.
    behind : tuple of Trace
        Neighbours, in grey.
    channel, unit : str
    axis : {'distance', 'time'}
    shows : frozenset of str
        Any of ``logged``, ``corrected``, ``difference``.
    """

    traces: tuple[Trace, ...] = ()
    behind: tuple[Trace, ...] = ()
    channel: str = ""
    unit: str = ""
    axis: str = DISTANCE
    shows: frozenset[str] = field(default_factory=lambda: frozenset((LOGGED, CORRECTED)))

    @property
    def kinds(self) -> tuple[str, ...]:
        """What stands in the main part: values as logged, corrected or both."""
        return tuple(k for k in (LOGGED, CORRECTED) if k in self.shows) or (CORRECTED,)


@dataclass(frozen=True)
class Frame:
    """A box with its two scales."""

    box: QRectF
    x: Scale
    y: Scale


def label_of_x(value: float, label: str, axis: str) -> str:
    """Return the label of a tick: metres, or the time of day."""
    return label if axis == DISTANCE else clock(value)


def clock(seconds: float) -> str:
    """Return seconds since midnight as h:mm:ss."""
    whole = int(round(seconds)) % SECONDS_A_DAY
    return f"{whole // 3600}:{whole % 3600 // 60:02d}:{whole % 60:02d}"


def paint_axes(painter: QPainter, frame: Frame, look: Look, axis: str, with_x: bool) -> None:
    """Draw ticks, rules and labels around a box; along the bottom only with ``with_x``."""
    box, metrics = frame.box, painter.fontMetrics()
    for value, label in frame.x.ticks(TICK_DISTANCE_X):
        x = frame.x.px(value)
        painter.setPen(look.rule)
        painter.drawLine(QPointF(x, box.top()), QPointF(x, box.bottom()))
        if with_x:
            painter.setPen(look.ink)
            text = label_of_x(value, label, axis)
            area = QRectF(x - 40, box.bottom() + 3, 80, metrics.height())
            painter.drawText(area, Qt.AlignmentFlag.AlignCenter, text)
    for value, label in frame.y.ticks(TICK_DISTANCE_Y):
        y = frame.y.px(value)
        painter.setPen(look.rule)
        painter.drawLine(QPointF(box.left(), y), QPointF(box.right(), y))
        painter.setPen(look.ink)
        area = QRectF(0, y - metrics.height() / 2, box.left() - 5, metrics.height())
        painter.drawText(area, Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignVCenter, label)
    painter.setPen(look.faint)
    painter.setBrush(Qt.BrushStyle.NoBrush)
    painter.drawRect(box)
    if with_x:
        painter.setPen(look.ink)
        below = QRectF(box.left(), box.bottom() + 3 + metrics.height(), box.width(), metrics.height())
        words = tr("Along the traverse, v (m)") if axis == DISTANCE else tr("Time of day")
        painter.drawText(below, Qt.AlignmentFlag.AlignCenter, words)


def paint_title(painter: QPainter, box: QRectF, look: Look, title: str) -> None:
    """Write what the values are: along the left of a box, or in its corner where it is too low for that."""
    metrics = painter.fontMetrics()
    painter.setPen(look.ink)
    if metrics.horizontalAdvance(title) > box.height():
        behind = QRectF(box.left() + 2, box.top() + 2, metrics.horizontalAdvance(title) + 8, metrics.height())
        painter.fillRect(behind, look.paper)
        painter.drawText(behind, Qt.AlignmentFlag.AlignCenter, title)
        return
    painter.save()
    painter.translate(metrics.height() * 0.2, box.center().y())
    painter.rotate(-90)
    across = QRectF(-box.height() / 2, 0, box.height(), metrics.height())
    painter.drawText(across, Qt.AlignmentFlag.AlignCenter, title)
    painter.restore()


def paint_curve(painter: QPainter, frame: Frame, trace: Trace, kind: str, pen: QPen) -> None:
    """Draw the readings in use of a trace as a line that breaks where readings are out of use."""
    values = np.where(trace.in_use, trace.values(kind), np.nan)
    known = np.isfinite(values) & np.isfinite(trace.x)
    x, y = frame.x.px(trace.x), frame.y.px(values)
    painter.setPen(pen)
    for part in np.split(np.arange(len(x)), np.flatnonzero(known[1:] != known[:-1]) + 1):
        if not len(part) or not known[part[0]]:
            continue
        points = [QPointF(a, b) for a, b in zip(x[part].tolist(), y[part].tolist())]
        if len(points) == 1:
            painter.drawPoint(points[0])
        else:
            painter.drawPolyline(QPolygonF(points))


def paint_flags(painter: QPainter, frame: Frame, trace: Trace, kind: str, look: Look) -> None:
    """Draw a symbol for each reading out of use; one beyond the box, or without a value, stands at its edge."""
    box = frame.box
    for index in np.flatnonzero(~trace.in_use & np.isfinite(trace.x)).tolist():
        value = trace.values(kind)[index]
        y = frame.y.px(value) if np.isfinite(value) else box.bottom()
        y = min(max(y, box.top() + 4), box.bottom() - 4)
        draw_symbol(painter, first_flag(int(trace.flag[index])), frame.x.px(trace.x[index]), y, look.warning)


def paint_main(painter: QPainter, frame: Frame, content: ProfileContent, look: Look) -> None:
    """Draw the values: neighbours behind, then every traverse as logged (dashed) and corrected (solid)."""
    kinds = content.kinds
    for trace in content.behind:
        paint_curve(painter, frame, trace, kinds[-1], QPen(look.faint, 1.0))
    for number, trace in enumerate(content.traces):
        for kind in kinds:
            dashed = kind == LOGGED and len(kinds) > 1
            style = Qt.PenStyle.DashLine if dashed else Qt.PenStyle.SolidLine
            width = 1.0 if dashed else 2.0 if number == 0 else 1.4
            paint_curve(painter, frame, trace, kind, QPen(look.line(number), width, style))
        paint_flags(painter, frame, trace, kinds[-1], look)


def paint_difference(painter: QPainter, frame: Frame, content: ProfileContent, look: Look) -> None:
    """Draw what the corrections changed."""
    for number, trace in enumerate(content.traces):
        paint_curve(painter, frame, trace, DIFFERENCE, QPen(look.line(number), 1.4))


class Entry(NamedTuple):
    """One entry of the legend: the mark (``line``, ``dashes``, ``behind`` or a flag), and the words behind it."""

    mark: str
    text: str
    number: int = 0


DASH, DASH_ROOM, SYMBOL_ROOM, APART = 18, 23, 13, 10
"""Length of the strokes of the legend, room for a stroke or a symbol with its gap, gap behind the words; pixels."""


def legend(content: ProfileContent) -> list[Entry]:
    """Return what a picture must explain: the traverses, the dashes and the symbols that occur."""
    entries = []
    for number, trace in enumerate(content.traces):
        same = number and trace.key[0] == content.traces[0].key[0] and trace.key[2] == 1
        text = tr("line {line}").format(line=trace.key[1]) if same else name_of(trace.key)
        entries.append(Entry("line", text, number))
    if len(content.kinds) > 1:
        entries.append(Entry("dashes", tr("as logged")))
    if content.behind:
        entries.append(Entry("behind", tr("neighbours")))
    flags = dict.fromkeys(first_flag(b) for t in content.traces for b in np.unique(t.flag).tolist() if b)
    return entries + [Entry(flag, tr(flag)) for flag in flags]


def legend_rows(content: ProfileContent, metrics: QFontMetricsF, width: float) -> list[list[tuple[float, Entry]]]:
    """Return the entries in as many rows as a width needs, each entry with where it begins."""
    rows: list[list[tuple[float, Entry]]] = [[]]
    x = 0.0
    for entry in legend(content):
        room = (SYMBOL_ROOM if entry.mark in FLAGS else DASH_ROOM) + metrics.horizontalAdvance(entry.text)
        if rows[-1] and x + room > width:
            rows.append([])
            x = 0.0
        rows[-1].append((x, entry))
        x += room + APART
    return rows


def paint_legend(painter: QPainter, box: QRectF, content: ProfileContent, look: Look) -> None:
    """Write the legend in rows above a box."""
    metrics = QFontMetricsF(painter.font())
    rows = legend_rows(content, metrics, box.width())
    for number, row in enumerate(reversed(rows)):
        y = box.top() - metrics.height() * (number + 0.5) - 3
        for x, entry in row:
            x += box.left()
            if entry.mark in FLAGS:
                draw_symbol(painter, entry.mark, x + 4, y, look.warning)
                x += SYMBOL_ROOM
            else:
                painter.setPen(_stroke(entry, look))
                painter.drawLine(QPointF(x, y), QPointF(x + DASH, y))
                x += DASH_ROOM
            painter.setPen(look.ink)
            painter.drawText(QPointF(x, y + metrics.ascent() / 2 - 1), entry.text)


def _stroke(entry: Entry, look: Look) -> QPen:
    if entry.mark == "behind":
        return QPen(look.faint, 1.0)
    dashes = QPen(look.line(0), 1.0, Qt.PenStyle.DashLine)
    return dashes if entry.mark == "dashes" else QPen(look.line(entry.number), 2.0)


def name_of(key: Key) -> str:
    """Return a recording in words."""
    grid, line, run = key
    text = tr("{grid}, line {line}").format(grid=grid, line=line)
    return text if run == 1 else text + tr(" (recording {run})").format(run=run)
