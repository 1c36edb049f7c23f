"""The plan against enumeration of small order books, and the reasons it gives."""

from __future__ import annotations

import datetime
import itertools
import pickle
from dataclasses import dataclass

import numpy as np
import pytest

import shadematch as sm
from shadematch.colour.difference import delta_e
from shadematch.planning.numbers import Books
from shadematch.planning.options import options_for
from shadematch.planning.programme import solve
from shadematch.planning.result import LeftOutOrder, Plan, PouredOrder, Purchase
from shadematch.planning.stock import Tubes
from shadematch.predicting.prediction import model_for
from shadematch.support.arrays import FloatArray
from tests.invented.problems import invented_palette


@dataclass(frozen=True)
class Book:
    """A small order book and everything that could be done with it."""

    palette: sm.Palette
    stock: sm.Stock
    orders: tuple[sm.Order, ...]
    buy: bool | float

    def every_recipe(self, order: sm.Order) -> FloatArray:
        """Paste of the whole order in every recipe within its tolerance, lean or not."""
        n = len(self.palette.pigments)
        if order.recipe is not None:
            doses = [order.recipe.doses.get(name, 0.0) for name in self.palette.names]
            return np.array([doses]) * order.pots
        assert order.target is not None
        pour = order.pot
        model = model_for(self.palette, pour.thickness_cm, pour.white, order.view)
        grids = itertools.product(range(pour.max_steps + 1), repeat=n)
        steps = np.array([g for g in grids if sum(g) <= pour.max_steps], dtype=float)
        away = delta_e(model.lab(steps * pour.load_per_step), order.target.lab_in(order.view))
        within = away.min() + order.tolerance
        if order.within is not None:
            within = min(within, order.within)
        return steps[away <= within + 1e-9] * (pour.dose_step * order.pots)

    def everything(self) -> tuple[FloatArray, ...]:
        """For every way to pour: which orders (a, m), paste (a, n), base in g (a, 2)."""
        recipes = [self.every_recipe(order) for order in self.orders]
        ways = np.array(list(itertools.product(*(range(-1, len(r)) for r in recipes))))
        use = np.zeros((len(ways), len(self.palette.pigments)))
        base = np.zeros((len(ways), 2))
        for i, (order, options) in enumerate(zip(self.orders, recipes, strict=True)):
            poured = ways[:, i] >= 0
            use[poured] += options[ways[poured, i]]
            white = order.pot.white
            base[poured] += order.melted_g * np.array([1 - white, white])
        return (ways >= 0).astype(float), use, base

    def shelf(self) -> tuple[FloatArray, ...]:
        names = self.palette.names
        rows = [self.stock.row(name) for name in names]
        tube = np.array([row.tube_size for row in rows], dtype=float)
        there = np.array([r.full * r.tube_size + sum(r.opened) for r in rows], dtype=float)
        price = np.array([row.price for row in rows], dtype=float)
        most = np.array([np.inf if row.most is None else row.most for row in rows])
        return there, tube, price, most


