"""Texts that a person reads, in the person's language."""

from __future__ import annotations

from ..processing_provider.language import tr

__all__ = ["tr"]
