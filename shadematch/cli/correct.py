"""``shadematch correct``: what to add to a batch that came out off.

With ``--json``: ``status``; ``measured_delta_e``; ``believed`` {lab, delta_e}; ``strengths``, a
list of {name, factor, low, high}; ``surprise``; ``advice`` and ``closest``, each {doses_cm,
clear_g, white_g, delta_e, p90, lab, hex, after {doses_cm, batch_g, white}}; ``bound``,
``proved``, ``proof``, ``tolerance``; ``pour``, ``view``, ``cautions``. Where the batch can't be
saved, ``advice`` is ``closest``.
"""

from __future__ import annotations

import argparse
from typing import Any

from shadematch.cli.printing import cautions, coloured, json_text, swatch, wrapped
from shadematch.cli.words import (
    NUMBER,
    Verbs,
    add_conditions,
    add_readings,
    add_target,
    pour_and_view,
    read_doses,
    read_palette,
    read_readings,
    read_target,
    renamed,
    shared_entries,
)
from shadematch.correction.correct import correct
from shadematch.correction.results import Addition, Correction
from shadematch.errors import ColourError, PaletteError
from shadematch.pour import Recipe
from shadematch.prediction import predict
from shadematch.target import Target

__all__ = ["add_verb"]


def add_verb(verb: Verbs) -> None:
    """Announce the verb."""
    parser = verb("correct", _correct, "What to add to a batch that came out off.")
    add_target(parser)
    add = parser.add_argument_group("the batch").add_argument
    text = "the paste that went in, in cm; base, thickness and limits are those of the pour"
    add("--poured", nargs="+", required=True, metavar="NAME=CM", help=text)
    text = "CIELAB it came out with, in the view"
    add("--measured", nargs=3, type=NUMBER, metavar=("L", "A", "B"), help=text)
    text = "or its spectrum: lines of wavelength in nm, reflectance from 0 to 1"
    add("--measured-spectrum", metavar="FILE", help=text)
    add = parser.add_argument_group("the addition").add_argument
    text = "how near is near enough (1)"
    add("--tolerance", type=NUMBER, metavar="CIEDE2000", help=text)
    add("--pot", type=NUMBER, metavar="G", help="base that the pot holds in g (1.5 batches)")
    text = "base that may be added (what the batch is made of)"
    add("--bases", nargs="+", choices=("clear", "white", "own"), metavar="KIND", help=text)
    add("--base-step", type=NUMBER, metavar="G", help="base comes in multiples of this many g")
    text = "pigment to leave out; may be repeated"
    add("--must-avoid", action="append", default=[], metavar="NAME", help=text)
    add_readings(parser)
    text = "write the palette with the strengths learned to a file"
    add("--save-palette", metavar="FILE", help=text)
    add_conditions(parser)


def _measured(args: argparse.Namespace) -> Target | list[float]:
    given = [w for w in (args.measured, args.measured_spectrum) if w is not None]
    if len(given) != 1:
        raise ColourError(
            "give the colour that was measured, once",
            field="--measured",
            value="both" if given else "none",
            remedy="Take one of --measured L A B and --measured-spectrum FILE",
        )
    if args.measured is not None:
        return list(args.measured)
    return Target.from_csv(args.measured_spectrum)


def _correct(args: argparse.Namespace) -> str:
    pour, view = pour_and_view(args)
    palette = read_palette(args.palette)
    doses = predict(read_doses(args.poured), palette=palette, pour=pour, view=view).recipe.doses_cm
    found = correct(
        Recipe(doses, pour),
        _measured(args),
        read_target(args),
        palette=palette,
        view=view,
        pot_g=args.pot,
        bases=args.bases,
        base_step_g=args.base_step,
        must_avoid=args.must_avoid,
        **({} if args.tolerance is None else {"tolerance": args.tolerance}),
        **read_readings(args),
    )
    if args.save_palette is not None:
        try:
            found.palette.save(args.save_palette)
        except PaletteError as wrong:
            raise renamed(wrong, "--save-palette") from None
    if args.json:
        return json_text({**_entries(found), **shared_entries(pour, view)})
    parts = [wrapped(str(found), 11), cautions()]
    if coloured():
        wanted, then = found.target.hex, found.advice.hex
        parts.insert(0, f"wanted {wanted} {swatch(wanted)}{swatch(then)} {then} afterwards")
    return "\n\n".join(parts)


def _entries(found: Correction) -> dict[str, Any]:
    strengths = [
        {name: getattr(s, name) for name in ("name", "factor", "low", "high")}
        for s in found.strengths
    ]
    return {
        **{name: getattr(found, name) for name in ("status", "measured_delta_e", "surprise")},
        "believed": {"lab": found.believed_lab, "delta_e": found.believed_delta_e},
        "strengths": strengths,
        "advice": _addition(found.advice),
        "closest": _addition(found.closest),
        **{name: getattr(found, name) for name in ("bound", "proved", "proof", "tolerance")},
    }


def _addition(found: Addition) -> dict[str, Any]:
    after = found.recipe
    shown = ("clear_g", "white_g", "delta_e", "p90", "lab", "hex")
    return {
        "doses_cm": dict(found.doses_cm),
        **{name: getattr(found, name) for name in shown},
        "after": {
            "doses_cm": dict(after.doses_cm),
            "batch_g": after.pour.batch_g,
            "white": after.pour.white,
        },
    }
