"""``shadematch predict``: the colour of a recipe.

With ``--json``: ``doses_cm`` to ``tubes`` and ``predicted`` as in `shadematch.cli.match`,
``pour``, ``view``, ``cautions``.
"""

from __future__ import annotations

import argparse
import math

from shadematch.cli.printing import cautions, coloured, json_text, swatch, wrapped
from shadematch.cli.words import (
    Verbs,
    add_conditions,
    pour_and_view,
    read_doses,
    read_palette,
    recipe_entries,
    shared_entries,
)
from shadematch.prediction import predict

__all__ = ["add_verb"]


def add_verb(verb: Verbs) -> None:
    """Announce the verb."""
    parser = verb("predict", _predict, "The colour of a recipe.")
    parser.add_argument("doses", nargs="+", metavar="NAME=CM", help="paste of each pigment in cm")
    add_conditions(parser)


def _predict(args: argparse.Namespace) -> str:
    pour, view = pour_and_view(args)
    found = predict(
        read_doses(args.doses), palette=read_palette(args.palette), pour=pour, view=view
    )
    recipe = found.recipe
    if args.json:
        return json_text({**recipe_entries(recipe, found), **shared_entries(pour, view)})
    lines = [f"pour       {pour}, seen {view}", f"predicted  {found}"]
    limit = pour.max_load
    if recipe.load > limit and not math.isclose(recipe.load, limit):
        lines.append(f"note       {recipe.load:.4g} cm per 100 g: the load limit is {limit:g}")
    if recipe.proportions is None:
        lines.append(f"note       not all doses are multiples of {pour.dose_step_cm:g} cm")
    parts = [wrapped("\n".join(lines), 11), cautions()]
    if coloured():
        parts.insert(0, f"predicted {found.hex} {swatch(found.hex)}")
    return "\n\n".join(parts)
