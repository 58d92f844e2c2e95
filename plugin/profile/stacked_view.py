"""Stacked profiles: every traverse of a grid at its own place, values as the swing of its line."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Optional

import numpy as np
from qgis.PyQt.QtCore import QPointF, QRectF, QSize, Qt, pyqtSignal
from qgis.PyQt.QtGui import QImage, QMouseEvent, QPainter, QPaintEvent, QPen, QPolygonF
from qgis.PyQt.QtWidgets import QSizePolicy, QWidget

from ...processing_provider.engine.core import Key
from ..texts import tr
from .axis import Scale, padded, round_step
from .profile_painter import Frame, paint_axes, paint_title
from .theme import Look, look_of
from .traces import DISTANCE, Trace

SWING_LINES = 2.5
"""Line spacings that the middle 96 % of the values spread over."""
ROOM_LINES = 1.8
"""Lines of text that the bar beside the title may be as high as."""
PICTURE = QSize(1600, 1100)
TAKE_WITHIN_PX = 30


@dataclass(frozen=True)
class StackedContent:
    """Lines of one grid.

    Attributes
    ----------
    title, channel, unit : str
    traces : tuple of Trace
    kind : str
        ``logged`` or ``corrected``.
    u_m : tuple of float
        Place of each trace along the baseline.
    spacing_m : float
    """

    title: str = ""
    channel: str = ""
    unit: str = ""
    traces: tuple[Trace, ...] = ()
    kind: str = ""
    u_m: tuple[float, ...] = ()
    spacing_m: float = 1.0

    def swing(self) -> tuple[float, float]:
        """Return the middle of the values in use, and how many metres one unit of the channel is drawn as."""
        used = [t.values(self.kind)[t.in_use] for t in self.traces]
        values = np.concatenate(used or [np.zeros(0)])
        values = values[np.isfinite(values)]
        if not len(values):
            return 0.0, 1.0
        low, middle, high = np.percentile(values, (2, 50, 98)).tolist()
        return middle, SWING_LINES * self.spacing_m / (high - low) if high > low else 1.0

    def swung(self) -> list[np.ndarray]:
        """Return where each reading of each trace is drawn along the baseline, in metres; NaN out of use."""
        middle, gain = self.swing()
        return [
            np.where(t.in_use, u + (t.values(self.kind) - middle) * gain, np.nan) for t, u in zip(self.traces, self.u_m)
        ]


def frame_in(content: StackedContent, area: QRectF, line: float) -> Frame:
    """Return the box and the scales of stacked profiles in an area; ``line`` is the height of a line of text."""
    box = area.adjusted(line * 4.2, line * 2.4, -12, -2 * line - 8)
    x = np.concatenate([t.x[np.isfinite(t.x)] for t in content.traces] or [np.zeros(0)])
    y = np.concatenate(content.swung() or [np.zeros(0)])
    y = y[np.isfinite(y)]
    along, across = (padded(float(a.min()), float(a.max()), 0.01) if len(a) else (0.0, 1.0) for a in (x, y))
    return Frame(box, Scale(*along, box.left(), box.right()), Scale(*across, box.bottom(), box.top()))


def paint_stacked(painter: QPainter, area: QRectF, content: StackedContent, look: Look, chosen: Optional[Key]) -> None:
    """Paint stacked profiles into an area."""
    painter.fillRect(area, look.paper)
    frame = frame_in(content, area, painter.fontMetrics().height())
    paint_axes(painter, frame, look, DISTANCE, with_x=True)
    painter.save()
    painter.setClipRect(frame.box)
    for trace, positions in zip(content.traces, content.swung()):
        own = trace.key == chosen
        painter.setPen(QPen(look.line(1) if own else look.line(0), 2.2 if own else 1.0))
        for points in _pieces(frame.x.px(trace.x), frame.y.px(positions)):
            painter.drawPolyline(points)
    painter.restore()
    paint_title(painter, frame.box, look, tr("Baseline, u (m)"))
    _paint_measure(painter, frame, content, look)


def _pieces(x: np.ndarray, y: np.ndarray) -> list[QPolygonF]:
    known = np.isfinite(x) & np.isfinite(y)
    parts = np.split(np.arange(len(x)), np.flatnonzero(known[1:] != known[:-1]) + 1)
    return [
        QPolygonF([QPointF(a, b) for a, b in zip(x[p].tolist(), y[p].tolist())])
        for p in parts
        if len(p) > 1 and known[p[0]]
    ]


def _paint_measure(painter: QPainter, frame: Frame, content: StackedContent, look: Look) -> None:
    """Draw the title, and a bar that says how far the lines swing for a round value."""
    _, gain = content.swing()
    metrics, box = painter.fontMetrics(), frame.box
    px_a_unit = abs(frame.y.px(gain) - frame.y.px(0.0))
    # Round steps lie at most a factor of 2.5 apart, so the bar stays as low as the room above the box.
    value = round_step(ROOM_LINES * metrics.height() / px_a_unit / 2.5)
    text = f"{value:g} {content.unit}".strip()
    painter.setPen(look.ink)
    y = box.top() - 6
    painter.drawText(QPointF(box.left(), y), content.title)
    painter.drawText(QPointF(box.right() - metrics.horizontalAdvance(text) - 14, y), text)
    painter.setPen(QPen(look.line(1), 3))
    painter.drawLine(QPointF(box.right() - 4, y), QPointF(box.right() - 4, y - value * px_a_unit))


class StackedView(QWidget):
    """Shows stacked profiles; a click chooses a line."""

    chosen = pyqtSignal(object)

    def __init__(self, parent: Optional[QWidget] = None) -> None:
        super().__init__(parent)
        self.content = StackedContent()
        self.key: Optional[Key] = None
        self.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Expanding)
        self.setAccessibleName(tr("Stacked profiles of a grid"))
        self.setToolTip(tr("Every line of the grid at its place. Click on a line to see it in the profile."))

    def sizeHint(self) -> QSize:  # noqa: N802 (names fixed by Qt from here on)
        return QSize(640, 260)

    def show_content(self, content: StackedContent, key: Optional[Key]) -> None:
        """Show a grid, one of its lines marked."""
        self.content, self.key = content, key
        self.update()

    def paintEvent(self, event: QPaintEvent) -> None:  # noqa: N802
        painter = QPainter(self)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        look = look_of(self.palette())
        if not self.content.traces:
            painter.fillRect(self.rect(), look.paper)
            painter.setPen(look.ink)
            painter.drawText(self.rect(), Qt.AlignmentFlag.AlignCenter, tr("Choose a grid to see its lines."))
            return
        paint_stacked(painter, QRectF(self.rect()), self.content, look, self.key)

    def mousePressEvent(self, event: QMouseEvent) -> None:  # noqa: N802
        if not self.content.traces:
            return
        frame = frame_in(self.content, QRectF(self.rect()), self.fontMetrics().height())
        distances = [abs(frame.y.px(u) - event.pos().y()) for u in self.content.u_m]
        if min(distances) <= TAKE_WITHIN_PX:
            self.chosen.emit(self.content.traces[distances.index(min(distances))].key)

    def picture(self) -> QImage:
        """Return the grid as a picture for a file, black on white whatever the theme is."""
        image = QImage(PICTURE, QImage.Format.Format_RGB32)
        palette = self.style().standardPalette()
        painter = QPainter(image)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        font = self.font()
        font.setPixelSize(PICTURE.height() // 50)
        painter.setFont(font)
        paint_stacked(painter, QRectF(image.rect()), self.content, look_of(palette), None)
        painter.end()
        return image
