"""The verbs for batches, looks, lights and let-downs: they say what the library says."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import pytest

import shadematch as sm

Run = Callable[..., tuple[int, str, str]]


def test_smallest_batch(run: Run) -> None:
    status, out, _ = run("smallest-batch", "#d9822b", "--bar", "90", "--largest", "450", "--curve")
    found = sm.smallest_batch("#d9822b", bar_g=90, largest_g=450)
    assert status == 0
    assert found.sentence in out
    assert f"{found.curve[-1].mass_g:g} g" in out
    status, out, _ = run("smallest-batch", "#d9822b", "--bar", "90", "--largest", "450", "--json")
    told = json.loads(out)
    assert told["mass_g"] == found.mass_g
    assert told["bars"] == found.bars
    assert [p["delta_e"] for p in told["curve"]] == [p.delta_e for p in found.curve]
    assert told["closest"]["doses"] == dict(found.recipe.doses)  # type: ignore[union-attr]
    status, out, _ = run("smallest-batch", "#0000ff", "--json")
    told = json.loads(out)
    assert (told["mass_g"], told["closest"], told["curve"]) == (None, None, [])


def test_same_look(run: Run) -> None:
    words = (
        "same-look",
        "gorse=2",
        "rosehip=1",
        "--batch",
        "100",
        "--to-batch",
        "200",
        "--to-thickness",
        "2",
    )
    status, out, _ = run(*words)
    assert status == 0
    assert "the same doses" in out
    told = json.loads(run(*words, "--json")[1])
    assert told["how"] == "same doses"
    assert told["doses"] == {"gorse": 2.0, "rosehip": 1.0}
    assert told["pour"]["batch_g"] == 200
    told = json.loads(run("same-look", "gorse=2", "--to-illuminant", "A", "--json")[1])
    assert told["view"]["illuminant"] == "A"


def test_lights(run: Run) -> None:
    words = (
        "lights",
        "#d9822b",
        "--poured",
        "gorse=1",
        "rosehip=1",
        "--lights",
        "A",
        "--batch",
        "100",
    )
    status, out, _ = run(*words)
    recipe = sm.Recipe({"gorse": 1.0, "rosehip": 1.0}, sm.Pour(batch_g=100))
    found = sm.lights(recipe, "#d9822b", lights=["A"])
    assert status == 0
    assert f"CIEDE2000 {found['A'].delta_e:.2f}" in out
    told = json.loads(run(*words, "--json")[1])
    assert told["lights"][0]["delta_e"] == pytest.approx(found["A"].delta_e)
    assert told["lights"][0]["index"] is None
    told = json.loads(run("lights", "#d9822b", "--batch", "100", "--json")[1])
    assert told["doses"] == dict(sm.match("#d9822b", pour=sm.Pour(batch_g=100)).recipe.doses)
    assert len(told["lights"]) == 4


def test_let_down(run: Run) -> None:
    words = ("let-down", "#f4d9c6", "--batch", "50", "--within", "2")
    plan = sm.propose_let_down("#f4d9c6", pour=sm.Pour(batch_g=50), within=2.0)
    assert plan.to_make
    status, out, _ = run(*words)
    assert status == 0
    assert all(str(part) in out for part in plan.to_make)
    told = json.loads(run(*words, "--json")[1])
    assert told["reached"] is plan.reached is True
    assert [part["used_g"] for part in told["to_make"]] == [p.used_g for p in plan.to_make]
    assert told["closest"]["weighed"][0]["pigment"] == plan.to_make[0].let_down.pigment


def test_match_with_let_downs_under_lights(run: Run) -> None:
    words = ("match", "#f4d9c6", "--let-down", "gorse=1/50", "--let-down", "rosehip=1/50")
    words += ("--weigh-step", "0.5", "--lights", "D65,A", "--batch", "100")
    let_downs = [
        sm.LetDown.made(name, paste=1, base_g=50, step_g=0.5) for name in ("gorse", "rosehip")
    ]
    m = sm.match("#f4d9c6", let_downs=let_downs, lights=["D65", "A"], pour=sm.Pour(batch_g=100))
    status, out, _ = run(*words)
    assert status == 0
    assert f"CIEDE2000  {m.delta_e:.2f}" in out
    told = json.loads(run(*words, "--json")[1])
    assert told["lights"] == pytest.approx(m.lights)
    assert [part["mass_g"] for part in told["weighed"]] == [p.mass_g for p in m.recipe.weighed]
    assert told["proportions"] is None


@pytest.mark.parametrize(
    ("words", "option"),
    [
        (("smallest-batch", "#d9822b", "--step", "0"), "--step"),
        (("smallest-batch", "#d9822b", "--within", "-1"), "--within"),
        (("smallest-batch", "#d9822b", "--largest", "5"), "--largest"),
        (("smallest-batch", "#d9822b", "--bar", "x"), "--bar"),
        (("smallest-batch", "#d9822b", "--batch", "300"), "--batch"),
        (("smallest-batch",), "target"),
        (("same-look", "gorse=2", "--to-white", "2"), "--to-white"),
        (("same-look", "gorse=2", "--to-illuminant", "candle"), "--to-illuminant"),
        (("same-look", "ink=2", "--to-batch", "200"), "pigment"),
        (("lights", "#d9822b", "--lights", "candle"), "--lights"),
        (("lights", "#d9822b", "--poured", "gorse"), "NAME=DOSE"),
        (("lights", "#d9822b", "--poured", "gorse=1", "--reference", "candle"), "--reference"),
        (("lights", "#d9822b", "--lights", "/nowhere/lamp.csv"), "--lights"),
        (("predict", "gorse=1", "--illuminant", "/nowhere/lamp.csv"), "--illuminant"),
        (("predict", "gorse=1", "--calibration", "/nowhere/c.json"), "--calibration"),
        (("match", "--spectrum", "/nowhere/s.csv"), "--spectrum"),
        (("feasibility", "#d9822b", "--thicknesses", "1", "--whites", "2"), "--whites"),
        (("feasibility", "#d9822b", "--thicknesses", "0"), "--thicknesses"),
        (("layers", "1/5:gorse=1"), "white of 1/5:gorse=1"),
        (
            ("correct", "#d9822b", "--poured", "gorse=1", "--measured", "nan", "0", "0"),
            "--measured",
        ),
        (
            ("correct", "#d9822b", "--poured", "gorse=1", "--measured-spectrum", "/nowhere/s.csv"),
            "--measured-spectrum",
        ),
        (("let-down", "#f4d9c6", "--weigh-step", "0"), "--weigh-step"),
        (("let-down", "#f4d9c6", "--weigh-least", "0"), "--weigh-least"),
        (("match", "#f4d9c6", "--weigh-step", "2"), "--weigh-step: has no meaning without"),
        (("match", "#f4d9c6", "--let-down-white", "0"), "--let-down-white: has no meaning"),
        (("correct", "#fff", "--poured", "gorse=1", "--added-clear", "0"), "without --go-on"),
        (("same-look", "gorse=2"), "say where the recipe goes"),
        (("let-down", "#f4d9c6", "--max-let-downs", "0"), "--max-let-downs"),
        (("match", "#f4d9c6", "--let-down", "gorse=1:50"), "--let-down"),
        (("match", "#f4d9c6", "--let-down", "gorse=0/50"), "--let-down"),
        (("match", "#f4d9c6", "--let-down", "gorse=1/50", "--weigh-step", "0"), "--weigh-step"),
        (("match", "#f4d9c6", "--lights", "candle"), "--lights"),
    ],
)
def test_what_is_wrong_is_named(run: Run, words: tuple[str, ...], option: str) -> None:
    status, out, err = run(*words)
    assert status == 2
    assert out == ""
    assert err.startswith(f"shadematch: error: {option}") or f" {option} " in err
    assert err.count("\n") == 1


def test_a_saved_recipe_under_several_lights(run: Run, tmp_path: Path) -> None:
    place = str(tmp_path / "a.json")
    asked = ("--batch", "300", "--let-down", "rosehip=1/50")
    assert run("match", "#f4d9c6", *asked, "--save", place)[0] == 0
    status, out, _ = run("lights", "--recipe", place, "--json")
    assert status == 0
    told, kept = json.loads(out), sm.read(place)
    found = sm.lights(kept.match, lights=["D65", "A", "FL11", "LED-B3"])
    assert [one["delta_e"] for one in told["lights"]] == [one.delta_e for one in found.lights]
    assert told["doses"] == dict(kept.recipe.doses)
    assert [part["mass_g"] for part in told["weighed"]] == [
        part.mass_g for part in kept.recipe.weighed
    ]
    for more in (("--batch", "200"), ("--poured", "gorse=1")):
        status, _, err = run("lights", "--recipe", place, *more)
        assert status == 2 and more[0] in err
    sm.save(kept.recipe, place, replace=True)
    status, _, err = run("lights", "--recipe", place)
    assert status == 2 and "Give the wanted colour too" in err
    assert run("lights", "#f4d9c6", "--recipe", place)[0] == 0
