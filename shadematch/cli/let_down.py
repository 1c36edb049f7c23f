"""``shadematch let-down``: which let-down to make for a pastel shade in a small bar.

With ``--json``: ``to_make``, a list of {pigment, paste, base_g, used_g}, empty if none is needed or
worth making; ``sentence``, ``within`` as asked for, ``reached`` (whether it comes so close),
``floor``, ``tried``; ``without`` and ``closest`` as in `shadematch.cli.match`; ``spread`` of the
closest, as in `shadematch.cli.spread`; ``pour``, ``view``, ``cautions``.
"""

from __future__ import annotations

import argparse

from shadematch.cli.amounts import COUNT, MASS, NUMBER
from shadematch.cli.conditions import add_conditions, pour_and_view, read_palette
from shadematch.cli.entries import choice_entries, picked, shared_entries, spread_entries
from shadematch.cli.parsing import Verbs, given
from shadematch.cli.printing import json_object, shown
from shadematch.cli.wanted import add_target, read_target
from shadematch.errors import ShadematchError
from shadematch.matching.let_down import propose_let_down

__all__ = ["add_verb"]


def add_verb(verb: Verbs) -> None:
    """Add the verb."""
    parser = verb("let-down", _propose)
    add_target(parser)
    add = parser.add_argument_group("the let-downs").add_argument
    add("--within", type=NUMBER, metavar="CIEDE2000", help="how close it must come (1)")
    add("--weigh-step", dest="step_g", type=MASS, metavar="G", help="weighed to this many g (1)")
    text = "least that is weighed of one, in g (5 times that)"
    add("--weigh-least", dest="least_g", type=MASS, metavar="G", help=text)
    add("--max-let-downs", type=COUNT, metavar="COUNT", help="most of them to make (3)")
    add_conditions(parser)


def _propose(args: argparse.Namespace) -> str:
    pour, view = pour_and_view(args)
    options = given(args, "within", "step_g", "least_g", "max_let_downs")
    palette, target = read_palette(args), read_target(args)
    try:
        plan = propose_let_down(target, palette=palette, pour=pour, view=view, **options)
    except ShadematchError as found:
        own = {"step_g": "--weigh-step", "least_g": "--weigh-least"}
        raise found.at(own.get(found.field, found.field)) from None
    if args.json:
        make = [
            {
                "pigment": part.let_down.pigment,
                **picked(part, "paste", "base_g", "used_g"),
            }
            for part in plan.to_make
        ]
        return json_object(
            {
                "to_make": make,
                **picked(plan, *("sentence", "within", "reached", "floor", "tried")),
                "without": choice_entries(plan.without.closest),
                "closest": choice_entries(plan.closest),
                "spread": spread_entries(plan.spread),
                **shared_entries(pour, view),
            }
        )
    return shown(plan)
