"""The batch sheet as a page of HTML that prints on A4 and on Letter.

One column, 190 mm wide and 258 mm high, fits both papers with margins of 10 mm. Nothing is fetched
and nothing runs; a policy in the head forbids both.
"""

from __future__ import annotations

from collections.abc import Sequence
from html import escape
from typing import Final

from shadematch.predicting.pot import HOT_LIMIT
from shadematch.sheet.content import Content, Dose
from shadematch.sheet.drawing import PAPER_RULER_CM, drop, ruler, swatches
from shadematch.sheet.layout import Layout, layout_of, name_size, note_size
from shadematch.sheet.words import shortened, units
from shadematch.support.cautions import CAUTIONS
from shadematch.support.mark import HATCHED, MARKED, key
from shadematch.support.svg import difference_scale

__all__ = ["page"]

_STYLE: Final = """
@page { margin: 10mm }
* { box-sizing: border-box; print-color-adjust: exact; -webkit-print-color-adjust: exact }
:root { color-scheme: light }
html { background: #fff; color: #1b1b1b; font: 8.5pt/1.3 system-ui, "Noto Sans", sans-serif }
body { margin: 0 }
svg { display: block; overflow: visible }
main { width: 190mm; height: 258mm; margin: 0 auto; display: flex; flex-direction: column;
  gap: 2.2mm; overflow-wrap: anywhere }
main > * { flex: none }
main + main { break-before: page }
header { display: flex; justify-content: space-between; align-items: end; gap: 6mm;
  border-bottom: 0.5mm solid #1b1b1b; padding-bottom: 1mm }
h1 { font-size: 15pt; line-height: 1.15; margin: 0; flex: 1; text-align: left }
h1.long { font-size: 10.5pt }
.by { text-align: end; white-space: nowrap }
.blank { display: inline-block; min-width: 26mm; border-bottom: 0.2mm solid #1b1b1b }
.colours { display: flex; gap: 3.5mm; align-items: start; font-size: 7.5pt; line-height: 1.2 }
.apart { font-size: 13pt; font-weight: 700 }
.figures { flex: 1 }
.figures b { font-weight: 600 }
.remark { border: 0.5mm solid #1b1b1b; padding: 0.6mm 2mm; font-weight: 600 }
.weigh { font-size: 17pt; font-weight: 700; line-height: 1.15 }
.weigh span, h2 { font-size: 8.5pt; font-weight: 700; letter-spacing: 0.05em; margin: 0;
  text-transform: uppercase; line-height: 1.3 }
.weigh span { display: inline-block; width: 37mm }
h2 .small { text-transform: none; letter-spacing: 0; font-weight: 400 }
.dose { display: flex; gap: 2mm; align-items: center; border-top: 0.2mm solid #b9b4a8;
  padding: 0.6mm 0 0.5mm; min-height: 8.5mm }
.cm small { font-size: 12pt }
.tick { width: 5mm; height: 5mm; border: 0.3mm solid #1b1b1b; flex: none }
.cm { width: 27mm; text-align: end; font-weight: 700; font-size: 22pt; line-height: 1;
  white-space: nowrap; flex: none }
.name { width: 154mm; padding: 0 1.5mm; font-weight: 600; font-size: 13pt; line-height: 1.15;
  text-align: left }
.small { font-size: 7pt; color: #46423b; margin: 1mm 0 0 }
.work { display: flex; gap: 5mm; flex: 1 1 0 }
.work > * { flex: 1 }
.work > :first-child { flex: 1.15 }
ol { margin: 0.5mm 0 0; padding: 0 0 0 5mm }
.notes { display: flex; flex-direction: column }
.notes h2 + div { margin-bottom: 1mm }
.room { flex: 1; border: 0.2mm solid #77736a; padding: 1mm 2mm; margin-top: 0.5mm }
.room p { margin: 0; min-height: 1em; line-height: 1.25; unicode-bidi: plaintext }
ul { margin: 0.5mm 0 0; padding: 0 0 0 4mm; columns: 2; column-gap: 5mm }
li { break-inside: avoid }
footer { font-size: 7pt; color: #46423b; border-top: 0.2mm solid #b9b4a8; padding-top: 0.5mm }
.roomy { font-size: 9pt }
.roomy .cm { font-size: 26pt }
.roomy .name { font-size: 16pt }
.roomy ol { font-size: 10.5pt; line-height: 1.25 }
.full { font-size: 7.8pt; line-height: 1.25 }
.full .weigh { font-size: 14pt }
.full .cm { font-size: 18pt }
.full .name { font-size: 11pt }
main .cm.wide { font-size: 13pt }
main .cm.widest, main .widest small { font-size: 8pt }
main .name.long { font-size: 7.5pt }
main .name.longest { font-size: 6pt }
.key svg { display: inline-block; width: 2.6mm; height: 2.6mm; vertical-align: -0.3mm;
  border: 0.1mm solid #77736a }
.figures svg { width: 36mm; height: 8.5mm }
@media screen { main { margin: 8mm auto } }
@media screen and (max-width: 50em) {
  html { font-size: 11pt }
  main, main.full, main.plain, main.roomy { width: auto; height: auto; margin: 0; padding: 4mm;
    gap: 5mm; font-size: 11pt }
  header, .work { display: block }
  .by { margin-top: 2mm; text-align: start }
  .colours { flex-wrap: wrap; font-size: 10pt }
  .colours > div { max-width: 100% }
  .figures { flex: 1 0 100% }
  .dose { display: grid; grid-template-columns: 7mm auto 1fr; padding: 2mm 0 }
  .dose > div:last-child { min-width: 0; max-width: 100% }
  .dose svg { max-width: 62vw; height: auto; margin: 1mm 0 }
  .dose svg text { display: none }
  main .cm { width: auto; text-align: start; font-size: 20pt }
  main .name { width: auto; font-size: 14pt }
  main .name.long, main .name.longest { font-size: 12pt }
  .weigh span { display: block }
  .small, footer, main .work .small { font-size: 9.5pt }
  ul { columns: 1 }
  main ol { font-size: 11.5pt; line-height: 1.35 }
  .room { min-height: 30mm }
}
"""

_POLICY: Final = (
    "default-src 'none'; style-src 'unsafe-inline'; base-uri 'none'; form-action 'none'"
)


def page(title: str, contents: Sequence[Content]) -> str:
    """The HTML document, a page for each sheet."""
    return "\n".join(
        (
            "<!doctype html>",
            '<html lang="en"><head><meta charset="utf-8">',
            f'<meta http-equiv="Content-Security-Policy" content="{_POLICY}">',
            '<meta name="viewport" content="width=device-width">',
            f"<title>{escape(title)}</title><style>{_STYLE}</style></head><body>",
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


def _doses(content: Content, layout: Layout) -> str:
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


def _dose(dose: Dose, layout: Layout) -> str:
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
