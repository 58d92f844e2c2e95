"""Pages of A4 in millimetres: text as text, lines, and tables that go on over the foot of a page."""

from __future__ import annotations

from pathlib import Path
from typing import Sequence

from qgis.PyQt.QtCore import QMarginsF, QPointF, QRectF, Qt
from qgis.PyQt.QtGui import QColor, QFont, QFontInfo, QPageSize, QPainter, QPdfWriter, QPen, QPolygonF, QTextOption

DOTS_PER_INCH = 300
DOTS_PER_MM = DOTS_PER_INCH / 25.4
WIDTH, HEIGHT, MARGIN = 210.0, 297.0, 12.0
INNER = WIDTH - 2 * MARGIN
INK, PALE = "#000000", "#8a8a8a"
TEXT_PT, SMALL_PT = 8.0, 7.0
PAD = 0.8
"""Between a border and the text in it."""
TICK = "\u2610"
"""A cell with this is drawn as a box to tick."""


class Pages:
    """Draws onto pages of A4; ``y`` is how far down the page is full, in millimetres."""

    def __init__(self, path: Path, title: str) -> None:
        self._writer = QPdfWriter(str(path))
        self._writer.setPageSize(QPageSize(QPageSize.PageSizeId.A4))
        self._writer.setPageMargins(QMarginsF(0, 0, 0, 0))
        self._writer.setResolution(DOTS_PER_INCH)
        self._writer.setTitle(title)
        self._writer.setCreator("Turnrow")
        self._family = QFontInfo(QFont()).family()
        self.painter = QPainter(self._writer)
        if not self.painter.isActive():
            raise OSError("it cannot be opened for writing")
        self.y = MARGIN
        self.number, self.header = 1, ""

    def close(self) -> None:
        """Finish the last page and the file."""
        self._foot()
        if not self.painter.end():
            raise OSError("it was not written to the end")

    def turn(self) -> None:
        """Begin the next page."""
        self._foot()
        self._writer.newPage()
        self.number, self.y = self.number + 1, MARGIN

    def room(self, height: float) -> None:
        """Go on to the next page where less than ``height`` is left on this one."""
        if self.y + height > HEIGHT - MARGIN - 5:
            self.turn()
            self.y += self.text(f"{self.header} (continued)", MARGIN, self.y, INNER, bold=True) + 2

    def _foot(self) -> None:
        self.text(f"{self.header}   page {self.number}", MARGIN, HEIGHT - MARGIN - 3, INNER, SMALL_PT, right=True)

    def text(self, words: str, x: float, y: float, width: float, size_pt: float = TEXT_PT, *, bold: bool = False,
             right: bool = False, draw: bool = True) -> float:  # fmt: skip
        """Draw text that is broken into rows at ``width``; return its height."""
        font = QFont(self._family)
        font.setPointSizeF(size_pt)
        font.setBold(bold)
        self.painter.setFont(font)
        self.painter.setPen(QPen(QColor(INK)))
        option = QTextOption(Qt.AlignmentFlag.AlignRight if right else Qt.AlignmentFlag.AlignLeft)
        option.setWrapMode(QTextOption.WrapMode.WrapAtWordBoundaryOrAnywhere)
        area = QRectF(x * DOTS_PER_MM, y * DOTS_PER_MM, width * DOTS_PER_MM, HEIGHT * DOTS_PER_MM)
        height = self.painter.boundingRect(area, words, option).height() / DOTS_PER_MM
        if draw:
            self.painter.drawText(area, words, option)
        return height

    def line(self, points: Sequence[tuple[float, float]], width: float, colour: str = INK, *,
             dashed: bool = False) -> None:  # fmt: skip
        """Draw a line through points on the page, ``width`` millimetres thick."""
        pen = QPen(QColor(colour), width * DOTS_PER_MM)
        pen.setCapStyle(Qt.PenCapStyle.FlatCap)
        if dashed:
            pen.setStyle(Qt.PenStyle.DashLine)
        self.painter.setPen(pen)
        self.painter.drawPolyline(QPolygonF([QPointF(x * DOTS_PER_MM, y * DOTS_PER_MM) for x, y in points]))

    def box(self, x: float, y: float, width: float, height: float, line: float = 0.15) -> None:
        """Draw a rectangle."""
        corners = [(x, y), (x + width, y), (x + width, y + height), (x, y + height), (x, y)]
        self.line(corners, line, PALE if line < 0.2 else INK)

    def heading(self, words: str, under: str = "") -> None:
        """Write a heading, with a sentence under it; at least the head of a table stays on the same page."""
        self.room(28)
        self.y += 2 + self.text(words, MARGIN, self.y + 2, INNER, 10, bold=True)
        if under:
            self.y += self.text(under, MARGIN, self.y, INNER)
        self.y += 1

    def table(self, head: Sequence[str], widths: Sequence[float], rows: Sequence[Sequence[str]], least: float) -> None:
        """Draw a table; each row is as high as its text, and at least ``least`` so that one can write into it."""
        self._row(head, widths, 0.0, bold=True)
        for row in rows:
            before = self.number
            self.room(self._height(row, widths, least, bold=False))
            if self.number != before:
                self._row(head, widths, 0.0, bold=True)
            self._row(row, widths, least)

    def _height(self, row: Sequence[str], widths: Sequence[float], least: float, *, bold: bool) -> float:
        heights = [self.text(words, 0, 0, w - 2 * PAD, bold=bold, draw=False) for words, w in zip(row, widths)]
        return max(least, max(heights) + 2 * PAD)

    def _row(self, row: Sequence[str], widths: Sequence[float], least: float, *, bold: bool = False) -> None:
        height, x = self._height(row, widths, least, bold=bold), MARGIN
        for words, width in zip(row, widths):
            self.box(x, self.y, width, height)
            if words == TICK:
                self.box(x + (width - 3.5) / 2, self.y + (height - 3.5) / 2, 3.5, 3.5, 0.3)
            else:
                self.text(words, x + PAD, self.y + PAD, width - 2 * PAD, bold=bold)
            x += width
        self.y += height
