"""An addition to a batch, and what is then known of its colour."""

from __future__ import annotations

import functools
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Final, TypedDict

import numpy as np

from shadematch.colour.colorimetry import lab_to_xyz, xyz_to_hex
from shadematch.colour.difference import delta_e
from shadematch.colour.expected import (
    half_and_nine_in_ten,
    normal_points,
    root_of,
    within_in_words,
)
from shadematch.correction.additions import Additions, Sought
from shadematch.correction.belief import BatchBelief
from shadematch.predicting.uncertainty import CAUSES, Cause, cause_in_words
from shadematch.studio.recipe import Recipe
from shadematch.studio.target import Target
from shadematch.support.arrays import FloatArray, triple

__all__ = ["Addition", "addition_of", "described"]

_DRAWS: Final = 1024


@dataclass(frozen=True)
class Addition:
    """Something to add, and the resulting batch.

    Attributes
    ----------
    doses
        Paste to add [recipe's unit], without zero doses; read-only.
    clear_g, white_g
        Base to add [g]; clear, or the named base that the batch is in.
    recipe
        All that the batch then holds.
    lab, hex
        Its most likely colour in the view.
    delta_e
        CIEDE2000 of `lab` to the target.
    median, p90
        CIEDE2000 that it stays within half the time and nine times in ten, all uncertainty
        counted, that of the target included.
    largest
        The kind of cause that matters most, as in `Spread.causes`.
    """

    doses: Mapping[str, float]
    clear_g: float
    white_g: float
    recipe: Recipe
    lab: tuple[float, float, float]
    hex: str
    delta_e: float
    median: float
    p90: float
    largest: Cause

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
    def within(self) -> str:
        """What CIEDE2000 stays within, in words."""
        return within_in_words(self.median, self.p90)

    @property
    def mainly(self) -> str:
        """The largest cause in words."""
        return f"mainly from {cause_in_words(self.largest, self.recipe)}"

    @property
    def total(self) -> float:
        """All paste to add [recipe's unit]."""
        return float(sum(self.doses.values()))

    def __str__(self) -> str:
        """In plain words."""
        parts = [f"{dose:g} {self.recipe.unit} {name}" for name, dose in self.doses.items()]
        for grams, kind in zip((self.clear_g, self.white_g), self.recipe.pour.kinds, strict=True):
            parts += [f"{grams:g} g {kind}"] if grams else []
        return ", ".join(parts) or "nothing"


def addition_of(additions: Additions, recipe: Recipe, found: Sought, target: Target) -> Addition:
    """The addition that the search found."""
    assert found.steps is not None
    lab, _ = additions.value(found.steps, found.base_g)
    amounts = np.asarray(found.steps * recipe.pour.dose_step, dtype=float)
    return described(
        belief=additions.belief,
        recipe=recipe,
        amounts=amounts,
        base_g=found.base_g,
        lab=lab,
        aim=additions.target,
        target=target,
    )


def described(
    belief: BatchBelief,
    recipe: Recipe,
    amounts: FloatArray,
    base_g: tuple[float, float],
    lab: FloatArray,
    aim: FloatArray,
    target: Target,
) -> Addition:
    """The addition of paste [palette's unit], shape (n,), and clear and white base [g]."""
    pour, names = recipe.pour, belief.palette.names
    doses = {n: round(float(d), 9) for n, d in zip(names, amounts, strict=True) if d}
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
        hex=xyz_to_hex(lab_to_xyz(lab, white_point), white_point),
        delta_e=float(delta_e(lab, aim)),
        **_ranges(belief.after(amounts, np.array(base_g)), aim, target),
    )


class _Ranges(TypedDict):
    median: float
    p90: float
    largest: Cause


def _ranges(belief: BatchBelief, aim: FloatArray, target: Target) -> _Ranges:
    """What it stays within half the time and nine times in ten, and the largest cause."""
    size, mean = belief.mean.size, belief.mean
    points = normal_points(_DRAWS, size + 3)
    unknowns = mean + points[:, :size] @ root_of(belief.covariance).T
    doubt = np.zeros((3, 3)) if target.covariance is None else np.array(target.covariance)
    aims = aim + points[:, size:] @ root_of(belief.bench + doubt).T
    half, nine = half_and_nine_in_ten(delta_e(belief.lab(unknowns), aims))
    lab, slopes = belief.lab_and_slope(mean)
    parts = {"target": doubt, "bench": belief.bench}
    for cause, at in belief.causes.items():
        own = slopes[:, at]
        parts[cause] = own @ belief.covariance[np.ix_(at, at)] @ own.T
    squares = {
        cause: float((delta_e(lab, lab + root_of(part).T) ** 2).sum())
        for cause, part in parts.items()
    }
    largest = max(CAUSES, key=lambda cause: squares[cause])
    return _Ranges(median=float(half), p90=float(nine), largest=largest)
