"""The batch sheet as a page of HTML that prints on A4 and on Letter.

One column, 190 mm wide and 256 mm high: what both papers hold within margins of 10 mm. Nothing
is fetched and nothing runs; a policy in its head forbids both.
"""

from __future__ import annotations

from html import escape
from typing import Final

from shadematch.cautions import CAUTIONS
from shadematch.pot import HOT_LIMIT
from shadematch.sheet.content import NOTE_SIZES, Content, Dose
from shadematch.sheet.drawing import drop, ruler, scale_for, swatches
from shadematch.sheet.words import lines_needed, units

__all__ = ["page"]

_STYLE: Final = """
@page { margin: 10mm }
* { box-sizing: border-box; print-color-adjust: exact; -webkit-print-color-adjust: exact }
:root { color-scheme: light }
html { background: #fff; color: #1b1b1b; font: 8.5pt/1.3 system-ui, "Noto Sans", sans-serif }
body { margin: 0 }
svg { display: block; overflow: visible }
main { width: 190mm; height: 256mm; margin: 0 auto; display: flex; flex-direction: column;
  gap: 2.2mm; overflow-wrap: anywhere }
header { display: flex; justify-content: space-between; align-items: end; gap: 6mm;
  border-bottom: 0.5mm solid #1b1b1b; padding-bottom: 1mm }
h1 { font-size: 15pt; line-height: 1.15; margin: 0; flex: 1 }
h1.long { font-size: 10.5pt }
.by { text-align: end; white-space: nowrap }
.blank { display: inline-block; min-width: 26mm; border-bottom: 0.2mm solid #1b1b1b }
.colours { display: flex; gap: 3.5mm; align-items: start }
.colours div { text-align: start; font-size: 7.5pt; line-height: 1.2 }
.apart { font-size: 13pt; font-weight: 700 }
.figures { flex: 1; margin: 0 }
.figures b { font-weight: 600 }
.remark { border: 0.5mm solid #1b1b1b; padding: 1mm 2mm; font-weight: 600 }
.weigh { font-size: 17pt; font-weight: 700; line-height: 1.15 }
.weigh span, h2 { font-size: 8.5pt; font-weight: 700; letter-spacing: 0.05em;
  text-transform: uppercase; margin: 0 }
.weigh span { display: inline-block; width: 22mm }
.dose { display: flex; gap: 2mm; align-items: center; border-top: 0.2mm solid #b9b4a8;
  padding-top: 0.6mm }
.tick { width: 5mm; height: 5mm; border: 0.3mm solid #1b1b1b; flex: none }
.cm { width: 29mm; text-align: end; font-weight: 700; font-size: 22pt; line-height: 1;
  white-space: nowrap; flex: none }
.cm.wide { font-size: 13pt }
.name { width: 151.2mm; font-weight: 600; font-size: 13pt; line-height: 1.15 }
.full .cm { font-size: 18pt }
.full .cm.wide { font-size: 12pt }
.full .name { font-size: 11pt }
.full { font-size: 7.8pt; line-height: 1.25 }
main .name.long { font-size: 7.5pt }
main .name.longest { font-size: 6pt; line-height: 1.1 }
.small { font-size: 7pt; color: #46423b }
.work { display: flex; gap: 5mm; flex: 1 1 auto; min-height: 0 }
.work > * { flex: 1 }
.work > :first-child { flex: 1.15 }
ol { margin: 0.5mm 0 0; padding: 0 0 0 5mm }
.notes { display: flex; flex-direction: column }
.room { flex: 1; border: 0.2mm solid #77736a; padding: 1mm 2mm; margin-top: 0.5mm;
  overflow: hidden }
.room p { margin: 0; min-height: 1em; line-height: 1.25; unicode-bidi: plaintext }
ul { margin: 0.5mm 0 0; padding: 0 0 0 4mm; columns: 2; column-gap: 5mm }
li { break-inside: avoid }
footer { font-size: 7pt; color: #46423b; border-top: 0.2mm solid #b9b4a8; padding-top: 0.5mm }
@media screen { main { margin: 8mm auto } }
"""

_POLICY: Final = (
    "default-src 'none'; style-src 'unsafe-inline'; base-uri 'none'; form-action 'none'"
)


