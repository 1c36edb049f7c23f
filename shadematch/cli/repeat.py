"""``shadematch repeat``: a saved recipe, and whether it still gives its colour.

With ``--json``: ``doses`` to ``tubes`` as in `shadematch.cli.match`; ``note``, ``library``;
``then`` {lab, hex, in_srgb, delta_e, fingerprint} and ``now`` {lab, xyz, hex, in_srgb, delta_e,
fingerprint}, with ``delta_e`` to the target, or null; ``now`` is null if a paste is missing;
``missing``, ``changed``, ``delta_e`` (between then and now), ``same``, ``sentence``, ``pour``,
``view``, ``cautions``.
"""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from shadematch.cli.amounts import read_doses
from shadematch.cli.conditions import pour_and_view, read_palette
from shadematch.cli.entries import dose_entries, picked, recipe_entries, shared_entries
from shadematch.cli.parsing import Verbs, called, option_of
from shadematch.cli.printing import json_object, shown
from shadematch.errors import PourError
from shadematch.keeping.files import save
from shadematch.keeping.repeat import Repeat, repeat
from shadematch.matching.match import Match
from shadematch.studio.palette import Palette
from shadematch.studio.pour import Pour
from shadematch.studio.recipe import Recipe
from shadematch.studio.target import Target
from shadematch.studio.view import View

__all__ = [
    "Given",
    "add_recipe",
    "add_verb",
    "in_the_file",
    "read_recipe",
    "read_saved",
    "save_as",
]


def add_verb(verb: Verbs) -> None:
    """Add the verb."""
    parser = verb("repeat", _repeat)
    parser.add_argument("recipe", metavar="FILE", help="a file of shadematch match --save")
    text = "today's palette (the one in the file)"
    parser.add_argument("--palette", metavar="FILE", help=text)


def read_saved(args: argparse.Namespace, path: str) -> Repeat:
    """The recipe in a file, with the palette given or its own."""
    with called("path", "recipe file"):
        found = repeat(path, palette=None if args.palette is None else read_palette(args))
    args.notices.append(found.palette.notice)
    return found


@dataclass(frozen=True)
class Given:
    """A recipe as given, in words or in a file."""

    recipe: Recipe
    palette: Palette
    view: View
    target: Target | None


def add_recipe(parser: argparse.ArgumentParser) -> None:
    """Add a recipe as doses or in a file; `read_recipe` reads it."""
    parser.add_argument("doses", nargs="*", metavar="NAME=DOSE", help="paste of each pigment")
    text = "or a file of match --save, with its pour, view, palette and target"
    parser.add_argument("--recipe", metavar="FILE", help=text)


def read_recipe(args: argparse.Namespace) -> Given:
    """The recipe that was given."""
    if bool(args.doses) == (args.recipe is not None):
        raise PourError(
            "say what is poured, once",
            field="NAME=DOSE",
            value="both" if args.doses else "none",
            remedy="Write each dose as NAME=DOSE, for instance gorse=3, or give --recipe FILE",
        )
    if args.recipe is None:
        pour, view = pour_and_view(args)
        palette = read_palette(args)
        return Given(
            Recipe(read_doses(args.doses, palette.unit), pour, unit=palette.unit),
            palette,
            view,
            None,
        )
    in_the_file(args, (*Pour.model_fields, *View.model_fields), "--recipe")
    found = read_saved(args, args.recipe)
    saved = found.saved
    return Given(saved.recipe, found.palette, saved.view, saved.target)


def in_the_file(args: argparse.Namespace, names: Sequence[str], option: str) -> None:
    """Refuse options for what the file of `option` holds."""
    place = "saved recipe" if option == "--recipe" else "file"
    for name in names:
        if (value := getattr(args, name, None)) is not None:
            raise PourError(
                f"is in the {place} already",
                field=option_of(name),
                value=value,
                remedy=f"Leave it out, or leave out {option}",
            )


def save_as(found: Match, path: str, *, note: str | None, replace: bool) -> None:
    """Save a match to a file."""
    with called("note", "--note"), called("path", "--save"):
        save(found, path, note=note, replace=replace)


def _repeat(args: argparse.Namespace) -> str:
    found = read_saved(args, args.recipe)
    if args.json:
        return json_object(_entries(found))
    return shown(found)


def _entries(found: Repeat) -> dict[str, Any]:
    saved, seen = found.saved, found.predicted
    recipe = saved.recipe
    now = None
    if seen is not None:
        now = {
            **recipe_entries(recipe, seen)["predicted"],
            "delta_e": found.to_target,
            "fingerprint": found.palette.fingerprint,
        }
    return {
        **dose_entries(recipe),
        "note": saved.note,
        "library": saved.library,
        "then": {
            **picked(saved, "lab", "hex", "in_srgb", "delta_e"),
            "fingerprint": saved.palette.fingerprint,
        },
        "now": now,
        **picked(found, *("missing", "changed", "delta_e", "same", "sentence")),
        **shared_entries(recipe.pour, saved.view),
    }
