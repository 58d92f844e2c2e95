"""Colours and symbols of the pictures, for a light and a dark theme."""

from __future__ import annotations

from dataclasses import dataclass

from qgis.PyQt.QtCore import QPointF, QRectF, Qt
from qgis.PyQt.QtGui import QColor, QPainter, QPalette, QPen, QPolygonF

from ...processing_provider.engine.core import FLAGS

DARK_BELOW = 128
"""Lightness (0 to 255) of the background below which a theme counts as dark."""
LEAST_CONTRAST = 100
"""Difference in lightness between text and background that a palette must have to be believed."""
NEUTRAL_PAPER = "#2b2b2b"
LINES_ON_LIGHT = ("#0f5c66", "#a3480a", "#5a3d8a", "#4c6b12", "#8a1f4b", "#5b5b5b")
LINES_ON_DARK = ("#6fd0d8", "#f2a65a", "#b9a3ea", "#b5d46a", "#ef8fb4", "#c8c8c8")
SYMBOLS = {
    "overrun": "ring", "dummy": "box", "void": "cross", "redone": "plus", "obstacle": "block", "outlier": "diamond",
    "missing": "bar", "unplaced": "dash", "overrange": "peak",
}  # fmt: skip
"""Shape of a reading out of use, by flag; of several flags the first in the order of ``FLAGS`` is shown."""


@dataclass(frozen=True)
class Look:
    """Colours of a picture.

    Attributes
    ----------
    paper, ink, faint, rule : QColor
        Background; text and axes; what stands behind; lines across the picture.
    warning, chosen : QColor
        Readings out of use; the range that is being chosen.
    lines : tuple of QColor
        Of the traverses that are shown together.
    """

    paper: QColor
    ink: QColor
    faint: QColor
    rule: QColor
    warning: QColor
    chosen: QColor
    lines: tuple[QColor, ...]

    def line(self, number: int) -> QColor:
        """Return the colour of the n-th traverse."""
        return self.lines[number % len(self.lines)]


def look_of(palette: QPalette) -> Look:
    """Return the colours that can be read on a palette's background."""
    paper, ink = palette.color(QPalette.ColorRole.Base), palette.color(QPalette.ColorRole.Text)
    if paper.alpha() < 255:
        # Themes that are style sheets make it transparent, and what is behind is not known.
        paper = QColor(NEUTRAL_PAPER)
    dark = paper.lightness() < DARK_BELOW
    if abs(ink.lightness() - paper.lightness()) < LEAST_CONTRAST:
        # Themes that are style sheets colour the text of ordinary widgets past the palette.
        ink = QColor("#f0f0f0" if dark else "#1d1d1d")
    chosen = QColor(palette.color(QPalette.ColorRole.Highlight))
    chosen.setAlpha(70)
    return Look(
        paper=paper,
        ink=ink,
        faint=_between(paper, ink, 0.38),
        rule=_between(paper, ink, 0.14),
        warning=QColor("#ff8a7a" if dark else "#b3261e"),
        chosen=chosen,
        lines=tuple(QColor(c) for c in (LINES_ON_DARK if dark else LINES_ON_LIGHT)),
    )


def _between(one: QColor, other: QColor, fraction: float) -> QColor:
    mixed = (round(a + (b - a) * fraction) for a, b in zip(one.getRgb()[:3], other.getRgb()[:3]))
    return QColor(*mixed)


def first_flag(bits: int) -> str:
    """Return the flag word that stands for a reading out of use; empty for one in use."""
    return next((word for i, word in enumerate(FLAGS) if bits >> i & 1), "")


def draw_symbol(painter: QPainter, word: str, x: float, y: float, colour: QColor, size: float = 3.4) -> None:
    """Draw the symbol of a flag around a point."""
    shape = SYMBOLS[word]
    painter.setPen(QPen(colour, 1.5))
    painter.setBrush(colour if shape == "block" else Qt.BrushStyle.NoBrush)
    if shape == "ring":
        painter.drawEllipse(QPointF(x, y), size * 0.8, size * 0.8)
    elif shape in ("box", "block"):
        painter.drawRect(QRectF(x - size * 0.75, y - size * 0.75, size * 1.5, size * 1.5))
    elif shape == "diamond":
        painter.drawPolygon(
            QPolygonF([QPointF(x, y - size), QPointF(x + size, y), QPointF(x, y + size), QPointF(x - size, y)])
        )
    for x0, y0, x1, y1 in STROKES.get(shape, ()):
        painter.drawLine(QPointF(x + x0 * size, y + y0 * size), QPointF(x + x1 * size, y + y1 * size))


STROKES = {
    "cross": ((-0.8, -0.8, 0.8, 0.8), (-0.8, 0.8, 0.8, -0.8)),
    "plus": ((-1, 0, 1, 0), (0, -1, 0, 1)),
    "bar": ((0, -1, 0, 1),),
    "dash": ((-1, 0, 1, 0),),
    "peak": ((-0.8, 0.6, 0, -0.8), (0, -0.8, 0.8, 0.6)),
}
"""Strokes of the symbols that are made of lines: x0, y0, x1, y1 in sizes."""
