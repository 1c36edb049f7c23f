"""A match, and the file that it was saved in."""

from __future__ import annotations

from pathlib import Path

import pytest

import shadematch as sm
from shadematch.matching.match import Match


@pytest.fixture(scope="module")
def match() -> Match:
    pour = sm.Pour(batch_g=250, thickness_cm=2, white=0.1)
    return sm.match("#a34fb0", pour=pour, max_pigments=3, must_avoid=["kelp"])


@pytest.fixture
def saved(match: Match, tmp_path: Path) -> Path:
    sm.save(match, tmp_path / "order.json", note="für die Fähre\nשתי שורות")
    return tmp_path / "order.json"
