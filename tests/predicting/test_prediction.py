"""From recipes to colours."""

from __future__ import annotations

import dataclasses

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings, strategies as st

import shadematch as sm
from shadematch.colour.colorimetry import xyz_to_lab
from shadematch.colour.difference import delta_e
from shadematch.colour.standards import WAVELENGTHS_NM
from shadematch.predicting.prediction import Model, model_for
from tests.invented.problems import with_chalk


def test_defaults_and_plain_results() -> None:
    first, second, *_ = sm.demo_palette().names
    p = sm.predict({first: 2, second: 1.0}, pour=sm.Pour(batch_g=100))
    assert p.recipe.doses == {first: 2.0, second: 1.0}
    assert p.recipe.pour == sm.Pour(batch_g=100, thickness_cm=1.0)
    assert p.view == sm.View(illuminant="D65", backing="white")
    assert p.reflectance.shape == (36,)
    assert np.all((p.reflectance >= 0) & (p.reflectance <= 1))
    assert p.xyz[1] < 100
    assert first in str(p)
    assert p.hex in str(p)
    with pytest.raises(dataclasses.FrozenInstanceError):
        p.hex = "#000000"  # type: ignore[misc]
    with pytest.raises(ValueError, match="read-only"):
        p.reflectance[0] = 1


def test_zero_doses_are_left_out_and_order_is_the_palettes() -> None:
    a, b, c, *_ = sm.demo_palette().names
    p = sm.predict({c: 1, a: 2, b: 0}, pour=sm.Pour(batch_g=100))
    assert list(p.recipe.doses) == [a, c]
    assert p.lab == sm.predict({a: 2, c: 1}, pour=sm.Pour(batch_g=100)).lab


def test_hex_is_honest_about_srgb(colour) -> None:  # type: ignore[no-untyped-def]
    palette = sm.demo_palette()
    inside = 0
    for name in palette.names:
        for dose in (0.1, 0.5, 2.0, 4.0):
            p = sm.predict({name: dose}, pour=sm.Pour(batch_g=100, white=0.5))
            back = sm.Target.from_hex(p.hex)
            if p.in_srgb:
                inside += 1
                assert delta_e(np.array(back.lab), np.array(p.lab)) < 0.9  # 8-bit steps
            else:
                rgb = colour.XYZ_to_sRGB(np.array(p.xyz) / 100)
                assert rgb.min() < 0.001 or rgb.max() > 0.999
    assert inside > 5


@pytest.mark.parametrize("palette", [sm.demo_palette(), with_chalk()], ids=["clear", "scattering"])
@pytest.mark.parametrize("white", [0.0, 0.3, 1.0])
def test_jacobian(palette: sm.Palette, white: float) -> None:
    model = Model(palette, 1.0, white, sm.View())
    n = len(palette.pigments)
    loads = np.random.default_rng(1).dirichlet(np.ones(n), size=20) * 2.0
    lab, slope = model.lab_and_slope(loads)
    assert np.abs(lab - model.lab(loads)).max() < 1e-12
    for i, one in enumerate(np.eye(n)):
        step = 1e-5 * one
        numeric = (model.lab(loads + step) - model.lab(loads - step)) / 2e-5
        assert np.abs(numeric - slope[:, :, i]).max() < 1e-4 * (1 + np.abs(slope).max())


def test_same_load_in_any_batch_is_the_same_colour() -> None:
    first, second, *_ = sm.demo_palette().names
    small = sm.predict({first: 1.5, second: 0.5}, pour=sm.Pour(batch_g=100))
    large = sm.predict({first: 30, second: 10}, pour=sm.Pour(batch_g=2000))
    assert small.lab == pytest.approx(large.lab, abs=1e-9)


@settings(max_examples=50, deadline=None)
@given(
    doses=st.dictionaries(st.sampled_from(sm.demo_palette().names), st.integers(0, 40)),
    batch=st.floats(50, 5000),
    factor=st.sampled_from([0.5, 2.0, 7.0]),
    white=st.sampled_from([0.0, 0.2, 1.0]),
)
def test_doubling_everything_is_the_same_colour(
    doses: dict[str, int], batch: float, factor: float, white: float
) -> None:
    one = sm.predict(doses, pour=sm.Pour(batch_g=batch, white=white))
    more = {name: dose * factor for name, dose in doses.items()}
    other = sm.predict(more, pour=sm.Pour(batch_g=batch * factor, white=white))
    assert other.lab == pytest.approx(one.lab, abs=1e-9)
    assert other.recipe.load == pytest.approx(one.recipe.load)


def test_more_paste_is_darker() -> None:
    # X, Y, Z and L* fall with every dose of a paste that does not scatter; a* and b* need not.
    palette = sm.demo_palette()
    rng = np.random.default_rng(2)
    for white in (0.0, 0.1, 1.0):
        for view in (sm.View(), sm.View(contact="wet"), sm.View(through=True)):
            model = Model(palette, 1.0, white, view)
            loads = rng.dirichlet(np.ones(6), size=200)[:, :5] * 4
            xyz = model.xyz(loads)
            for one in np.eye(5):
                assert np.all(model.xyz(loads + 0.1 * one) <= xyz + 1e-9)


def test_row_and_rows_agree_for_a_scattering_paste() -> None:
    # One row goes by the layer's spline, several by the two-variable table.
    model = Model(with_chalk(), 1.0, 0.2, sm.View())
    loads = np.random.default_rng(3).dirichlet(np.ones(4), size=40) * 4
    gap = delta_e(model.lab(loads), np.array([model.lab(row) for row in loads]))
    assert gap.max() < 1e-3


