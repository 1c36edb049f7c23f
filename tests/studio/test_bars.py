"""One account of bars: what stays in the pot, whole bars, whole batches."""

from fractions import Fraction

import pytest
from hypothesis import given, strategies as st

import shadematch as sm
from shadematch.planning.stock import Tubes
from shadematch.studio.bars import LOSS, to_melt_g, usable_g, whole_bars

STOCK = sm.Stock.of(dict.fromkeys(sm.demo_palette().names, 9))


@given(
    bars=st.integers(1, 2000),
    bar_g=st.integers(1, 5000),
    loss=st.sampled_from((0.0, 0.02, 0.03, 0.1, 0.25)),
)
def test_what_is_melted_for_bars_gives_them(bars: int, bar_g: int, loss: float) -> None:
    melted = to_melt_g(bars * bar_g / 10, loss)
    assert whole_bars(melted, bar_g / 10, loss) >= bars
    # In exact arithmetic: no more is melted than a scale's step.
    needed = Fraction(bars * bar_g, 10) / (1 - Fraction(str(loss)))
    step = 1 if needed >= 100 else Fraction(1, 10)
    assert 0 <= Fraction(melted) - needed + Fraction(1, 10**6) < step + Fraction(2, 10**6)


def test_eight_bars_by_everyone() -> None:
    # 800 g are 7 bars of 100 g, since some stays in the pot.
    recipe = sm.Recipe({"gorse": 3}, sm.Pour(batch_g=800))
    assert usable_g(800, LOSS) == 776
    assert sm.cost(recipe).bars == 7
    assert "7 bars of 100 g" in str(sm.batch_sheet(recipe, bar_g=100))
    assert sm.Order(name="a", recipe=recipe, bars=8).pots == 2
    assert sm.cost(recipe, loss=0).bars == 8


@pytest.mark.parametrize("bars", [1, 7, 10, 23])
@pytest.mark.parametrize("bar_g", [80.0, 100.0, 333.0])
def test_a_planned_order_gives_its_bars(bars: int, bar_g: float) -> None:
    order = sm.Order(name="a", target="#d9822b", bars=bars, bar_g=bar_g)
    plan = sm.plan([order], STOCK)
    (line,) = plan.poured
    batch = line.recipe.pour.batch_g
    assert order.bars_each is not None
    assert order.bars_each * line.pots >= bars > order.bars_each * (line.pots - 1)
    assert batch <= order.pour.batch_g
    assert whole_bars(batch, bar_g, order.loss) == line.cost.bars >= order.bars_each
    # The sheet agrees, and base to buy counts what stays in the pot.
    assert f"{order.bars_each} bar" in sm.batch_sheet(line).text
    short = STOCK.model_copy(update={"clear_g": 0.0, "clear_price_kg": 5.0})
    bought = sm.plan([order], short, buy=True)
    assert bought.buy_base_g["clear"] == pytest.approx(line.pots * batch)
    assert line.pots * batch * (1 - LOSS) >= bars * bar_g


def test_a_batch_too_small_for_a_bar_is_told_alike() -> None:
    recipe = sm.Recipe({"gorse": 3}, sm.Pour(batch_g=100))
    stock = sm.Stock(tubes=(Tubes(pigment="gorse", full=1),), clear_price_kg=5.0)
    found = sm.cost(recipe, bar_g=120, stock=stock)
    assert (found.bars, found.bars_per_set, found.bars_on_shelf) == (0, 0, 0)
    assert found.paste is not None and found.base is not None and found.per_bar is None
    assert "no bar of 120 g: melt at least 124 g" in str(found)
    for call in (
        lambda: sm.batch_sheet(recipe, bar_g=120),
        lambda: sm.Order(name="a", recipe=recipe, bars=2, bar_g=120),
    ):
        with pytest.raises(sm.PourError, match="no bar of 120 g") as no:
            call()
        assert "Melt at least 124 g" in no.value.remedy


def test_leftovers_are_not_pooled() -> None:
    # 5 batches of 500 g with 2 cm from 10 cm: 4 bars each, not 2425 / 100 = 24.
    stock = sm.Stock(tubes=(Tubes(pigment="gorse", opened=(10.9,)),))
    found = sm.cost(sm.Recipe({"gorse": 2}, sm.Pour(batch_g=500)), stock=stock)
    assert found.bars_on_shelf == 5 * 4


@pytest.mark.parametrize("loss", [1, -0.1, float("nan"), "3 %", True])
def test_a_loss_that_cannot_be_is_refused(loss: object) -> None:
    recipe = sm.Recipe({"gorse": 3}, sm.Pour(batch_g=500))
    for call in (
        lambda: sm.cost(recipe, loss=loss),  # type: ignore[arg-type]
        lambda: sm.batch_sheet(recipe, loss=loss),  # type: ignore[arg-type]
        lambda: sm.Order(name="a", recipe=recipe, bars=1, loss=loss),  # type: ignore[arg-type]
    ):
        with pytest.raises(sm.PourError) as no:
            call()
        assert "loss" in str(no.value)
