"""A sketch of the lines of a log: line number against station, an arrow along each run."""

from __future__ import annotations

import math
from collections import defaultdict
from typing import Optional, Sequence

import numpy as np
from qgis.PyQt.QtCore import QPointF, QRectF, QSize, Qt
from qgis.PyQt.QtGui import QPainter, QPaintEvent, QPen, QPolygonF
from qgis.PyQt.QtWidgets import QSizePolicy, QWidget

from ...processing_provider.engine.logs import Traverse
from ..profile import Look, Scale, look_of
from ..texts import tr

OUT, BACK, UNKNOWN = 1, -1, 0
SIGNS = {OUT: "▲", BACK: "▼", UNKNOWN: "│"}
WIDEST_STEP = 3
"""Numbers of lines that are left out take room for two, however many they are."""
MOST_RUNS = 120
"""Of more runs only the first are drawn: the others would be painted over them."""
SMALLEST = 1e-6
"""Least range of stations that is drawn, relative to the stations themselves."""
ARROW_PX = 7.0
AGAIN_PX = 3.0
"""A line that was recorded again is drawn so far beside its first recording."""


def line_places(lines: Sequence[int]) -> dict[int, float]:
    """Return where line numbers stand along the sketch: in their order, with a gap where numbers are left out."""
    numbers = np.unique(np.array(lines, dtype=int))
    if not len(numbers):
        return {}
    steps = np.diff(numbers).astype(float)
    steps = np.minimum(steps / steps.min(initial=np.inf), WIDEST_STEP)
    return dict(zip(numbers.tolist(), np.concatenate([[0.0], np.cumsum(steps)]).tolist()))


def ends_of(traverse: Traverse) -> tuple[float, float]:
    """Return the stations between which a run is drawn; without stations its readings are counted, from 1."""
    if math.isnan(traverse.first_station) or math.isnan(traverse.last_station):
        return 1.0, float(traverse.readings)
    return traverse.first_station, traverse.last_station


def arrow(x: float, first: float, last: float, run: Traverse) -> list[QPointF]:
    """Return the corners of the arrow at the end of a run that is drawn from one pixel to another."""
    tip, way = last, math.copysign(1, last - first) if last != first else -float(run.heading)
    if math.isnan(run.first_station) and run.heading == BACK:
        # Without stations only an opening row says which way it was walked.
        tip, way = first, -way
    back, half = tip - way * ARROW_PX, ARROW_PX / 2
    return [QPointF(x, tip), QPointF(x - half, back), QPointF(x + half, back)]


