"""``shadematch plan``: which orders can be poured, in which recipe each, and what to buy.

`shadematch.planning.books` lists the columns of both files.

With ``--json``: ``poured``, a list of {order, pots, among, use, cost_per_bar, value, due} and of
the recipe of one pot ``doses`` to ``tubes``, ``delta_e`` and ``predicted`` as in
`shadematch.cli.match`, ``spread`` as in `shadematch.cli.spread`, its ``pour`` and ``view``;
``left_out``, a list of {order, reason, sentence, short, would_take, proved}; ``buy``, a list of
{pigment, tubes, price}; ``buy_base_g`` by base; ``money``, ``value``; ``unit`` of ``use``, ``left``
and ``short``; ``assumed``, what is assumed of tubes (empty if nothing); ``use``, ``left``,
``proved``, ``gap``, ``limited``; ``stages``, a list of {goal, reached, bound, gap, proved,
message}; ``saved``, the file of sheets or null; ``cautions``. With ``--without`` also ``without``
{names, changes}, the latter a list of {order, was, now} in words; everything else is then of the
plan without these tubes. ``delta_e`` is 0 for a recipe that was given, ``cost_per_bar`` null for an
unknown price.
"""

from __future__ import annotations

import argparse
import contextlib
import os
import sys
from collections.abc import Iterator
from typing import Any

from shadematch.cli.amounts import NUMBER, SHARE
from shadematch.cli.conditions import read_palette, usual_bars
from shadematch.cli.entries import choice_entries, picked, spread_entries
from shadematch.cli.parsing import Verbs, called, given
from shadematch.cli.printing import json_object, shown, wrapped
from shadematch.planning.books import read_orders, read_stock
from shadematch.planning.plan import plan
from shadematch.planning.result import LeftOutOrder, Plan, PouredOrder, Purchase, WhatIf
from shadematch.sheet.batch import batch_sheet
from shadematch.support.cautions import CAUTIONS

__all__ = ["add_verb"]


def add_verb(verb: Verbs) -> None:
    """Add the verb."""
    parser = verb("plan", _plan)
    parser.add_argument("orders", metavar="ORDERS", help="order book, a CSV file")
    parser.add_argument("stock", metavar="SHELF", help="what is on the shelf, a CSV file")
    add = parser.add_argument
    add("--palette", metavar="FILE", help="palette file (the demo palette)")
    purse = parser.add_mutually_exclusive_group()
    purse.add_argument("--buy", action="store_true", help="buy whatever is needed (nothing)")
    purse.add_argument("--budget", type=NUMBER, metavar="MONEY", help="buy for so much at most")
    text = "what if this tube runs out; may be repeated"
    add("--without", action="append", default=[], metavar="NAME", help=text)
    text = "write a batch sheet for each order: .html to print, .txt for text"
    add("--save-sheets", metavar="FILE", help=text)
    add("--seconds", type=NUMBER, metavar="SECONDS", help="time for each goal (20)")
    text = "how far off its bound a goal may stay after a quarter of that time (0.001)"
    add("--gap", type=SHARE, metavar="SHARE", help=text)


@contextlib.contextmanager
def _quietly() -> Iterator[None]:
    """Send what the solver's own code prints to the error output: ours may be read as JSON."""
    sys.stdout.flush()
    try:
        ours = os.dup(1)
        os.dup2(2, 1)
    except OSError:  # there is no such output to redirect
        yield
        return
    try:
        yield
    finally:
        os.dup2(ours, 1)
        os.close(ours)


def _plan(args: argparse.Namespace) -> str:
    with called("path", "ORDERS"):
        orders = read_orders(args.orders, **usual_bars(args))
    with called("path", "SHELF"):
        stock = read_stock(args.stock)
    options = given(args, "seconds", "gap")
    buy = args.buy if args.budget is None else args.budget
    with _quietly():
        found = plan(orders, stock, palette=read_palette(args), buy=buy, **options)
        what = found.without(*args.without) if args.without else None
    if args.save_sheets is not None:
        with called("path", "--save-sheets"):
            batch_sheet(found if what is None else what.after).save(
                args.save_sheets, replace=args.replace
            )
    if args.json:
        return json_object(_entries(found, what) | {"saved": args.save_sheets})
    told = shown(what or found)
    if args.save_sheets is not None:
        told += "\n" + wrapped(f"saved in {args.save_sheets}")
    return told


def _entries(found: Plan, what: WhatIf | None) -> dict[str, Any]:
    entries: dict[str, Any] = {}
    if what is not None:
        found = what.after
        entries["without"] = {
            "names": what.names,
            "changes": [
                {"order": name, "was": str(old), "now": str(new)}
                for name, (old, new) in what.changes.items()
            ],
        }
    parts = ("goal", "reached", "bound", "gap", "proved", "message")
    return {
        "poured": [_poured(line) for line in found.poured],
        "left_out": [_left_out(line) for line in found.left_out],
        "buy": [_purchase(p) for p in found.buy],
        "buy_base_g": dict(found.buy_base_g),
        **picked(found, *("money", "value", "proved", "gap", "limited")),
        "unit": found.palette.unit,
        "assumed": found.assumed,
        "use": dict(found.use),
        "left": dict(found.left),
        "stages": [picked(s, *parts) for s in found.stages],
        **entries,
        "cautions": CAUTIONS,
    }


def _poured(line: PouredOrder) -> dict[str, Any]:
    order = line.order
    return {
        "order": order.name,
        "pots": line.pots,
        "among": line.among,
        "use": line.use,
        "cost_per_bar": line.cost.per_bar,
        "value": order.value,
        "due": order.due.isoformat() if order.due else None,
        "spread": spread_entries(line.spread),
        **choice_entries(line.choice),
        "pour": line.recipe.pour.model_dump(),
        "view": order.view.model_dump(),
    }


def _left_out(line: LeftOutOrder) -> dict[str, Any]:
    return {
        "order": line.order.name,
        **picked(line, "reason", "sentence", "proved"),
        "short": dict(line.short),
        "would_take": [_purchase(p) for p in line.would_take],
    }


def _purchase(purchase: Purchase) -> dict[str, Any]:
    return picked(purchase, "pigment", "tubes", "price")
