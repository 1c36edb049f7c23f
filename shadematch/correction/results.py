"""What is found of a batch that came out off: its strengths, and what to add."""

from __future__ import annotations

import functools
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from types import MappingProxyType
from typing import Final, Literal

import numpy as np

from shadematch.colour.colorimetry import lab_to_xyz, srgb_to_hex, xyz_to_srgb
from shadematch.colour.difference import delta_e
from shadematch.colour.expected import nine_in_ten, normal_points, root_of
from shadematch.correction.additions import Additions, Sought
from shadematch.correction.belief import Belief
from shadematch.predicting.prediction import loads_of
from shadematch.predicting.readings import told_apart
from shadematch.studio.palette import Palette
from shadematch.studio.pour import LARGEST_BATCH_G
from shadematch.studio.recipe import LetDown, Recipe
from shadematch.studio.target import Target
from shadematch.support.arrays import FloatArray, triple
from shadematch.support.models import between, expect
from shadematch.support.report import Report, Reported, Row, Swatch, lab_words, rows_of

__all__ = ["Addition", "Correction", "Strength", "addition_of"]

REMELTING: Final = (
    "Melt the batch again slowly and stir the addition in well; each melting dries the soap, "
    "so weigh it again and cover it."
)
_STRANGE: Final = 0.001
"""Probability below which a measurement is doubted."""
_DRAWS: Final = 1024

Status = Literal["near enough", "can be saved", "can't be saved"]


@dataclass(frozen=True)
class Strength:
    """How strong a paste, a let-down or the white base ran.

    Attributes
    ----------
    name
        Of the paste, or "white base", or such as "gorse let-down": that is how strong it was made
        up, beside the strength of its paste.
    factor
        Most likely strength; 1 is what the palette says.
    low, high
        Two thirds of the belief lie between these (one standard deviation either way).
    sd
        Standard deviation of the logarithm of the strength.
    """

    name: str
    factor: float
    low: float
    high: float
    sd: float

    @property
    def telling(self) -> bool:
        """Whether 1 lies outside `low` to `high`."""
        return not self.low <= 1.0 <= self.high

    def __str__(self) -> str:
        """In plain words."""
        how = "strong" if self.factor > 1 else "weak"
        off = (
            f"{abs(self.factor - 1):.0%} {how}" if abs(self.factor - 1) >= 0.005 else "as expected"
        )
        return f"{self.name}: {off} ({self.low - 1:+.0%} to {self.high - 1:+.0%})"


@dataclass(frozen=True)
class Addition:
    """Something to add, and what it comes to.

    Attributes
    ----------
    doses
        Paste to add [recipe's unit]; zero doses left out; read-only.
    clear_g, white_g
        Base to add [g]; clear, or the named base that the batch is in.
    recipe
        What the batch then holds in all.
    lab, hex
        The colour it then most likely has, in the view.
    delta_e
        CIEDE2000 of `lab` to the target.
    p90
        Nine times in ten CIEDE2000 is at most this, with all that is not known, of the target too.
    """

    doses: Mapping[str, float]
    clear_g: float
    white_g: float
    recipe: Recipe
    lab: tuple[float, float, float]
    hex: str
    delta_e: float
    p90: float

    def __post_init__(self) -> None:
        object.__setattr__(self, "doses", MappingProxyType(dict(self.doses)))

    def __hash__(self) -> int:
        return hash((tuple(self.doses.items()), self.clear_g, self.white_g, self.recipe))

    def __reduce__(self) -> tuple[object, ...]:
        values = {name: getattr(self, name) for name in self.__dataclass_fields__}
        return functools.partial(Addition, **{**values, "doses": dict(self.doses)}), ()

    @property
    def nothing(self) -> bool:
        """Whether nothing is added."""
        return not self.doses and not self.clear_g and not self.white_g

    @property
    def total(self) -> float:
        """Paste to add in all [recipe's unit]."""
        return float(sum(self.doses.values()))

    def __str__(self) -> str:
        """In plain words."""
        parts = [f"{dose:g} {self.recipe.unit} {name}" for name, dose in self.doses.items()]
        for grams, kind in zip((self.clear_g, self.white_g), self.recipe.pour.kinds, strict=True):
            parts += [f"{grams:g} g {kind}"] if grams else []
        return ", ".join(parts) or "nothing"


