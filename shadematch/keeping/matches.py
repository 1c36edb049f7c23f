"""A match in a file: its arguments, its results, and the check that they still agree."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Final

import numpy as np
from pydantic import Field

from shadematch.errors import FileError
from shadematch.keeping.forms import DosesEntry, Entry, WeighedEntry, below
from shadematch.matching.asked import checked_asked
from shadematch.matching.match import Match
from shadematch.matching.question import Asked, Choice
from shadematch.matching.robust import expected_of
from shadematch.predicting.readings import checked_readings
from shadematch.search.whole import GAP
from shadematch.studio.palette import Palette
from shadematch.studio.pour import Pour
from shadematch.studio.recipe import LetDown, Recipe
from shadematch.studio.target import Target
from shadematch.studio.unit import check_unit
from shadematch.studio.view import OwnLight, View

__all__ = ["MatchEntry", "in_order"]

_ALIKE: Final = 1e-4
"""CIEDE2000 that the same code may differ by from machine to machine."""
_ALTERED: Final = "The file was altered: match again"

_Apart = Annotated[float, Field(ge=0)]


class ChoiceEntry(Entry):
    """One recipe of a match."""

    doses: DosesEntry
    weighed: tuple[WeighedEntry, ...] = ()
    delta_e: _Apart


class ReadingsEntry(Entry):
    """How far a dose [palette's unit] and a mass of base [g] may be off, either way."""

    dose_slip: _Apart
    scale_g: _Apart


class MatchEntry(Entry):
    """The arguments of `match`, and what the search found."""

    tolerance: _Apart
    max_pigments: int | None
    must_use: tuple[str, ...]
    must_avoid: tuple[str, ...]
    lights: tuple[OwnLight, ...]
    let_downs: tuple[LetDown, ...]
    frugal: ChoiceEntry
    closest: ChoiceEntry
    bound: _Apart
    proved: bool
    frugal_proved: bool
    boxes: Annotated[int, Field(ge=0)]
    readings: ReadingsEntry
    robust: ChoiceEntry | None = None

    @classmethod
    def of(cls, match: Match) -> MatchEntry:
        """The entry of a match."""
        asked, names = match._question.asked, match.palette.names
        return cls.model_construct(
            tolerance=float(match.tolerance),
            max_pigments=None if asked.max_pigments is None else int(asked.max_pigments),
            must_use=tuple(names[i] for i in asked.required),
            must_avoid=tuple(names[i] for i in asked.excluded),
            lights=asked.lights,
            let_downs=asked.let_downs,
            frugal=_entry(match.frugal),
            closest=_entry(match.closest),
            bound=match.bound,
            proved=bool(match.proved),
            frugal_proved=bool(match.frugal_proved),
            boxes=int(match.boxes),
            readings=ReadingsEntry.model_construct(**match.readings._asdict()),
            robust=None if match.robust is None else _entry(match.robust),
        )

    def opened(self, target: Target, palette: Palette, pour: Pour, view: View) -> Match | None:
        """The match, without a new search; None if this version predicts other colours.

        Raises
        ------
        ShadematchError
            If no search could have found this.
        """
        asked = checked_asked(
            palette,
            pour,
            view,
            tolerance=self.tolerance,
            max_pigments=self.max_pigments,
            must_use=self.must_use,
            must_avoid=self.must_avoid,
            lights=self.lights,
            let_downs=self.let_downs,
        )
        if asked.lights and view.illuminant != asked.lights[0]:
            problem = "must begin with the view's"
            raise FileError(problem, field="lights", value=str(asked.lights[0]), remedy=_ALTERED)
        question = asked.question(target)
        frugal, closest = (self._choice(asked, name) for name in ("frugal", "closest"))
        robust = None if self.robust is None else self._choice(asked, "robust")
        # The choice by expectation may be neither nearer nor shorter.
        best = closest if robust is None else robust
        within = best.delta_e + self.tolerance
        for name, value, wrong in (
            ("bound", self.bound, self.bound > closest.delta_e + _ALIKE),
            ("proved", True, self.proved and self.bound < closest.delta_e - GAP - _ALIKE),
            ("closest", str(closest), frugal.delta_e < closest.delta_e - _ALIKE),
            ("frugal", str(frugal), frugal.delta_e > within + _ALIKE),
            ("frugal", str(frugal), frugal.recipe.total > best.recipe.total + _ALIKE),
        ):
            if wrong:
                problem = "contradicts the rest of the match"
                raise FileError(problem, field=name, value=value, remedy=_ALTERED)
        readings = checked_readings(
            self.readings.dose_slip, self.readings.scale_g, pour.batch_g, palette.unit
        )
        whole = [choice for choice in (frugal, closest, robust) if choice is not None]
        if any(abs(question.judged(c) - c.delta_e) > _ALIKE for c in whole):
            return None
        if robust is not None:  # expectations are computed anew
            robust, frugal = expected_of(question, (robust, frugal), readings)
        return Match(
            target=target,
            tolerance=self.tolerance,
            frugal=frugal,
            closest=closest,
            bound=self.bound,
            proved=self.proved,
            frugal_proved=self.frugal_proved,
            boxes=self.boxes,
            _question=question,
            readings=readings,
            robust=robust,
        )

    def _choice(self, asked: Asked, name: str) -> Choice:
        """One of the recipes, checked to be permitted."""
        entry: ChoiceEntry = getattr(self, name)
        palette, pour = asked.palette, asked.pour
        with below(name):
            recipe = in_order(Recipe(entry.doses, pour, entry.weighed, palette.unit), palette)
        counts = asked.steps_of(recipe)
        made = asked.choice(np.rint(counts), entry.delta_e)
        used, most = set(recipe.doses), self.max_pigments
        for problem, wrong in (
            ("a dose is not a multiple of its step", np.abs(np.rint(counts) - counts).max() > 1e-6),
            ("has a let-down that was not available", made.recipe.weighed != recipe.weighed),
            ("has more paste than the load limit", recipe.total > pour.max_total * (1 + 1e-9)),
            ("has too many pigments", most is not None and len(used) > most),
            ("lacks a pigment that must be used", not used.issuperset(self.must_use)),
            ("has a pigment that must be avoided", not used.isdisjoint(self.must_avoid)),
        ):
            if wrong:
                raise FileError(problem, field=name, value=str(recipe), remedy=_ALTERED)
        return made


def _entry(choice: Choice) -> ChoiceEntry:
    recipe = choice.recipe
    return ChoiceEntry.model_construct(
        doses=dict(recipe.doses), weighed=recipe.weighed, delta_e=choice.delta_e
    )


def in_order(given: Recipe, palette: Palette) -> Recipe:
    """The recipe with its doses in the palette's order.

    Raises
    ------
    UnknownNameError, PourError
        If the palette lacks a pigment, or has another unit.
    """
    check_unit(given.unit, palette.unit, "recipe")
    for name in (*given.doses, *(part.let_down.pigment for part in given.weighed)):
        palette.index(name)
    ordered: Mapping[str, float] = {n: given.doses[n] for n in palette.names if n in given.doses}
    return Recipe(ordered, given.pour, given.weighed, given.unit)
