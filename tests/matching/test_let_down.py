"""Which let-downs to make, against all that could be made."""

from __future__ import annotations

import itertools

import pytest

import shadematch as sm


def made(name: str, base_g: float = 50.0, **more: float) -> sm.LetDown:
    return sm.LetDown.made(name, paste=1, base_g=base_g, **more)


def test_the_let_down_proposed_is_the_strongest_of_the_fewest() -> None:
    plan = sm.propose_let_down("#f4d9c6")
    assert plan.match is not None
    assert plan.match.closest.delta_e <= 1.0 < plan.without.closest.delta_e
    number = len(plan.to_make)
    base = plan.to_make[0].base_g
    assert number == 2
    for part in plan.to_make:
        assert part.used_g <= part.base_g
        assert part.paste == round(part.paste)
        assert part.paste / part.base_g == pytest.approx(part.let_down.paste_per_g)
    # No single let-down would do, and no stronger pair: by `match`, exactly.
    names = sm.demo_palette().names
    for strength in (10.0, 20.0, 25.0, 50.0, 100.0, 200.0):
        for name in names:
            assert (
                sm.match(
                    "#f4d9c6", let_downs=[made(name, strength)], pour=sm.Pour(batch_g=100)
                ).bound
                > 1.0
            )
    for strength in (10.0, 20.0, 25.0, 50.0):
        if strength >= base:
            break
        for i, one in enumerate(names):
            for other in names[i + 1 :]:
                pair = [made(one, strength), made(other, strength)]
                assert sm.match("#f4d9c6", let_downs=pair, pour=sm.Pour(batch_g=100)).bound > 1.0
    assert "stir 1 cm" in str(plan)
    assert "with let-downs" in plan._repr_html_()


def test_no_let_down_where_none_is_needed_or_none_helps() -> None:
    needless = sm.propose_let_down("#d9822b", pour=sm.Pour(batch_g=1000))
    assert needless.to_make == ()
    assert "No let-down is needed" in needless.sentence
    hopeless = sm.propose_let_down("#0000ff")
    assert hopeless.to_make == ()
    assert hopeless.floor > 1.0
    assert "pastes themselves" in hopeless.sentence
    small = sm.propose_let_down("#f4d9c6", pour=sm.Pour(batch_g=20))  # no whole centimetre fits
    assert small.match is not None
    assert small.without.closest.recipe.doses == {}
    for asked in ({"least_g": 0}, {"least_g": 501}, {"bases_g": [25, 1e6]}):
        (field,) = asked
        with pytest.raises(sm.PourError) as found:
            sm.propose_let_down("#f4d9c6", **asked)  # type: ignore[arg-type]
        assert found.value.field == field and found.value.remedy
    with pytest.raises(sm.PourError, match="paste_per_g"):  # no step of it makes up a centimetre
        sm.LetDown(pigment="gorse", paste_per_g=5e-324)


GRAINS = (10.0, 20.0, 25.0, 50.0, 100.0, 200.0)


def singles(
    target: str, pour: sm.Pour, palette: sm.Palette, least_g: float
) -> list[tuple[float, float]]:
    """CIEDE2000, and base for 1 cm, of all single let-downs that `match` weighs enough of."""
    found = []
    for grams, name in itertools.product(GRAINS, palette.names):
        m = sm.match(target, palette=palette, pour=pour, let_downs=[made(name, grams)])
        parts = m.closest.recipe.weighed
        if parts and parts[0].mass_g >= least_g:
            found.append((m.closest.delta_e, grams))
    return found


