"""Views: what is refused, and backings."""

from __future__ import annotations

import numpy as np
import pytest

import shadematch as sm
from shadematch.colour.standards import WAVELENGTHS_NM


@pytest.mark.parametrize(
    ("field", "value"),
    [
        ("observer", "5"),
        ("illuminant", "D64"),
        ("contact", "glue"),
        ("through", "candle"),
        *(("backing", v) for v in ("purple", 1.5, -0.1, float("nan"), [0.5, 0.5], [2.0] * 36)),
    ],
)
def test_bad_view(field: str, value: object) -> None:
    with pytest.raises(sm.ShadematchError) as found:
        sm.View(**{field: value})  # type: ignore[arg-type]
    assert found.value.field == field
    assert found.value.remedy


def test_backing_as_a_number_and_a_spectrum() -> None:
    spectrum = np.linspace(0.1, 0.9, WAVELENGTHS_NM.size)
    assert np.array_equal(sm.View(backing=spectrum.tolist()).backing_reflectance, spectrum)
    assert np.all(sm.View(backing=0.3).backing_reflectance == 0.3)
    assert np.all(sm.View().backing_reflectance == 0.9)
