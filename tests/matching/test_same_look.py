"""The same look elsewhere: facts of the trade, what is kept, the guide, the drawings."""

from __future__ import annotations

import itertools
import re
import shlex
from pathlib import Path

import numpy as np
import pytest

import shadematch as sm
from shadematch.cli.main import main
from shadematch.colour.difference import delta_e
from shadematch.colour.standards import WAVELENGTHS_NM
from shadematch.matching.let_down import LetDownPlan
from shadematch.matching.match import Match
from shadematch.matching.same_look import SameLook

NAMES = sm.demo_palette().names
NOTHING = tuple([0.0] * WAVELENGTHS_NM.size)


def glass() -> sm.Palette:
    """The demo pastes in a base that takes nothing and scatters nothing."""
    demo = sm.demo_palette()
    return sm.Palette(
        pigments=demo.pigments,
        clear=sm.Base(absorption=NOTHING, scattering=NOTHING),
        white=demo.white,
    )


def whole_recipes(most: int) -> list[dict[str, float]]:
    """All recipes of 1 to `most` whole centimetres."""
    return [
        {name: float(chosen.count(name)) for name in sorted(set(chosen), key=NAMES.index)}
        for total in range(1, most + 1)
        for chosen in itertools.combinations_with_replacement(NAMES, total)
    ]


@pytest.mark.parametrize("to_g", [50, 100, 200])
@pytest.mark.parametrize("from_g", [50, 100, 200])
def test_one_mould_same_doses_whatever_the_mass(from_g: int, to_g: int) -> None:
    # Common practice, no source: in one mould and clear base the same centimetres give the same
    # look, in 50 g (here 0.5 cm thick), 100 g and 200 g.
    for doses in whole_recipes(2)[::3]:  # 2 cm is all that 50 g takes
        recipe = sm.Recipe(doses, sm.Pour(batch_g=from_g, thickness_cm=from_g / 100))
        there = sm.Pour(batch_g=to_g, thickness_cm=to_g / 100)
        look = sm.same_look(recipe, to_pour=there)
        assert look.how == "same doses", (doses, look.delta_e)
        assert dict(look.recipe.doses) == doses
        assert look.recipe.pour == there


def test_one_mould_to_200_g_every_recipe_of_100_g() -> None:
    # The same fact for every recipe that 100 g takes, with what the thicker base itself adds.
    for doses in whole_recipes(4)[::4]:
        recipe = sm.Recipe(doses, sm.Pour(batch_g=100))
        look = sm.same_look(recipe, to_pour=sm.Pour(batch_g=200, thickness_cm=2.0))
        assert look.how == "same doses", (doses, look.delta_e, str(look.match.closest))
        assert look.delta_e < 1.5, doses


def test_in_glass_clear_base_the_same_doses_are_exactly_right() -> None:
    # Beer-Lambert: with a base that does nothing, dose / area is all that counts.
    for doses in whole_recipes(3)[::7]:
        recipe = sm.Recipe(doses, sm.Pour(batch_g=100))
        look = sm.same_look(
            recipe, to_pour=sm.Pour(batch_g=250, thickness_cm=2.5), palette=glass(), tolerance=0.0
        )
        assert look.how == "same doses"
        assert look.delta_e < 2e-3
        assert look.match.closest.delta_e <= look.delta_e + 1e-9


@pytest.mark.parametrize("white", [0.0, 0.3, 1.0])
def test_same_thickness_doses_go_with_the_mass(white: float) -> None:
    recipe = sm.Recipe({"gorse": 2.0, "dusk": 1.0}, sm.Pour(batch_g=100, white=white))
    look = sm.same_look(recipe, to_pour=sm.Pour(batch_g=300, white=white))
    assert look.how == "doses in proportion"
    assert dict(look.recipe.doses) == {"gorse": 6.0, "dusk": 3.0}
    assert look.delta_e < 1e-9
    back = sm.same_look(look.recipe, to_pour=recipe.pour)
    assert dict(back.recipe.doses) == dict(recipe.doses)


def test_what_does_not_divide_is_dosed_anew() -> None:
    recipe = sm.Recipe({"gorse": 3.0, "rosehip": 2.0}, sm.Pour(batch_g=200))
    look = sm.same_look(recipe, to_pour=sm.Pour(batch_g=100))
    assert look.how == "dosed anew"
    assert look.recipe.pour.batch_g == 100
    # Against plain enumeration of all that 100 g takes.
    wanted = np.array(sm.predict(recipe.doses, pour=recipe.pour).lab)
    labs = [sm.predict(d, pour=sm.Pour(batch_g=100)).lab for d in [{}, *whole_recipes(4)]]
    assert look.match.closest.delta_e == pytest.approx(delta_e(np.array(labs), wanted).min())
    assert look.delta_e <= look.match.closest.delta_e + 0.5
    half = sm.same_look(recipe, to_pour=sm.Pour(batch_g=100, dose_step=0.5))
    assert dict(half.recipe.doses) == {"gorse": 1.5, "rosehip": 1.0}
    assert half.delta_e < 1e-9


