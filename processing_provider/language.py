"""Texts that a person reads, in the person's language."""

from __future__ import annotations

from qgis.PyQt.QtCore import QCoreApplication


def tr(text: str) -> str:
    """Return a text in the language of QGIS; English where there is no translation."""
    return QCoreApplication.translate("Turnrow", text)
