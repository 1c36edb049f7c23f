"""``shadematch match``: the doses that give a colour.

With ``--json``: ``target`` {lab, hex, source, illuminant, observer, lab_in_view}; of the recipe
``doses`` {name: amount}, their ``unit`` (``cm`` or ``g``), ``proportions`` {name: whole number},
null off the dose steps, ``total`` [unit], ``load`` [unit per 100 g], ``tubes``, ``delta_e``,
``predicted`` {lab, xyz, hex, in_srgb}; ``closest`` and ``ideal``, each with the keys from ``doses``
to ``predicted``; ``bound``, ``proved``, ``frugal_proved``, ``tolerance``; ``verdict`` {limit,
sentence, help}; ``rule`` (``nominal`` or ``expected``), the CIEDE2000 by which the recipe was
chosen; ``spread`` as in `shadematch.cli.spread`; ``pour``, ``view``, ``cautions``.

By the rule ``expected`` (with ``--robust``, or a palette that says how well it is known) choices
have ``expected``, and ``robust`` is the one with the smallest. With ``--choices``: ``choices``, a
list in the form of ``closest``. With let-downs, ``doses`` is the total paste, ``from_tubes`` what
does not come with a let-down, and ``weighed`` a list of {pigment, paste_per_g, step_g, white, unit,
mass_g}. With ``--lights``: ``lights`` {name: CIEDE2000}. With ``--shades``: ``shades`` {expected,
p90, alone_expected, alone_p90, dab_g, each}, of each ``added`` {name: amount}, ``share`` and the
keys from ``doses`` to ``predicted`` of what the pot then holds.
"""

from __future__ import annotations

import argparse
from dataclasses import replace
from typing import Any

from shadematch.cli.amounts import COUNT, MASS, NUMBER, SHARE, read_let_down
from shadematch.cli.conditions import (
    add_conditions,
    add_lights,
    add_readings,
    pour_and_view,
    read_lights,
    read_palette,
    read_readings,
)
from shadematch.cli.entries import (
    choice_entries,
    picked,
    shades_entries,
    shared_entries,
    spread_entries,
)
from shadematch.cli.parsing import Verbs, given, only_with
from shadematch.cli.predict import read_calibration
from shadematch.cli.printing import json_object, shown
from shadematch.cli.repeat import save_as
from shadematch.cli.wanted import add_target, read_target
from shadematch.matching.match import Match, match
from shadematch.support.report import Report, Table

__all__ = ["add_verb"]


def add_verb(verb: Verbs) -> None:
    """Add the verb."""
    parser = verb("match", _match)
    add_target(parser)
    add = parser.add_argument_group("the recipe").add_argument
    text = "how much worse than the closest a recipe with less paste may be (0.5)"
    add("--tolerance", type=NUMBER, metavar="CIEDE2000", help=text)
    add("--max-pigments", type=COUNT, metavar="COUNT", help="most pigments in it")
    for option, text in (("--must-use", "pigment to put in"), ("--must-avoid", "to leave out")):
        add(option, action="append", default=[], metavar="NAME", help=f"{text}; may be repeated")
    add_lights(add, "the view's")
    text = "paste diluted beforehand, so much in so many g of base; may be repeated"
    add("--let-down", action="append", default=[], metavar="NAME=DOSE/G", help=text)
    text = "let-downs are weighed to this many g (1)"
    add("--weigh-step", type=MASS, metavar="G", help=text)
    text = "white part of the base that let-downs are made in, 0 to 1 (0)"
    add("--let-down-white", type=SHARE, metavar="FRACTION", help=text)
    add(
        "--robust",
        action="store_true",
        help="choose by the expected CIEDE2000, with slips of dosing and weighing counted",
    )
    text = "answer after this long with the best found, and how much better one could be"
    add("--seconds", type=NUMBER, metavar="S", help=text)
    add("--choices", action="store_true", help="also list accuracy against paste and tubes")
    text = "also a few shades from one pot, for a customer to choose from, 2 to 6"
    add("--shades", type=COUNT, metavar="COUNT", help=text)
    add(
        "--dab",
        dest="dab_g",
        type=MASS,
        metavar="G",
        help="taken out after each but the last shade, in g (20)",
    )
    add = parser.add_argument_group("saving it").add_argument
    add("--save", metavar="FILE", help="into this file, for shadematch repeat and sheet")
    add("--note", metavar="TEXT", help="your own words, kept with it")
    text = "a file of calibrate --save: gives the palette, and backings as they were found"
    add("--calibration", metavar="FILE", help=text)
    add_readings(parser)
    add_conditions(parser)