def test_no_less_is_weighed_than_a_maker_can() -> None:
    asked = {"pour": sm.Pour(batch_g=80)}
    plan = sm.propose_let_down("#c8d050", **asked)  # type: ignore[arg-type]
    assert plan.reached and plan.match is not None
    assert [p.used_g >= 5 for p in plan.to_make] == [True] * len(plan.to_make)
    assert len({p.base_g / p.paste for p in plan.to_make}) > 1  # each as strong as it may be
    # It is what `match` says of the same let-downs, which have nothing needless among them.
    again = sm.match(
        "#c8d050", tolerance=0.0, let_downs=[p.let_down for p in plan.to_make], **asked
    )  # type: ignore[arg-type]
    assert again.closest.recipe == plan.recipe
    # Who has a finer hand may say so, and gets them stronger.
    fine = sm.propose_let_down("#c8d050", least_g=1, **asked)  # type: ignore[arg-type]
    assert min(p.used_g for p in fine.to_make) < 5
    assert fine.reached
    assert sum(p.base_g for p in fine.to_make) < sum(p.base_g for p in plan.to_make)
    coarse = sm.propose_let_down("#c8d050", step_g=2, **asked)  # type: ignore[arg-type]
    assert all(p.used_g >= 10 for p in coarse.to_make)


@pytest.mark.parametrize("least_g", [1.0, 5.0])
def test_one_let_down_against_all_of_them(least_g: float) -> None:
    palette, pour = sm.demo_palette().only("gorse", "rosehip", "kelp"), sm.Pour(batch_g=300)
    plan = sm.propose_let_down(
        "#d9822b", palette=palette, pour=pour, within=1.1, max_let_downs=1, least_g=least_g
    )
    # It gains less than 0.5, and yet it is what was asked for.
    assert plan.reached
    assert 1.1 < plan.without.closest.delta_e < plan.closest.delta_e + 0.5
    good = [row for row in singles("#d9822b", pour, palette, least_g) if row[0] <= 1.1]
    strongest = min(grams for _, grams in good)
    assert plan.to_make[0].base_g == strongest
    assert plan.closest.delta_e == pytest.approx(min(v for v, g in good if g == strongest))


def test_out_of_reach_the_nearest_is_proposed() -> None:
    palette, pour = sm.demo_palette().only("gorse", "rosehip", "kelp"), sm.Pour(batch_g=200)
    # Within what the pastes can do, but not with one let-down.
    few = sm.propose_let_down("#e0b050", palette=palette, pour=pour, within=0.2, max_let_downs=1)
    best = min(singles("#e0b050", pour, palette, 5.0))
    assert not few.reached
    assert few.floor <= 0.2
    assert len(few.to_make) == 1
    assert few.closest.delta_e == pytest.approx(best[0], abs=1e-9)
    assert "None of the" in few.sentence
    assert f"{best[0]:.2f} instead of" in few.sentence
    # Beyond what they can do: the fewest let-downs that come nearly as near as they can.
    beyond = sm.propose_let_down("#d8f0e0", pour=sm.Pour(batch_g=50))
    assert not beyond.reached
    assert 1.0 < beyond.floor <= beyond.closest.delta_e <= beyond.without.ideal.delta_e + 0.5
    assert "the pastes themselves stay 1.05 away" in beyond.sentence
    assert "2 let-downs: " in str(beyond)
    one = singles("#d8f0e0", sm.Pour(batch_g=50), sm.demo_palette(), 5.0)
    assert min(one)[0] > beyond.without.ideal.delta_e + 0.5
    # Where centimetres come as near, none is worth making.
    idle = sm.propose_let_down("#b5702f", pour=sm.Pour(batch_g=300), palette=palette)
    assert not idle.reached
    assert idle.match is None
    assert idle.without.closest.delta_e < idle.without.ideal.delta_e + 0.5
    assert "no let-down gains enough" in idle.sentence


@pytest.mark.parametrize(
    ("arguments", "field"),
    [
        ({"within": 0}, "within"),
        ({"step_g": -1}, "step_g"),
        ({"least_g": float("nan")}, "least_g"),
        ({"bases_g": 10}, "bases_g"),
        ({"bases_g": [0.0]}, "bases_g"),
        ({"max_let_downs": 0}, "max_let_downs"),
        ({"max_let_downs": 2.5}, "max_let_downs"),
    ],
)
def test_bad_proposal(arguments: dict[str, object], field: str) -> None:
    with pytest.raises(sm.ShadematchError) as found:
        sm.propose_let_down("#f4d9c6", **arguments)  # type: ignore[arg-type]
    assert found.value.field == field
