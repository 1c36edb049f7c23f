"""What a gamut answers: the nearest colour, its volume, how much of a set it covers."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final

import numpy as np

from shadematch.matching.question import Choice
from shadematch.studio.target import Target
from shadematch.support.arrays import FloatArray
from shadematch.support.charts import bars
from shadematch.support.report import Report, Reported, Row, Swatch

__all__ = ["GAP", "Coverage", "Nearest", "Volume", "known_rows"]

GAP: Final = 0.1
"""CIEDE2000 between what was found and a floor, up to which the first is proved."""


def known_rows(target: Target) -> tuple[Row, ...]:
    """What to mind of a target that is known badly: its best estimate is what is decided about."""
    if target.covariance is None:
        return ()
    text = f"that is about the best estimate; the colour lies within {target.radius:.1f} of it"
    return (Row("known", text, note="CIEDE2000, nine times in ten"),)


@dataclass(frozen=True)
class Nearest(Reported):
    """The nearest colour that can be made, dose steps left aside.

    Attributes
    ----------
    target
        What was asked.
    choice
        The recipe, its doses real numbers, and its CIEDE2000.
    bound
        A floor: no recipe of real-valued doses has a smaller CIEDE2000. Zero where nothing can
        be proved (pigments that scatter).
    """

    target: Target
    choice: Choice
    bound: float

    @property
    def delta_e(self) -> float:
        """CIEDE2000 to the target; zero where the target itself can be made."""
        return self.choice.delta_e

    @property
    def proved(self) -> bool:
        """Whether `delta_e` is within 0.1 of the floor."""
        return self.delta_e - self.bound <= GAP

    @property
    def sentence(self) -> str:
        """The answer in words."""
        if self.delta_e == 0.0:
            return f"{self.target.hex} can be made"
        standing = (
            f"nothing comes below {self.bound:.2f}" if self.proved else "by search, not proved"
        )
        code = self.choice.predicted.hex
        return f"nearest to {self.target.hex} is {code}: CIEDE2000 {self.delta_e:.2f} ({standing})"

    def report(self) -> Report:
        """The answer, and the recipe that shows it."""
        recipe = self.choice.recipe
        doses = tuple(f"{dose:.2f} {recipe.unit} {name}" for name, dose in recipe.doses.items())
        return Report(
            title=self.sentence,
            swatches=(
                Swatch.of(self.target, "wanted"),
                Swatch.of(self.choice.predicted, "nearest"),
            ),
            rows=(
                Row("with", doses or ("no paste at all",), note="before doses are made whole"),
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
        In cubes of one CIELAB unit.
    error
        Two standard errors of the random sample it was estimated from.
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
        Share of the set whose nearest colour is at most `within` away, 0 to 1.
    within
        CIEDE2000 that counts as made.
    distances
        CIEDE2000 of the nearest colour that was found to each, shape (t,).
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
        """The answer, also for other limits."""
        limits = sorted({0.0, 1.0, 2.0, 5.0, 10.0, self.within})
        shares = {f"within {limit:g}": float(np.mean(self.distances <= limit)) for limit in limits}
        lengths = [("all", 1.0, "100%"), *((n, v, f"{v:.1%}") for n, v in shares.items())]
        return Report(
            title=self.sentence,
            pictures=(bars(lengths, "the share that comes so near"),),
            details=tuple(Row(name, f"{share:.1%}") for name, share in shares.items()),
            notes=("CIEDE2000, before doses are made whole.",),
            cautions=False,
        )
