"""What is refused in a paste."""

from __future__ import annotations

from typing import Any

import pytest

import shadematch as sm

BAD_PASTE: list[tuple[str, Any, str]] = [
    ("name", "", "name"),
    ("name", 7, "name"),
    ("name", None, "name"),
    ("absorption", None, "absorption"),
    ("absorption", [0.1] * 35, "absorption"),
    ("absorption", [0.1] * 35 + [-0.1], "absorption"),
    ("absorption", [0.1] * 35 + [float("nan")], "absorption"),
    ("absorption", [0.1] * 35 + [float("inf")], "absorption"),
    ("absorption", [0.1] * 35 + ["0.1"], "absorption"),
    ("absorption", [0.1] * 35 + [True], "absorption"),
    ("scattering", [-1.0] * 36, "scattering"),
    ("tube_size", 0, "tube_size"),
    ("tube_size", 1e-300, "tube_size"),
    ("tube_size", 1e300, "tube_size"),
    ("tube_size", "87", "tube_size"),
    ("tube_price", -1, "tube_price"),
    ("tube_price", 1e308, "tube_price"),
    ("tube_price", float("nan"), "tube_price"),
    ("colour", "red", "colour"),
]


@pytest.mark.parametrize(("field", "value", "named"), BAD_PASTE)
def test_bad_entry_of_a_paste(field: str, value: Any, named: str) -> None:
    data = sm.demo_palette().model_dump(mode="json")
    data["pigments"][1][field] = value
    with pytest.raises(sm.PaletteError) as found:
        sm.Palette(**data)
    assert found.value.field == f"pigments.1.{named}"
    assert found.value.remedy
