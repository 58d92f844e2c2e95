"""The profile viewer: readings of one or several traverses over distance or time, to look at and to flag."""

from __future__ import annotations

from typing import Iterable, Optional

import numpy as np
from qgis.PyQt.QtCore import QEvent, QPointF, QRectF, QSize, Qt, pyqtSignal
from qgis.PyQt.QtGui import QFontMetricsF, QKeyEvent, QMouseEvent, QPainter, QPaintEvent, QPen, QWheelEvent
from qgis.PyQt.QtWidgets import QSizePolicy, QWidget

from ..texts import tr
from .axis import Scale, padded
from .profile_painter import (
    Frame,
    ProfileContent,
    legend_rows,
    paint_axes,
    paint_difference,
    paint_legend,
    paint_main,
    paint_title,
)
from .theme import Look, look_of
from .traces import DIFFERENCE, DISTANCE

LOOK, CHOOSE = "look", "choose"
"""What dragging does: move the picture, or choose a range of readings."""
WHEEL_NOTCH = 120
ZOOM_A_NOTCH = 1.25
DIFFERENCE_FRACTION = 0.3
RIGHT, GAP = 12, 10


class ProfileView(QWidget):
    """Paints a ``ProfileContent``; the first trace is the one that the pointer and the ranges are about.

    Signals
    -------
    pointed(int)
        Index of the reading under the pointer; -1 when there is none.
    range_chosen(int, int)
        First and last ``seq`` of the readings that were dragged over.
    line_wanted(int)
        1 or -1: the person asks for the next or the previous line.
    """

    pointed = pyqtSignal(int)
    range_chosen = pyqtSignal(int, int)
    line_wanted = pyqtSignal(int)

    def __init__(self, parent: Optional[QWidget] = None) -> None:
        super().__init__(parent)
        self.content = ProfileContent()
        self.mode = LOOK
        self.pointer: Optional[int] = None
        self._x, self._y, self._change = (Scale(0.0, 1.0, 0.0, 1.0) for _ in range(3))
        self._drag: Optional[QPointF] = None
        self._hand: Optional[QPointF] = None
        self._anchor: Optional[int] = None
        self.setMouseTracking(True)
        self.setFocusPolicy(Qt.FocusPolicy.StrongFocus)
        self.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Expanding)
        self.setAccessibleName(tr("Profile"))
        self.setAccessibleDescription(
            tr(
                "Readings of a traverse. Left and right move from reading to reading, with Shift they choose a range, "
                "Space takes it; up and down move from line to line; the menu key opens what can be changed."
            )
        )

    def sizeHint(self) -> QSize:  # noqa: N802 (names fixed by Qt from here on)
        return QSize(640, 260)

    def minimumSizeHint(self) -> QSize:  # noqa: N802
        return QSize(240, 140)

    def show_content(self, content: ProfileContent, keep_view: bool = False) -> None:
        """Show other readings; the part of the axes that is seen stays with ``keep_view``."""
        self.content = content
        if not (keep_view and self.pointer is not None and self.pointer < len(content.traces[0].x)):
            self.point_at(None)
        if not keep_view:
            self.fit()
        self._fit_change()
        self.update()

    def set_mode(self, mode: str) -> None:
        """Choose what dragging does."""
        self.mode = mode
        self._drag = self._hand = self._anchor = None
        self.setCursor(Qt.CursorShape.CrossCursor if mode == CHOOSE else Qt.CursorShape.ArrowCursor)
        self.update()

    def fit(self) -> None:
        """Show everything: all places, and the values in use."""
        traces = self.content.traces
        self._x = Scale(*_range([t.x for t in traces], 0.01), 0.0, 1.0)
        used = [np.where(t.in_use, t.values(k), np.nan) for t in traces for k in self.content.kinds]
        every = [t.values(k) for t in traces for k in self.content.kinds]
        self._y = Scale(*_range(used if any(np.isfinite(v).any() for v in used) else every), 1.0, 0.0)
        self.update()

    def _fit_change(self) -> None:
        """Show all that was changed: it moves as a whole when a grid is processed again."""
        changes = [np.where(t.in_use, t.values(DIFFERENCE), np.nan) for t in self.content.traces]
        self._change = Scale(*_range(changes), 1.0, 0.0)

    def frames(self) -> tuple[Frame, Optional[Frame]]:
        """Return the box of the values and that of the difference (None when it is not shown)."""
        line = self.fontMetrics().height()
        left = line * 1.3 + self.fontMetrics().horizontalAdvance("-0000.0") + 6
        width = max(self.width() - left - RIGHT, 10.0)
        rows = len(legend_rows(self.content, QFontMetricsF(self.font()), width))
        top, bottom = rows * line + 8.0, self.height() - 2 * line - 8.0
        height = max(bottom - top, 10.0)
        lower = height * DIFFERENCE_FRACTION if DIFFERENCE in self.content.shows else 0.0
        upper = height - lower - (GAP if lower else 0)
        x = self._x.between(left, left + width)
        main = QRectF(left, top, width, upper)
        frame = Frame(main, x, self._y.between(main.bottom(), main.top()))
        if not lower:
            return frame, None
        under = QRectF(left, bottom - lower, width, lower)
        return frame, Frame(under, x, self._change.between(under.bottom(), under.top()))

    def hint(self) -> str:
        """Return why nothing can be shown; empty when something can."""
        if not self.content.traces:
            return tr("Choose a line to see its readings.")
        if not any(np.isfinite(trace.x).any() for trace in self.content.traces):
            if self.content.axis == DISTANCE:
                return tr("These readings have no place. Look at them over time.")
            return tr("These readings have no time. Look at them over distance.")
        return ""

    def paintEvent(self, event: QPaintEvent) -> None:  # noqa: N802
        painter = QPainter(self)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        look, content = look_of(self.palette()), self.content
        painter.fillRect(self.rect(), look.paper)
        if self.hint():
            painter.setPen(look.ink)
            painter.drawText(self.rect(), Qt.AlignmentFlag.AlignCenter, self.hint())
            return
        main, under = self.frames()
        unit = f" ({content.unit})" if content.unit else ""
        titles = (content.channel + unit, tr("change") + unit)
        for frame, title, paint in zip((main, under), titles, (paint_main, paint_difference)):
            if frame is None:
                continue
            paint_axes(painter, frame, look, content.axis, with_x=frame is (under or main))
            painter.save()
            painter.setClipRect(frame.box)
            self._paint_hand(painter, frame, look)
            paint(painter, frame, content, look)
            painter.restore()
            paint_title(painter, frame.box, look, title)
        paint_legend(painter, main.box, content, look)

    def _paint_hand(self, painter: QPainter, frame: Frame, look: Look) -> None:
        """Draw the range that is being chosen, and where the pointer is."""
        ends = self._range_px(frame) if self.mode == CHOOSE else None
        if ends is not None:
            band = QRectF(min(ends), frame.box.top(), abs(ends[1] - ends[0]), frame.box.height())
            painter.fillRect(band, look.chosen)
        if self.pointer is not None:
            x = frame.x.px(float(self.content.traces[0].x[self.pointer]))
            painter.setPen(QPen(look.ink, 1.0, Qt.PenStyle.DotLine))
            painter.drawLine(QPointF(x, frame.box.top()), QPointF(x, frame.box.bottom()))

    def _range_px(self, frame: Frame) -> Optional[tuple[float, float]]:
        """Return between which pixels a range is being chosen, by mouse or by keys; None while there is none."""
        if self._drag is not None and self._hand is not None:
            return self._drag.x(), self._hand.x()
        if self._anchor is None or self.pointer is None:
            return None
        x = self.content.traces[0].x
        return frame.x.px(float(x[self._anchor])), frame.x.px(float(x[self.pointer]))

    def point_at(self, index: Optional[int]) -> None:
        """Put the pointer on a reading of the first trace (None: on none)."""
        if index is None:
            self._anchor = None
        if index != self.pointer:
            self.pointer = index
            self.pointed.emit(-1 if index is None else index)
            self.update()

    def mousePressEvent(self, event: QMouseEvent) -> None:  # noqa: N802
        if event.button() == Qt.MouseButton.LeftButton and self.content.traces:
            self._drag = self._hand = mouse_place(event)
            self._anchor = None

    def mouseMoveEvent(self, event: QMouseEvent) -> None:  # noqa: N802
        if not self.content.traces:
            return
        here = mouse_place(event)
        if self._hand is not None and self.mode == LOOK:
            main, under = self.frames()
            self._x = main.x.moved(here.x() - self._hand.x())
            self._y = main.y.moved(here.y() - self._hand.y())
        self._hand = here if self._drag is not None else None
        self.point_at(self.content.traces[0].nearest(self.frames()[0].x.value(here.x())))
        self.update()

    def mouseReleaseEvent(self, event: QMouseEvent) -> None:  # noqa: N802
        start, self._drag, self._hand = self._drag, None, None
        if start is None or self.mode != CHOOSE:
            return
        x = self.frames()[0].x
        self._choose(x.value(start.x()), x.value(mouse_place(event).x()))
        self.update()

    def _choose(self, one: float, other: float) -> None:
        trace = self.content.traces[0]
        chosen = trace.between(one, other)
        if chosen is None and trace.nearest(one) is not None:
            # Between two readings there is none: a click takes the nearest.
            chosen = (int(trace.seq[trace.nearest(one)]),) * 2
        if chosen is not None:
            self.range_chosen.emit(*chosen)

    def mouseDoubleClickEvent(self, event: QMouseEvent) -> None:  # noqa: N802
        if self.mode == LOOK:
            self.fit()

    def wheelEvent(self, event: QWheelEvent) -> None:  # noqa: N802
        if not self.content.traces:
            return
        factor = ZOOM_A_NOTCH ** (event.angleDelta().y() / WHEEL_NOTCH)
        main, _ = self.frames()
        at = event.position()
        if event.modifiers() & Qt.KeyboardModifier.ControlModifier:
            self._y = main.y.zoomed(factor, at.y())
        else:
            self._x = main.x.zoomed(factor, at.x())
        event.accept()
        self.update()

    def keyPressEvent(self, event: QKeyEvent) -> None:  # noqa: N802
        steps = {Qt.Key.Key_Left: -1, Qt.Key.Key_Right: 1}
        lines = {Qt.Key.Key_Down: -1, Qt.Key.Key_Up: 1}
        key = event.key()
        if key in lines:
            self.line_wanted.emit(lines[key])
        elif key in steps and self.content.traces:
            extend = self.mode == CHOOSE and bool(event.modifiers() & Qt.KeyboardModifier.ShiftModifier)
            self._anchor = (self.pointer if self._anchor is None else self._anchor) if extend else None
            self._step(steps[key])
        elif key == Qt.Key.Key_Space and self.mode == CHOOSE and self.pointer is not None:
            x, ends = self.content.traces[0].x, (self.pointer if self._anchor is None else self._anchor, self.pointer)
            self._anchor = None
            self._choose(*x[list(ends)].tolist())
        else:
            super().keyPressEvent(event)

    def _step(self, step: int) -> None:
        """Move the pointer to the next reading to the left or to the right."""
        x = self.content.traces[0].x
        order = np.argsort(x, kind="stable")[: np.count_nonzero(np.isfinite(x))].tolist()
        if order:
            index = order.index(self.pointer) + step if self.pointer in order else 0
            self.point_at(order[min(max(index, 0), len(order) - 1)])

    def leaveEvent(self, event: QEvent) -> None:  # noqa: N802
        self.point_at(None)


def mouse_place(event: QMouseEvent) -> QPointF:
    """Return where a mouse event is: Qt 6 has the position with fractions only, Qt 5 as a whole one only."""
    return event.position() if hasattr(event, "position") else event.localPos()


def _range(arrays: Iterable[np.ndarray], fraction: float = 0.06) -> tuple[float, float]:
    known = np.concatenate([a[np.isfinite(a)] for a in arrays] or [np.zeros(0)])
    return padded(float(known.min()), float(known.max()), fraction) if len(known) else (0.0, 1.0)