def test_hex_is_what_colour_science_shows(colour) -> None:  # type: ignore[no-untyped-def]
    shown = 0
    for name in sm.demo_palette().names:
        for white in (0.2, 1.0):
            p = sm.predict({name: 0.5}, pour=sm.Pour(batch_g=100, white=white))
            rgb = 255 * np.clip(colour.XYZ_to_sRGB(np.array(p.xyz) / 100), 0, 1)
            ours = [int(p.hex[i : i + 2], 16) for i in (1, 3, 5)]
            assert np.abs(rgb - ours).max() < 0.7  # rounded to 8 bits; four-digit matrices
            shown += p.in_srgb
    assert shown > 3


def test_a_paste_split_in_two_is_the_same_paste() -> None:
    demo = sm.demo_palette()
    first = demo.pigments[0]
    twice = sm.Palette(
        pigments=(first, first.model_copy(update={"name": "second tube"})),
        clear=demo.clear,
        white=demo.white,
    )
    whole = sm.predict({first.name: 3}, pour=sm.Pour(batch_g=100))
    split = sm.predict({first.name: 1, "second tube": 2}, palette=twice, pour=sm.Pour(batch_g=100))
    assert split.lab == pytest.approx(whole.lab, abs=1e-9)


@pytest.mark.parametrize("dose", [-1, float("nan"), float("inf"), "2", True, None, 1e30])
def test_bad_dose(dose: float) -> None:
    name = sm.demo_palette().names[0]
    with pytest.raises(sm.PourError) as found:
        sm.predict({name: dose}, pour=sm.Pour(batch_g=100))
    assert found.value.field == f"doses.{name}"
    assert found.value.remedy


def test_unknown_pigment() -> None:
    with pytest.raises(sm.UnknownNameError, match=r"no such pigment.*'ink'"):
        sm.predict({"ink": 1}, pour=sm.Pour(batch_g=100))


@pytest.mark.parametrize("doses", [[3, 1], "gorse", None, 3])
def test_doses_that_are_no_mapping(doses: object) -> None:
    with pytest.raises(sm.PourError, match="doses"):
        sm.predict(doses)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    "wrong", [{"pour": {"batch_g": 100}}, {"palette": "palette.json"}, {"view": "D65"}]
)
def test_wrong_kinds_of_argument(wrong: dict[str, object]) -> None:
    with pytest.raises(sm.ShadematchError, match=next(iter(wrong))):
        sm.predict({"gorse": 1}, **wrong)  # type: ignore[arg-type]


def test_pictures_are_escaped() -> None:
    demo = sm.demo_palette()
    evil = "<script>alert(1)</script>"
    palette = sm.Palette(
        pigments=(demo.pigments[0].model_copy(update={"name": evil}),),
        clear=demo.clear,
        white=demo.white,
    )
    page = sm.predict({evil: 2}, palette=palette, pour=sm.Pour(batch_g=100))._repr_html_()
    page += sm.match("#ddcc22", palette=palette, pour=sm.Pour(batch_g=100))._repr_html_()
    assert "<script" not in page
    assert "&lt;script&gt;" in page


def test_models_are_kept() -> None:
    palette = sm.demo_palette()
    assert model_for(palette, 1.0, 0.0, sm.View()) is model_for(palette, 1.0, 0.0, sm.View())


def test_a_recipe_brings_its_pour() -> None:
    pour = sm.Pour(batch_g=300, thickness_cm=2)
    thinned = sm.LetDown.made("rosehip", paste=1, base_g=50)
    recipe = sm.match("#f4d9c6", pour=pour, let_downs=[thinned]).recipe
    assert recipe.weighed
    seen = sm.predict(recipe)
    assert seen.recipe == recipe and sm.predict(recipe, pour=pour) == seen
    assert seen.lab == sm.predict(recipe.doses, pour=pour).lab
    with pytest.raises(sm.PourError, match="not the recipe's own") as found:
        sm.predict(recipe, pour=sm.Pour(batch_g=200))
    assert found.value.field == "pour"
    for wrong in (np.arange(3.0), pd.Series([1, 2]), "100 g"):
        with pytest.raises(sm.PourError, match="Use Pour") as found:
            sm.predict(recipe, pour=wrong)  # type: ignore[arg-type]
        assert found.value.field == "pour"


@pytest.mark.filterwarnings("ignore::shadematch.errors.ThicknessWarning")
@pytest.mark.parametrize("observer", ["2", "10"])
@pytest.mark.parametrize("illuminant", ["D65", "A"])
def test_what_is_all_but_black_is_a_possible_target(illuminant: str, observer: str) -> None:
    palette = sm.demo_palette()
    view = sm.View(illuminant=illuminant, observer=observer, through=True)
    rng = np.random.default_rng(3)
    for thickness in (1.0, 5.0, 100.0):
        pour = sm.Pour(batch_g=100, thickness_cm=thickness, white=0.5)
        for size in (1.0, 10.0, 1e3, 1e6):
            doses = dict(zip(palette.names, rng.uniform(0, size, 5).tolist(), strict=True))
            p = sm.predict(doses, palette=palette, pour=pour, view=view)
            assert p.reflectance.min() >= 0.0
            assert p.reflectance.max() <= 1.0
            assert p.lab[0] >= 0.0
            assert sm.Target.from_reflectance(WAVELENGTHS_NM, p.reflectance).lab[0] >= 0.0
            white = view.observation.white
            sm.Target.from_lab(p.lab, illuminant=illuminant, observer=observer)
            sm.Target(p.lab, illuminant, observer)
            assert np.allclose(xyz_to_lab(np.array(p.xyz), white), p.lab)