class LineSketch(QWidget):
    """The sketch."""

    def __init__(self, parent: Optional[QWidget] = None) -> None:
        super().__init__(parent)
        self.traverses: tuple[Traverse, ...] = ()
        self.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Expanding)
        self.show_traverses(())

    def sizeHint(self) -> QSize:  # noqa: N802 (name fixed by Qt)
        return QSize(300, 260)

    def minimumSizeHint(self) -> QSize:  # noqa: N802 (name fixed by Qt)
        return QSize(180, 140)

    def show_traverses(self, traverses: Sequence[Traverse]) -> None:
        """Show the runs of a log."""
        self.traverses = tuple(traverses)
        self.setAccessibleName(tr("Lines of the log: {what}").format(what=self.legend()))
        self.setToolTip(self.legend())
        self.update()

    def legend(self) -> str:
        """Return how many runs lead out and back, with the signs of their arrows."""
        ways = [traverse.heading for traverse in self.traverses]
        words = {OUT: tr("out"), BACK: tr("back"), UNKNOWN: tr("either way")}
        counts = "   ".join(f"{SIGNS[way]} {ways.count(way)} {words[way]}" for way in words if way in ways)
        if len(ways) > MOST_RUNS:
            counts = tr("{counts} (drawn: the first {n})").format(counts=counts, n=MOST_RUNS)
        return counts

    def paintEvent(self, event: QPaintEvent) -> None:  # noqa: N802 (name fixed by Qt)
        look, painter = look_of(self.palette()), QPainter(self)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        painter.fillRect(self.rect(), look.paper)
        line = self.fontMetrics().height()
        area = QRectF(self.rect()).adjusted(3.4 * line, 1.6 * line, -8, -3.4 * line)
        painter.setPen(look.ink)
        if self.traverses:
            counted = all(math.isnan(t.first_station) for t in self.traverses)
            painter.drawText(QPointF(4, 1.2 * line), tr("reading") if counted else tr("station"))
            self._paint(painter, area, look)
            legend = QRectF(0, self.height() - 1.3 * line, self.width(), 1.2 * line)
            painter.setPen(look.ink)
            painter.drawText(legend, Qt.AlignmentFlag.AlignCenter, self.legend())
        else:
            painter.drawText(area, Qt.AlignmentFlag.AlignCenter, tr("No lines to draw."))
        painter.end()

    def _paint(self, painter: QPainter, area: QRectF, look: Look) -> None:
        """Paint the grids of the log side by side, in one scale of stations."""
        grids: dict[str, list[Traverse]] = defaultdict(list)
        for traverse in self.traverses[:MOST_RUNS]:
            grids[traverse.grid].append(traverse)
        ends = np.array([ends_of(t) for t in self.traverses[:MOST_RUNS]])
        low, high = float(ends.min()), float(ends.max())
        margin = max(0.5, SMALLEST * max(abs(low), abs(high)))
        stations = Scale(low - margin, high + margin, area.bottom(), area.top())
        line = self.fontMetrics().height()
        for value, text in stations.ticks(2.5 * line):
            y = stations.px(value)
            painter.setPen(look.rule)
            painter.drawLine(QPointF(area.left(), y), QPointF(area.right(), y))
            painter.setPen(look.ink)
            box = QRectF(0, y - line / 2, area.left() - 4, line)
            painter.drawText(box, Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignVCenter, text)
        places = {grid: line_places([t.line for t in those]) for grid, those in grids.items()}
        room = sum(max(spots.values()) + 2 for spots in places.values())
        left, numbers, runs = area.left(), [], []
        for grid, spots in places.items():
            width = area.width() * (max(spots.values()) + 2) / room
            across = Scale(-1.0, max(spots.values()) + 1.0, left, left + width)
            numbers += [(number, across.px(at)) for number, at in spots.items()]
            painter.setPen(look.ink)
            if len(places) > 1:
                self._write_name(painter, QRectF(left, area.bottom() + 1.2 * line, width, 1.2 * line), grid)
            runs += [(across.px(spots[t.line]) + AGAIN_PX * (t.run - 1), t) for t in grids[grid]]
            left += width
        self._paint_runs(painter, runs, stations, look)
        painter.setPen(look.ink)
        self._write_numbers(painter, area.bottom() + 1.1 * line, numbers)

    def _write_name(self, painter: QPainter, box: QRectF, grid: str) -> None:
        """Write the name of a grid below its lines: with the word where there is room."""
        text = tr("grid {grid}").format(grid=grid)
        if self.fontMetrics().horizontalAdvance(text) > box.width():
            text = self.fontMetrics().elidedText(grid, Qt.TextElideMode.ElideRight, round(box.width()))
        painter.drawText(box, Qt.AlignmentFlag.AlignCenter, text)

    def _write_numbers(self, painter: QPainter, baseline: float, numbers: Sequence[tuple[int, float]]) -> None:
        """Write the numbers of lines, as many as there is room for."""
        metrics = self.fontMetrics()
        painter.drawText(QPointF(4, baseline), tr("line"))
        written = 4.0 + metrics.horizontalAdvance(tr("line"))
        for number, x in numbers:
            half = metrics.horizontalAdvance(str(number)) / 2
            if x - half > written + metrics.horizontalAdvance(" "):
                painter.drawText(QPointF(x - half, baseline), str(number))
                written = x + half + metrics.horizontalAdvance(" ")

    def _paint_runs(
        self, painter: QPainter, runs: Sequence[tuple[float, Traverse]], stations: Scale, look: Look
    ) -> None:
        """Paint runs at their places across."""
        for x, run in runs:
            first, last = (stations.px(end) for end in ends_of(run))
            colour = look.faint if run.heading == UNKNOWN else look.line(0 if run.heading == OUT else 1)
            painter.setPen(QPen(colour, 1.5))
            painter.drawLine(QPointF(x, first), QPointF(x, last))
            if run.heading != UNKNOWN:
                painter.setPen(Qt.PenStyle.NoPen)
                painter.setBrush(colour)
                painter.drawPolygon(QPolygonF(arrow(x, first, last, run)))
