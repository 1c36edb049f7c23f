"""``shadematch correct``: what to add to a batch that came out off.

With ``--json``: ``status``; ``measured_delta_e``; ``believed`` {lab, delta_e}; ``strengths``, a
list of {name, factor, low, high}; ``surprise``, ``doubtful``; ``advice`` and ``closest``, each
{doses, unit, clear_g, white_g, delta_e, median, p90, largest, lab, hex, after {``doses`` to
``tubes`` as in `shadematch.cli.match`, batch_g, white, base}}; ``bound``, ``proved``, ``proof``,
``within``;
``pour``, ``view``, ``cautions``. If the batch can't be saved, ``advice`` is ``closest``. Both are
null for a doubtful measurement, unless ``--anyway`` is given. ``round`` counts the corrections of
this batch; ``saved`` and ``saved_palette`` are files, or null.
"""

from __future__ import annotations

import argparse
import shlex
from typing import Any

from shadematch.cli.amounts import MASS, NUMBER, read_doses
from shadematch.cli.conditions import (
    add_conditions,
    add_made,
    add_readings,
    pour_and_view,
    read_made,
    read_palette,
    read_readings,
)
from shadematch.cli.entries import dose_entries, picked, shared_entries
from shadematch.cli.parsing import Verbs, called, only_with, option_of
from shadematch.cli.printing import json_object, shown
from shadematch.cli.repeat import in_the_file, read_saved
from shadematch.cli.wanted import (
    TARGET_OPTIONS,
    add_photo,
    add_target,
    no_photo,
    photo_target,
    read_target,
)
from shadematch.correction.addition import Addition
from shadematch.correction.correct import correct
from shadematch.correction.results import Correction
from shadematch.errors import ColourError, PourError
from shadematch.keeping.files import read, save
from shadematch.predicting.prediction import predict
from shadematch.studio.pour import Pour
from shadematch.studio.recipe import Recipe
from shadematch.studio.target import Target
from shadematch.studio.view import View

__all__ = ["add_verb"]


def add_verb(verb: Verbs) -> None:
    """Add the verb."""
    parser = verb("correct", _correct)
    add_target(parser)
    add = parser.add_argument_group("the batch").add_argument
    text = "the paste that went in; base, thickness and limits are those of the pour"
    add("--poured", nargs="+", metavar="NAME=DOSE", help=text)
    text = "or a file of match --save, with its pour, view, palette and target"
    add("--recipe", metavar="FILE", help=text)
    text = "or the batch that --save wrote in an earlier round, once its advice was followed"
    add("--go-on", metavar="FILE", help=text)
    text = "what was added in that round instead of the advice; 'nothing' for nothing"
    add("--added", nargs="+", metavar="NAME=DOSE", help=text)
    for kind in ("clear", "white"):
        text = f"and the {kind} base that was added, in g"
        add(f"--added-{kind}", type=MASS, metavar="G", help=text)
    text = "save the batch, with what was learned of it, for the next round"
    add("--save", metavar="FILE", help=text)
    add = parser.add_argument_group("what was measured, given in one of these ways").add_argument
    text = "CIELAB it came out with, in the view"
    add("--measured", nargs=3, type=NUMBER, metavar=("L", "A", "B"), help=text)
    text = "its spectrum: lines of wavelength in nm, reflectance from 0 to 1"
    add("--measured-spectrum", metavar="FILE", help=text)
    add_photo(add, "measured-")
    add = parser.add_argument_group("the addition").add_argument
    text = "how near is near enough (1)"
    add("--within", type=NUMBER, metavar="CIEDE2000", help=text)
    text = "say what to add even if the measurement does not fit the recipe"
    add("--anyway", action="store_true", help=text)
    add("--pot", type=MASS, metavar="G", help="base that the pot holds in g (1.5 batches)")
    text = (
        "base that may be added: own (the batch's blend), clear (what of it isn't white), white "
        "(what the batch is made of)"
    )
    add("--bases", nargs="+", choices=("clear", "white", "own"), metavar="KIND", help=text)
    add("--base-step", type=MASS, metavar="G", help="base comes in multiples of this many g")
    text = "pigment to leave out; may be repeated"
    add("--must-avoid", action="append", default=[], metavar="NAME", help=text)
    add_readings(parser)
    add_made(parser)
    text = "write the palette with the learned strengths to a file"
    add("--save-palette", metavar="FILE", help=text)
    add_conditions(parser)


def _measured(args: argparse.Namespace) -> Target | list[float]:
    ways = ("measured", "measured_spectrum", "measured_photo")
    given = [option_of(way) for way in ways if getattr(args, way) is not None]
    if len(given) != 1:
        raise ColourError(
            "give the colour that was measured, once",
            field="--measured",
            value=" and ".join(given) or "none",
            remedy="Take one of --measured L A B, --measured-spectrum FILE and "
            "--measured-photo FILE",
        )
    if args.measured_photo is not None:
        return photo_target(args, "measured-")
    no_photo(args, given[0], "measured-")
    if args.measured is not None:
        return list(args.measured)
    with called("path", "--measured-spectrum"):
        return Target.from_csv(args.measured_spectrum)


