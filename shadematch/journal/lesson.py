"""What a bar taught, and which bar to pour next."""

from __future__ import annotations

import functools
from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from shadematch.colour.colorimetry import lab_to_xyz, xyz_to_hex
from shadematch.colour.difference import delta_e
from shadematch.journal.odd import Explanation
from shadematch.studio.recipe import Recipe
from shadematch.studio.view import View
from shadematch.support.arrays import FloatArray, Triple
from shadematch.support.report import Report, Reported, Row, Swatch, lab_words, rows_of

__all__ = ["Lesson", "NextBar"]

_EXPLAINS = 0.01
"""Least probability for an explanation to be offered."""


@dataclass(frozen=True)
class Lesson(Reported):
    """What one measured bar taught.

    Attributes
    ----------
    event
        Number of the event with the reading.
    batch
        Number of the batch.
    recipe
        What was poured.
    view
        How the bar was looked at.
    measured, expected
        CIELAB in the view: as read, and as expected from all bars before.
    covariance
        Of the expected reading, shape (3, 3), noise of dosing and reading included.
    probability
        Probability that a sound bar is farther from the expected colour, 0 to 1.
    aside
        Whether it was put aside, and taught nothing.
    explanations
        What may have gone wrong with a bar that does not fit, most likely first.
    only_one
        For a bar that was put aside: pastes that no other bar contains.
    known_to
        Relative standard deviation of the strength of each of its pastes, before and after.
    """

    event: int
    batch: int
    recipe: Recipe
    view: View
    measured: Triple
    expected: Triple
    covariance: FloatArray = field(repr=False, compare=False)
    freedom: float = field(repr=False, compare=False)
    probability: float
    aside: bool
    explanations: tuple[Explanation, ...]
    only_one: tuple[str, ...]
    known_to: Mapping[str, tuple[float, float]]

    @property
    def delta_e(self) -> float:
        """CIEDE2000 between measured and expected."""
        return float(delta_e(np.array(self.measured), np.array(self.expected)))

    @property
    def fits(self) -> bool:
        """Whether it was not put aside."""
        return not self.aside

    def contains(self, level: float = 0.9) -> bool:
        """Whether the reading is inside the ellipsoid that a fraction of readings should be in.

        Raises
        ------
        PourError
            If `level` is not a number from 0.5 to 0.999.
        """
        from scipy.stats import f

        from shadematch.support.models import between

        level = between(level, "level", 0.5, 0.999, "0.9 is usual")
        off = np.array(self.measured) - np.array(self.expected)
        far = float(off @ np.linalg.solve(self.covariance, off))
        return bool(far <= 3.0 * f.ppf(level, 3, self.freedom))

    @property
    def why(self) -> str:
        """The best explanation for a bar that does not fit, in words."""
        best = self.explanations[0] if self.explanations else None
        if best is None or best.fits < _EXPLAINS:
            return "nothing simple explains it. Measure it again, or pour it again."
        return f"most likely {best.text} ({best.share:.0%} among the explanations tried)."

    @property
    def sentence(self) -> str:
        """Whether it fits, in words."""
        if self.fits:
            return "It fits, and is learned from."
        return f"It does not fit, and is put aside: {self.why}"

    def report(self) -> Report:
        """Whether it fits, explanations, and what was learnt."""
        rows = [
            Row("batch", f"{self.batch}: {self.recipe}", note=str(self.recipe.pour)),
            Row("measured", lab_words(self.measured)),
            Row("expected", lab_words(self.expected), note=f"CIEDE2000 {self.delta_e:.1f} apart"),
        ]
        if self.fits:
            rows += [
                Row("known to", f"{name}: {after:.0%}", note=f"before {before:.0%}")
                for name, (before, after) in self.known_to.items()
            ]
        for name in self.only_one:
            text = f"no other bar contains {name}: until one does, little is known of it"
            rows.append(Row("mind", text))
        also = [
            f"{e.text} ({e.share:.0%})"
            for e in self.explanations[1:]
            if e.fits >= _EXPLAINS and e.share > 0.05
        ]
        rows += rows_of("or", also)
        if self.aside:
            void = f"void batch {self.batch} (journal void {self.batch}) and add it as it was"
            rows.append(Row("do", f"if it was miscounted, {void}"))
            let_in = f"let batch {self.batch} in (journal let-in {self.batch})"
            rows.append(Row("do", f"if it is right, {let_in}"))
        return Report(
            swatches=(
                Swatch(_hex(self.measured, self.view), "measured"),
                Swatch(_hex(self.expected, self.view), "expected"),
            ),
            rows=tuple(rows),
            notes=(self.sentence,),
            cautions=False,
        )


@dataclass(frozen=True)
class NextBar(Reported):
    """A bar that would teach most.

    Attributes
    ----------
    recipe
        What to pour.
    why
        The reason, in words.
    before, after
        Uncertainty of the colours of ordinary recipes, as root mean square CIEDE2000, now and
        with this bar measured.
    """

    recipe: Recipe
    why: str
    before: float
    after: float

    def report(self) -> Report:
        """What to pour, and what it would teach."""
        recipe, pour = self.recipe.rows
        surer = f"ordinary recipes are known to CIEDE2000 {self.after:.1f}"
        return Report(
            rows=(
                recipe,
                pour,
                Row("measure", "when cold, dry on white paper; add its thickness if not 1 cm"),
                Row("why", self.why),
                Row("then", surer, note=f"now {self.before:.1f}"),
            ),
        )


@functools.lru_cache(maxsize=256)
def _hex(lab: Triple, view: View) -> str:
    white = view.observation.white
    return xyz_to_hex(lab_to_xyz(np.array(lab), white), white)
