"""Draw ``docs/uncertainty.svg``: ``python docs/make_uncertainty_picture.py``, project's root."""

from pathlib import Path

import matplotlib as mpl
from matplotlib import pyplot

import shadematch as sm
from shadematch.support.paper import INK, STYLE, svg_of, title

mpl.use("Agg")

FOLDER = Path(__file__).parent
WORDS = {
    "target": "how well the target is known",
    "dosing": "reading the ruler",
    "base": "weighing the base",
    "pastes": "pastes and bases",
    "bench": "thickness and light",
    "model": "what the model misses",
}
LOOKS = {
    "target": ("#4c6f8f", ""),
    "dosing": ("#e0a95e", "///"),
    "base": ("#c6d19a", "..."),
    "pastes": ("#a04f4f", "xxx"),
    "bench": ("#d5d5d5", ""),
    "model": ("#8f7fb0", "---"),
}
"""Colour and hatching, so that causes stay apart in grey."""


def main():
    """Three matches of one colour, and where their doubt comes from."""
    pour = sm.Pour(batch_g=500)
    demo = sm.demo_palette()
    code = sm.Target.from_hex("#b5702f")
    photo = sm.Target(code.lab, covariance=((9, 0, 0), (0, 5, 0), (0, 0, 5)), source="a photo")
    matches = {
        "a code,\npastes taken as known": sm.match(code, palette=demo, pour=pour),
        "a code,\npastes known to 10 %": sm.match(code, palette=demo.known_to(0.1), pour=pour),
        "a photo with white paper,\npastes known to 10 %": sm.match(
            photo, palette=demo.known_to(0.1), pour=pour
        ),
    }
    mpl.rcParams.update(STYLE)
    figure, ax = pyplot.subplots(figsize=(7.6, 3.3), layout="constrained")
    seen = set()
    for row, (name, match) in enumerate(matches.items()):
        spread, left = match.spread, 0.0
        for cause, share in spread.causes.items():
            colour, hatch = LOOKS[cause]
            width = share * spread.p90
            if width < 0.005 * spread.p90:
                continue
            label = None if cause in seen else WORDS[cause]
            seen.add(cause)
            ax.barh(
                row,
                width,
                left=left,
                color=colour,
                hatch=hatch,
                ec=INK,
                lw=0.4,
                label=label,
                height=0.6,
            )
            left += width
        words = f"{spread.p90:.1f} nine times in ten, {spread.nominal_delta_e:.1f} nominally"
        ax.text(left + 0.08, row, words, va="center", fontsize=9)
        print(name.replace("\n", " "), words, dict(spread.causes), match.verdict, sep="\n")
    ax.set_yticks(range(len(matches)), matches, fontsize=9)
    ax.invert_yaxis()
    ax.set_xlim(0, 1.65 * max(match.spread.p90 for match in matches.values()))
    ax.set_xlabel("CIEDE2000 that nine in ten stay within, by what brings it")
    ax.spines[["top", "right"]].set_visible(False)
    ax.legend(fontsize=8, frameon=False, loc="lower center", bbox_to_anchor=(0.4, 1.0), ncols=3)
    title(ax, "", alt="What nine in ten stay within, by cause, for three recipes of one colour")
    (FOLDER / "uncertainty.svg").write_text(svg_of(figure) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
