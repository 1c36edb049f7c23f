"""The smallest batch, against plain enumeration of every mass of its grid."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

import shadematch as sm
from shadematch.colour.difference import delta_e
from shadematch.predicting.prediction import model_for
from tests.invented.problems import invented_palette, with_chalk


def best_by_enumeration(
    target: sm.Target, palette: sm.Palette, pour: sm.Pour, masses: list[float]
) -> list[float]:
    """Smallest CIEDE2000 over all whole doses under the load limit, for each mass."""
    model = model_for(palette, pour.thickness_cm, pour.white, sm.View())
    values = []
    for mass in masses:
        most = int(pour.max_load * mass / 100 / pour.dose_step + 1e-9)
        axes = [np.arange(most + 1)] * len(palette.names)
        steps = np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1).reshape(-1, len(axes))
        steps = steps[steps.sum(axis=1) <= most]
        lab = model.lab(steps * (pour.dose_step * 100.0 / mass))
        values.append(float(delta_e(lab, np.array(target.lab)).min()))
    return values


@pytest.mark.parametrize("seed", range(6))
def test_every_mass_against_enumeration(seed: int) -> None:
    rng = np.random.default_rng(seed)
    palette = invented_palette(rng, int(rng.integers(1, 4)))
    pour = sm.Pour(
        batch_g=100,
        thickness_cm=float(rng.choice([0.5, 1.0, 2.0])),
        white=float(rng.choice([0.0, 0.2])),
        max_load=float(rng.choice([2.0, 4.0])),
        dose_step=float(rng.choice([0.5, 1.0])),
    )
    model = model_for(palette, pour.thickness_cm, pour.white, sm.View())
    loads = rng.dirichlet(np.full(len(palette.names) + 1, 0.7))[:-1] * pour.max_load
    target = sm.Target(tuple(model.lab(loads).tolist()))
    wanted = float(rng.choice([0.5, 1.0, 3.0]))
    found = sm.smallest_batch(
        target, palette=palette, pour=pour, within=wanted, step_g=17.0, largest_g=420.0
    )
    masses = [p.mass_g for p in found.curve]
    assert masses == [
        m for m in (17.0 * k for k in range(1, 25)) if m * pour.max_load / 100 >= pour.dose_step
    ]
    values = best_by_enumeration(target, palette, pour, masses)
    assert [p.delta_e for p in found.curve] == pytest.approx(values, abs=1e-9)
    assert all(p.bound <= v + 1e-12 for p, v in zip(found.curve, values, strict=True))
    good = [m for m, v in zip(masses, values, strict=True) if v <= wanted]
    assert found.mass_g == (good[0] if good else None)
    bad = [m for m, v in zip(masses, values, strict=True) if v > wanted]
    later = [m for m in masses if not bad or m > bad[-1]]
    assert found.always_from_g == (later[0] if later else None)
    assert found.proved
    if good:
        assert found.match is not None
        assert found.match.closest.delta_e == pytest.approx(values[masses.index(good[0])], abs=1e-9)


def test_not_steadily_closer() -> None:
    found = sm.smallest_batch("#d9822b")
    values = [p.delta_e for p in found.curve]
    assert any(b > a + 0.5 for a, b in itertools.pairwise(values))
    assert found.mass_g is not None
    assert found.always_from_g is not None
    assert found.always_from_g > found.mass_g
    assert f"{found.mass_g:g} g" in found.sentence
    assert f"From {found.always_from_g:g} g on" in str(found)
    assert found.curve[0].mass_g == 30  # 1 cm under 4 cm per 100 g takes 25 g
    html = found._repr_html_()
    assert "<svg" in html
    assert f"{found.mass_g:g} g" in html
    again = sm.match("#d9822b", pour=sm.Pour(batch_g=found.mass_g))
    assert again.closest.recipe == found.recipe


def test_bars() -> None:
    by_bar = sm.smallest_batch("#c23b4e", bar_g=90, largest_g=900, loss=0)
    assert [p.mass_g for p in by_bar.curve] == [90.0 * k for k in range(1, 11)]
    by_mass = sm.smallest_batch("#c23b4e", step_g=90, largest_g=900)
    assert by_bar.mass_g == by_mass.mass_g
    assert by_mass.bars is None
    assert by_bar.bars is not None
    assert by_bar.mass_g == 90 * by_bar.bars
    assert f"{by_bar.bars} bars" in by_bar.sentence


def test_the_largest_may_be_the_last_that_does() -> None:
    found = sm.smallest_batch("#d9822b", bar_g=90, largest_g=500, loss=0)
    assert found.always_from_g == found.largest_g == 450
    assert found.mass_g == 270
    assert "So does the largest tried, 450 g, but not all between" in found.sentence


def test_a_colour_out_of_reach_needs_no_search() -> None:
    found = sm.smallest_batch("#0000ff")
    assert found.curve == ()
    assert found.mass_g is None
    assert found.floor > 1.0
    assert found.proved
    assert "No batch of any mass" in found.sentence
    assert "<svg" not in found._repr_html_()
    # The floor holds for whole doses in any mass.
    for batch in (40, 137, 600):
        assert sm.match("#0000ff", pour=sm.Pour(batch_g=batch)).closest.delta_e >= found.floor


def test_the_grid_may_be_too_small() -> None:
    found = sm.smallest_batch("#f4d9c6", largest_g=300)
    assert found.mass_g is None
    assert found.floor <= 1.0
    assert "up to 300 g" in found.sentence
    assert found.always_from_g is None


def test_pastes_that_scatter() -> None:
    palette = with_chalk()
    found = sm.smallest_batch("#b8a090", palette=palette, within=3.0, step_g=50, largest_g=150)
    assert found.curve
    for point in found.curve:
        m = sm.match("#b8a090", palette=palette, pour=sm.Pour(batch_g=point.mass_g))
        assert point.delta_e == pytest.approx(m.closest.delta_e, abs=1e-9)


@pytest.mark.parametrize(
    ("arguments", "field"),
    [
        ({"within": 0}, "within"),
        ({"within": float("nan")}, "within"),
        ({"within": "1"}, "within"),
        ({"step_g": -5}, "step_g"),
        ({"step_g": 0.001}, "step_g"),
        ({"bar_g": 0}, "bar_g"),
        ({"bar_g": True}, "bar_g"),
        ({"largest_g": 20}, "largest_g"),
        ({"largest_g": 1e6, "step_g": 1e4}, "largest_g"),
        ({"largest_g": 1e9}, "largest_g"),
        ({"step_g": 1e9}, "step_g"),
        ({"bar_g": 1e6}, "bar_g"),
        ({"pour": "100 g"}, "pour"),
        ({"target": "brown"}, "hex"),
    ],
)
def test_bad_question(arguments: dict[str, object], field: str) -> None:
    asked = {"target": "#d9822b", **arguments}
    with pytest.raises(sm.ShadematchError) as found:
        sm.smallest_batch(asked.pop("target"), **asked)  # type: ignore[arg-type]
    assert found.value.field == field
    assert found.value.remedy


def test_without_success_the_best_is_told_and_what_would_help() -> None:
    found = sm.smallest_batch("#f4d9c6", within=0.3, largest_g=400)
    assert found.mass_g is None and found.recipe is None
    assert found.nearest is not None and found.match is not None
    assert found.nearest.delta_e == min(p.delta_e for p in found.curve)
    assert found.match.closest.delta_e == pytest.approx(found.nearest.delta_e, abs=1e-6)
    said = str(found)
    assert f"in {found.nearest.mass_g:g} g" in said and "Let-downs of gorse and rosehip" in said


def test_bars_are_counted_as_costs_and_sheets_count_them() -> None:
    found = sm.smallest_batch("#c23b4e", bar_g=90, largest_g=900)
    assert found.recipe is not None and found.mass_g is not None and found.bars is not None
    # What is melted gives so many bars, a share of it staying in the pot; one gram less does not.
    assert found.mass_g * 0.97 >= 90 * found.bars > (found.mass_g - 1) * 0.97
    assert sm.cost(found.recipe, bar_g=90).bars == found.bars
    assert f"{found.bars} bars of 90 g" in sm.batch_sheet(found.recipe, bar_g=90).text
    with pytest.raises(sm.PourError, match="loss"):
        sm.smallest_batch("#c23b4e", bar_g=90, loss=1)