def _batch(args: argparse.Namespace) -> tuple[Recipe | Correction, Target, dict[str, Any]]:
    """What was poured, the target, and palette and view unless a file has them."""
    given = [o for o in ("poured", "recipe", "go_on") if getattr(args, o) is not None]
    if len(given) != 1:
        raise PourError(
            "say what was poured, once",
            field="--poured",
            value=" and ".join(option_of(o) for o in given) or "none",
            remedy="Take one of --poured NAME=DOSE, --recipe FILE and --go-on FILE",
        )
    if args.go_on is None:
        only_with("--go-on", args, "added", "added_clear", "added_white")
    if args.poured is not None:
        pour, view = pour_and_view(args)
        palette = read_palette(args)
        doses = read_doses(args.poured, palette.unit)
        own_recipe = predict(doses, palette=palette, pour=pour, view=view).recipe
        return own_recipe, read_target(args), {"palette": palette, "view": view}
    own = (*Pour.model_fields, *View.model_fields, *TARGET_OPTIONS)
    if args.go_on is not None:
        own = (*own, "palette", "dose_slip", "scale_g", "let_down_paste")
    in_the_file(args, own, option_of(given[0]))
    if args.recipe is not None:
        saved = read_saved(args, args.recipe)
        if saved.saved.target is None:
            raise PourError(
                "has no target",
                field="--recipe",
                value=args.recipe,
                remedy="Give a file of match --save, or use --poured",
            )
        return (
            saved.saved.recipe,
            saved.saved.target,
            {"palette": saved.palette, "view": saved.saved.view},
        )
    with called("path", "--go-on"):
        last = read(args.go_on, Correction)
    if args.added is not None or args.added_clear is not None or args.added_white is not None:
        words = [] if args.added in (None, ["nothing"]) else args.added
        clear, white = (value or 0.0 for value in (args.added_clear, args.added_white))
        with called("clear_g", "--added-clear"), called("white_g", "--added-white"):
            last = last.added(read_doses(words, last.recipe.unit), clear_g=clear, white_g=white)
    return last, last.target, {}


def _correct(args: argparse.Namespace) -> str:
    recipe, target, conditions = _batch(args)
    within = args.within
    if within is None and isinstance(recipe, Correction):
        within = recipe.within
    measured = _measured(args)
    with called("lab", "--measured"):  # the target has been read
        found = correct(
            recipe,
            measured,
            target,
            pot_g=args.pot,
            bases=args.bases,
            base_step_g=args.base_step,
            must_avoid=args.must_avoid,
            **conditions,
            **({} if within is None else {"within": within}),
            **read_readings(args),
            let_down_paste=read_made(
                args, (recipe.recipe if isinstance(recipe, Correction) else recipe).unit
            ),
        )
    for option, thing in (("--save-palette", found.palette), ("--save", found)):
        place = getattr(args, option.removeprefix("--").replace("-", "_"))
        if place is not None:
            with called("path", option):
                # A batch goes on in its own file, which keeps all rounds.
                save(thing, place, replace=args.replace or place == args.go_on)
    pour, view = found.recipe.pour, found._belief.view
    if args.json:
        more = {"round": len(found.rounds), "saved": args.save, "saved_palette": args.save_palette}
        told = _entries(found, anyway=args.anyway)
        return json_object({**told, **more, **shared_entries(pour, view)})
    saved = [] if args.save is None else [f"saved in {args.save}{_next(found, args)}"]
    return shown(found.report(anyway=args.anyway), *saved)


def _next(found: Correction, args: argparse.Namespace) -> str:
    """What to do next, once a batch was saved."""
    if found.advice.nothing:
        return ""
    call = f"shadematch correct --go-on {shlex.quote(args.save)} --measured L A B"
    if found.doubtful and not args.anyway:
        return ": check the measurement first; --anyway says what to add all the same"
    return f": add this, measure again, then {call}"


def _entries(found: Correction, *, anyway: bool) -> dict[str, Any]:
    told = anyway or not found.doubtful
    return {
        **picked(found, "status", "measured_delta_e", "surprise"),
        "believed": {"lab": found.believed_lab, "delta_e": found.believed_delta_e},
        "strengths": [picked(s, "name", "factor", "low", "high") for s in found.strengths],
        "doubtful": found.doubtful,
        "advice": _addition(found.advice) if told else None,
        "closest": _addition(found.closest) if told else None,
        **picked(found, "bound", "proved", "proof", "within"),
    }


def _addition(found: Addition) -> dict[str, Any]:
    after = found.recipe
    return {
        "doses": dict(found.doses),
        "unit": after.unit,
        **picked(found, *("clear_g", "white_g", "delta_e", "median", "p90", "largest")),
        **picked(found, "lab", "hex"),
        "after": {**dose_entries(after), **picked(after.pour, "batch_g", "white", "base")},
    }
