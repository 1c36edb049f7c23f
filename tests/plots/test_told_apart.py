"""What figures tell by hue they tell without it too: in greyscale, and without green cones.

Each figure is rendered and taken to what is left of it. Greyscale is the relative luminance of
W3C, WCAG 2.1. Deuteranopia is simulated after Vienot, Brettel and Mollon (1999), "Digital video
colourmaps for checking the legibility of displays by dichromats", Color Research and Application
24, 243-252; the matrix in linear RGB is from memory.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterator
from typing import Any

import matplotlib as mpl
import numpy as np
import pytest
from matplotlib import pyplot

import shadematch as sm
from shadematch import plots
from shadematch.photo import drawing
from shadematch.plots import gamut as gamut_plots, solid as solid_plots
from shadematch.support import hatching

mpl.use("Agg")

Image = np.ndarray[Any, np.dtype[np.float64]]

_DEUTERANOPE = np.array(
    [[0.29275, 0.70725, 0.0], [0.29275, 0.70725, 0.0], [-0.02234, 0.02234, 1.0]]
)


def linear(rgb: Image) -> Image:
    return np.where(rgb <= 0.04045, rgb / 12.92, ((rgb + 0.055) / 1.055) ** 2.4)


def greyscale(rgb: Image) -> Image:
    """Relative luminance, three times."""
    return np.repeat((linear(rgb) @ np.array([0.2126, 0.7152, 0.0722]))[..., None], 3, axis=-1)


def deuteranopia(rgb: Image) -> Image:
    return np.clip(linear(rgb) @ _DEUTERANOPE.T, 0.0, 1.0)


EYES = pytest.mark.parametrize("eye", [greyscale, deuteranopia], ids=lambda e: e.__name__)


def rendered(ax: Any) -> Image:
    figure = ax.figure
    figure.set_dpi(80)
    figure.canvas.draw()
    return np.asarray(figure.canvas.buffer_rgba())[..., :3] / 255.0


@pytest.fixture(autouse=True)
def closed() -> Iterator[None]:
    yield
    pyplot.close("all")


@pytest.fixture(scope="module")
def vivid() -> dict[str, Callable[[], Any]]:
    """A call of every figure that shows recipes, each with a colour outside sRGB."""
    deep = {"dusk": 3.0, "rosehip": 3.0}
    pour = sm.Pour(batch_g=100)
    gamut = sm.gamut()
    cut = gamut.slice(lightness=60, step=10)
    match = sm.match("#00c8ff", pour=pour)
    assert not match.predicted.in_srgb
    feasible = sm.feasibility("#00c800", thicknesses_cm=(1, 6), whites=(0,))
    stock = sm.Stock.of(dict.fromkeys(sm.demo_palette().names, 1))
    plan = sm.plan(
        [sm.Order(name="sky", target="#00c8ff", bars=2, pour=sm.Pour(batch_g=300))], stock
    )
    look = sm.same_look(sm.Recipe(deep, pour), to_pour=sm.Pour(batch_g=200))
    return {
        "slice": lambda: plots.draw_slice(cut),
        "solid": lambda: plots.draw_solid(gamut),
        "match": lambda: plots.draw_match(match),
        "same look": lambda: plots.draw_same_look(look),
        "feasibility": lambda: plots.draw_feasibility(feasible),
        "ladder": lambda: plots.draw_ladder(sm.ladder(deep, along="load")),
        "layers": lambda: plots.draw_layers(sm.layers([(deep, 0.5), ({}, 0.5)])),
        "wedge": lambda: plots.draw_wedge(sm.wedge(deep, from_cm=0.1, to_cm=1, steps=9)),
        "plan": lambda: plots.draw_plan(plan),
    }


NAMES = [
    "slice",
    "solid",
    "match",
    "same look",
    "feasibility",
    "ladder",
    "layers",
    "wedge",
    "plan",
]


@EYES
@pytest.mark.parametrize("name", NAMES)
def test_the_mark_of_what_is_outside_srgb_is_seen(
    name: str,
    eye: Callable[[Image], Image],
    vivid: dict[str, Callable[[], Any]],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Against the same figure without it: by at least a quarter of black to white, on a patch."""
    with_mark = eye(rendered(vivid[name]()))
    legend = hatching.mark_key

    def unmarked(*_: Any, **__: Any) -> None:
        """Nothing is drawn."""

    for room in (plots.feasibility, plots.ladder, plots.layers, plots.match, plots.plan):
        for each in ("mark_corner", "mark_stretches"):
            if hasattr(room, each):
                monkeypatch.setattr(room, each, unmarked)

    def as_if_marked(ax: Any, *given: Any, **how: Any) -> None:
        hatching.mark_surface(ax)  # the same legend, or all of the figure would move
        legend(ax, *given, **how)

    for room in (
        *(plots.feasibility, plots.ladder, plots.layers, plots.match, plots.plan),
        *(gamut_plots, solid_plots),
    ):
        if hasattr(room, "mark_key"):
            monkeypatch.setattr(room, "mark_key", as_if_marked)
    monkeypatch.setattr(gamut_plots, "srgb_margin", lambda xyz, _: np.ones(xyz.shape[:-1]))
    none = np.empty((0, 2, 3)), np.empty((0, 3))
    monkeypatch.setattr(solid_plots, "_hatching", lambda _: none)
    without = eye(rendered(vivid[name]()))
    assert with_mark.shape == without.shape
    changed = np.abs(with_mark - without).max(axis=-1) > 0.25
    assert changed.sum() >= 25


