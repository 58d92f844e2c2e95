"""Texts that a person reads, in the person's language, and shown as text whatever a log or a table brings."""

from __future__ import annotations

import html

from qgis.PyQt.QtCore import Qt
from qgis.PyQt.QtWidgets import QLabel

from ..processing_provider.language import tr

__all__ = ["as_text", "plain_label", "tr"]


def as_text(text: str) -> str:
    """Return a text for where Qt looks whether it is HTML (tooltips, message boxes): it is shown as it is."""
    # Where Qt looks (its function for that, mightBeRichText, is not in PyQt6): tags, or < as HTML, in the first line.
    first = text.split("\n", 1)[0]
    return f"<span>{html.escape(text, quote=False)}</span>" if "<" in first or "&lt;" in first else text


def plain_label(text: str = "") -> QLabel:
    """Return a label that shows text as text."""
    made = QLabel(text)
    made.setTextFormat(Qt.TextFormat.PlainText)
    return made
