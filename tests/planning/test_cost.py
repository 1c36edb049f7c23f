"""What a recipe costs, counted by hand."""

from __future__ import annotations

import pytest

import shadematch as sm
from shadematch.planning.stock import Tubes


def test_cost_by_hand() -> None:
    # 3 cm of a tube of 87 cm at 8.50 and 1 cm of one at 9.00; 500 g at 6.00 and 7.00 the kilo.
    recipe = sm.Recipe({"gorse": 3, "rosehip": 1}, sm.Pour(batch_g=500, white=0.2))
    stock = sm.Stock(
        tubes=(
            Tubes(pigment="gorse", opened=(10, 11)),
            Tubes(pigment="rosehip", full=1, tube_size=90, price=9.9),
        ),
        clear_price_kg=6.0,
        white_price_kg=7.0,
    )
    money = sm.cost(recipe, stock=stock, bar_g=90)
    assert money.bars == 5
    assert money.paste == pytest.approx(3 * 8.5 / 87 + 9.9 / 90)
    assert money.base == pytest.approx(0.4 * 6 + 0.1 * 7)
    assert money.per_bar == pytest.approx((money.paste + money.base) / 5)
    # 29 batches from 87 cm of gorse; 7 from the 21 cm on the shelf.
    assert money.first_out == "gorse" and money.bars_per_set == 29 * 5
    assert money.bars_on_shelf == 7 * 5
    assert "gorse is out first" in str(money)
    unknown = sm.cost(recipe, bar_g=90)
    assert unknown.base is None and unknown.per_bar is None and unknown.bars_on_shelf is None
    assert "not known" in str(unknown) and "shelf" not in str(unknown)
    assert sm.cost(recipe, stock=sm.Stock(), bar_g=90).bars_on_shelf == 0
    plain = sm.cost(sm.Recipe({}, sm.Pour(batch_g=100)), stock=stock)
    assert plain.bars_per_set is None and plain.paste == 0


@pytest.mark.parametrize(
    ("make", "field"),
    [
        (lambda: sm.cost({"gorse": 1}), "recipe"),
        (lambda: sm.cost(sm.Recipe({"gorse": 1}, sm.Pour(batch_g=100)), bar_g=0), "bar_g"),
        (lambda: sm.cost(sm.Recipe({"peat": 1}, sm.Pour(batch_g=100))), "pigment"),
    ],
)
def test_refused(make: object, field: str) -> None:
    with pytest.raises(sm.ShadematchError) as found:
        make()  # type: ignore[operator]
    assert found.value.field == field
    assert found.value.remedy
