"""Results of a gamut: the nearest colour, the volume, the coverage of a set of colours."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final

import numpy as np

from shadematch.errors import PourError
from shadematch.matching.question import Choice
from shadematch.studio.target import Target
from shadematch.support.arrays import FloatArray
from shadematch.support.charts import bars
from shadematch.support.models import is_finite
from shadematch.support.report import Report, Reported, Row, Swatch

__all__ = ["SOLID_GAP", "Coverage", "Nearest", "Volume", "checked_within", "known_rows"]

SOLID_GAP: Final = 0.1
"""Largest CIEDE2000 between a result and its floor for the result to count as proved."""


def checked_within(within: object) -> float:
    """A CIEDE2000 from 0.

    Raises
    ------
    PourError
        If it is not a finite number from 0.
    """
    if not is_finite(within) or within < 0:
        problem = "must be a number from 0"
        raise PourError(problem, field="within", value=within, remedy="In CIEDE2000")
    return float(within)


def known_rows(target: Target) -> tuple[Row, ...]:
    """A row that says how well the target is known, if it has a covariance."""
    if target.covariance is None:
        return ()
    text = f"this is about the best estimate; the colour is within {target.radius:.1f} of it"
    return (Row("known", text, note="CIEDE2000, nine times in ten"),)


@dataclass(frozen=True)
class Nearest(Reported):
    """The nearest colour that can be made with real-valued doses.

    Attributes
    ----------
    target
        The wanted colour.
    choice
        The recipe, with real-valued doses, and its CIEDE2000.
    bound
        No real-valued recipe has a smaller CIEDE2000; 0 if nothing can be proved (pigments that
        scatter).
    """

    target: Target
    choice: Choice
    bound: float

    @property
    def delta_e(self) -> float:
        """CIEDE2000 to the target; 0 if the target itself can be made."""
        return self.choice.delta_e

    @property
    def proved(self) -> bool:
        """Whether `delta_e` is within 0.1 of the floor."""
        return self.delta_e - self.bound <= SOLID_GAP

    @property
    def sentence(self) -> str:
        """The answer in words."""
        if self.delta_e == 0.0:
            return f"{self.target.hex} can be made"
        proof = f"none is below {self.bound:.2f}" if self.proved else "by search, not proved"
        code = self.choice.predicted.hex
        return f"nearest to {self.target.hex} is {code}: CIEDE2000 {self.delta_e:.2f} ({proof})"

    def report(self) -> Report:
        """The answer and its recipe."""
        recipe = self.choice.recipe
        doses = tuple(f"{dose:.2f} {recipe.unit} {name}" for name, dose in recipe.doses.items())
        return Report(
            title=self.sentence,
            swatches=(
                Swatch.of(self.target, "wanted"),
                Swatch.of(self.choice.predicted, "nearest"),
            ),
            rows=(
                Row("with", doses or ("no paste at all",), note="free doses"),
                Row("into", str(recipe.pour)),
                *known_rows(self.target),
            ),
        )


@dataclass(frozen=True)
class Volume:
    """Volume of a gamut.

    Attributes
    ----------
    value
        Volume [CIELAB cubed].
    error
        Two standard errors of its estimate from a random sample [CIELAB cubed].
    """

    value: float
    error: float

    def __str__(self) -> str:
        """In plain words."""
        return f"{self.value:,.0f} ± {self.error:,.0f} cubic units of CIELAB"


@dataclass(frozen=True)
class Coverage(Reported):
    """How much of a set of colours can be made.

    Attributes
    ----------
    share
        Fraction of the set whose nearest colour is at most `within` away, 0 to 1.
    within
        CIEDE2000 that counts as made.
    distances
        CIEDE2000 of each colour to the nearest one found, shape (t,).
    """

    share: float
    within: float
    distances: FloatArray = field(repr=False, compare=False)

    @property
    def sentence(self) -> str:
        """The answer in words."""
        return (
            f"{self.share:.1%} of {len(self.distances):,} colours within CIEDE2000 {self.within:g}"
        )

    def report(self) -> Report:
        """The answer, for other limits too."""
        limits = sorted({0.0, 1.0, 2.0, 5.0, 10.0, self.within})
        shares = {f"within {limit:g}": float(np.mean(self.distances <= limit)) for limit in limits}
        lengths = [("all", 1.0, "100%"), *((n, v, f"{v:.1%}") for n, v in shares.items())]
        return Report(
            title=self.sentence,
            pictures=(bars(lengths, "fraction of the colours"),),
            details=tuple(Row(name, f"{share:.1%}") for name, share in shares.items()),
            notes=("CIEDE2000, with free doses.",),
            cautions=False,
        )