def small_book(seed: int) -> Book:
    """Two to four orders, three pigments, tubes of a few centimetres."""
    rng = np.random.default_rng(seed)
    palette = invented_palette(rng, 3)
    tubes = tuple(
        Tubes(
            pigment=name,
            full=int(rng.integers(0, 2)),
            opened=tuple(np.round(rng.uniform(0, 4, rng.integers(0, 3)), 1).tolist()),
            tube_size=float(rng.integers(4, 10)),
            price=float(rng.choice([5.0, 7.5, 9.0])),
            most=None if rng.random() < 0.7 else int(rng.integers(0, 3)),
        )
        for name in palette.names
    )
    limited = rng.random() < 0.4
    stock = sm.Stock(
        tubes=tubes,
        clear_g=float(rng.integers(0, 500)) if limited else None,
        clear_price_kg=6.0,
        white_price_kg=7.0,
    )
    orders = []
    for i in range(int(rng.integers(2, 5))):
        pour = sm.Pour(
            batch_g=float(rng.choice([80.0, 100.0, 120.0])),
            thickness_cm=float(rng.choice([0.5, 1.0, 2.0])),
            white=float(rng.choice([0.0, 0.1])),
            max_load=4.0,
        )
        common = {"name": f"order {i}", "value": float(rng.choice([1.0, 1.0, 2.0, 3.5]))}
        if rng.random() < 0.2:
            doses = {palette.names[0]: 2.0, palette.names[int(rng.integers(1, 3))]: 1.0}
            orders.append(sm.Order(recipe=sm.Recipe(doses, pour), mass_g=150.0, **common))
            continue
        loads = rng.dirichlet(np.ones(4))[:3] * 4.0
        lab = model_for(palette, pour.thickness_cm, pour.white, sm.View()).lab(loads)
        orders.append(
            sm.Order(
                target=sm.Target(tuple((lab + rng.normal(0, 1, 3)).tolist())),
                bars=int(rng.integers(1, 4)),
                bar_g=70.0,
                pour=pour,
                tolerance=float(rng.choice([0.0, 1.0, 3.0])),
                within=float(rng.choice([3.0, 50.0, 50.0, 50.0])),
                **common,
            )
        )
    buy = (False, True, float(rng.uniform(0, 20)))[seed % 3]
    return Book(palette, stock, tuple(orders), buy)


@pytest.mark.parametrize("first", range(0, 120, 12))
def test_plan_is_the_best_of_all(first: int) -> None:
    # Every way to pour every order in every recipe within its tolerance, lean or not. The tubes
    # that a way takes follow from its paste, pigment by pigment.
    for seed in range(first, first + 12):
        book = small_book(seed)
        plan = sm.plan(book.orders, book.stock, palette=book.palette, buy=book.buy)
        assert plan.proved and not plan.limited
        poured, use, base = book.everything()
        there, tube, price, most = book.shelf()
        tubes = np.maximum(np.ceil((use - there - 1e-3) / tube), 0.0)
        clear = np.inf if book.stock.clear_g is None else book.stock.clear_g
        extra = np.maximum(base[:, 0] - clear, 0.0)
        money = tubes @ price + extra * 0.006
        allowed = np.all(tubes <= most, axis=1)
        if book.buy is False:
            allowed &= (money == 0) & (tubes.sum(axis=1) == 0) & (extra <= 1e-6)
        elif book.buy is not True:
            allowed &= money <= book.buy + 1e-6
        value = poured @ np.array([order.value for order in book.orders])
        best = value[allowed].max()
        assert plan.value == pytest.approx(best, abs=1e-9)
        kept = allowed & (value >= best - 1e-9)
        assert plan.money == pytest.approx(money[kept].min(), abs=1e-4)
        kept &= money <= money[kept].min() + 1e-4
        bought = {p.pigment: p.tubes for p in plan.buy}
        assert sum(bought.values()) == tubes[kept].sum(axis=1).min()
        # With the purchases that it settled on, no way is more sparing.
        have = there + tube * np.array([bought.get(n, 0) for n in book.palette.names])
        kept &= np.all(use <= have + 1e-3, axis=1)
        worth = 1.0 / np.where(have > 0, have, tube)
        mine = np.array(list(plan.use.values()))
        assert mine @ worth == pytest.approx((use[kept] @ worth).min(), abs=1e-6)
        assert np.all(mine <= have + 1e-3)
        left = np.array(list(plan.left.values()))
        assert left == pytest.approx(np.maximum(have - mine, 0), abs=1e-5)
        check_reasons(book, plan, poured=poured, use=use, base=base, have=have, bought=bought)


