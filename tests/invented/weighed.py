"""The demo palette as if its pastes were weighed, and what its texts must not say."""

from __future__ import annotations

import re

import shadematch as sm

__all__ = ["palette_in_g", "speaks_of_cm"]

_THICKNESS = re.compile(r"[\d.]+ cm\s+(thick|deep)|bar of [\d.]+ cm|th(?:ick|inn)er bar, [\d.]+ cm")


def palette_in_g() -> sm.Palette:
    """The demo palette, its numbers taken for g: the same colours for the same numbers."""
    return sm.demo_palette().model_copy(update={"unit": "g"})


def speaks_of_cm(text: str) -> list[str]:
    """Words around each length in a text that is not the thickness of a bar or a melt."""
    rest = _THICKNESS.sub("", text)
    return re.findall(r".{0,30}\bcm\b.{0,30}|.{0,30}(?:[Rr]uler|centimetre).{0,30}", rest)
