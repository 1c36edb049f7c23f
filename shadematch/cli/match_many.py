"""``shadematch match-many``: a catalogue of wanted colours, each matched.

With ``--json``: ``matches``, a list of {source, target, doses, unit, total, delta_e, half_within,
nine_in_ten_within, bound, proved, predicted}, colours as codes and ranges as
`shadematch.save_results` has them; ``pour``, ``view``; ``saved``, the table or null; ``cautions``.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from contextlib import nullcontext
from typing import Any

import numpy as np

from shadematch.cli.amounts import COUNT, NUMBER
from shadematch.cli.conditions import add_conditions, pour_and_view, read_palette
from shadematch.cli.entries import picked
from shadematch.cli.parsing import Verbs, called, given
from shadematch.cli.printing import json_object, shown, terminal
from shadematch.keeping.results import result_columns, save_results
from shadematch.keeping.target_tables import read_targets
from shadematch.matching.many import match_many
from shadematch.matching.match import Match
from shadematch.support.cautions import CAUTIONS
from shadematch.support.report import Report, Row, Swatch, Table

__all__ = ["add_verb"]


def add_verb(verb: Verbs) -> None:
    """Add the verb."""
    parser = verb("match-many", _match_many)
    text = "wanted colours: a CSV with a column hex, or L, a, b, or X, Y, Z, or spectra; or .json"
    parser.add_argument("targets", metavar="FILE", help=text)
    add = parser.add_argument
    add("--save", metavar="FILE", help="the results as a table: .csv or .parquet")
    add(
        "--tolerance", type=NUMBER, metavar="CIEDE2000", help="worse than the closest at most (0.5)"
    )
    add("--max-pigments", type=COUNT, metavar="COUNT", help="most pigments in a recipe")
    add("--workers", type=COUNT, metavar="COUNT", help="processes to work in (1)")
    add_conditions(parser)


def _match_many(args: argparse.Namespace) -> str:
    with called("path", "FILE"):
        targets = read_targets(args.targets)
    pour, view = pour_and_view(args)
    many = args.workers is not None and args.workers > 1
    with ProcessPoolExecutor(args.workers) if many else nullcontext() as pool:
        matches = match_many(
            targets,
            palette=read_palette(args),
            pour=pour,
            view=view,
            **given(args, "tolerance", "max_pigments"),
            executor=pool,
        )
        kept: list[Match] = []
        if args.save is None:
            kept = list(_followed(matches, len(targets)))
        else:
            with called("path", "--save"):
                stream = _remembered(_followed(matches, len(targets)), kept)
                save_results(stream, args.save, replace=args.replace)
    if args.json:
        return json_object(
            {
                "matches": [
                    _entry(each, *within) for each, within in zip(kept, _within(kept), strict=True)
                ],
                "pour": pour.model_dump(),
                "view": view.model_dump(),
                "saved": args.save,
                "cautions": CAUTIONS,
            }
        )
    saved = [] if args.save is None else [f"saved in {args.save}"]
    return shown(_report(kept), *saved)


def _followed(matches: Iterator[Match], count: int) -> Iterator[Match]:
    """The matches, counted on the error output if it runs in a terminal."""
    watched = terminal() and sys.stderr is not None
    for number, match in enumerate(matches, start=1):
        if watched and (number % 100 == 0 or number == count):
            print(f"\r{number} of {count}", end="\n" if number == count else "", file=sys.stderr)
        yield match


def _remembered(matches: Iterator[Match], kept: list[Match]) -> Iterator[Match]:
    for match in matches:
        kept.append(match)
        yield match


def _within(matches: list[Match]) -> list[tuple[float, float]]:
    """What each stays within half the time and nine times in ten."""
    if not matches:
        return []
    found = result_columns(matches)
    half, nine = (found[name].tolist() for name in ("half_within", "nine_in_ten_within"))
    return list(zip(half, nine, strict=True))


def _entry(match: Match, half: float, nine: float) -> dict[str, Any]:
    return {
        "source": match.target.source,
        "target": match.target.hex,
        "doses": dict(match.recipe.doses),
        "unit": match.recipe.unit,
        "total": match.recipe.total,
        "delta_e": match.delta_e,
        "half_within": half,
        "nine_in_ten_within": nine,
        **picked(match, "bound", "proved"),
        "predicted": match.predicted.hex,
    }


def _report(matches: list[Match]) -> Report:
    """A line for each, and how near they come in all."""
    if not matches:
        return Report(title="no colours", cautions=False)
    away = np.array([match.delta_e for match in matches])
    rows = tuple(
        (
            *(m.target.source, m.target.hex, str(m.recipe)),
            *(f"{m.delta_e:.2f}", f"{half:.1f}", f"{nine:.1f}", m.predicted.hex),
        )
        for m, (half, nine) in zip(matches, _within(matches), strict=True)
    )
    head = ("", "wanted", "recipe", "CIEDE2000", "half within", "nine in ten", "predicted")
    worst = matches[int(away.argmax())]
    return Report(
        tables=(Table(head, rows, frozenset({3, 4, 5})),),
        rows=(
            Row("colours", f"{len(matches)}, each in {matches[0].pour}"),
            Row(
                "within 1", f"{np.mean(away <= 1):.0%}", note=f"within 2: {np.mean(away <= 2):.0%}"
            ),
            Row(
                "CIEDE2000",
                f"median {np.median(away):.2f}, at worst {away.max():.2f}",
                swatch=Swatch.of(worst.target),
            ),
            *matches[0].palette.notice_rows,
        ),
    )