def check_reasons(
    book: Book,
    plan: Plan,
    poured: FloatArray,
    use: FloatArray,
    base: FloatArray,
    have: FloatArray,
    bought: dict[str, int],
) -> None:
    """The cheapest tubes that would let an order be poured are the cheapest."""
    _, tube, price, most = book.shelf()
    names = [order.name for order in book.orders]
    done = np.array([any(p.order.name == n for p in plan.poured) for n in names])
    clear = np.inf if book.stock.clear_g is None else book.stock.clear_g
    clear += plan.buy_base_g["clear"]
    for line in plan.left_out:
        at = names.index(line.order.name)
        if line.reason == "colour":
            assert len(book.every_recipe(line.order)) == 0
            assert "away" in line.sentence
            continue
        wanted = done | (np.arange(len(names)) == at)
        ways = np.all(poured == wanted, axis=1)
        more = np.maximum(np.ceil((use[ways] - have - 1e-3) / tube), 0.0)
        left = most - np.array([bought.get(n, 0) for n in book.palette.names])
        sold = np.all(more <= left, axis=1)
        if sold.any():
            more = more[sold]
        else:
            assert "more than can be bought" in line.sentence
        cost = more @ price
        told = sum(p.money or 0.0 for p in line.would_take)
        assert told == pytest.approx(cost.min(), abs=1e-6)
        for purchase in line.would_take:
            assert purchase.pigment in line.sentence
        if not line.would_take:
            assert base[ways][0, 0] > clear and "clear base" in line.sentence


def test_scarce_tube_lasts_among_equally_good_recipes() -> None:
    # Two pastes that are one and the same: the plan takes the one of which there is more.
    demo = sm.demo_palette()
    twin = sm.Pigment(name="twin", absorption=demo["rosehip"].absorption, tube_price=9.0)
    palette = sm.Palette(
        pigments=(demo["rosehip"], twin, demo["gorse"]), clear=demo.clear, white=demo.white
    )
    order = sm.Order(name="a", target="#c8506e", mass_g=500, pour=sm.Pour(batch_g=500))
    plenty, scarce = Tubes(pigment="twin", full=3), Tubes(pigment="rosehip", opened=(20,))
    gorse = Tubes(pigment="gorse", full=1)
    one = sm.plan([order], sm.Stock(tubes=(plenty, scarce, gorse)), palette=palette)
    assert one.use["rosehip"] == 0 and one.use["twin"] > 0
    full, used = Tubes(pigment="rosehip", full=3), Tubes(pigment="twin", opened=(20,))
    other = sm.plan([order], sm.Stock(tubes=(full, used, gorse)), palette=palette)
    assert other.use["twin"] == 0 and other.use["rosehip"] == one.use["twin"]
    assert one.poured[0].delta_e == pytest.approx(other.poured[0].delta_e, abs=1e-9)


def dusky(**changes: object) -> sm.Order:
    given = {"name": "repeat", "bars": 12, **changes}
    doses = {"dusk": 4.0, "kelp": 3.0}
    return sm.Order(recipe=sm.Recipe(doses, sm.Pour(batch_g=500)), **given)  # type: ignore[arg-type]


def test_reason_names_the_tube_and_the_order() -> None:
    stock = sm.Stock(tubes=(Tubes(pigment="dusk", opened=(7.0,)), Tubes(pigment="kelp", full=1)))
    plan = sm.plan([dusky()], stock)  # 1,200 g: 3 pots, 12 cm of dusk
    (line,) = plan.left_out
    assert not plan.complete and plan.poured == ()
    assert line.reason == "paste" and dict(line.short) == {"dusk": 5.0}
    assert [(p.pigment, p.tubes) for p in line.would_take] == [("dusk", 1)]
    assert "repeat: even alone it is 5 cm of dusk short; it needs 1 tube of dusk" in str(plan)
    # Beside another one that takes what there is.
    stock = sm.Stock.of({"dusk": 1, "kelp": 3})
    many = dusky(name="many", bars=84, value=9.0)  # 21 pots of 4 bars, 84 cm
    plan = sm.plan([dusky(), many], stock)
    assert plan["many"] == plan.poured[0] and plan.poured[0].pots == 21
    assert "beside the orders poured it is 9 cm of dusk short; it needs 1 tube" in str(
        plan["repeat"]
    )
    with pytest.raises(sm.PourError, match="no order has this name"):
        plan["gone"]


