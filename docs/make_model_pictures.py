"""Draw the pictures of ``docs/model.md`` and ``docs/questions.md``.

``python docs/make_model_pictures.py``, from the root. Every colour in them is predicted for the
invented demo palette.
"""

import itertools
from pathlib import Path

import matplotlib as mpl
import numpy as np
from matplotlib import pyplot
from matplotlib.patches import FancyArrowPatch, Rectangle
from scipy.optimize import brentq

import shadematch as sm
from shadematch.colour.difference import delta_e
from shadematch.colour.standards import WAVELENGTHS_NM
from shadematch.support.hatching import mark_corner, mark_key, mark_surface
from shadematch.support.paper import INK, STYLE, paint, svg_of

mpl.use("Agg")
mpl.rcParams.update({**STYLE, "font.size": 12, "axes.titlesize": 12})

FOLDER = Path(__file__).parent
LOAD = {"rosehip": 1, "gorse": 1}


def save(figure, name, alt):
    """Write one picture, which follows light and dark."""
    (FOLDER / f"{name}.svg").write_text(svg_of(figure, alt) + "\n", encoding="utf-8")
    pyplot.close(figure)


def patch(ax, left, wide, seen, bottom=0.0, high=1.0):
    """A patch of a predicted colour, with the mark where sRGB does not show it."""
    ax.add_patch(
        Rectangle((left, bottom), wide, high, facecolor=paint(seen.hex), edgecolor="0.6", lw=0.8)
    )
    if not seen.in_srgb:
        mark_corner(ax, left + wide, bottom)


def colour(doses, *, thickness_cm=1.0, white=0.0, **view):
    """The predicted colour of a recipe in 100 g."""
    pour = sm.Pour(batch_g=100, thickness_cm=thickness_cm, white=white)
    return sm.predict(doses, pour=pour, view=sm.View(**view))


def swatches(rows, name, alt, *, height=1.25):
    """Rows of swatches: a title, then pairs of a label and a predicted colour."""
    figure, axes = pyplot.subplots(
        len(rows), 1, figsize=(6.6, 0.3 + height * len(rows)), layout="constrained", squeeze=False
    )
    for ax, (title, patches) in zip(axes[:, 0], rows, strict=True):
        for i, (label, seen) in enumerate(patches):
            patch(ax, i, 0.94, seen)
            ax.text(i + 0.47, -0.1, label, ha="center", va="top")
        ax.set(xlim=(-0.02, max(len(p) for _, p in rows)), ylim=(-0.55, 1.02))
        ax.set_title(title, loc="left")
        ax.axis("off")
    if not all(seen.in_srgb for _, patches in rows for _, seen in patches):
        mark_surface(axes[-1, 0])
    mark_key(axes[-1, 0], below_pt=2)
    save(figure, name, alt)


def draw_path():
    """Where light goes in a bar."""
    figure, ax = pyplot.subplots(figsize=(6.6, 3.0), layout="constrained")
    ax.add_patch(Rectangle((0, 0), 10, 0.5, facecolor="0.93", edgecolor="0.4"))
    seen = colour(LOAD, thickness_cm=2.0)
    patch(ax, 0.6, wide=8.8, seen=seen, bottom=0.62, high=1.9)
    mark_key(ax, below_pt=2)
    ways = {
        "off the face": [(1.2, 3.6), (1.8, 2.52), (2.4, 3.6)],
        "down, off the paper, up": [(3.6, 3.6), (4.1, 2.52), (4.6, 0.5), (5.1, 2.52), (5.6, 3.6)],
        "turned around by white": [(7.0, 3.6), (7.4, 2.52), (7.7, 1.7), (8.2, 2.52), (8.6, 3.6)],
    }
    for text, points in ways.items():
        for start, end in itertools.pairwise(points):
            ax.add_patch(
                FancyArrowPatch(
                    start,
                    end,
                    arrowstyle="-|>",
                    mutation_scale=14,
                    lw=1.8,
                    shrinkA=0,
                    shrinkB=0,
                    color=INK,
                )
            )
        ax.text(np.mean([p[0] for p in points]), 3.75, text, ha="center", fontsize=10)
    ax.text(9.1, 0.95, "bar", ha="right", color="#000000")
    ax.text(9.3, 0.13, "paper", ha="right", color="#000000", fontsize=10)
    ax.set(xlim=(0, 10), ylim=(0, 4.1))
    ax.axis("off")
    save(figure, "model-path", "Light that meets a bar on paper: three ways back to the eye")


