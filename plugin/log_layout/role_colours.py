"""What the roles of columns are called, and their colours in a light and a dark theme."""

from __future__ import annotations

from qgis.PyQt.QtGui import QColor, QIcon, QPixmap

from ...processing_provider.engine.logs import ROLES
from ..profile import DARK_BELOW, Look
from ..texts import tr

UNUSED = "not used"
COLOURS = {
    "line": ("#0f5c66", "#6fd0d8"), "run": ("#3d7f5b", "#8fd6ae"), "station": ("#1f4e9c", "#8fb8f5"),
    "time": ("#5a3d8a", "#b9a3ea"), "time_part": ("#6b5a9e", "#c9bbf2"), "date": ("#7d4f9e", "#d3b4f0"),
    "mark": ("#8a1f4b", "#ef8fb4"),
    "grid": ("#5c5a12", "#d8d27a"), "channel": ("#a3480a", "#f2a65a"), "temperature": ("#8a5a44", "#d9b09c"),
}  # fmt: skip
"""Of the roles, on a light and on a dark background; positions have one colour together."""
POSITION = ("#4c6b12", "#b5d46a")
TINT = 0.16
"""How much of its role's colour is in the background of a column: text on it stays as easy to read."""
QUIET = 0.62
"""How much of the ink is in a text that is not looked at first: its contrast stays above 4.5 in both themes."""
SWATCH_PX = 12


def role_words() -> dict[str, str]:
    """Return the roles that a column can have, and what they are called."""
    return {**{role: tr(role.replace("_", " ")) for role in ROLES}, "": tr(UNUSED)}


def role_colour(role: str, look: Look) -> QColor:
    """Return the colour of a role; a column that is not used has that of what stands behind."""
    dark = look.paper.lightness() < DARK_BELOW
    return QColor(COLOURS.get(role, POSITION)[dark]) if role else QColor(look.faint)


def role_tint(role: str, look: Look) -> QColor:
    """Return the background of a column."""
    return _mixed(look.paper, role_colour(role, look), TINT) if role else QColor(look.paper)


def quiet_ink(look: Look) -> QColor:
    """Return the colour of texts that are not read as values."""
    return _mixed(look.paper, look.ink, QUIET)


def _mixed(one: QColor, other: QColor, fraction: float) -> QColor:
    pairs = zip(one.getRgb()[:3], other.getRgb()[:3])
    return QColor(*(round(a + (b - a) * fraction) for a, b in pairs))


def role_icon(role: str, look: Look) -> QIcon:
    """Return a square in the colour of a role."""
    picture = QPixmap(SWATCH_PX, SWATCH_PX)
    picture.fill(role_colour(role, look))
    return QIcon(picture)
