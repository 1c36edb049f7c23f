"""Stacks of layers against two other solvers, and layers and wedges against plain pours."""

from __future__ import annotations

import functools
import warnings

import iadpython
import numpy as np
import pytest
from iadpython import combine, start

import shadematch as sm
from shadematch.colour.difference import delta_e
from shadematch.optics.layer import Surroundings
from shadematch.optics.stack import Coat, Medium, add, stack_radiance
from shadematch.optics.transport import Directions, directions, with_faces
from shadematch.predicting.layers import Shade
from shadematch.studio.recipe import Weighed
from shadematch.support.arrays import FloatArray

with warnings.catch_warnings():
    warnings.simplefilter("ignore")
    from PythonicDISORT.pydisort import pydisort

R0 = 0.04
TABLE = 1e-5  # twice what test_layer.py allows the table
SOLVER = 5e-4


def random_stack(rng: np.random.Generator) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Absorption, reduced scattering and thickness of two to four layers."""
    count = int(rng.integers(2, 5))
    return (
        10 ** rng.uniform(-2, 1, count),
        10 ** rng.uniform(-2, 1, count),
        rng.uniform(0.1, 1.0, count),
    )


def whole(mu_a: FloatArray, mu_s: FloatArray, thickness: FloatArray, along: Directions) -> Coat:
    coats = [
        Medium(a[None], s[None], along).coat(float(x))
        for a, s, x in zip(mu_a, mu_s, thickness, strict=True)
    ]
    return functools.reduce(add, coats)


def by_adding_doubling(
    mu_a: FloatArray, mu_s: FloatArray, thickness: FloatArray
) -> tuple[list[float], list[float]]:
    """R1, T1, Rd, Td and C1, D1, Cu, Du (diffuse light from below) by iadpython."""
    total: tuple[FloatArray, ...] = ()
    for a, reduced, x in zip(mu_a, mu_s, thickness, strict=True):
        s = reduced / 0.4
        sample = iadpython.Sample(a=s / (a + s), b=(a + s) * x, g=0.6, n=1.5, quad_pts=24)
        R, T = iadpython.simple_layer_matrices(sample)
        total = combine.add_layers(sample, *total, R, R, T, T) if total else (R, R, T, T)
    top, bottom = (start.boundary_layer(sample, top=side) for side in (True, False))
    R02, R20, T02, T20 = combine.add_slide_above(sample, *top, *total)
    R03, R30, T03, T30 = combine.add_slide_below(sample, R02, R20, T02, T20, *bottom)
    from_above, from_below = sample.UX1_and_UXU(R03, T03), sample.UX1_and_UXU(R30, T30)
    w, out = sample.twonuw, sample.nu > sample.nu_c()
    contact = [
        (w[out] @ R02[out])[-1],
        (w @ T02)[-1],
        w[out] @ T20[out] @ w,
        w @ R20 @ w,
    ]
    return [*from_above[:2], *from_below[2:]], [float(v) for v in contact]


def test_stack_as_adding_doubling() -> None:
    # iadpython (S. A. Prahl), layers added and Fresnel faces put on by its own `add_layers`,
    # `add_slide_above` and `add_slide_below`. Its 24 points are the nodes of half=12; as shipped
    # its thin starting layer leaves 1.4e-6. The default directions differ from both by the
    # angular error of 12 nodes.
    rng = np.random.default_rng(1)
    same, fine = directions(1.5, 0.6, 12, 24), directions(half=24, moments=32)
    for _ in range(40):
        stack = random_stack(rng)
        faces, contact = by_adding_doubling(*stack)
        for along, tolerance in ((same, 5e-6), (fine, SOLVER)):
            coat = whole(*stack, along)
            ours = [float(v[0]) for v in with_faces(*coat, along, contact=False)]
            assert np.abs(np.array(ours) - faces).max() < tolerance
            ours = [float(v[0]) for v in with_faces(*coat, along, contact=True)]
            assert np.abs(np.array(ours) - contact).max() < tolerance


def test_look_is_what_a_backing_makes_of_it() -> None:
    # The same solver's matrices; backing, film of air and contact are put together here anew.
    rng = np.random.default_rng(2)
    along = directions(half=24, moments=32)
    for _ in range(10):
        stack = random_stack(rng)
        (r1, t1, rd, td), (c1, d1, cu, du) = by_adding_doubling(*stack)
        for rg in (0.04, 0.9):
            expected = {
                "air": r1 - R0 + t1 * td * rg / (1 - rg * rd),
                "optical": c1 - R0 + d1 * cu * rg / (1 - rg * du),
                "through": t1,
            }
            for mode, value in expected.items():
                around = Surroundings(mode, np.array([rg]))  # type: ignore[arg-type]
                assert (
                    abs(stack_radiance([whole(*stack, along)], around, along)[0] - value) < SOLVER
                )


def test_stack_as_disort() -> None:
    # PythonicDISORT (D. J. X. Ho), several layers over a Lambertian floor, n = 1: 48 streams.
    # With half=12 we follow as many directions; asked is 5e-4, left is 1e-9.
    rng = np.random.default_rng(3)
    along = directions(1.0, 0.6, 12, 48)
    for rg in (0.0, 0.04, 0.9):
        for _ in range(8):
            mu_a, reduced, thickness = random_stack(rng)
            mu_s = reduced / 0.4
            tau, albedo = np.cumsum((mu_a + mu_s) * thickness), mu_s / (mu_a + mu_s)
            streams, count = 48, mu_a.size
            _, up, *_ = pydisort(
                tau,
                albedo,
                streams,
                np.tile(0.6 ** np.arange(streams + 1), (count, 1)),
                mu0=1.0,
                I0=1.0,
                phi0=0.0,
                NLeg=streams,
                NFourier=1,
                only_flux=True,
                f_arr=np.full(count, 0.6**streams),
                BDRF_Fourier_modes=[rg] if rg else [],
            )
            coat = whole(mu_a, reduced, thickness, along)
            c1, d1, cu, du = (float(v[0]) for v in with_faces(*coat, along, contact=True))
            ours = c1 + d1 * cu * rg / (1 - rg * du)
            assert abs(ours - float(np.squeeze(up(0.0)))) < 1e-7


@pytest.mark.parametrize("contact", [False, True])
def test_cutting_a_layer_changes_nothing(contact: bool) -> None:
    rng = np.random.default_rng(4)
    along = directions(half=24, moments=32)
    mu_a, mu_s = 10 ** rng.uniform(-3, 1, 36), 10 ** rng.uniform(-3, 1.5, 36)
    mu_a[0], mu_s[1] = 0.0, 0.0
    medium = Medium(mu_a, mu_s, along)
    one = medium.coat(1.7)
    cut = functools.reduce(add, [medium.coat(x) for x in (0.2, 0.0, 0.9, 0.6)])
    for a, b in zip(
        with_faces(*one, along, contact=contact),
        with_faces(*cut, along, contact=contact),
        strict=True,
    ):
        assert np.abs(a - b).max() < 1e-12


VIEWS = (
    sm.View(),
    sm.View(backing="black", contact="wet", illuminant="A", observer="10"),
    sm.View(through=True),
)


@pytest.mark.parametrize("view", VIEWS, ids=str)
def test_one_layer_is_a_plain_pour(view: sm.View) -> None:
    palette = scattering_palette()
    for white, thickness in ((0.0, 0.3), (0.1, 2.0), (1.0, 4.0)):
        pour = sm.Pour(batch_g=300, thickness_cm=thickness, white=white)
        doses = {"gorse": 3, "chalk": 2}
        plain = sm.predict(doses, palette=palette, pour=pour, view=view)
        stack = sm.layers([(doses, thickness)], palette=palette, pour=pour, view=view)
        halves = sm.layers(
            [(plain.recipe, thickness / 2)] * 2,
            palette=palette,
            view=view,
            pour=sm.Pour(batch_g=100),
        )
        assert np.abs(stack.seen.reflectance - plain.reflectance).max() < TABLE
        assert np.abs(halves.seen.reflectance - stack.seen.reflectance).max() < 1e-12
        assert stack.poured == stack.alone == (stack.seen,)


def scattering_palette() -> sm.Palette:
    demo = sm.demo_palette()
    chalk = sm.Pigment(
        name="chalk", absorption=(0.01,) * 36, scattering=(1.5,) * 36, tube_price=7.0
    )
    return sm.Palette(pigments=(*demo.pigments, chalk), clear=demo.clear, white=demo.white)


def test_order_of_scattering_layers_matters_and_of_clear_ones_does_not() -> None:
    opaque = sm.Recipe({"dusk": 1}, sm.Pour(batch_g=100, white=1.0))
    above = sm.layers([({"gorse": 2}, 0.5), (opaque, 0.5)], pour=sm.Pour(batch_g=100))
    below = sm.layers([(opaque, 0.5), ({"gorse": 2}, 0.5)], pour=sm.Pour(batch_g=100))
    assert delta_e(np.array(above.lab), np.array(below.lab)) > 20
    # Without any scattering only the sum of absorption counts (Beer and Lambert).
    palette = sm.demo_palette()
    still = sm.Palette(
        pigments=palette.pigments,
        clear=sm.Base(absorption=palette.clear.absorption, scattering=(0.0,) * 36),
        white=palette.white,
    )
    one = sm.layers(
        [({"gorse": 2}, 0.5), ({"dusk": 1}, 0.5)], palette=still, pour=sm.Pour(batch_g=100)
    )
    two = sm.layers(
        [({"dusk": 1}, 0.5), ({"gorse": 2}, 0.5)], palette=still, pour=sm.Pour(batch_g=100)
    )
    mixed = sm.layers(
        [({"dusk": 1, "gorse": 2}, 0.5), ({}, 0.5)], palette=still, pour=sm.Pour(batch_g=100)
    )
    assert one.seen.reflectance == pytest.approx(two.seen.reflectance, abs=1e-12)
    assert one.seen.reflectance == pytest.approx(mixed.seen.reflectance, abs=1e-12)


def test_a_layer_of_no_thickness_leaves_two_bare_faces() -> None:
    view = sm.View(through=True)
    found = sm.layers(
        [({"gorse": 2}, 0.5), ({"gorse": 1}, 0.0)], view=view, pour=sm.Pour(batch_g=100)
    )
    # Two faces of index n, all reflections between them summed: 2n / (n^2 + 1) goes through
    # (M. Born, E. Wolf, Principles of Optics, sec. 1.5, with what bounces added up).
    assert found.alone[1].reflectance == pytest.approx(2 * 1.5 / (1.5**2 + 1), abs=1e-9)
    assert "0 cm of 1 cm gorse" in str(found)
    bare = sm.layers([({"gorse": 2}, 0.5)], view=view, pour=sm.Pour(batch_g=100))
    assert found.seen.reflectance == pytest.approx(bare.seen.reflectance, abs=1e-12)
    for view in (sm.View(), sm.View(contact="wet"), sm.View(backing="black")):
        none, thin = (
            sm.layers([({}, 0.5), ({"gorse": 1}, cm)], view=view, pour=sm.Pour(batch_g=100))
            for cm in (0.0, 1e-9)
        )
        shown = [layered.alone[1].reflectance for layered in (none, thin)]
        assert shown[0] == pytest.approx(shown[1], abs=1e-7)


def test_layers_report_each_pour() -> None:
    stack = sm.layers(
        [({"gorse": 2}, 0.5), ({}, 1.0), ({"dusk": 1}, 0.5)], pour=sm.Pour(batch_g=100)
    )
    assert stack.height_cm == 2.0
    lower = sm.layers([({}, 1.0), ({"dusk": 1}, 0.5)], pour=sm.Pour(batch_g=100))
    assert [s.lab for s in stack.poured[:2]] == [s.lab for s in lower.poured]
    assert stack.poured[-1].lab == stack.lab
    assert [s.lab for s in stack.alone] == [
        sm.layers([pair], pour=sm.Pour(batch_g=100)).lab
        for pair in (({"gorse": 2}, 0.5), ({}, 1.0), ({"dusk": 1}, 0.5))
    ]
    text = str(stack)
    assert "plain clear base" in text and "2 cm gorse in 100 g of clear base" in text
    with pytest.raises(ValueError, match="read-only"):
        stack.seen.reflectance[0] = 0.0


@pytest.mark.parametrize(
    ("stack", "field"),
    [
        ([], "stack"),
        ([({"gorse": 1}, 0.0)], "stack"),
        ([({"gorse": 1}, -1.0)], "stack.0"),
        ([({"gorse": 1}, float("nan"))], "stack.0"),
        ([({"gorse": 1}, True)], "stack.0"),
        ([({}, 1.0), ({"gorse": -1}, 1.0)], "doses.gorse"),
        ([({}, 1.0), ({"gone": 1}, 1.0)], "pigment"),
        ([({}, 1.0), {"gorse": 1}], "stack.1"),
        ([({}, 1.0, 2.0)], "stack.0"),
        ([("gorse", 1.0)], "stack.0"),
        (3, "stack"),
        ([({}, 1.0)] * 101, "stack"),
    ],
)
def test_layers_refuse(stack: object, field: str) -> None:
    with pytest.raises(sm.ShadematchError) as found:
        sm.layers(stack, pour=sm.Pour(batch_g=100))  # type: ignore[arg-type]
    assert found.value.field == field
    assert found.value.remedy


def test_let_downs_stay_let_downs() -> None:
    let_down = sm.LetDown.made("rosehip", paste=1, base_g=50)
    recipe = sm.Recipe({"rosehip": 0.2}, sm.Pour(batch_g=120), (Weighed(let_down, 10.0),))
    stack = sm.layers([(recipe, 1.0)], pour=sm.Pour(batch_g=100))
    wedge = sm.wedge(recipe, from_cm=0, to_cm=1, pour=sm.Pour(batch_g=100))
    assert stack.recipes == (recipe,) and wedge.recipe == recipe
    for told in (stack, wedge):
        assert "10 g rosehip let-down" in str(told) and "0.2 cm" not in str(told)
    assert stack.lab == sm.layers([({"rosehip": 0.2}, 1.0)], pour=recipe.pour).lab


def test_they_draw_themselves() -> None:
    wedge = sm.wedge({"gorse": 2}, from_cm=0, to_cm=1, steps=4, pour=sm.Pour(batch_g=100))
    html = wedge._repr_html_()
    assert all(code in html for code in wedge.hexes)
    assert html.count("<polygon") == 2 and "<script" not in html
    name = "<b>kelp & co</b>"
    demo = sm.demo_palette()
    odd = sm.Pigment(name=name, absorption=demo["kelp"].absorption)
    palette = sm.Palette(pigments=(odd,), clear=demo.clear, white=demo.white)
    html = sm.layers(
        [({name: 1}, 1.0), ({}, 1.0)], palette=palette, pour=sm.Pour(batch_g=100)
    )._repr_html_()
    assert name not in html and "&lt;b&gt;kelp &amp; co&lt;/b&gt;" in html
    assert isinstance(wedge.shades[0], Shade) and "Lab (" in str(wedge)
