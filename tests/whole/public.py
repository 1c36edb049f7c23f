"""What is public: the names at the top, and what the reference lists of the rooms below."""

from __future__ import annotations

import functools
import importlib
import re
from pathlib import Path
from typing import Any

import shadematch as sm

REFERENCE = Path(__file__).parents[2] / "docs" / "api"
LISTED = re.compile(r"^\.\. auto(class|function|exception):: ([\w.]+)$", re.MULTILINE)


def listed() -> dict[str, tuple[str, str]]:
    """Kind and room of each name that the reference lists; no room for one at the top."""
    found = {}
    for page in sorted(REFERENCE.glob("*.md")):
        for kind, path in LISTED.findall(page.read_text("utf-8")):
            room, _, name = path.rpartition(".")
            assert name not in found, name
            found[name] = kind, room
    return found


@functools.cache
def everything() -> dict[str, Any]:
    """All public functions and classes by name."""
    top = {name: getattr(sm, name) for name in sm.__all__ if name != "__version__"}
    below = {
        name: getattr(importlib.import_module(room), name)
        for name, (_, room) in listed().items()
        if room
    }
    assert not top.keys() & below.keys()
    return top | below
