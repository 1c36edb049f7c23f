"""The verbs plan, cost, wedge and layers."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import pytest

import shadematch as sm

DATA = Path(__file__).parents[2] / "data"


Run = Callable[..., tuple[int, str, str]]
FILES = (str(DATA / "order-book.csv"), str(DATA / "shelf.csv"))


def test_verb_plan(run: Run) -> None:
    plan = sm.plan(sm.read_orders(FILES[0]), sm.read_stock(FILES[1]), buy=30)
    status, out, _ = run("plan", *FILES, "--budget", "30")
    assert status == 0 and out.startswith(str(plan)) and "cautions" in out
    status, out, _ = run("plan", *FILES, "--budget", "30", "--json")
    told = json.loads(out)
    assert [line["order"] for line in told["poured"]] == [p.order.name for p in plan.poured]
    assert told["poured"][0]["doses"] == dict(plan.poured[0].recipe.doses)
    assert told["poured"][0]["due"] == "2031-03-04"
    assert {line["order"] for line in told["left_out"]} == {x.order.name for x in plan.left_out}
    assert told["money"] == plan.money and told["proved"] is True
    assert [stage["goal"] for stage in told["stages"]] == [s.goal for s in plan.stages]
    assert told["use"] == dict(plan.use) and told["left"] == dict(plan.left)
    status, out, _ = run("plan", *FILES, "--buy", "--without", "gorse", "--json")
    told = json.loads(out)
    assert told["without"]["names"] == ["gorse"] and "gorse" not in told["use"]
    change = {c["order"]: c["now"] for c in told["without"]["changes"]}
    assert "needs gorse" in change["bilge green"]


def test_verb_wedge_and_layers(run: Run) -> None:
    words = ("wedge", "gorse=2", "--from", "0", "--to", "2", "--height", "3", "--steps", "3")
    words += ("--batch", "100")
    status, out, _ = run(*words, "--json")
    wedge = sm.wedge(
        {"gorse": 2}, from_cm=0, to_cm=2, height_cm=3, steps=3, pour=sm.Pour(batch_g=100)
    )
    told = json.loads(out)["places"]
    assert status == 0 and [p["hex"] for p in told] == list(wedge.hexes)
    assert [p["clear_cm"] for p in told] == [3, 2, 1]
    assert run(*words)[1].startswith(str(wedge))
    stack = ("layers", "0.6:gorse=2,kelp=1", "1:", "0.8/0.1:jetty=2", "--batch", "200")
    status, out, _ = run(*stack, "--json")
    pour = sm.Pour(batch_g=200)
    white = sm.Recipe({"jetty": 2}, sm.Pour(batch_g=200, white=0.1))
    layers = sm.layers([({"gorse": 2, "kelp": 1}, 0.6), ({}, 1), (white, 0.8)], pour=pour)
    told = json.loads(out)
    assert status == 0 and told["lab"] == list(layers.lab)
    assert [x["white"] for x in told["layers"]] == [0, 0, 0.1]
    assert [x["hex"] for x in told["poured"]] == [s.hex for s in layers.poured]
    assert run(*stack)[1].startswith(str(layers))


@pytest.mark.parametrize(
    ("words", "complaint"),
    [
        (("plan", "none.csv", FILES[1]), "can't be read"),
        (("plan", *FILES, "--budget", "-1"), "--budget: must be a finite number from 0"),
        (("plan", *FILES, "--buy", "--budget", "1"), "not allowed with"),
        (("plan", *FILES[::-1]), "header: is that of a shelf, not of an order book"),
        (("plan", FILES[0], FILES[0]), "header: is that of an order book, not of a shelf"),
        (("plan", *FILES[::-1]), "are swapped, the order book comes first"),
        (("plan", "/no/such.csv", FILES[1]), "ORDERS: can't be read"),
        (("plan", FILES[0], "/no/such.csv"), "SHELF: can't be read"),
        (("cost", "gorse=2", "--shelf", "/no/such.csv"), "--shelf: can't be read"),
        (("cost", "gorse=2", "--illuminant", "A"), "See shadematch cost --help"),
        (("plan", *FILES, "--seconds", "0"), "--seconds: must be"),
        (("plan", *FILES, "--without", "peat"), "no such pigment"),
        (("wedge", "gorse=2", "--from", "1"), "--to"),
        (("wedge", "gorse=2", "--from", "1", "--to", "-1"), "--to: must be a number from 0"),
        (("wedge", "gorse=2", "--from", "1", "--to", "2", "--height", "1"), "--height: must be"),
        (
            ("wedge", "gorse=2", "--from", "1", "--to", "2", "--thickness", "1"),
            "See shadematch wedge --help",
        ),
        (
            ("wedge", "gorse=2", "--from", "1", "--to", "2", "--bare", "--height", "3"),
            "--height: has no meaning without clear base on top (got 3.0). Leave it out",
        ),
        (("layers", "gorse=2"), "CM:NAME=DOSE: is not a layer"),
        (("layers", "1/x:gorse=2"), "CM:NAME=DOSE: is not a layer"),
        (("layers", "1/2:gorse=2"), "white of 1/2:gorse=2: must be at most 1"),
        (("layers", "1:gorse"), "NAME=DOSE: is not a dose"),
    ],
)
def test_verbs_complain(run: Run, words: tuple[str, ...], complaint: str) -> None:
    status, out, err = run(*words)
    assert status == 2 and out == ""
    assert complaint in err and err.count("\n") == 1
