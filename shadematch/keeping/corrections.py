"""A batch between two rounds of correction, in a file.

The second round needs what the first one learned. The file holds what was poured and, for each
round, the arguments of `correct`, its advice, and what was added instead. The belief about the
batch follows from these and is recomputed when the file is read.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Annotated, Any, Final

import numpy as np
from pydantic import Field, TypeAdapter

from shadematch.correction.addition import Addition
from shadematch.correction.additions import BaseKind, Sought
from shadematch.correction.belief import Priors
from shadematch.correction.correct import MeasuredBatch, MostAdded, after, begun, judged
from shadematch.correction.results import Correction
from shadematch.errors import FileError
from shadematch.keeping.forms import (
    DosesEntry,
    Entry,
    FromFields,
    PaletteEntry,
    RecipeEntry,
    TargetEntry,
    entries_of,
    made_from,
)
from shadematch.keeping.matches import in_order
from shadematch.predicting.readings import checked_readings
from shadematch.studio.covariance import Covariance
from shadematch.studio.palette import Palette
from shadematch.studio.pour import LARGEST_BATCH_G, Pour
from shadematch.studio.view import View

__all__ = ["correction_of", "entries_of_correction"]

_ALTERED: Final = "The file was altered: correct again"
_Grams = Annotated[float, Field(ge=0, le=LARGEST_BATCH_G)]


class _AdditionEntry(Entry):
    """What is added; the rest of an `Addition` is recomputed."""

    doses: DosesEntry
    clear_g: _Grams
    white_g: _Grams

    @classmethod
    def of(cls, addition: Addition | None) -> _AdditionEntry | None:
        if addition is None:
            return None
        return cls.model_construct(
            doses=dict(addition.doses), clear_g=addition.clear_g, white_g=addition.white_g
        )


class _RoundEntry(Entry):
    asked: Annotated[
        MeasuredBatch,
        FromFields(measured=TargetEntry, target=TargetEntry, covariance=Covariance),
    ]
    limits: Annotated[MostAdded, FromFields(bases=tuple[BaseKind, ...], must_avoid=tuple[str, ...])]
    advice: _AdditionEntry | None
    proved: bool
    made: _AdditionEntry | None


class _BatchEntry(Entry):
    recipe: RecipeEntry
    made: tuple[Annotated[float, Field(gt=0, le=1e7)], ...]
    """Paste that went into each of the recipe's let-downs when it was made [palette's unit]."""
    view: View
    priors: Annotated[Priors, FromFields()]
    rounds: Annotated[tuple[_RoundEntry, ...], Field(min_length=1, max_length=100)]
    palette: PaletteEntry


_FORM: Final = TypeAdapter(_BatchEntry)


def entries_of_correction(correction: Correction) -> dict[str, Any]:
    """The entries of a batch in a file, from its last correction."""
    first, belief = correction.rounds[0], correction._belief
    paste = {dosed.let_down: dosed.paste for dosed in belief.let_downs}
    rounds = []
    for one in correction.rounds:
        additions, names = one._additions, belief.palette.names
        limits = MostAdded(
            additions.max_load,
            additions.pot_g,
            additions.bases,
            additions.base_step_g,
            tuple(names[i] for i in additions.excluded),
        )
        rounds.append(
            _RoundEntry.model_construct(
                asked=MeasuredBatch(one.measured, one.target, one._covariance, one.within),
                limits=limits,
                advice=_AdditionEntry.of(one.smallest),
                proved=bool(one.proved),
                made=_AdditionEntry.of(one.made if one is correction else one.taken),
            )
        )
    batch = _BatchEntry.model_construct(
        recipe=first.recipe,
        made=tuple(paste[part.let_down] for part in first.recipe.weighed),
        view=belief.view,
        priors=belief.priors,
        rounds=tuple(rounds),
        palette=belief.palette,
    )
    return entries_of(_FORM, batch)


def correction_of(content: dict[str, Any]) -> Correction:
    """The last correction of the batch that a file holds.

    Raises
    ------
    ShadematchError
        Naming the entry that is wrong.
    """
    batch = made_from(_FORM, content)
    palette, priors = batch.palette, batch.priors
    recipe = in_order(batch.recipe, palette)
    if len(batch.made) != len(recipe.weighed):
        raise FileError(
            "needs one entry for each let-down", field="made", value=batch.made, remedy=_ALTERED
        )
    checked_readings(priors.dose_slip, priors.scale_g, recipe.pour.batch_g, palette.unit)
    made = {p.let_down: paste for p, paste in zip(recipe.weighed, batch.made, strict=True)}
    belief = begun(recipe, palette, batch.view, priors, made.get)
    last: Correction | None = None
    for number, entry in enumerate(batch.rounds):
        field = f"rounds.{number}.advice"
        if last is not None:
            recipe, belief = after(last)
        known = _sought(entry, palette, recipe.pour, field)
        last = judged(
            entry.asked, entry.limits, poured=recipe, belief=belief, before=last, known=known
        )
        if last.smallest is not None and last.smallest.delta_e > last.within * (1 + 1e-6):
            advice = str(last.smallest)
            raise FileError("is not near enough", field=field, value=advice, remedy=_ALTERED)
        if added := entry.made:
            last = last.added(added.doses, clear_g=added.clear_g, white_g=added.white_g)
    assert last is not None  # there is at least one round
    return last


def _sought(of: _RoundEntry, palette: Palette, pour: Pour, field: str) -> Sought:
    """What the search found in a round; its CIEDE2000 is recomputed."""
    entry = of.advice
    nothing = Sought(
        steps=None, delta_e=np.inf, bound=0.0, proved=of.proved, boxes=0, base_g=(0.0, 0.0)
    )
    if entry is None:
        return nothing
    for name in entry.doses:
        palette.index(name)
    counts = np.array([entry.doses.get(n, 0.0) / pour.dose_step for n in palette.names])
    steps = np.rint(counts)
    if counts.min() < 0 or np.abs(steps - counts).max() > 1e-6:
        raise FileError(
            "a dose is not a multiple of the dose step",
            field=f"{field}.doses",
            value=entry.doses,
            remedy=f"It is {pour.dose_step:g} {palette.unit}",
        )
    masses = (entry.clear_g, entry.white_g)
    return replace(nothing, steps=steps.astype(np.intp), delta_e=0.0, base_g=masses)
