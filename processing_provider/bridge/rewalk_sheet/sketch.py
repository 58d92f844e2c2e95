"""The sketch of a grid on the re-walk sheet: all lines thin, those to walk thick, north, and a scale."""

from __future__ import annotations

import math

from ...engine.workflow import TIE, GridPlan, Walk
from .page import INK, INNER, MARGIN, PALE, SMALL_PT, Pages

HIGH, WIDE = 62.0, 120.0
"""Largest size of the grid in the sketch, millimetres."""
SIDE = 16.0
"""Room beside it for names."""
THIN, THICK, HEAD = 0.15, 0.9, 2.0
BARS_M = (1, 2, 5, 10, 20, 50, 100)


class Sketch:
    """Draws one grid; v points up the page, and u to the side that it has on the ground."""

    def __init__(self, pages: Pages, plan: GridPlan) -> None:
        self.pages, self.plan, scheme = pages, plan, plan.scheme
        self.scale = min(HIGH / scheme.length_m, WIDE / scheme.width_m)
        self.wide, self.high = scheme.width_m * self.scale, scheme.length_m * self.scale
        self.left, self.top = MARGIN + SIDE, pages.y + 7

    @staticmethod
    def height(plan: GridPlan) -> float:
        """Return how much of a page the sketch takes."""
        scheme = plan.scheme
        return min(HIGH / scheme.length_m, WIDE / scheme.width_m) * scheme.length_m + 19

    def at(self, u_m: float, v_m: float) -> tuple[float, float]:
        """Return where on the page a position of the grid is."""
        u = self.plan.scheme.width_m - u_m if self.plan.mirrored else u_m
        return self.left + u * self.scale, self.top + self.high - v_m * self.scale

    def draw(self) -> None:
        """Draw it at the pages' ``y``, which goes on below it."""
        pages, scheme = self.pages, self.plan.scheme
        unsure = {one.line for one in self.plan.measures} | {one.line for one in self.plan.questions}
        for line in scheme.lines.tolist():
            u = float(scheme.position_m(line))
            thick = THICK if line in unsure else THIN
            pages.line([self.at(u, 0), self.at(u, scheme.length_m)], thick, PALE)
            if line in unsure:
                x, y = self.at(u, scheme.length_m)
                pages.text(str(line), x - 2, y - 4.0, SIDE, SMALL_PT)
        pages.box(self.left, self.top, self.wide, self.high, 0.3)
        for walk in self.plan.walks:
            self._walk(walk)
        x, y = self.at(0, 0)
        pages.text("start corner", x - (0 if self.plan.mirrored else SIDE), y + 3.5, 2 * SIDE, SMALL_PT, bold=True)
        pages.text("baseline", self.left + self.wide / 2 - 7, y + 3.5, 30, SMALL_PT)
        self._beside()
        pages.y = self.top + self.high + 12

    def _walk(self, walk: Walk) -> None:
        if walk.role == TIE:
            start, end = self.at(walk.from_m, walk.position_m), self.at(walk.to_m, walk.position_m)
            name = (start[0] - 7 if start[0] <= end[0] else start[0] + 1, start[1] - 1.5)
        else:
            start, end = self.at(walk.position_m, walk.from_m), self.at(walk.position_m, walk.to_m)
            name = (start[0] - 2, start[1] + (0.3 if walk.heading > 0 else -4.0))
        again = walk.role == "again"
        self.pages.line([start, end], THICK if again else THICK / 2, INK, dashed=not again)
        self._arrow(start, end)
        self.pages.text(str(walk.line), *name, SIDE, SMALL_PT, bold=again)

    def _arrow(self, start: tuple[float, float], end: tuple[float, float]) -> None:
        """Draw the head of an arrow near the start of a line, so that both ends stay free for the number."""
        length = math.dist(start, end)
        along = ((end[0] - start[0]) / length, (end[1] - start[1]) / length)
        tip = (start[0] + along[0] * length * 0.25, start[1] + along[1] * length * 0.25)
        sides = [
            (tip[0] - HEAD * along[0] - s * 0.5 * HEAD * along[1], tip[1] - HEAD * along[1] + s * 0.5 * HEAD * along[0])
            for s in (1, -1)
        ]
        self.pages.line([sides[0], tip, sides[1]], 0.4)

    def _beside(self) -> None:
        """Draw north, the scale and what the lines mean, to the right of the grid."""
        pages, x, y = self.pages, self.left + self.wide + SIDE, self.top
        width = MARGIN + INNER - x
        if self.plan.bearing_deg is not None:
            turn = -math.radians(self.plan.bearing_deg)
            across, middle = (math.sin(turn), -math.cos(turn)), (x + 6, y + 6)
            foot, tip = ((middle[0] - s * across[0], middle[1] - s * across[1]) for s in (5, -5))
            pages.line([foot, tip], 0.4)
            for side in (1, -1):
                barb = (tip[0] - 2.5 * across[0] - side * across[1], tip[1] - 2.5 * across[1] + side * across[0])
                pages.line([tip, barb], 0.4)
            pages.text("N", x + 13, y + 3, 8, bold=True)
        bar = max(b for b in BARS_M if b == BARS_M[0] or b * self.scale <= 25)
        pages.line([(x, y + 16), (x + bar * self.scale, y + 16)], 0.6)
        pages.text(f"{bar} m", x, y + 17, width, SMALL_PT)
        for row, (words, thick, colour, dashed) in enumerate(
            (
                ("walk again", THICK, INK, False),
                ("sound neighbour, tie", THICK / 2, INK, True),
                ("measure or ask", THICK, PALE, False),
                ("other lines", THIN, PALE, False),
            )
        ):
            pages.line([(x, y + 26 + 5 * row), (x + 8, y + 26 + 5 * row)], thick, colour, dashed=dashed)
            pages.text(words, x + 10, y + 24.2 + 5 * row, width - 10, SMALL_PT)
