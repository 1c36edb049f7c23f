"""The arguments of a match other than the colour, checked."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from shadematch.colour.illuminant import Light
from shadematch.colour.standards import checked_lights
from shadematch.errors import PourError
from shadematch.matching.question import Asked
from shadematch.predicting.prediction import conditions, spelled
from shadematch.studio.palette import Palette
from shadematch.studio.pour import LARGEST_BATCH_G, Pour
from shadematch.studio.recipe import MOST_LET_DOWNS, LetDown
from shadematch.studio.unit import check_unit
from shadematch.studio.view import View
from shadematch.support.models import check_most, expect, is_finite, listed

__all__ = ["checked_asked", "checked_let_downs"]

_LOOSEST: Final = 1000.0
"""Largest tolerance [CIEDE2000], far beyond any two colours; keeps the bounds finite."""


def checked_let_downs(
    let_downs: Sequence[LetDown], palette: Palette, pour: Pour
) -> tuple[LetDown, ...]:
    """Let-downs without repeats.

    Raises
    ------
    UnknownNameError
        If the palette lacks a pigment.
    PourError
        If one is not a let-down, is in another unit than the palette, contains a base that the
        pour lacks, or there are too many.
    """
    if isinstance(let_downs, LetDown):
        let_downs = (let_downs,)
    expect(let_downs, Sequence, "let_downs", "Give a list of LetDown(...)")
    for let_down in let_downs:
        expect(let_down, LetDown, "let_downs", "Give LetDown(pigment=..., paste_per_g=...)")
        check_unit(let_down.unit, palette.unit, "let_downs")
        clear, white = 1 - let_down.white, let_down.white
        fits = (clear == 0 or pour.clear_g > 0) and (white == 0 or pour.white_g > 0)
        if not fits:
            raise PourError(
                "contains a base that the batch lacks",
                field="let_downs",
                value=str(let_down),
                remedy="Make it in the same base as the batch",
            )
    kept = tuple(dict.fromkeys(spelled(let_down, palette) for let_down in let_downs))
    if len(kept) > MOST_LET_DOWNS:
        remedy = f"Give at most {MOST_LET_DOWNS}"
        raise PourError("are too many", field="let_downs", value=len(kept), remedy=remedy)
    return kept


def _names(given: Sequence[str], field: str) -> tuple[str, ...]:
    remedy = "Give a list of pigment names"
    return (given,) if isinstance(given, str) else listed(given, field, remedy)


def checked_asked(
    palette: Palette | None,
    pour: Pour | None,
    view: View | None,
    *,
    tolerance: float,
    max_pigments: int | None,
    must_use: Sequence[str],
    must_avoid: Sequence[str],
    lights: Sequence[Light],
    let_downs: Sequence[LetDown],
) -> Asked:
    """The arguments of `match`, checked, with defaults filled in.

    Raises
    ------
    UnknownNameError
        If the palette lacks a name.
    PourError
        If not even one dose step is permitted, the limits contradict each other, or an argument
        is of the wrong kind.
    """
    palette, pour, view = conditions(palette, pour, view)
    let_downs = checked_let_downs(let_downs, palette, pour)
    if not (is_finite(tolerance) and 0 <= tolerance <= _LOOSEST):
        raise PourError(
            f"must be a number from 0 to {_LOOSEST:,g}",
            field="tolerance",
            value=tolerance,
            remedy="It is a CIEDE2000; 0.5 is invisible to most",
        )
    required, excluded = (
        tuple(sorted({palette.index(name) for name in names}))
        for names in (_names(must_use, "must_use"), _names(must_avoid, "must_avoid"))
    )
    both = set(required) & set(excluded)
    if both:
        problem, remedy = "a pigment can't be both used and avoided", "Remove it from one of them"
        raise PourError(problem, field="must_use", value=palette.names[min(both)], remedy=remedy)
    check_most(max_pigments)
    least = max(1, len(required))
    if max_pigments is not None and max_pigments < least:
        raise PourError(
            "is less than the number of pigments that must be used",
            field="max_pigments",
            value=max_pigments,
            remedy=f"Give a number from {least} to {len(palette.pigments)}",
        )
    smallest = dict.fromkeys(palette.names, pour.dose_step)
    for let_down in let_downs:
        smallest[let_down.pigment] = min(smallest[let_down.pigment], let_down.paste_per_step)
    wanted = sum(smallest[palette.names[at]] for at in required)
    if not (required or let_downs):
        wanted = pour.dose_step
    if wanted > pour.max_total * (1 + 1e-9):
        needed = wanted * 100.0 / pour.max_load
        other = "allow a higher load or a smaller dose step"
        many = needed > LARGEST_BATCH_G
        raise PourError(
            f"is too small for {wanted:g} {palette.unit} of paste under the load limit",
            field="batch_g",
            value=pour.batch_g,
            remedy=other.capitalize() if many else f"Melt at least {needed:g} g, or {other}",
        )
    return Asked(
        palette=palette,
        pour=pour,
        view=view,
        max_pigments=max_pigments,
        required=required,
        excluded=excluded,
        lights=checked_lights(lights),
        let_downs=let_downs,
    )