def test_reason_for_colour_pour_palette_base_and_budget() -> None:
    stock = sm.Stock.of({"gorse": 1, "rosehip": 1, "jetty": 1, "dusk": 1, "kelp": 1})
    green = sm.Order(name="green", target="#00ff00", bars=1, within=3)
    tiny = sm.Order(name="tiny", target="#d9822b", mass_g=20)
    lost = sm.Order(name="lost", recipe=sm.Recipe({"peat": 1}, sm.Pour(batch_g=110)), bars=1)
    plan = sm.plan([green, tiny, lost], stock)
    assert [line.reason for line in plan.left_out] == ["colour"] * 3
    sentences = [line.sentence for line in plan.left_out]
    assert "over the 3 allowed" in sentences[0]
    assert "below one dose step" in sentences[1]
    assert "needs peat" in sentences[2]
    assert plan.proof == "there is nothing to choose"
    dry = stock.model_copy(update={"clear_g": 1000.0, "clear_price_kg": 6.0})
    plan = sm.plan([dusky()], dry)
    assert plan.left_out[0].reason == "base" and "500 g of clear base" in str(plan)
    plan = sm.plan([dusky()], dry, buy=True)
    assert (
        plan.buy == ()
        and dict(plan.buy_base_g) == {"clear": 500.0, "white": 0.0}
        and plan.money == 3.0
    )
    plan = sm.plan([dusky()], dry, buy=2.5)
    assert plan.left_out[0].reason == "budget"
    none = sm.Stock.of({"kelp": 1})
    plan = sm.plan([dusky()], none, buy=10)
    assert plan.left_out[0].reason == "budget" and "over the budget of 10" in str(plan)
    assert sm.plan([dusky()], none, buy=11).buy == (Purchase("dusk", 1, 11.0),)


def test_what_if_a_tube_runs_out() -> None:
    orders = [
        sm.Order(name="warm", target="#d9822b", bars=5, pour=sm.Pour(batch_g=500)),
        sm.Order(name="sea", target="#5f9ea0", bars=5, pour=sm.Pour(batch_g=500)),
        dusky(),
    ]
    stock = sm.Stock.of(dict.fromkeys(sm.demo_palette().names, 2))
    plan = sm.plan(orders, stock)
    assert plan.complete and plan.poured[0].use.get("gorse")
    what = plan.without("gorse")
    assert what.before is plan and "gorse" not in what.after.palette.names
    # The same as a plan from scratch with a palette that lacks it.
    rest = sm.Stock.of(dict.fromkeys(("rosehip", "jetty", "dusk", "kelp"), 2))
    alone = sm.plan(orders, rest, palette=sm.demo_palette().without("gorse"))
    assert what.after == alone
    old, new = what.changes["warm"]
    assert isinstance(old, PouredOrder) and isinstance(new, PouredOrder)
    assert new.delta_e > old.delta_e and "repeat" not in what.changes
    assert "without gorse" in str(what) and "warm" in str(what)
    assert isinstance(plan.without("dusk").after["repeat"], LeftOutOrder)
    # The other question: the palette knows the colour, but there is no tube.
    short = sm.plan(orders, stock.without("dusk"))
    assert isinstance(short["repeat"], LeftOutOrder)
    assert "more than can be bought" in str(short["repeat"])
    with pytest.raises(sm.UnknownNameError):
        plan.without("peat")
    assert pickle.loads(pickle.dumps(plan)) == plan


def test_pots_and_due_dates() -> None:
    stock = sm.Stock.of(dict.fromkeys(sm.demo_palette().names, 5))
    day = datetime.date(2031, 3, 1)
    late = sm.Order(name="late", target="#d9822b", mass_g=2500, due=day + datetime.timedelta(9))
    soon = sm.Order(name="soon", target="#d9822b", mass_g=2500, due=day)
    whenever = sm.Order(name="whenever", target="#d9822b", mass_g=2500)
    plan = sm.plan([whenever, late, soon], stock)
    assert [p.order.name for p in plan.poured] == ["soon", "late", "whenever"]
    one = plan.poured[0]
    assert one.pots == 3 and one.recipe.pour.batch_g == 860  # 2500 / 0.97 / 3, to the gram above
    assert one.use == {n: 3 * dose for n, dose in one.recipe.doses.items()}
    assert all(dose == round(dose) for dose in one.recipe.doses.values())
    match = sm.match("#d9822b", pour=one.recipe.pour)
    assert match.closest.delta_e - 1e-9 <= one.delta_e <= match.closest.delta_e + 0.5 + 1e-9
    # A recipe that was given is poured in whole pots of itself.
    assert dusky().pots == 3 and dusky().melted_g == 1500 and dusky().total_g == 1200