def page(content: Content) -> str:
    """The whole HTML document."""
    full = ' class="full"' if len(content.doses) > 4 else ""
    return "\n".join(
        (
            "<!doctype html>",
            '<html lang="en"><head><meta charset="utf-8">',
            f'<meta http-equiv="Content-Security-Policy" content="{_POLICY}">',
            '<meta name="viewport" content="width=device-width">',
            f"<title>{escape(content.title)}</title><style>{_STYLE}</style></head>",
            f"<body><main{full}>",
            _head(content),
            _remark(content),
            _colours(content),
            _weigh(content),
            _doses(content),
            _work(content),
            _cautions(),
            f"<footer>{escape(content.foot)}. Screens and printers shift colours: compare by "
            "CIEDE2000, or with a bar you know.</footer>",
            "</main></body></html>\n",
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


def _colours(content: Content) -> str:
    saved, looks = content.saved, content.looks
    height = 20.0 if len(content.doses) > 4 else 27.0
    outside = "" if saved.in_srgb else ", nearest"
    if saved.target is None:
        pair = swatches([saved.hex], "predicted", each_mm=76, height_mm=height)
        label = f"predicted {saved.hex}{outside}"
    else:
        codes = [saved.target.hex, saved.hex]
        pair = swatches(codes, "wanted and predicted", each_mm=38, height_mm=height)
        label = f"left wanted {codes[0]}, right predicted {codes[1]}{outside}"
    apart = (
        ""
        if saved.delta_e is None
        else f'<span class="apart">CIEDE2000 {saved.delta_e:.2f}</span><br>'
    )
    figures = "<br>".join(
        f'<b>{escape(name)}</b> <span dir="auto">{escape(value)}</span>'
        for name, value in content.figures
    )
    pot = swatches([looks.pot.hex], "in the pot", each_mm=24, height_mm=height)
    size = min(height, 22.0)
    return (
        f'<section class="colours"><div>{pair}{label}</div>'
        f"<div>{pot}in the pot,<br>{looks.depth_cm:g} cm deep</div>"
        f"<div>{drop(looks.drop.hex, 'drop', size_mm=size)}drop, {looks.drop_mm:g} mm</div>"
        f'<div class="figures">{apart}{figures}</div></section>'
    )


def _weigh(content: Content) -> str:
    return f'<section class="weigh"><span>Weigh</span>{escape(" + ".join(content.weigh))}</section>'


def _doses(content: Content) -> str:
    if not content.doses:
        return '<section class="weigh"><span>Dose</span>no paste at all</section>'
    scale = scale_for(max(d.dose_cm for d in content.doses))
    how = (
        "rulers true to size when printed at 100 %"
        if scale == 1
        else f"rulers drawn at 1 : {scale}, figures in cm of paste"
    )
    height = 3.6 if len(content.doses) > 4 else 6.0
    rows = "".join(_dose(d, scale, height) for d in content.doses)
    return f'<section><h2>Dose <span class="small">{how}</span></h2>{rows}</section>'


def _dose(dose: Dose, scale: int, height: float) -> str:
    wide = units(dose.name)
    size = " longest" if wide > 125 else " long" if wide > 70 else ""
    figure = f"{dose.dose_cm:g} cm"
    return (
        f'<div class="dose"><div class="tick"></div>'
        f'<div class="cm{" wide" if len(figure) > 7 else ""}">{figure}</div>'
        f'<div><div class="name{size}" dir="auto">{escape(dose.name)}</div>'
        f"{ruler(dose.dose_cm, dose.hex, scale, height_mm=height)}</div></div>"
    )


def _work(content: Content) -> str:
    steps = "".join(f"<li><b>{word}.</b> {escape(text)}</li>" for word, text in content.steps)
    return (
        f'<section class="work"><div><h2>Order of work</h2><ol>{steps}</ol>'
        f'<p class="small">{escape(content.looks.sentence)} {escape(HOT_LIMIT)}</p></div>'
        f'<div class="notes"><h2>Yield</h2>{escape(content.yields)}'
        f'<h2>Notes</h2><div class="room">{_note(content.note)}</div></div></section>'
    )


def _note(note: str) -> str:
    if not note:
        return ""
    lines = note.split("\n")
    size = next(
        (pt for pt, width, most in NOTE_SIZES if lines_needed(lines, width) <= most),
        NOTE_SIZES[-1][0],
    )
    paragraphs = "".join(f'<p dir="auto">{escape(line)}</p>' for line in lines)
    return f'<div style="font-size:{size:g}pt">{paragraphs}</div>'


def _cautions() -> str:
    items = "".join(f"<li>{escape(text)}</li>" for text in CAUTIONS)
    return f"<section><h2>Cautions</h2><ul>{items}</ul></section>"