@dataclass(frozen=True)
class Correction(Reported):
    """What a batch really is, and what to add to it.

    Attributes
    ----------
    recipe
        What the batch holds, as it was read off ruler and scale.
    measured, target, within
        What was asked.
    measured_delta_e
        CIEDE2000 of the measured colour to the target.
    believed_lab, believed_delta_e
        The colour that measurement and model together make most likely, and its CIEDE2000.
    smallest
        The smallest addition that gets near enough: least paste; of the same paste,
        least base; of the same base, the closest. None where there is none.
    proved
        Whether it is proved that no smaller addition will do, or none at all.
    surprise
        Probability of a measurement at least this far from what was expected. Where it is
        below 0.001, something else went wrong: a miscount, a wrong tube, a bad measurement.
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
    _belief: Belief = field(repr=False, compare=False)
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
        """The addition that comes closest, whatever its size."""
        return self._best[0]

    @property
    def bound(self) -> float:
        """No permitted addition comes closer than this."""
        return self._best[1]

    @functools.cached_property
    def _best(self) -> tuple[Addition, float]:
        sought = self._additions.closest()
        return addition_of(self._additions, self.recipe, sought, self.target), sought.bound

    @property
    def advice(self) -> Addition:
        """The smallest addition, or the closest where the batch can't be saved."""
        return self.closest if self.smallest is None else self.smallest

    @property
    def rounds(self) -> tuple[Correction, ...]:
        """All corrections of this batch, the first one first, this one last."""
        return (*(() if self._before is None else self._before.rounds), self)

    @property
    def taken(self) -> Addition:
        """What was added: the advice, unless `added` told something else."""
        return self.advice if self.made is None else self.made

    def added(
        self, doses: Mapping[str, float], *, clear_g: float = 0.0, white_g: float = 0.0
    ) -> Correction:
        """The same, once something else than the advice was added to the batch.

        Parameters
        ----------
        doses
            Paste that was added [palette's unit].
        clear_g, white_g
            Base that was added [g]; clear, or the named base that the batch is in.

        Raises
        ------
        UnknownNameError, PourError
            For a name that the palette lacks, or what can't be a length or a mass.
        """
        belief, pour = self._belief, self.recipe.pour
        expect(doses, Mapping, "doses", "Give names and lengths, such as {'gorse': 2}")
        lengths = loads_of(doses, belief.palette, pour) * (pour.batch_g / 100.0)
        for name, value in (("clear_g", clear_g), ("white_g", white_g)):
            between(value, name, 0.0, LARGEST_BATCH_G, "Give the mass of base that was added, in g")
        base_g = (float(clear_g), float(white_g))
        then = belief.after(lengths, np.array(base_g))
        lab = then.lab(then.mean[None])[0]
        return replace(
            self,
            made=_described(
                belief=belief,
                recipe=self.recipe,
                lengths=lengths,
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
        """Whether the measurement does not fit the recipe; then learn nothing from it."""
        return self.surprise < _STRANGE

    @property
    def strengths(self) -> tuple[Strength, ...]:
        """How strong each paste and let-down in the batch ran, and the white base.

        The most telling one first.
        """
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
        """The let-downs in the batch as they were most likely made up, for the next bar of them.

        The strength of their pastes is not part of it: `palette` has that.
        """
        belief = self._belief
        return tuple(
            d.let_down.model_copy(update={"paste_per_g": d.let_down.paste_per_g * float(factor)})
            for d, factor in zip(belief.let_downs, belief.made_strengths[0], strict=True)
        )

    @property
    def unexplained_lab(self) -> tuple[float, float, float]:
        """The part of the colour's error that is laid to the model, in CIELAB."""
        return triple(self._belief.shift)

    @property
    def proof(self) -> str:
        """How the answer stands, in words."""
        if self.smallest is None:
            best = f"the closest is {self.closest.delta_e:.2f}"
            if self.proved:
                return f"no permitted addition gets within {self.within:g}; {best}"
            return f"none was found within {self.within:g}, which is not proved; {best}"
        if self.smallest.nothing:
            return "it is near enough as it is"
        if self.proved:
            return f"no smaller addition gets within {self.within:g}"
        return "the search stopped early: a smaller addition may do"

    def report(self, *, anyway: bool = False) -> Report:
        """What the batch is, what to add, and what comes of it.

        Parameters
        ----------
        anyway
            Whether to say what to add though the measurement is doubtful. The addition rests on
            it, so by default it is not said then.
        """
        if self.doubtful and not anyway:
            return self._doubted()
        advice, view = self.advice, self._belief.view
        now, then = (
            Target(lab, view.illuminant, view.observer) for lab in (self.believed_lab, advice.lab)
        )
        told = [_DOUBT] if self.doubtful else map(str, self.strengths)
        rows = [
            Row("batch", f"{self.recipe}, into {self.recipe.pour}"),
            Row(
                "measured",
                f"CIEDE2000 {self.measured_delta_e:.2f} to the target",
                swatch=Swatch.of(self.target),
            ),
            Row("believed", f"{lab_words(now.lab)}, CIEDE2000 {self.believed_delta_e:.2f}"),
            *rows_of("doubt" if self.doubtful else "strength", told),
            Row("verdict", self.status),
            Row("best is" if self.smallest is None else "add", str(advice)),
            Row(
                "then",
                f"{lab_words(then.lab)}, CIEDE2000 {advice.delta_e:.2f}",
                range=f"nine times in ten within {advice.p90:.2f}",
                swatch=Swatch.of(then),
            ),
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
        """What a doubtful measurement leaves to say."""
        view = self._belief.view
        seen = Target(self._measured_lab, view.illuminant, view.observer)
        return Report(
            swatches=(Swatch.of(self.target, "wanted"), Swatch.of(seen, "measured")),
            rows=(
                Row("batch", f"{self.recipe}, into {self.recipe.pour}"),
                Row(
                    "measured",
                    f"{lab_words(seen.lab)}, CIEDE2000 {self.measured_delta_e:.2f} to the target",
                ),
                Row("doubt", _DOUBT),
                Row("add", "nothing, as long as the measurement is in doubt"),
            ),
        )

    @property
    def _measured_lab(self) -> tuple[float, float, float]:
        return triple(self.measured.lab_in(self._belief.view))


_DOUBT: Final = (
    "The measurement does not fit this recipe. Check the doses, the tubes, the white "
    "fraction, the thickness and the measurement before adding anything."
)


def _strength(name: str, factor: float, sd: float) -> Strength:
    return Strength(name, factor, factor * float(np.exp(-sd)), factor * float(np.exp(sd)), sd)


def addition_of(additions: Additions, recipe: Recipe, found: Sought, target: Target) -> Addition:
    """What the search has found, as an addition to a recipe."""
    assert found.steps is not None
    lab, _ = additions.value(found.steps, found.base_g)
    lengths = np.asarray(found.steps * recipe.pour.dose_step, dtype=float)
    return _described(
        belief=additions.belief,
        recipe=recipe,
        lengths=lengths,
        base_g=found.base_g,
        lab=lab,
        aim=additions.target,
        target=target,
    )


def _described(
    belief: Belief,
    recipe: Recipe,
    lengths: FloatArray,
    base_g: tuple[float, float],
    lab: FloatArray,
    aim: FloatArray,
    target: Target,
) -> Addition:
    pour, names = recipe.pour, belief.palette.names
    doses = {n: round(float(d), 9) for n, d in zip(names, lengths, strict=True) if d}
    clear, white = base_g
    total = {n: round(recipe.doses.get(n, 0.0) + doses.get(n, 0.0), 9) for n in names}
    batch = pour.batch_g + clear + white
    share = min((pour.white_g + white) / batch, 1.0)
    after = pour.model_copy(update={"batch_g": batch, "white": share}) if clear or white else pour
    white_point = belief.view.observation.white
    return Addition(
        doses=doses,
        clear_g=clear,
        white_g=white,
        recipe=Recipe(
            {n: dose for n, dose in total.items() if dose}, after, recipe.weighed, recipe.unit
        ),
        lab=triple(lab),
        hex=srgb_to_hex(xyz_to_srgb(lab_to_xyz(lab, white_point), white_point)[0]),
        delta_e=float(delta_e(lab, aim)),
        p90=_p90(belief.after(lengths, np.array(base_g)), aim, target),
    )


def _p90(belief: Belief, aim: FloatArray, target: Target) -> float:
    """What CIEDE2000 stays within nine times in ten, over all that is not known."""
    size = belief.mean.size
    points = normal_points(_DRAWS, size + 3)
    unknowns = belief.mean + points[:, :size] @ root_of(belief.covariance).T
    doubt = np.zeros((3, 3)) if target.covariance is None else np.array(target.covariance)
    aims = aim + points[:, size:] @ root_of(doubt).T
    return float(nine_in_ten(delta_e(belief.lab(unknowns), aims)))