def test_each_order_says_what_it_stays_within() -> None:
    stock = sm.Stock.of(dict.fromkeys(sm.demo_palette().names, 5))
    palette = sm.demo_palette().known_to(0.1)
    plan = sm.plan([sm.Order(name="a", target="#d9822b", bars=5), dusky()], stock, palette=palette)
    wanted, given = (line for line in (plan["a"], plan["repeat"]) if isinstance(line, PouredOrder))
    strayed = sm.spread(wanted.recipe, palette=palette, target="#d9822b")
    assert wanted.spread == strayed and strayed.largest == "pastes"
    told = f"CIEDE2000 {wanted.delta_e:.2f}, {strayed.within}, mainly from pastes that are not"
    assert told in str(wanted) and told in " ".join(str(plan).split())
    assert given.spread.p90 == sm.spread(given.recipe, palette=palette).p90
    assert f"CIEDE2000 to its own colour {given.spread.within}" in str(given)


def test_options_of_scattering_pigments_and_limits_on_pigments() -> None:
    demo = sm.demo_palette()
    chalk = sm.Pigment(name="chalk", absorption=(0.01,) * 36, scattering=(1.5,) * 36)
    palette = sm.Palette(pigments=(*demo.pigments[:2], chalk), clear=demo.clear, white=demo.white)
    pour = sm.Pour(batch_g=200)
    model = model_for(palette, 1.0, 0.0, sm.View())
    target = sm.Target(tuple(model.lab(np.array([1.1, 0.4, 0.7])).tolist()))
    order = sm.Order(name="a", target=target, mass_g=200, pour=pour, tolerance=1.0, loss=0)
    options = options_for(order, palette)
    steps = np.array([s for s in itertools.product(range(9), repeat=3) if sum(s) <= 8], float)
    labs = np.array([model.lab(s) for s in steps * pour.load_per_step])  # as the proof sees it
    near = steps[delta_e(labs, target.lab_in(sm.View())) <= options.closest_delta_e + 1.0]
    lean = {
        tuple(p)
        for p in near.tolist()
        if not any(q != p and all(a <= b for a, b in zip(q, p, strict=True)) for q in near.tolist())
    }
    assert options.complete and {tuple(u) for u in options.use.tolist()} == lean
    few = options_for(order.model_copy(update={"max_pigments": 1}), palette)
    assert np.all(np.count_nonzero(few.use, axis=1) <= 1) and few.complete


def test_a_cut_list_is_not_called_proved(monkeypatch: pytest.MonkeyPatch) -> None:
    from shadematch.planning import options

    monkeypatch.setattr(options, "MOST", 3)
    stock = sm.Stock.of(dict.fromkeys(sm.demo_palette().names, 5))
    order = sm.Order(name="grey", target="#8d8a83", mass_g=1000, tolerance=1.21, loss=0)
    plan = sm.plan([order], stock)
    assert plan.limited == ("grey",) and not plan.proved
    assert plan.poured[0].among == 3
    assert "incomplete for grey" in plan.proof


def test_out_of_time_is_not_called_proved() -> None:
    # A knapsack with many near ties: no solver is through with it in a twentieth of a second.
    rng = np.random.default_rng(7)
    m, n, k = 400, 6, 8
    books = Books(
        order=np.repeat(np.arange(m), k),
        use=rng.integers(20, 90, (m * k, n)).astype(float),
        value=rng.integers(1000, 1100, m).astype(float),
        base_g=np.full((m, 2), 100.0),
        shelf=np.full(n, 2000.5),
        tube_size=np.full(n, 87.0),
        price=np.full(n, 9.0),
        most=np.zeros(n),
        base_shelf_g=np.full(2, np.inf),
        base_price_g=np.zeros(2),
    )
    solution = solve(books, buy=False, seconds=0.05)
    assert solution is not None
    first = solution.stages[0]
    assert not first.proved and first.bound > first.reached and first.gap > 0
    assert "not proved" in str(first)
    poured = solution.recipe[solution.recipe >= 0]
    assert np.all(books.use[poured].sum(axis=0) <= books.shelf)
    assert first.reached == pytest.approx(books.value[solution.recipe >= 0].sum())


