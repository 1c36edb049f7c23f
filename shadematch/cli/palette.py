"""``shadematch palette``: the pigments of a palette file, which this also checks.

With ``--json``: ``note``, ``unit`` of the doses (``cm`` or ``g``) and ``pigments``, a list of
{name, hex, tube_size, tube_price, scatters}; unknown tube sizes and prices are null. ``bases``
lists what ``--base`` takes.
"""

from __future__ import annotations

import argparse

from shadematch.cli.conditions import read_palette
from shadematch.cli.parsing import Verbs
from shadematch.cli.printing import coloured, json_object, printable, wrapped
from shadematch.predicting.prediction import paste_colour
from shadematch.support.report import Swatch, Table

__all__ = ["add_verb"]


def add_verb(verb: Verbs) -> None:
    """Add the verb."""
    parser = verb("palette", _palette)
    parser.add_argument("palette", nargs="?", metavar="FILE", help="the demo palette if left out")


def _palette(args: argparse.Namespace) -> str:
    palette = read_palette(args)
    seen = [paste_colour(name, palette) for name in palette.names]
    codes = [colour.hex for colour in seen]
    both = list(zip(palette.pigments, codes, strict=True))
    if args.json:
        kept = {"name", "tube_size", "tube_price"}
        entries = [
            {**p.model_dump(include=kept), "hex": c, "scatters": p.scatters} for p, c in both
        ]
        about = {"note": palette.note, "unit": palette.unit, "bases": palette.base_names}
        return json_object({**about, "pigments": entries})
    rows = []
    for p, code in both:
        price = "not known" if p.tube_price is None else f"{p.tube_price:.2f}"
        tube = "not known" if p.tube_size is None else f"{p.tube_size:g} {palette.unit}"
        rows.append((p.name, code, tube, price, "yes" if p.scatters else "no"))
    heads = ("pigment", "colour", "tube", "price", "scatters")
    lines = [printable(line) for line in Table(heads, tuple(rows), frozenset({2, 3})).lines()]
    if coloured():
        patches = [" " * 10, *(Swatch(code).patch() for code in codes)]
        lines = [f"{patch}  {line}" for patch, line in zip(patches, lines, strict=True)]
    first = seen[0]
    foot = f"Colours are of 2 {palette.unit} in {first.recipe.pour}, seen {first.view}."
    note = (palette.note,) if palette.note else ()
    if palette.bases:
        note = (f"Bases: {', '.join(palette.base_names)} and white.", *note)
    return "\n\n".join(("\n".join(lines), wrapped("\n".join((foot, *note)))))
