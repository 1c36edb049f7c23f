"""The subjects of a plan's sheets: one for each order."""

from __future__ import annotations

from dataclasses import dataclass

from shadematch._version import __version__
from shadematch.errors import PourError
from shadematch.keeping.saved import SavedRecipe
from shadematch.planning.result import Plan, PouredOrder
from shadematch.studio.bars import LOSS, bars_in_words

__all__ = ["Subject", "subjects_of"]


@dataclass(frozen=True)
class Subject:
    """The subject of one sheet.

    Attributes
    ----------
    saved
        The recipe.
    title
        The default heading.
    remark
        What to know before starting; mostly empty.
    bars, bar_g, loss
        Bars from the batch, the mass of each [g], and the share that stays in the pot.
    """

    saved: SavedRecipe
    title: str = ""
    remark: str = ""
    bars: int | None = None
    bar_g: float | None = None
    loss: float = LOSS


def subjects_of(result: Plan | PouredOrder) -> tuple[Subject, ...]:
    """One for each order that is poured; a `PourError` if none is."""
    lines = result.poured if isinstance(result, Plan) else (result,)
    if not lines:
        raise PourError(
            "pours no order",
            field="result",
            value=f"{len(result.lines) if isinstance(result, Plan) else 0} left out",
            remedy="See what is left out, and why; buying tubes or base may help",
        )
    return tuple(map(_subject, lines))


def _subject(line: PouredOrder) -> Subject:
    order, seen = line.order, line.predicted
    saved = SavedRecipe(
        note="",
        recipe=line.recipe,
        view=order.view,
        lab=seen.lab,
        target=order.target,
        delta_e=None if order.target is None else line.delta_e,
        match=None,
        library=__version__,
        palette=line.choice._palette,
    )
    return Subject(
        saved=saved,
        title=order.name,
        remark=_remark(line),
        bars=order.bars_each,
        bar_g=None if order.bars_each is None else order.bar_g,
        loss=order.loss,
    )


def _remark(line: PouredOrder) -> str:
    """How often this batch is made, and when it is due."""
    order = line.order
    parts = []
    if line.pots > 1:
        parts.append(f"Make {line.pots} batches like this.")
    if order.bars is not None and order.bars_each is not None:
        made = order.bars_each * line.pots
        if line.pots > 1 or made != order.bars:
            parts.append(f"{bars_in_words(made, order.bar_g)} in all, {order.bars} ordered.")
    if order.due is not None:
        parts.append(f"Due {order.due.isoformat()}.")
    return " ".join(parts)