def draw_mixing():
    """Yellow and violet: what each lets through, and what both do."""
    both = colour({"gorse": 2, "dusk": 1})
    yellow, blue = colour({"gorse": 2}), colour({"dusk": 1})
    figure, ax = pyplot.subplots(figsize=(6.6, 3.4), layout="constrained")
    for found, label, style in (
        (yellow, "2 cm gorse", "-"),
        (blue, "1 cm dusk", "-."),
        (both, "both", "--"),
    ):
        ax.plot(WAVELENGTHS_NM, found.reflectance, style, color=INK, lw=5.2)
        ax.plot(
            WAVELENGTHS_NM, found.reflectance, style, color=paint(found.hex), lw=3.6, label=label
        )
    ax.set(xlabel="wavelength [nm]", ylabel="light that comes back", xlim=(400, 700), ylim=(0, 1))
    ax.legend(frameon=False, loc="lower left", bbox_to_anchor=(0, 1), ncols=3, handlelength=4)
    save(figure, "model-mixing", "Reflectance of two pastes and of their mixture by wavelength")
    mean = sm.Target.from_lab(tuple(np.mean([yellow.lab, blue.lab], axis=0)))
    return [("gorse", yellow), ("dusk", blue), ("both", both), ("half way", mean)]


def draw_differences():
    """Pairs of bars that differ in one dose only, as far apart as CIEDE2000 says."""
    figure, axes = pyplot.subplots(2, 1, figsize=(6.6, 3.6), layout="constrained")
    for ax, (kept, moved) in zip(axes, (("gorse", "rosehip"), ("jetty", "dusk")), strict=True):
        first = colour({kept: 1, moved: 1}, white=0.3)
        for i, asked in enumerate((1, 2, 5, 10)):

            def away(cm, kept=kept, moved=moved, first=first, asked=asked):
                there = colour({kept: 1, moved: cm}, white=0.3)
                return float(delta_e(np.array(first.lab), np.array(there.lab))) - asked

            cm = brentq(away, 1.0, 8.0)
            second = colour({kept: 1, moved: cm}, white=0.3)
            for place, seen in ((i, first), (i + 0.46, second)):
                ax.add_patch(Rectangle((place, 0), 0.46, 1, facecolor=paint(seen.hex)))
                if not seen.in_srgb:
                    mark_corner(ax, place + 0.46, 0.0)
            words = f"CIEDE2000 {asked}\n{moved} 1 and\n{cm:.2f} cm"
            ax.text(i + 0.46, -0.1, words, ha="center", va="top", fontsize=10)
        ax.set(xlim=(-0.02, 3.94), ylim=(-1.0, 1.02))
        ax.axis("off")
    mark_key(axes[-1], below_pt=2)
    save(figure, "questions-differences", "Pairs of bars, CIEDE2000 1, 2, 5 and 10 apart")


def main():
    """Write ``docs/model-*.svg`` and ``docs/questions-differences.svg``."""
    draw_path()
    draw_differences()
    swatches(
        [
            (
                "2 cm of paste in 100 g, bars of",
                [(f"{cm:g} cm", colour(LOAD, thickness_cm=cm)) for cm in (0.25, 0.5, 1, 2, 4)],
            ),
            (
                "1 cm thick, paste in 100 g",
                [(f"{cm:g} cm", colour(dict.fromkeys(LOAD, cm / 2))) for cm in (0.5, 1, 2, 4, 8)],
            ),
        ],
        "model-thickness",
        "Bars of one recipe by thickness and by load",
    )
    backs = {
        "white paper": {},
        "grey": {"backing": 0.4},
        "dark table": {"backing": "black"},
        "paper, wet": {"contact": "wet"},
        "held up": {"through": True},
    }
    swatches(
        [("One bar, 1 cm thick", [(n, colour(LOAD, **v)) for n, v in backs.items()])],
        "model-backing",
        "One bar on five backings",
        height=1.5,
    )
    shares = (0.0, 0.02, 0.1, 0.3, 1.0)
    rows = []
    for backing in ("white", "black"):
        seen = [colour(LOAD, white=w, backing=backing) for w in shares]
        rows.append(
            (
                f"White base in the blend, on {backing}",
                [(f"{w:.0%}, L* {p.lab[0]:.0f}", p) for w, p in zip(shares, seen, strict=True)],
            )
        )
    swatches(rows, "model-white", "One paste in base with 0 to 100 % white, on white and on black")
    swatches(
        [("Yellow and violet, mixed, and half way between them", draw_mixing())],
        "model-average",
        "Two pastes, their mixture, and the colour half way between them",
        height=1.5,
    )


if __name__ == "__main__":
    main()
