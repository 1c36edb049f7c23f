"""The batch sheet as a page of HTML that prints on A4 and on Letter.

One column, 190 mm wide and 258 mm high, fits both papers with margins of 10 mm. Nothing is fetched
and nothing runs; a policy in the head forbids both.
"""

from __future__ import annotations

import functools
from collections.abc import Sequence
from html import escape
from importlib import resources
from typing import Final

from shadematch.predicting.pot import HOT_LIMIT
from shadematch.sheet.content import Content, Dose
from shadematch.sheet.drawing import PAPER_RULER_CM, drop, ruler, swatches
from shadematch.sheet.layout import SheetLayout, layout_of, name_size, note_size
from shadematch.sheet.words import shortened, units
from shadematch.support.cautions import CAUTIONS
from shadematch.support.mark import HATCHED, MARKED, key
from shadematch.support.svg import difference_scale

__all__ = ["page"]

_POLICY: Final = (
    "default-src 'none'; style-src 'unsafe-inline'; base-uri 'none'; form-action 'none'"
)


@functools.cache
def _style() -> str:
    place = resources.files("shadematch").joinpath("resources", "sheet.css")
    return "\n" + place.read_text(encoding="utf-8")


def page(title: str, contents: Sequence[Content]) -> str:
    """The HTML document, a page for each sheet."""
    return "\n".join(
        (
            "<!doctype html>",
            '<html lang="en"><head><meta charset="utf-8">',
            f'<meta http-equiv="Content-Security-Policy" content="{_POLICY}">',
            '<meta name="viewport" content="width=device-width">',
            f"<title>{escape(title)}</title><style>{_style()}</style></head><body>",
            *map(_main, contents),
            "</body></html>\n",
        )
    )


def _main(content: Content) -> str:
    layout = layout_of(content)
    return "\n".join(
        (
            f'<main class="{layout.kind}">',
            _head(content),
            _remark(content),
            _colours(content, 20.0 if layout.kind == "full" else 27.0),
            _weigh(content),
            _doses(content, layout),
            _work(content),
            _cautions(),
            f"<footer>{escape(content.foot)}. Screens and printers shift colours: compare by "
            "CIEDE2000, or with a bar you know.</footer></main>",
        )
    )


def _head(content: Content) -> str:
    long = ' class="long"' if units(content.title) > 60 else ""
    date = (
        f'<span dir="auto">{escape(content.date)}</span>'
        if content.date
        else '<span class="blank"></span>'
    )
    return (
        f'<header><h1{long} dir="auto">{escape(content.title)}</h1>'
        f'<div class="by">Date {date}<br>Batch <span class="blank"></span></div></header>'
    )


def _remark(content: Content) -> str:
    return (
        f'<div class="remark" dir="auto">{escape(content.remark)}</div>' if content.remark else ""
    )


def _colours(content: Content, height: float) -> str:
    saved, looks = content.saved, content.looks
    made = (saved.hex, saved.in_srgb)
    if saved.target is None:
        pair = swatches([made], "predicted", each_mm=66, height_mm=height)
        label = f"predicted {saved.hex}"
    else:
        wanted = (saved.target.hex, saved.target.in_srgb)
        pair = swatches([wanted, made], "wanted and predicted", each_mm=33, height_mm=height)
        label = f"left wanted {wanted[0]}, right predicted {made[0]}"
    apart = (
        ""
        if saved.delta_e is None
        else f'<span class="apart">CIEDE2000 {saved.delta_e:.2f}</span>'
        f"{difference_scale(saved.delta_e, words=False)}"
    )
    figures = "<br>".join(
        f'<b>{escape(row.label)}</b> <span dir="auto">{escape(shortened(row.words))}</span>'
        for row in content.figures
    )
    pot_seen = [(looks.pot.hex, looks.pot.in_srgb)]
    pot = swatches(pot_seen, "in the pot", each_mm=22, height_mm=height)
    size = min(height, 22.0)
    dropped = drop(looks.drop.hex, "drop", size_mm=size, in_srgb=looks.drop.in_srgb)
    drawn = f"{pair}{pot}{dropped}"
    key_ = f'<br><span class="key">{key()} {HATCHED}</span>' if MARKED in drawn else ""
    return (
        f'<section class="colours"><div>{pair}{label}{key_}</div>'
        f"<div>{pot}in the pot,<br>{looks.depth_cm:g} cm deep</div>"
        f"<div>{dropped}drop, {looks.drop_mm:g} mm</div>"
        f'<div class="figures">{apart}{figures}</div></section>'
    )


def _weigh(content: Content) -> str:
    return f'<section class="weigh"><span>Weigh</span>{escape(" + ".join(content.weigh))}</section>'


def _doses(content: Content, layout: SheetLayout) -> str:
    if not content.doses:
        return '<section class="weigh"><span>Dose</span>no paste at all</section>'
    how = {
        0: "the names leave no room for rulers",
        1: "rulers true to size when printed at 100 %",
    }.get(layout.scale, f"rulers drawn at 1 : {layout.scale}, figures in cm of paste")
    if all(d.unit != "cm" for d in content.doses):
        how = "weighed"
    rows = "".join(_dose(d, layout) for d in content.doses)
    return f'<section><h2>Dose <span class="small">{how}</span></h2>{rows}</section>'


def _dose(dose: Dose, layout: SheetLayout) -> str:
    size = name_size(dose.name, layout.name_pt)[0]
    wide = " widest" if len(dose.amount) > 7 else " wide" if len(dose.amount) > 4 else ""
    reach = PAPER_RULER_CM * layout.scale
    rulers = "".join(
        ruler(
            dose.ruler_cm,
            dose.hex,
            layout.scale,
            start=reach * i,
            height_mm=layout.bar_mm,
            in_srgb=dose.in_srgb,
        )
        for i in range(layout.stretches(dose))
    )
    return (
        '<div class="dose"><div class="tick"></div>'
        f'<div class="cm{wide}">{dose.amount} <small>{dose.unit}</small></div>'
        f'<div><div class="name{" " * bool(size)}{size}" dir="auto">{escape(dose.name)}</div>'
        f"{rulers}</div></div>"
    )


def _work(content: Content) -> str:
    steps = "".join(f"<li><b>{word}.</b> {escape(text)}</li>" for word, text in content.steps)
    return (
        f'<section class="work"><div><h2>Order of work</h2><ol>{steps}</ol>'
        f'<p class="small">{escape(content.looks.sentence)} {escape(HOT_LIMIT)}</p></div>'
        f'<div class="notes"><h2>Yield</h2><div>{escape(content.yields)}</div>'
        f'<h2>Notes</h2><div class="room">{_note(content.note)}</div></div></section>'
    )


def _note(note: str) -> str:
    if not note:
        return ""
    lines = note.split("\n")
    size, _ = note_size(note)
    paragraphs = "".join(f'<p dir="auto">{escape(line)}</p>' for line in lines)
    return f'<div style="font-size:{size:g}pt">{paragraphs}</div>'


def _cautions() -> str:
    items = "".join(f"<li>{escape(text)}</li>" for text in CAUTIONS)
    return f"<section><h2>Cautions</h2><ul>{items}</ul></section>"
