"""The result of a correction: the strengths in a batch, and what to add."""

from __future__ import annotations

import functools
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Final, Literal

import numpy as np

from shadematch.colour.expected import how_seen
from shadematch.correction.addition import Addition, addition_of, described
from shadematch.correction.additions import Additions
from shadematch.correction.belief import BatchBelief
from shadematch.predicting.prediction import loads_of
from shadematch.predicting.readings import told_apart
from shadematch.studio.palette import Palette
from shadematch.studio.pour import LARGEST_BATCH_G
from shadematch.studio.recipe import LetDown, Recipe
from shadematch.studio.target import Target
from shadematch.support.arrays import FloatArray, triple
from shadematch.support.models import between, expect
from shadematch.support.report import Report, Reported, Row, Swatch, lab_words, rows_of

__all__ = ["Correction", "Strength"]

REMELTING: Final = (
    "Melt the batch again slowly and stir the addition in well; each melting dries the soap, "
    "so weigh it again and cover it."
)
_STRANGE: Final = 0.001
"""Probability below which a measurement is doubtful."""

Status = Literal["near enough", "can be saved", "can't be saved"]


@dataclass(frozen=True)
class Strength:
    """How strong a paste, a let-down or the white base is.

    Attributes
    ----------
    name
        Name of the paste, or "white base", or such as "gorse let-down" (how strong it was made,
        beside the strength of its paste).
    factor
        Most likely strength; 1 is as in the palette.
    low, high
        One standard deviation either way.
    sd
        Standard deviation of the logarithm of the strength.
    """

    name: str
    factor: float
    low: float
    high: float
    sd: float

    def __str__(self) -> str:
        """In plain words."""
        how = "strong" if self.factor > 1 else "weak"
        off = abs(self.factor - 1)
        words = f"{off:.0%} {how}" if off >= 0.005 else "as expected"
        return f"{self.name}: {words} ({self.low - 1:+.0%} to {self.high - 1:+.0%})"


