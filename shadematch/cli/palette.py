"""``shadematch palette``: the pigments of a palette file, which checks it too.

With ``--json``: ``note``, ``unit`` of the doses (``cm`` or ``g``) and ``pigments``, a list of
{name, hex, tube_size, tube_price, scatters}; ``tube_size`` and ``tube_price`` are null where they
are not known.
"""

from __future__ import annotations

import argparse
from typing import Final

from shadematch.cli.conditions import read_palette
from shadematch.cli.parsing import Verbs
from shadematch.cli.printing import clean, coloured, json_text, wrapped
from shadematch.predicting.prediction import predict
from shadematch.studio.pour import Pour
from shadematch.studio.view import View
from shadematch.support.report import Swatch, Table

__all__ = ["add_verb"]

_SWATCH_DOSE: Final = 2.0


def add_verb(verb: Verbs) -> None:
    """Announce the verb."""
    text = "List the pigments of a palette file, and so check it."
    parser = verb("palette", _palette, text)
    parser.add_argument("palette", nargs="?", metavar="FILE", help="the demo palette if left out")


def _palette(args: argparse.Namespace) -> str:
    palette = read_palette(args.palette)
    codes = [predict({n: _SWATCH_DOSE}, palette=palette).hex for n in palette.names]
    both = list(zip(palette.pigments, codes, strict=True))
    if args.json:
        kept = {"name", "tube_size", "tube_price"}
        entries = [
            {**p.model_dump(include=kept), "hex": c, "scatters": p.scatters} for p, c in both
        ]
        return json_text({"note": palette.note, "unit": palette.unit, "pigments": entries})
    rows = []
    for p, code in both:
        price = "not known" if p.tube_price is None else f"{p.tube_price:.2f}"
        tube = "not known" if p.tube_size is None else f"{p.tube_size:g} {palette.unit}"
        rows.append((p.name, code, tube, price, "yes" if p.scatters else "no"))
    heads = ("pigment", "colour", "tube", "price", "scatters")
    lines = [clean(line) for line in Table(heads, tuple(rows), frozenset({2, 3})).lines()]
    if coloured():
        patches = [" " * 10, *(Swatch(code).patch() for code in codes)]
        lines = [f"{patch}  {line}" for patch, line in zip(patches, lines, strict=True)]
    foot = f"Colours are of {_SWATCH_DOSE:g} {palette.unit} in {Pour()}, seen {View()}."
    note = (palette.note,) if palette.note else ()
    return "\n\n".join(("\n".join(lines), wrapped("\n".join((foot, *note)))))
