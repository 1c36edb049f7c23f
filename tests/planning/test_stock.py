"""What is refused in a shelf."""

from __future__ import annotations

import pytest

import shadematch as sm
from shadematch.planning.stock import Tubes


@pytest.mark.parametrize(
    ("make", "field"),
    [
        (lambda: Tubes(pigment="gorse", full=-1), "full"),
        (lambda: Tubes(pigment="gorse", opened=(-1,)), "opened.0"),
        (lambda: sm.Stock.of({"gorse": 1.5}), "full"),
        (
            lambda: sm.Stock(tubes=(Tubes(pigment="a"), Tubes(pigment="a"))),
            "tubes",
        ),
        (lambda: sm.Stock(clear_g=-1), "clear_g"),
    ],
)
def test_refused(make: object, field: str) -> None:
    with pytest.raises(sm.ShadematchError) as found:
        make()  # type: ignore[operator]
    assert found.value.field == field
    assert found.value.remedy