def _match(args: argparse.Namespace) -> str:
    for option, wanted, names in (
        ("--let-down", args.let_down, ("weigh_step", "let_down_white")),
        ("--save", args.save, ("note",)),
        ("--shades", args.shades, ("dab_g",)),
    ):
        if not wanted:
            only_with(option, args, *names)
    pour, view = pour_and_view(args)
    learnt = read_calibration(args)
    palette = read_palette(args) if learnt is None else learnt.palette
    let_downs = [
        read_let_down(
            text,
            unit=palette.unit,
            step_g=args.weigh_step,
            white=args.let_down_white,
            base=pour.base,
        )
        for text in args.let_down
    ]
    found = match(
        read_target(args),
        palette=palette,
        pour=pour,
        view=view if learnt is None else learnt.view(view),
        **given(args, "tolerance", "max_pigments"),
        must_use=args.must_use,
        must_avoid=args.must_avoid,
        lights=read_lights(args),
        let_downs=let_downs,
        robust=args.robust,
        seconds=args.seconds,
        **read_readings(args),
    )
    if args.save is not None:
        save_as(found, args.save, note=args.note, replace=args.replace)
    more = []
    extra: dict[str, Any] = {}
    if args.shades is not None:
        poured = found.shades(args.shades, **given(args, "dab_g"))
        more.append(replace(poured.report(), swatches=()))
        extra["shades"] = shades_entries(poured)
    if args.json:
        return json_object({**_match_entries(found, args.choices), **extra})
    more += [_choices(found)] if args.choices else []
    saved = [] if args.save is None else [f"saved in {args.save}"]
    return shown(found.report(), *more, *saved)


def _match_entries(found: Match, choices: bool) -> dict[str, Any]:
    goal = found.target
    entries = {
        "target": {
            **picked(goal, "lab", "hex", "source", "observer"),
            "illuminant": str(goal.illuminant),
            "lab_in_view": goal.lab_in(found.view).tolist(),
        },
        **choice_entries(found.choice),
        **({"lights": found.lights} if found.lights else {}),
        "closest": choice_entries(found.closest),
        "ideal": choice_entries(found.ideal),
        **picked(found, "bound", "proved", "frugal_proved", "tolerance"),
        "verdict": picked(found.verdict, "limit", "sentence", "help"),
        **shared_entries(found.pour, found.view),
    }
    entries |= {"rule": found.rule, "spread": spread_entries(found.spread)}
    if found.robust is not None:
        entries["robust"] = choice_entries(found.robust)
    if choices:
        entries["choices"] = [choice_entries(choice) for choice in found.choices]
    return entries


def _choices(found: Match) -> Report:
    rows = []
    for c in found.choices:
        mark = " (the recipe above)" if c.recipe == found.recipe else ""
        paste, tubes = f"{c.recipe.total:g} {c.recipe.unit}", str(c.recipe.tubes)
        rows.append((f"{c.delta_e:.2f}", paste, tubes, f"{c.recipe}{mark}"))
    heads = ("CIEDE2000", "paste", "tubes", "choice")
    return Report(tables=(Table(heads, tuple(rows), frozenset({0, 1, 2})),))
