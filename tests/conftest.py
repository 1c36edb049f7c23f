"""What several tests share: the reference tables and colour-science."""

from __future__ import annotations

import csv
import warnings
from collections.abc import Callable
from pathlib import Path
from types import ModuleType

import pytest

REFERENCE = Path(__file__).parent / "reference"


@pytest.fixture(scope="session")
def reference() -> Callable[[str], list[dict[str, str]]]:
    """Rows of a table in ``tests/reference``; its first line names source and standing."""

    def read(name: str) -> list[dict[str, str]]:
        with (REFERENCE / name).open(encoding="utf-8", newline="") as stream:
            return list(csv.DictReader(line for line in stream if not line.startswith("#")))

    return read


@pytest.fixture(scope="session")
def colour() -> ModuleType:
    """colour-science, imported without its warnings about optional packages."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        import colour
    return colour
