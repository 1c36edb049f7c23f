"""Photos as tests take them."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from tests.invented import photos as ph


@pytest.fixture
def shoot(tmp_path: Path) -> Callable[..., Path]:
    def make(
        sample: Any, light: str = "D65", *, camera: int = 0, seed: int = 1, **options: Any
    ) -> Path:
        rng = np.random.default_rng(seed)
        name = tmp_path / f"{seed}-{light}.jpg"
        return ph.shoot(name, sample, light, ph.cameras()[camera], rng, **options)

    return make
