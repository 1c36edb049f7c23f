"""Feasibility against single matches; figures."""

from __future__ import annotations

import itertools
import sys

import matplotlib as mpl
import numpy as np
import pytest

import shadematch as sm
from shadematch import plots
from shadematch.colour.colorimetry import ink_on
from shadematch.colour.difference import delta_e
from shadematch.gamuts.feasibility import Feasibility
from shadematch.gamuts.where import where_made

mpl.use("Agg")

GRID = {"thicknesses_cm": (1.0, 3.0), "whites": (0.0, 0.2, 1.0)}


@pytest.fixture(scope="module")
def green() -> Feasibility:
    return sm.feasibility("#7fb069", batches_g=(100, 400), **GRID)


def test_cells_are_the_closest_matches(green: Feasibility) -> None:
    assert green.delta_e.shape == (2, 3, 2)
    for b, w, t in itertools.product((0, 1), (0, 1, 2), (0, 1)):
        cell = green.cells[b][w][t]
        pour = sm.Pour(
            batch_g=green.batches_g[b], white=green.whites[w], thickness_cm=green.thicknesses_cm[t]
        )
        assert cell.pour == pour
        assert cell.proved
        assert cell.delta_e == pytest.approx(
            sm.match("#7fb069", pour=pour).closest.delta_e, abs=0.011
        )
        made = sm.predict(cell.closest.recipe.doses, pour=pour)
        wanted = np.array(sm.Target.from_hex("#7fb069").lab)
        assert cell.delta_e == pytest.approx(float(delta_e(np.array(made.lab), wanted)), abs=1e-9)
        assert cell.ideal.delta_e <= cell.delta_e
    assert green.best.delta_e == green.delta_e.min()
    assert green.ideal_delta_e.shape == (3, 2)


def test_ideal_does_not_know_the_batch(green: Feasibility) -> None:
    for w, t in itertools.product((0, 1, 2), (0, 1)):
        found = sm.gamut(pour=green.cells[0][w][t].pour).distance("#7fb069")
        assert green.cells[1][w][t].ideal.delta_e == pytest.approx(found, abs=2e-3)


def test_sentences_say_where(green: Feasibility) -> None:
    start = "With doses of any length #7fb069 can be made: in every blend of bases and at every"
    assert green.sentence.startswith(start)
    pale = sm.feasibility("#f2d0d8", thicknesses_cm=(0.5, 1, 4, 6), whites=(0, 0.05, 0.1))
    assert "can be made: clear base up to 4 cm; 5% to 10% white up to 1 cm." in pale.sentence
    rows = {
        ((1, 1, 1, 0), (0, 0, 0, 0), (1, 0, 0, 0)): "clear base up to 4 cm; 10% white at 0.5 cm",
        # What works at most thicknesses is said first, and like bases together.
        ((1, 0, 0, 0), (1, 1, 1, 1), (1, 1, 1, 1)): "5% to 10% white at any thickness tried; "
        "clear base at 0.5 cm",
        ((0, 0, 1, 1), (0, 0, 0, 0), (0, 1, 1, 0)): "clear base from 4 cm on; "
        "10% white from 1 to 4 cm",
        ((1, 0, 1, 0), (0, 0, 0, 0), (0, 0, 0, 0)): "clear base at 0.5, 4 cm",
    }
    for good, said in rows.items():
        table = np.array(good, dtype=bool)
        assert where_made(table, pale.whites, pale.thicknesses_cm) == said
    assert green.answer(1).startswith("#7fb069 in 400 g: ")
    cyan = sm.feasibility("#00ffff", **GRID)
    assert cyan.sentence.startswith("#00ffff is outside this palette: nearest is #")
    assert "nowhere within 1; nearest" in cyan.answer()
    dark = sm.feasibility("#202020", thicknesses_cm=(0.5, 1, 2), whites=(0,), batches_g=(500,))
    assert "clear base from 1 cm on" in dark.sentence
    best = green.best
    assert f"Closest with whole centimetres: {best.closest.recipe} in {best.pour}" in green.sentence


def test_sentence_agrees_with_the_table() -> None:
    """What is said to be made is made: every permutation of a small table."""
    bases = {"clear base": [0], "50% white": [1], "up to 50% white": [0, 1]}
    places = {"at any thickness tried": (1, 1), "at 1 cm": (1, 0), "at 2 cm": (0, 1)}
    for flags in itertools.product((False, True), repeat=4):
        good = np.array(flags).reshape(2, 2)
        if not good.any() or good.all():
            continue
        text = where_made(good, (0.0, 0.5), (1.0, 2.0))
        told = np.zeros((2, 2), dtype=bool)
        for part in text.split("; "):
            base = next(name for name in bases if part.startswith(name))
            told[bases[base]] = places[part.removeprefix(base).strip()]
        assert np.array_equal(told, good), text