def test_lines_are_told_apart_by_their_style() -> None:
    gamut = sm.gamut()
    cut = gamut.slice(lightness=60, step=10)
    other = gamut.at(white=1.0).slice(lightness=60, step=10)
    for ax in (plots.draw_slice(cut), plots.draw_outlines([cut, other], ["clear", "white"])):
        legend = ax.get_legend()
        assert legend is not None
        styles = [str(line._dash_pattern) for line in legend.get_lines()]  # type: ignore[attr-defined]
        assert len(styles) >= 2 and len(set(styles)) == len(styles)


@EYES
def test_steps_of_a_map_get_darker_one_after_the_other(eye: Callable[[Image], Image]) -> None:
    colours = mpl.colormaps["cividis_r"](np.linspace(0, 1, len(gamut_plots._BOUNDS)))[:, :3]
    seen = eye(colours[None])[0].sum(axis=-1)
    assert np.all(np.diff(seen) < -0.02)


@EYES
def test_nearer_is_told_from_farther(eye: Callable[[Image], Image]) -> None:
    """By dots: on a scale with two dark ends luminance alone does not tell."""
    first = sm.feasibility("#d9b02b", thicknesses_cm=(1,), whites=(0,))
    fewer = sm.feasibility(
        "#d9b02b",
        palette=sm.demo_palette().without("gorse"),
        thicknesses_cm=(1,),
        whites=(0,),
    )
    worse = plots.draw_comparison(first.compare(sm.demo_palette().without("gorse")))
    better = plots.draw_comparison(fewer.compare(sm.demo_palette()))
    assert not any(p.get_hatch() for p in worse.patches)
    [dotted] = [p for p in better.patches if p.get_hatch()]
    pixels = eye(rendered(better))
    left, bottom, right, top = dotted.get_window_extent().extents
    high = pixels.shape[0]
    # Its left fifth, where no figures are written.
    across = slice(int(left) + 2, int(left + 0.2 * (right - left)))
    cell = pixels[int(high - top) + 2 : int(high - bottom) - 2, across, 0]
    assert cell.std() > 0.05


@EYES
def test_what_was_left_out_of_a_photo_is_told_apart(eye: Callable[[Image], Image]) -> None:
    """Patterns of two kinds never lie on each other, however they are shifted."""
    seen = {}
    for code in drawing._MARKS:
        overlay = drawing._overlay(np.full((24, 24), code, dtype=np.uint8)) / 255.0
        alpha = overlay[..., 3:]
        flat = eye(overlay[..., :3] * alpha + np.array([0.9, 0.6, 0.1]) * (1 - alpha)).sum(axis=-1)
        assert flat.std() > 0.05, drawing._WORDS[code]
        seen[code] = (flat - flat.mean()) / flat.std()
    for one, other in itertools.combinations(seen.values(), 2):
        alike = max(
            float(np.mean(one * np.roll(other, (down, across), axis=(0, 1))))
            for down in range(12)
            for across in range(12)
        )
        assert alike < 0.9


def test_every_piece_of_a_plan_has_its_number() -> None:
    pour = sm.Pour(batch_g=500)
    targets = ("#d9822b", "#7fb069", "#5a3020", "#e0d080")
    orders = [
        sm.Order(name=code, target=code, bars=bars, pour=pour)
        for code, bars in zip(targets, (9, 1, 1, 2), strict=True)
    ]
    stock = sm.Stock.of(dict.fromkeys(sm.demo_palette().names, 3))
    plan = sm.plan(orders, stock)
    ax = plots.draw_plan(plan)
    pieces = sum(1 for line in plan.poured for use in line.use.values() if use > 0)
    numbers = [t.get_text() for t in ax.texts if t.get_text().isdigit()]
    assert len(numbers) == pieces >= 5