def test_over_the_load_limit_nothing_is_kept() -> None:
    recipe = sm.Recipe({"gorse": 8.0}, sm.Pour(batch_g=200, thickness_cm=2.0))
    lean = sm.Pour(batch_g=100, thickness_cm=1.0, max_load=3.0)
    look = sm.same_look(recipe, to_pour=lean)
    assert look.kept is None
    assert look.how == "dosed anew"
    assert look.recipe.total <= 3
    assert look.match.verdict.sentence in str(look)


def test_into_white_base_it_is_dosed_anew_and_says_what_remains() -> None:
    m = sm.match("#d9822b", pour=sm.Pour(batch_g=500))
    look = sm.same_look(m, to_pour=sm.Pour(batch_g=500, white=0.2))
    assert look.before.recipe == m.recipe
    wanted, now = look.before.lab, look.predicted.lab
    assert look.delta_e == pytest.approx(float(delta_e(np.array(now), np.array(wanted))))
    assert look.match.proved
    assert f"CIEDE2000  {look.delta_e:.2f} to the old bar" in str(look)
    assert "was" in look._repr_html_()


def test_another_light_is_judged_from_the_spectrum() -> None:
    recipe = sm.Recipe({"gorse": 2.0, "rosehip": 2.0}, sm.Pour(batch_g=300))
    lamp = sm.View(illuminant="A", backing="black")
    look = sm.same_look(recipe, to_view=lamp)
    seen = sm.predict(recipe.doses, pour=recipe.pour, view=sm.View(illuminant="A"))
    assert look.target.lab_in(lamp) == pytest.approx(seen.lab, abs=1e-9)
    assert look.predicted.view == lamp
    assert look.delta_e == pytest.approx(
        float(delta_e(np.array(look.predicted.lab), np.array(seen.lab))), abs=1e-9
    )


def test_another_light_alone_changes_nothing() -> None:
    recipe = sm.Recipe({"gorse": 2.0, "rosehip": 2.0}, sm.Pour(batch_g=300))
    look = sm.same_look(recipe, to_view=sm.View(illuminant="LED-B3"))
    assert dict(look.recipe.doses) == dict(recipe.doses)
    assert look.delta_e < 1e-9


def test_a_match_brings_its_palette_and_view() -> None:
    palette, view = sm.demo_palette().only("gorse", "dusk"), sm.View(backing="black")
    m = sm.match("#3a5f40", palette=palette, view=view, pour=sm.Pour(batch_g=300))
    look = sm.same_look(m, to_pour=sm.Pour(batch_g=600))
    assert look.match.palette == palette
    assert look.predicted.view == view
    assert look.delta_e < 1e-9


@pytest.mark.parametrize(
    ("arguments", "field"),
    [
        ({}, "to_pour"),
        ({"recipe": {"gorse": 1}, "to_pour": sm.Pour(batch_g=100)}, "recipe"),
        (
            {
                "recipe": sm.Recipe({"ink": 1.0}, sm.Pour(batch_g=100)),
                "to_pour": sm.Pour(batch_g=100),
            },
            "pigment",
        ),
        ({"to_pour": "200 g"}, "pour"),
        ({"to_view": "A"}, "view"),
        ({"to_pour": sm.Pour(batch_g=10)}, "batch_g"),
        ({"to_pour": sm.Pour(batch_g=100), "within": "1"}, "within"),
        ({"to_pour": sm.Pour(batch_g=100), "within": float("nan")}, "within"),
        ({"to_pour": sm.Pour(batch_g=100), "within": -1}, "within"),
        ({"to_pour": sm.Pour(batch_g=100), "tolerance": None}, "tolerance"),
    ],
)
def test_bad_question(arguments: dict[str, object], field: str) -> None:
    asked = {"recipe": sm.Recipe({"gorse": 1.0}, sm.Pour(batch_g=200)), **arguments}
    with pytest.raises(sm.ShadematchError) as found:
        sm.same_look(asked.pop("recipe"), **asked)  # type: ignore[arg-type]
    assert found.value.field == field
    assert found.value.remedy


# --- the guide and the drawings