def test_a_palette_without_one_tube(green: Feasibility) -> None:
    palette = sm.demo_palette()
    compared = green.compare(palette.without("kelp", "jetty"), name="two left out")
    assert compared.difference.shape == green.delta_e.shape
    # A recipe without a tube is a recipe with it too.
    assert compared.difference.min() >= -0.011
    assert "farther" in compared.sentence and "two left out" in compared.sentence
    same = green.compare(palette)
    assert np.abs(same.difference).max() == 0.0
    assert "just as close" in same.sentence
    for result in (green, compared):
        assert "background:#" in result._repr_html_()


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"thicknesses_cm": ()}, "thicknesses_cm"),
        ({"thicknesses_cm": (0.0,)}, "thickness_cm"),
        ({"whites": (0.5, 1.5)}, "white"),
        ({"whites": "clear"}, "whites"),
        ({"thicknesses_cm": "12"}, "thicknesses_cm"),  # no 1 cm and 2 cm
        ({"whites": (False, True)}, "whites"),
        ({"batches_g": (float("inf"),)}, "batches_g"),
        ({"batches_g": (-5,)}, "batch_g"),
        ({"within": -1}, "within"),
        ({"within": float("nan")}, "within"),
        ({"thicknesses_cm": range(1, 60), "whites": np.linspace(0, 1, 60)}, "combinations"),
    ],
)
def test_bad_grids_are_refused(changes: dict[str, object], words: str) -> None:
    with pytest.raises(sm.PourError, match=words):
        sm.feasibility("#7fb069", **changes)  # type: ignore[arg-type]


# Ladders.


# Figures.


def _drawings(green: Feasibility) -> dict[str, object]:
    small = sm.gamut(pour=sm.Pour(batch_g=100, white=0.5))
    cut = small.slice(lightness=60, step=10)
    whole = small.whole(lightness=60, step=20, batches_g=(100,))
    return {
        "slice": lambda ax: plots.draw_slice(cut, ax),
        "outlines": lambda ax: plots.draw_outlines([cut, cut], ["one", "two"], ax),
        "whole": lambda ax: plots.draw_whole(whole, ax),
        "feasibility": lambda ax: plots.draw_feasibility(green, ax),
        "comparison": lambda ax: plots.draw_comparison(
            green.compare(sm.demo_palette().without("dusk")), ax
        ),
        "ladder": lambda ax: plots.draw_ladder(
            sm.ladder({"dusk": 1}, along="thickness", pour=sm.Pour(batch_g=100)), ax
        ),
    }


def test_figures_take_and_return_axes(green: Feasibility) -> None:
    from matplotlib import pyplot

    for name, draw in _drawings(green).items():
        figure, ax = pyplot.subplots()
        assert draw(ax) is ax, name  # type: ignore[operator]
        labelled = ax.child_axes[0] if name == "whole" else ax
        units = labelled.get_xlabel() + labelled.get_ylabel()
        assert "[" in units, f"{name}: axes without units"
        assert ax.get_title(loc="left"), name
        figure.canvas.draw()
        pyplot.close(figure)


def test_feasibility_is_drawn_in_true_colours(green: Feasibility) -> None:
    from matplotlib import pyplot
    from matplotlib.colors import to_hex

    ax = plots.draw_feasibility(green, batch=1)
    filled = {to_hex(p.get_facecolor()) for p in ax.patches if p.get_fill()}
    made = {c.closest.predicted.hex for row in green.cells[1] for c in row}
    assert made | {"#7fb069"} == filled
    pyplot.close(ax.figure)


def test_the_solid_turns_without_a_script() -> None:
    small = sm.gamut(pour=sm.Pour(batch_g=100, white=0.5))
    bundle = plots.turning(small)._repr_mimebundle_()
    still = {"text/html", "image/png", "text/plain"}
    assert set(bundle) == {"application/vnd.plotly.v1+json", *still}
    mesh = bundle["application/vnd.plotly.v1+json"]["data"][0]
    assert mesh["type"] == "mesh3d"
    assert len(mesh["vertexcolor"]) == len(small.surface.vertices)
    assert len(str(bundle)) < 700_000


def test_missing_libraries_are_named(monkeypatch: pytest.MonkeyPatch) -> None:
    small = sm.gamut(pour=sm.Pour(batch_g=100, white=0.5))
    assert small.surface.volume > 0
    monkeypatch.setitem(sys.modules, "plotly", None)
    with pytest.raises(
        sm.MissingExtraError, match=r"needs plotly.*\[notebooks\].*pip install plotly"
    ):
        plots.turning(small)
    monkeypatch.setitem(sys.modules, "skimage.measure", None)
    with pytest.raises(sm.MissingExtraError, match=r"needs .*\[plots\].*pip install "):
        _ = sm.gamut(pour=sm.Pour(batch_g=100, white=0.51)).surface


def test_ink_is_read_on_any_colour() -> None:
    """Contrast of at least 4.5 (W3C, WCAG 2.1, success criterion 1.4.3)."""
    for code in ("#000000", "#ffffff", "#777777", "#ff0000", "#0000ff", "#ffff00", "#7fb069"):
        linear = []
        for text in (code, ink_on(code)):
            parts = [int(text[i : i + 2], 16) / 255 for i in (1, 3, 5)]
            parts = [p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts]
            linear.append(float(np.dot(parts, (0.2126, 0.7152, 0.0722))))
        assert (max(linear) + 0.05) / (min(linear) + 0.05) >= 4.5
