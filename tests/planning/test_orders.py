"""What is refused in an order."""

from __future__ import annotations

import pytest

import shadematch as sm


@pytest.mark.parametrize(
    ("make", "field"),
    [
        (lambda: sm.Order(name="a", bars=1), "a"),
        (
            lambda: sm.Order(
                name="a", target="#fff", recipe=sm.Recipe({}, sm.Pour(batch_g=100)), bars=1
            ),
            "a",
        ),
        (lambda: sm.Order(name="a", target="#fff"), "a"),
        (lambda: sm.Order(name="a", target="#fff", bars=1, mass_g=5), "a"),
        (lambda: sm.Order(name="a", target="#ff", bars=1), "target.hex"),
        (lambda: sm.Order(name="", target="#fff", bars=1), "name"),
        (lambda: sm.Order(name="a", target="#fff", bars=1.5), "bars"),
        (lambda: sm.Order(name="a", target="#fff", bars=True), "bars"),
        (lambda: sm.Order(name="a", target="#fff", bars=1, value=0), "value"),
        (lambda: sm.Order(name="a", target="#fff", bars=1, value=float("nan")), "value"),
        (lambda: sm.Order(name="a", target="#fff", bars=1, tolerance=-1), "tolerance"),
        (lambda: sm.Order(name="a", target="#fff", mass_g=1e9, pour=sm.Pour(batch_g=100)), "a"),
    ],
)
def test_refused(make: object, field: str) -> None:
    with pytest.raises(sm.ShadematchError) as found:
        make()  # type: ignore[operator]
    assert found.value.field == field
    assert found.value.remedy
