"""The verbs for the life of a batch: ``correct``, ``spread``, ``match --robust``."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import pytest

import shadematch as sm
from shadematch.correction.results import Correction

Run = Callable[..., tuple[int, str, str]]
BATCH = ("--poured", "gorse=4", "rosehip=5", "jetty=1", "--batch", "500")
DARK = ("--measured", "51.5", "39", "55")


def by_hand(**more: object) -> Correction:
    recipe = sm.Recipe({"gorse": 4.0, "rosehip": 5.0, "jetty": 1.0}, sm.Pour(batch_g=500))
    return sm.correct(recipe, (51.5, 39, 55), "#b5702f", **more)  # type: ignore[arg-type]


def test_correct_says_all(run: Run) -> None:
    status, out, err = run("correct", "#b5702f", *BATCH, *DARK)
    assert (status, err) == (0, "")
    assert out.startswith(str(by_hand()))
    assert "cautions" in out


def test_correct_json_and_learned_palette(run: Run, tmp_path: Path) -> None:
    place = tmp_path / "learned.json"
    limits = ("--pot", "900", "--base-step", "25", "--within", "2", "--must-avoid", "dusk")
    status, out, err = run(
        "correct",
        "#b5702f",
        *BATCH,
        *DARK,
        *limits,
        "--anyway",
        "--json",
        "--save-palette",
        str(place),
    )
    assert (status, err) == (0, "")
    found = json.loads(out)
    c = by_hand(pot_g=900, base_step_g=25, within=2.0, must_avoid=("dusk",))
    assert c.doubtful == found["doubtful"]
    assert found["status"] == c.status
    assert found["advice"]["doses"] == dict(c.advice.doses)
    assert found["advice"]["clear_g"] == c.advice.clear_g
    assert found["advice"]["after"]["batch_g"] == c.advice.recipe.pour.batch_g
    assert found["closest"]["delta_e"] == pytest.approx(c.closest.delta_e)
    assert [s["name"] for s in found["strengths"]] == [s.name for s in c.strengths]
    assert sm.read(place, sm.Palette) == c.palette


def test_correct_by_spectrum(run: Run, tmp_path: Path) -> None:
    place = tmp_path / "bar.csv"
    spectrum = sm.predict({"gorse": 4, "rosehip": 5, "jetty": 1}, pour=sm.Pour(batch_g=500))
    lines = [f"{380 + 10 * i},{v}" for i, v in enumerate(spectrum.reflectance.tolist())]
    place.write_text("\n".join(lines), encoding="utf-8")
    status, out, _ = run("correct", spectrum.hex, *BATCH, "--measured-spectrum", str(place))
    assert status == 0
    assert "near enough" in out


def test_spread(run: Run) -> None:
    status, out, _ = run(
        "spread", "gorse=2", "rosehip=1", "--target", "#d9822b", "--dose-slip", "0.1"
    )
    s = sm.spread({"gorse": 2, "rosehip": 1}, target="#d9822b", dose_slip=0.1)
    assert status == 0
    assert out.startswith(str(s))
    _, out, _ = run("spread", "gorse=2", "rosehip=1", "--scale", "2", "--json")
    found = json.loads(out)
    wanted = sm.spread({"gorse": 2, "rosehip": 1}, scale_g=2.0)
    assert found["spread"]["p90"] == wanted.p90
    assert found["spread"]["shares"] == dict(wanted.shares)
    assert found["target"] is None


def test_match_robust(run: Run) -> None:
    m = sm.match("#7a3b8f", pour=sm.Pour(batch_g=500), robust=True, dose_slip=0.3)
    words = ("match", "#7a3b8f", "--batch", "500", "--robust", "--dose-slip", "0.3")
    status, out, _ = run(*words)
    assert status == 0
    assert out.startswith(str(m))
    found = json.loads(run(*words, "--json")[1])
    assert found["doses"] == dict(m.recipe.doses)
    assert found["rule"] == "expected"
    assert found["expected"] == m.choice.expected
    assert m.robust is not None
    assert found["robust"]["expected"] == m.robust.expected
    assert found["spread"]["p90"] == m.spread.p90
    assert found["spread"]["largest"] == m.spread.largest == "dosing"


def test_match_shades(run: Run) -> None:
    shades = sm.match("#7a3b8f", pour=sm.Pour(batch_g=500)).shades(2, dab_g=30)
    words = ("match", "#7a3b8f", "--batch", "500", "--shades", "2", "--dab", "30")
    status, out, _ = run(*words)
    assert status == 0
    assert str(shades) in out
    found = json.loads(run(*words, "--json")[1])["shades"]
    assert (found["expected"], found["p90"]) == (shades.expected, shades.p90)
    assert [each["added"] for each in found["each"]] == [dict(s.added) for s in shades]
    assert run("match", "#7a3b8f", "--dab", "30")[0] == 2
    assert "--dab" in run("match", "#7a3b8f", "--shades", "2", "--dab", "90", "--batch", "100")[2]


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("correct", "#b5702f", *DARK), "--poured"),
        (("correct", "#b5702f", *BATCH), "--measured"),
        (("correct", *BATCH, *DARK), "HEX"),
        (("correct", "#b5702f", *BATCH, *DARK, "--measured-spectrum", "x"), "--measured"),
        (("correct", "#b5702f", *BATCH, *DARK, "--pot", "100"), "--pot"),
        (("correct", "#b5702f", *BATCH, *DARK, "--base-step", "0"), "--base-step"),
        (("correct", "#b5702f", *BATCH, *DARK, "--scale", "400"), "--scale"),
        (("correct", "#b5702f", *BATCH, *DARK, "--bases", "grey"), "--bases"),
        (("correct", "#b5702f", *BATCH, *DARK, "--save-palette", "/no/such/p"), "--save-palette"),
        (("correct", "#b5702f", "--poured", "ink=1", *DARK), "ink"),
        (("spread",), "NAME=DOSE"),
        (("spread", "gorse=2", "--dose-slip", "-1"), "--dose-slip"),
        (("spread", "gorse=2", "--target", "orange"), "orange"),
        (("match", "#7a3b8f", "--robust", "--dose-slip", "-1"), "--dose-slip"),
    ],
)
def test_bad_words(run: Run, words: tuple[str, ...], said: str) -> None:
    status, out, err = run(*words)
    assert (status, out) == (2, "")
    assert said in err
    assert "Traceback" not in err


def test_a_doubtful_measurement_is_not_acted_on(run: Run, tmp_path: Path) -> None:
    batch = str(tmp_path / "batch.json")
    words = ("correct", "#d9822b", "--poured", "gorse=8", "--batch", "500", "--save", batch)
    status, out, _ = run(*words, "--measured", "30", "40", "-20")
    assert status == 0 and "does not fit this recipe" in out
    assert "check the measurement first" in out and "add this, measure again" not in out
    assert "nothing while the measurement is in doubt" in out and "best is" not in out
    told = json.loads(run(*words[:-2], "--measured", "30", "40", "-20", "--json")[1])
    assert told["doubtful"] and told["advice"] is None and told["closest"] is None
    # Asked for, it is told.
    once = (*words[:-2], "--measured", "30", "40", "-20", "--anyway")
    advice = sm.correct({"gorse": 8}, (30, 40, -20), "#d9822b", pour=sm.Pour(batch_g=500)).advice
    assert str(advice) in run(*once)[1]
    assert json.loads(run(*once, "--json")[1])["advice"]["doses"] == dict(advice.doses)
    status, _, err = run(
        "correct", "--go-on", batch, "--measured", "60", "8", "40", "--added-clear", "-5"
    )
    assert status == 2 and "--added-clear: must be a number from 0" in err


def test_a_batch_with_let_downs_is_corrected_in_two_rounds(run: Run, tmp_path: Path) -> None:
    order, batch = str(tmp_path / "order.json"), str(tmp_path / "batch.json")
    pale = ("#f4e0e4", "--batch", "120", "--thickness", "2", "--let-down", "rosehip=1/50")
    assert run("match", *pale, "--save", order)[0] == 0
    words = ("correct", "--recipe", order, "--measured", "92", "6", "1", "--save", batch)
    status, out, _ = run(*words, "--let-down-paste", "rosehip=5", "--json")
    recipe = sm.read(order).recipe
    assert recipe.weighed
    c = sm.correct(recipe, (92, 6, 1), "#f4e0e4", let_down_paste={"rosehip": 5})
    told = json.loads(out)
    assert status == 0
    assert [s["name"] for s in told["strengths"]] == [s.name for s in c.strengths]
    assert "rosehip let-down" in [s.name for s in c.strengths]
    assert told["advice"]["after"]["weighed"][0]["mass_g"] == recipe.weighed[0].mass_g
    again = ("correct", "--go-on", batch, "--measured", "93", "5", "1")
    status, out, _ = run(*again)
    assert status == 0 and "rosehip let-down" in out
    status, _, err = run(*again, "--let-down-paste", "rosehip=5")
    assert status == 2 and "--let-down-paste: is in the file already" in err


def test_a_kept_recipe_goes_on(run: Run, tmp_path: Path) -> None:
    order, small, shelf = (str(tmp_path / n) for n in ("o.json", "s.json", "shelf.csv"))
    m = sm.match("#b5702f", pour=sm.Pour(batch_g=500, thickness_cm=2))
    sm.save(m, order)
    Path(shelf).write_text("kind,name,full,price,shelf_g\npaste,gorse,1,8.7,\nclear,,,6,\n")
    status, out, _ = run("cost", "--recipe", order, "--shelf", shelf, "--bar", "90", "--json")
    stock = sm.read_stock(shelf)
    money = sm.cost(m.recipe, stock=stock, bar_g=90)
    told = json.loads(out)
    assert status == 0 and (told["per_bar"], told["bars"]) == (money.per_bar, 5)
    assert "per bar" in run("cost", "gorse=3", "--batch", "500")[1]
    status, out, _ = run("spread", "--recipe", order, "--json")
    assert json.loads(out)["spread"]["p90"] == sm.spread(m.recipe, target=m.target).p90
    status, out, _ = run(
        *("same-look", "--recipe", order, "--to-thickness", "1", "--to-batch", "250"),
        *("--save", small, "--json"),
    )
    back = sm.read(small)
    assert status == 0 and dict(back.recipe.doses) == json.loads(out)["doses"]
    assert back.target is not None and back.recipe.pour.thickness_cm == 1
    assert run("pot", "--recipe", small)[0] == 0
    for words, said in (
        (("cost",), "--recipe FILE"),
        (("spread", "gorse=1", "--recipe", order), "both"),
        (("pot", "--recipe", order, "--white", "0.5"), "--white"),
        (("same-look", "--recipe", order, "--to-white", "0.1", "--save", "/no/such/x"), "--save"),
        (("sheet", "--recipe", order, "--no-spread", "--dose-slip", "0.1"), "--no-spread"),
    ):
        status, _, err = run(*words)
        assert status == 2 and said in err


def test_a_dose_stays_with_a_name_written_from_right_to_left() -> None:
    from shadematch.cli.printing import printable

    # Unicode Standard Annex #9: a number takes the direction of the letters before it, unless a
    # mark stands between.
    name = "\u0648\u0631\u062f\u0629 \u062c\u0628\u0644"
    assert printable(f"2 cm {name}, 1 cm kelp") == f"2 cm {name}\u200e, 1 cm kelp"
    assert printable("1 cm kelp") == "1 cm kelp"