GUIDE = (Path(__file__).parents[2] / "docs" / "same-look.md").read_text(encoding="utf-8")


def test_the_guide_runs(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    names: dict[str, object] = {}
    code = re.findall(r"^```python\n(.*?)^```", GUIDE, re.MULTILINE | re.DOTALL)
    exec("\n".join(code), names)
    look, plan, peach = names["look"], names["plan"], names["peach"]
    assert isinstance(look, SameLook)
    assert isinstance(plan, LetDownPlan)
    assert isinstance(peach, Match)
    assert look.how == "dosed anew"
    assert plan.match is not None
    assert plan.match.closest.delta_e <= 1
    assert "to the old bar" in capsys.readouterr().out
    sm.save(names["old"], "order.json")  # type: ignore[arg-type]
    kept, typed = re.findall(r"`(shadematch same-look [^`]*)`", GUIDE)
    assert main(shlex.split(kept)[1:]) == 0
    assert "to the old bar" in capsys.readouterr().out
    assert main(shlex.split(typed)[1:]) == 0
    assert f"CIEDE2000  {look.delta_e:.2f} to the old bar" in capsys.readouterr().out


def test_a_bar_that_lets_next_to_no_light_through() -> None:
    thick = sm.Pour(batch_g=100, thickness_cm=5, white=0.5)
    match = sm.match("#102010", pour=thick, view=sm.View(through=True))
    moved = sm.same_look(match, to_pour=sm.Pour(batch_g=500, thickness_cm=1, white=0.3))
    # Asked of the spectrum that the library itself predicted.
    assert moved.target.reflectance is not None
    assert np.array_equal(moved.target.reflectance, match.frugal.predicted.reflectance)


def test_drawings() -> None:
    plt = pytest.importorskip("matplotlib.pyplot")
    plt.switch_backend("Agg")
    from shadematch.plots import draw_batches, draw_match, draw_same_look

    recipe = sm.Recipe({"gorse": 2.0, "rosehip": 1.0}, sm.Pour(batch_g=100))
    look = sm.same_look(recipe, to_pour=sm.Pour(batch_g=200, thickness_cm=2.0))
    said = [t.get_text() for t in draw_same_look(look).texts]
    assert any("2 cm gorse" in t for t in said)
    assert any("2 cm thick" in t for t in said)
    found = sm.smallest_batch("#c23b4e", bar_g=90, largest_g=900)
    ax = draw_batches(found)
    assert ax.lines[0].get_ydata() == pytest.approx([p.delta_e for p in found.curve])
    assert ax.get_title(loc="left").split() == found.sentence.split()
    nothing = draw_batches(sm.smallest_batch("#0000ff"))
    assert "No batch of any mass" in nothing.get_title(loc="left")
    m = sm.match(
        "#f4d9c6",
        let_downs=[sm.LetDown.made("rosehip", paste=1, base_g=50)],
        pour=sm.Pour(batch_g=100),
    )
    said = [t.get_text() for t in draw_match(m).texts]
    assert any("rosehip let-down" in t for t in said)
    plt.close("all")


def test_what_was_weighed_stays_to_hand() -> None:
    """Twice the batch of a recipe with a let-down takes twice of it, and not more paste."""
    pour = sm.Pour(batch_g=120, thickness_cm=2)
    thinned = sm.LetDown.made("rosehip", paste=1, base_g=200)
    old = sm.match("#f4e0e4", pour=pour, let_downs=[thinned])
    (part,) = old.recipe.weighed
    twice = sm.same_look(old.recipe, to_pour=sm.Pour(batch_g=240, thickness_cm=2))
    assert twice.how == "doses in proportion" and twice.delta_e < 1e-6
    assert [w.mass_g for w in twice.recipe.weighed] == [2 * part.mass_g]
    assert twice.recipe.doses == pytest.approx({"rosehip": 2 * part.paste})
    # Half as thick: dosed anew with what is to hand, as well as any mass of it comes.
    half = sm.Pour(batch_g=120, thickness_cm=1)
    thin = sm.same_look(old, to_pour=half)
    assert thin.how == "dosed anew" and thin.recipe.weighed
    labs = [sm.predict({"rosehip": grams / 200}, pour=half).lab for grams in range(121)]
    every = delta_e(np.array(labs), np.array(old.predicted.lab))
    assert thin.match.closest.delta_e == pytest.approx(every.min(), abs=1e-9)
    # White base takes no let-down in clear base.
    white = sm.same_look(old, to_pour=sm.Pour(batch_g=120, white=1.0))
    assert not white.recipe.weighed