@pytest.mark.parametrize(
    ("make", "field"),
    [
        (lambda: sm.plan([], sm.Stock()), "orders"),
        (lambda: sm.plan([dusky(), dusky()], sm.Stock()), "orders"),
        (lambda: sm.plan([1], sm.Stock()), "orders.0"),
        (lambda: sm.plan([dusky()], None), "stock"),
        (lambda: sm.plan([dusky()], sm.Stock(), buy=-1), "buy"),
        (lambda: sm.plan([dusky()], sm.Stock(), buy=float("nan")), "buy"),
        (lambda: sm.plan([dusky()], sm.Stock(), buy="yes"), "buy"),
        (lambda: sm.plan([dusky()], sm.Stock(), seconds=0), "seconds"),
        (
            lambda: sm.plan([dusky()], sm.Stock(tubes=(Tubes(pigment="dusk", opened=(99,)),))),
            "tubes.dusk.opened",
        ),
        (lambda: sm.plan([dusky()], sm.Stock.of({"peat": 1})), "pigment"),
    ],
)
def test_refused(make: object, field: str) -> None:
    with pytest.raises(sm.ShadematchError) as found:
        make()  # type: ignore[operator]
    assert found.value.field == field
    assert found.value.remedy


def test_prices_all_or_none() -> None:
    demo = sm.demo_palette()
    bare = [p.model_copy(update={"tube_price": None}) for p in demo.pigments]
    palette = sm.Palette(pigments=tuple(bare), clear=demo.clear, white=demo.white)
    plan = sm.plan([dusky()], sm.Stock(), palette=palette, buy=True)
    assert {p.pigment: (p.tubes, p.money) for p in plan.buy} == {
        "dusk": (1, None),
        "kelp": (1, None),
    }
    assert plan.money == 0.0
    some = sm.Stock(tubes=(Tubes(pigment="dusk", price=9.0),))
    with pytest.raises(sm.PourError, match="has no price") as found:
        sm.plan([dusky()], some, palette=palette, buy=True)
    assert found.value.value == "gorse"
    assert sm.plan([dusky()], some, palette=palette).left_out  # nothing is bought: no need


def test_base_that_is_bought_has_a_price_where_tubes_have() -> None:
    order = dusky()
    scarce = sm.Stock(clear_g=1.0)
    with pytest.raises(sm.PourError, match=r"stock.clear_price_kg: has no price") as found:
        sm.plan([order], scarce, buy=50.0)
    assert "kilogram of clear base" in found.value.remedy
    priced = scarce.model_copy(update={"clear_price_kg": 6.0})
    plan = sm.plan([order], priced, buy=50.0)
    assert plan.buy_base_g["clear"] == pytest.approx(order.melted_g - 1.0)
    tubes = sum(p.money or 0.0 for p in plan.buy)
    assert plan.money == pytest.approx(tubes + plan.buy_base_g["clear"] * 6.0 / 1000.0, abs=0.01)
    assert sm.plan([order], sm.Stock(clear_g=1e6), buy=50.0).poured  # nothing to be bought


def test_plan_draws_itself() -> None:
    stock = sm.Stock.of(dict.fromkeys(sm.demo_palette().names, 1))
    odd = sm.Order(name="<i>x</i>", target="#d9822b", bars=5)
    plan = sm.plan([odd, dusky()], stock)
    html = plan._repr_html_()
    assert "<i>" not in html and "&lt;i&gt;x&lt;/i&gt;" in html
    assert plan.poured[0].predicted.hex in html
    assert "&lt;i&gt;" in plan.without("gorse")._repr_html_()
    assert str(stock).splitlines()[0].split() == ["gorse", "1", "full"]
    assert "1 full" in stock._repr_html_()
    assert str(sm.Stock()).split() == ["shelf", "empty"]
    assert str(odd).startswith("<i>x</i>: 5 bars of #")