@dataclass(frozen=True)
class Correction(Reported):
    """What is really in a batch, and what to add to it.

    Attributes
    ----------
    recipe
        The contents of the batch, as read off ruler and scale.
    measured, target, within
        The measured and the wanted colour, and the CIEDE2000 that is near enough.
    measured_delta_e
        CIEDE2000 of the measured colour to the target.
    believed_lab, believed_delta_e
        The most likely colour, given measurement and model, and its CIEDE2000.
    smallest
        The smallest addition that comes near enough: least paste, then least base, then closest;
        None if there is none.
    proved
        Whether it is proved that no smaller addition, or none at all, comes near enough.
    surprise
        Probability of a measurement at least this far from the expected one. Below 0.001
        something else went wrong: a miscount, a wrong tube, a bad measurement.
    made
        What was added instead of the advice; see `added`.
    """

    recipe: Recipe
    measured: Target
    target: Target
    within: float
    measured_delta_e: float
    believed_lab: tuple[float, float, float]
    believed_delta_e: float
    smallest: Addition | None
    proved: bool
    surprise: float
    _belief: BatchBelief = field(repr=False, compare=False)
    _additions: Additions = field(repr=False, compare=False)
    _before: Correction | None = field(repr=False, compare=False)
    _covariance: FloatArray = field(repr=False, compare=False)
    made: Addition | None = None

    @property
    def status(self) -> Status:
        """``"near enough"``, ``"can be saved"`` or ``"can't be saved"``."""
        if self.smallest is None:
            return "can't be saved"
        return "near enough" if self.smallest.nothing else "can be saved"

    @functools.cached_property
    def closest(self) -> Addition:
        """The closest addition, whatever its size."""
        return self._best[0]

    @property
    def bound(self) -> float:
        """No permitted addition has a smaller CIEDE2000."""
        return self._best[1]

    @functools.cached_property
    def _best(self) -> tuple[Addition, float]:
        sought = self._additions.closest()
        return addition_of(self._additions, self.recipe, sought, self.target), sought.bound

    @property
    def advice(self) -> Addition:
        """The smallest addition, or the closest if the batch can't be saved."""
        return self.closest if self.smallest is None else self.smallest

    @property
    def rounds(self) -> tuple[Correction, ...]:
        """All corrections of this batch up to this one."""
        return (*(() if self._before is None else self._before.rounds), self)

    @property
    def taken(self) -> Addition:
        """What was added: what `added` says, or else the advice; nothing while in doubt."""
        if self.made is not None:
            return self.made
        return self.added({}).taken if self.doubtful else self.advice

    def added(
        self, doses: Mapping[str, float], *, clear_g: float = 0.0, white_g: float = 0.0
    ) -> Correction:
        """The correction after something other than the advice was added.

        Parameters
        ----------
        doses
            Paste that was added [palette's unit].
        clear_g, white_g
            Base that was added [g]; clear, or the named base that the batch is in.

        Raises
        ------
        UnknownNameError, PourError
            If the palette lacks a name, or a dose or mass is out of range.
        """
        belief, pour = self._belief, self.recipe.pour
        expect(doses, Mapping, "doses", "Give names and doses, such as {'gorse': 2}")
        amounts = loads_of(doses, belief.palette, pour) * (pour.batch_g / 100.0)
        for name, value in (("clear_g", clear_g), ("white_g", white_g)):
            between(value, name, 0.0, LARGEST_BATCH_G, "Give the mass of base that was added, in g")
        base_g = (float(clear_g), float(white_g))
        then = belief.after(amounts, np.array(base_g))
        lab = then.lab(then.mean[None])[0]
        return replace(
            self,
            made=described(
                belief=belief,
                recipe=self.recipe,
                amounts=amounts,
                base_g=base_g,
                lab=lab,
                aim=self._aim,
                target=self.target,
            ),
        )

    @property
    def _aim(self) -> FloatArray:
        return self._additions.target

    @property
    def doubtful(self) -> bool:
        """Whether the measurement does not fit the recipe and should not be learned from."""
        return self.surprise < _STRANGE

    @property
    def strengths(self) -> tuple[Strength, ...]:
        """Strengths of pastes, let-downs and white base in the batch, most significant first."""
        belief, recipe = self._belief, self.recipe
        rows = [
            _strength(name, float(f), float(sd))
            for name, f, sd in zip(
                belief.palette.names, belief.strengths, belief.strength_sd, strict=True
            )
            if name in recipe.doses
        ]
        names = told_apart([d.let_down for d in belief.let_downs])
        for name, f, sd in zip(names, *belief.made_strengths, strict=True):
            rows.append(_strength(name, float(f), float(sd)))
        if recipe.pour.white > 0:
            rows.append(_strength("white base", *belief.white_strength))
        return tuple(sorted(rows, key=lambda s: -abs(np.log(s.factor)) / max(s.sd, 1e-12)))

    @functools.cached_property
    def palette(self) -> Palette:
        """The palette with the strengths learned here, for the next batch from these tubes."""
        return self._belief.palette_learned()

    @property
    def let_downs(self) -> tuple[LetDown, ...]:
        """The let-downs in the batch as they were most likely made, for the next bar.

        The strength of their pastes is in `palette`.
        """
        belief = self._belief
        return tuple(
            d.let_down.model_copy(update={"paste_per_g": d.let_down.paste_per_g * float(factor)})
            for d, factor in zip(belief.let_downs, belief.made_strengths[0], strict=True)
        )

    @property
    def unexplained_lab(self) -> tuple[float, float, float]:
        """The part of the error ascribed to the model [CIELAB]."""
        return triple(self._belief.shift)

    @property
    def proof(self) -> str:
        """What is proved, in words."""
        if self.smallest is None:
            best = f"the closest is {self.closest.delta_e:.2f}"
            if self.proved:
                return f"no permitted addition comes within {self.within:g}; {best}"
            return f"none was found within {self.within:g}, which is not proved; {best}"
        if self.smallest.nothing:
            return "it is near enough as it is"
        if self.proved:
            return f"no smaller addition comes within {self.within:g}"
        return "the search stopped early: a smaller addition may do"

    def report(self, *, anyway: bool = False) -> Report:
        """What is in the batch, what to add, and the result.

        Parameters
        ----------
        anyway
            Give the addition even if the measurement that it rests on is doubtful.
        """
        if self.doubtful and not anyway:
            return self._doubted()
        advice, view = self.advice, self._belief.view
        now, then = (
            Target(lab, view.illuminant, view.observer) for lab in (self.believed_lab, advice.lab)
        )
        learned = [_DOUBT] if self.doubtful else map(str, self.strengths)
        rows = [
            Row("batch", f"{self.recipe}, into {self.recipe.pour}"),
            Row(
                "measured",
                f"CIEDE2000 {self.measured_delta_e:.2f} to the target",
                swatch=Swatch.of(self.target),
            ),
            Row("believed", f"{lab_words(now.lab)}, CIEDE2000 {self.believed_delta_e:.2f}"),
            *rows_of("doubt" if self.doubtful else "strength", learned),
            Row("verdict", self.status),
            Row("best is" if self.smallest is None else "add", str(advice)),
            Row(
                "then",
                f"{lab_words(then.lab)}, CIEDE2000 {advice.delta_e:.2f}",
                swatch=Swatch.of(then),
            ),
            Row("as poured", advice.within, note=how_seen(advice.p90)),
            Row("spread", advice.mainly),
            Row("proof", self.proof),
            *([] if advice.nothing else [Row("care", REMELTING)]),
        ]
        return Report(
            swatches=(
                Swatch.of(self.target, "wanted"),
                Swatch.of(now, "is now"),
                Swatch.of(then, "afterwards"),
            ),
            rows=tuple(rows),
        )

    def _doubted(self) -> Report:
        """The report on a doubtful measurement."""
        view = self._belief.view
        seen = Target(triple(self.measured.lab_in(view)), view.illuminant, view.observer)
        return Report(
            swatches=(Swatch.of(self.target, "wanted"), Swatch.of(seen, "measured")),
            rows=(
                Row("batch", f"{self.recipe}, into {self.recipe.pour}"),
                Row(
                    "measured",
                    f"{lab_words(seen.lab)}, CIEDE2000 {self.measured_delta_e:.2f} to the target",
                ),
                Row("doubt", _DOUBT),
                Row("add", "nothing while the measurement is in doubt"),
            ),
        )


_DOUBT: Final = (
    "The measurement does not fit this recipe. Check the doses, the tubes, the white "
    "fraction, the thickness and the measurement before adding anything."
)


def _strength(name: str, factor: float, sd: float) -> Strength:
    return Strength(name, factor, factor * float(np.exp(-sd)), factor * float(np.exp(sd)), sd)
