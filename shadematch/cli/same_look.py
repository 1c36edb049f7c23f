"""``shadematch same-look``: take a recipe to another mould, base or view.

With ``--json``: ``before`` and of the new recipe the keys from ``doses`` to ``predicted``, as
in `shadematch.cli.match`; its ``spread``, as in `shadematch.cli.spread`; ``how`` ("same doses",
"doses in proportion" or "dosed anew"),
``closest``, ``bound``, ``proved``; ``pour`` and ``view`` are the new ones; ``cautions``.
"""

from __future__ import annotations

import argparse
import dataclasses
from collections.abc import Callable
from typing import Any, Final

from shadematch.cli.amounts import BACKING, LENGTH, MASS, NUMBER, SHARE
from shadematch.cli.conditions import add_conditions
from shadematch.cli.entries import choice_entries, recipe_entries, shared_entries, spread_entries
from shadematch.cli.parsing import OPTIONS, Verbs, called, given
from shadematch.cli.printing import json_object, shown
from shadematch.cli.repeat import add_recipe, read_recipe
from shadematch.errors import PourError, ShadematchError
from shadematch.keeping.files import save
from shadematch.keeping.saved import kept
from shadematch.matching.same_look import same_look
from shadematch.studio.pour import Pour
from shadematch.studio.view import View

__all__ = ["add_verb"]

_POUR = ("batch_g", "thickness_cm", "white", "base", "max_load", "dose_step")
_VIEW = ("illuminant", "observer", "backing", "contact", "through")
_KINDS: Final[dict[str, tuple[Callable[[str], Any], str]]] = {
    **{"batch_g": (MASS, "G"), "thickness_cm": (LENGTH, "CM"), "white": (SHARE, "FRACTION")},
    "base": (str, "NAME"),
}


def _to(field: str) -> str:
    return "--to-" + OPTIONS[field].removeprefix("--")


def add_verb(verb: Verbs) -> None:
    """Add the verb."""
    parser = verb("same-look", _same)
    add_recipe(parser)
    add = parser.add_argument_group("where it goes; what is not given stays as it was").add_argument
    for field in _POUR:
        kind, unit = _KINDS.get(field, (NUMBER, "LOAD" if field == "max_load" else "DOSE"))
        add(_to(field), dest=f"to_{field}", type=kind, metavar=unit, help=f"new {OPTIONS[field]}")
    for field in _VIEW:
        made = BACKING if field == "backing" else str
        text = f"new {OPTIONS[field]}"
        add(_to(field), dest=f"to_{field}", type=made, metavar="NEW", help=text)
    add = parser.add_argument_group("the recipe").add_argument
    text = "how much worse than the closest a kept or cheaper recipe may be (0.5)"
    add("--tolerance", type=NUMBER, metavar="CIEDE2000", help=text)
    add("--save", metavar="FILE", help="save the new recipe into this file")
    add_conditions(parser)


def _same(args: argparse.Namespace) -> str:
    own = read_recipe(args)
    pour, view = own.recipe.pour, own.view
    new_ones = {n: getattr(args, f"to_{n}") for n in (*_POUR, *_VIEW)}
    wanted = {n: value for n, value in new_ones.items() if value is not None}
    if not wanted:
        raise PourError(
            "say where the recipe goes",
            field="--to-batch, --to-thickness, ...",
            value="none",
            remedy="Give at least one option that begins with --to",
        )
    try:
        there = Pour(**pour.model_dump() | {n: v for n, v in wanted.items() if n in _POUR})
        seen = View(**view.model_dump() | {n: v for n, v in wanted.items() if n in _VIEW})
    except ShadematchError as found:
        # The old pour and view were valid, so the fault is in a new value.
        raise found.at(_to(found.field) if found.field in OPTIONS else found.field) from None
    with called("batch_g", "--to-batch"), called("base", "--to-base"):
        look = same_look(
            own.recipe,
            to_pour=there,
            to_view=seen,
            palette=own.palette,
            view=view,
            **given(args, "tolerance"),
        )
    if args.save is not None:
        new = kept(look.recipe, palette=own.palette, view=seen)
        # Its target is the look of the old bar.
        new = dataclasses.replace(new, target=look.target, delta_e=look.delta_e)
        with called("path", "--save"):
            save(new, args.save, replace=args.replace)
    if args.json:
        return json_object(
            {
                "before": recipe_entries(look.before.recipe, look.before),
                **recipe_entries(look.recipe, look.predicted, delta_e=look.delta_e),
                "spread": spread_entries(look.spread),
                "how": look.how,
                "closest": choice_entries(look.match.closest),
                "bound": look.match.bound,
                "proved": look.match.proved,
                **shared_entries(there, seen),
            }
        )
    return shown(look)
