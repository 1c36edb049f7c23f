"""A match whose colours have the ranges of a calibration."""

from __future__ import annotations

from dataclasses import dataclass

from shadematch.calibration.intervals import Interval
from shadematch.matching.match import Match
from shadematch.studio.recipe import Recipe
from shadematch.support.html import card

__all__ = ["CalibratedMatch"]


@dataclass(frozen=True)
class CalibratedMatch:
    """A match with the range that its colours will fall in.

    Attributes
    ----------
    match
        The doses; see `shadematch.Match`.
    frugal, closest
        Ranges of the colours of the two choices, and of their CIEDE2000 to the target.
    unit
        Of the doses: those of a calibration by weight are grams, although a `Recipe` calls its
        doses cm; `doses` does not.
    """

    match: Match
    frugal: Interval
    closest: Interval
    unit: str = "cm"

    @property
    def recipe(self) -> Recipe:
        """The frugal choice's recipe."""
        return self.match.recipe

    def __str__(self) -> str:
        """In plain words."""
        text = f"{self.match}\nrange      {self.frugal}"
        if self.unit != "cm":
            text += f"\nweigh      {self._weighed()}: doses are in {self.unit}, not in cm"
        return text

    @property
    def doses(self) -> dict[str, float]:
        """The frugal choice's doses, in `unit`."""
        return dict(self.recipe.doses)

    def _weighed(self) -> str:
        return ", ".join(f"{dose:g} {self.unit} {name}" for name, dose in self.doses.items())

    def _repr_html_(self) -> str:
        weighed = (
            ""
            if self.unit == "cm"
            else card(
                [], [("weigh", self._weighed())], foot=f"Doses are in {self.unit}, not in cm."
            )
        )
        return weighed + self.match._repr_html_() + self.frugal._repr_html_()
