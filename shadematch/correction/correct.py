"""What to add to a batch that came out off."""

from __future__ import annotations

import functools
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Final, Literal, get_args

import numpy as np

from shadematch.arrays import FloatArray
from shadematch.cautions import CAUTIONS
from shadematch.colorimetry import lab_to_xyz, srgb_to_hex, xyz_to_srgb
from shadematch.correction.additions import Additions, BaseKind, Found
from shadematch.correction.belief import Belief, Priors, first_belief
from shadematch.difference import delta_e
from shadematch.errors import ColourError, PourError
from shadematch.html import card
from shadematch.materials import Palette
from shadematch.models import expect
from shadematch.pour import Pour, Recipe, View
from shadematch.prediction import conditions, loads_of
from shadematch.spread import RULER_CM, SCALE_G, checked_readings
from shadematch.target import Target, as_target

__all__ = ["Addition", "Correction", "Strength", "correct"]

REMELTING: Final = (
    "Melt the batch again slowly and stir the addition in well; each melting dries the soap, "
    "so weigh it again and cover it."
)
_STRANGE: Final = 0.001
"""Probability below which a measurement is called hard to believe."""
_DRAWS: Final = 1024

Status = Literal["within tolerance", "can be saved", "can't be saved"]


@dataclass(frozen=True)
class Strength:
    """How strong a paste, or the white base, ran.

    Attributes
    ----------
    name
        Of the paste, or "white base".
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
        off = f"{abs(self.factor - 1):.0%} {how}" if abs(self.factor - 1) >= 0.005 else "as expected"
        return f"{self.name}: {off} ({self.low - 1:+.0%} to {self.high - 1:+.0%})"


@dataclass(frozen=True)
class Addition:
    """Something to add, and what it comes to.

    Attributes
    ----------
    doses_cm
        Paste to add [cm]; zero doses left out; read-only.
    clear_g, white_g
        Base to add [g].
    recipe
        What the batch then holds in all.
    lab, hex
        The colour it then most likely has, in the view.
    delta_e
        CIEDE2000 of `lab` to the target.
    p90
        Nine times in ten CIEDE2000 is at most this, given all that stays uncertain.
    """

    doses_cm: Mapping[str, float]
    clear_g: float
    white_g: float
    recipe: Recipe
    lab: tuple[float, float, float]
    hex: str
    delta_e: float
    p90: float

    def __post_init__(self) -> None:
        object.__setattr__(self, "doses_cm", MappingProxyType(dict(self.doses_cm)))

    def __hash__(self) -> int:
        return hash((tuple(self.doses_cm.items()), self.clear_g, self.white_g, self.recipe))

    def __reduce__(self) -> tuple[object, ...]:
        values = {name: getattr(self, name) for name in self.__dataclass_fields__}
        return _addition_from, ({**values, "doses_cm": dict(self.doses_cm)},)

    @property
    def nothing(self) -> bool:
        """Whether nothing is added."""
        return not self.doses_cm and not self.clear_g and not self.white_g

    @property
    def total_cm(self) -> float:
        """Paste to add in all [cm]."""
        return float(sum(self.doses_cm.values()))

    def __str__(self) -> str:
        """In plain words."""
        parts = [f"{dose:g} cm {name}" for name, dose in self.doses_cm.items()]
        parts += [f"{self.clear_g:g} g clear base"] if self.clear_g else []
        parts += [f"{self.white_g:g} g white base"] if self.white_g else []
        return ", ".join(parts) or "nothing"


def _addition_from(values: dict[str, object]) -> Addition:
    return Addition(**values)  # type: ignore[arg-type]


@dataclass(frozen=True)
class Correction:
    """What a batch really is, and what to add to it.

    Attributes
    ----------
    recipe
        What the batch holds, as it was read off ruler and scale.
    measured, target, tolerance
        What was asked.
    measured_delta_e
        CIEDE2000 of the measured colour to the target.
    believed_lab, believed_delta_e
        The colour that measurement and model together make most likely, and its CIEDE2000.
    smallest
        The smallest addition that gets within the tolerance: least paste; of the same paste,
        least base; of the same base, the closest. None where there is none.
    proved
        Whether it is proved that no smaller addition will do, or none at all.
    surprise
        Probability of a measurement at least this far from what was expected. Where it is
        below 0.001, something else went wrong: a miscount, a wrong tube, a bad measurement.
    """

    recipe: Recipe
    measured: Target
    target: Target
    tolerance: float
    measured_delta_e: float
    believed_lab: tuple[float, float, float]
    believed_delta_e: float
    smallest: Addition | None
    proved: bool
    surprise: float
    _belief: Belief = field(repr=False, compare=False)
    _additions: Additions = field(repr=False, compare=False)

    @property
    def status(self) -> Status:
        """``"within tolerance"``, ``"can be saved"`` or ``"can't be saved"``."""
        if self.smallest is None:
            return "can't be saved"
        return "within tolerance" if self.smallest.nothing else "can be saved"

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
        assert sought.found is not None  # to add nothing is always permitted
        return _addition(self._additions, self.recipe, sought.found), sought.bound

    @property
    def advice(self) -> Addition:
        """The smallest addition, or the closest where the batch can't be saved."""
        return self.closest if self.smallest is None else self.smallest

    @property
    def strengths(self) -> tuple[Strength, ...]:
        """How strong each paste in the batch ran, and the white base; most telling first."""
        belief, recipe = self._belief, self.recipe
        rows = [
            _strength(name, float(f), float(sd))
            for name, f, sd in zip(
                belief.palette.names, belief.strengths, belief.strength_sd, strict=True
            )
            if name in recipe.doses_cm
        ]
        if recipe.pour.white > 0:
            rows.append(_strength("white base", *belief.white_strength))
        return tuple(sorted(rows, key=lambda s: -abs(np.log(s.factor)) / max(s.sd, 1e-12)))

    @functools.cached_property
    def palette(self) -> Palette:
        """The palette with the strengths learned here, for the next batch from these tubes."""
        return self._belief.palette_learned()

    @property
    def unexplained_lab(self) -> tuple[float, float, float]:
        """The part of the colour's error that is laid to the model, in CIELAB."""
        return _triple(self._belief.shift)

    @property
    def proof(self) -> str:
        """How the answer stands, in words."""
        if self.smallest is None:
            best = f"the closest is {self.closest.delta_e:.2f}"
            if self.proved:
                return f"no permitted addition gets within {self.tolerance:g}; {best}"
            return f"none was found within {self.tolerance:g}, which is not proved; {best}"
        if self.smallest.nothing:
            return "it is within the tolerance as it is"
        if self.proved:
            return f"no smaller addition gets within {self.tolerance:g}"
        return "the search stopped early: a smaller addition may do"

    def __str__(self) -> str:
        """In plain words."""
        shown = ", ".join(f"{v:.1f}" for v in self.believed_lab)
        lines = [
            f"batch      {self.recipe}, into {self.recipe.pour}",
            f"measured   CIEDE2000 {self.measured_delta_e:.2f} to the target ({self.target.hex})",
            f"believed   Lab ({shown}), CIEDE2000 {self.believed_delta_e:.2f}",
        ]
        lines += [
            f"{'strength' if i == 0 else '':10} {strength}"
            for i, strength in enumerate(self.strengths)
        ]
        if self.surprise < _STRANGE:
            lines.append(f"doubt      {_DOUBT}")
        advice = self.advice
        word = {"can't be saved": "best is", "within tolerance": "add", "can be saved": "add"}
        lines.append(f"verdict    {self.status}")
        lines.append(f"{word[self.status]:10} {advice}")
        lines.append(
            f"then       CIEDE2000 {advice.delta_e:.2f}, nine times in ten within {advice.p90:.2f}"
        )
        lines.append(f"proof      {self.proof}")
        if not advice.nothing:
            lines.append(f"care       {REMELTING}")
        return "\n".join(lines)

    def _repr_html_(self) -> str:
        white = self._belief.view.observation.white
        now = lab_to_xyz(np.array(self.believed_lab), white)
        advice = self.advice
        swatches = [
            (self.target.hex, "wanted"),
            (srgb_to_hex(xyz_to_srgb(now, white)[0]), "is now"),
            (advice.hex, "afterwards"),
        ]
        rows = [
            ("batch", f"{self.recipe}, into {self.recipe.pour}"),
            ("CIEDE2000 now", f"{self.believed_delta_e:.2f} (measured {self.measured_delta_e:.2f})"),
            *(("strength", str(s)) for s in self.strengths),
            ("verdict", self.status),
            ("best is" if self.smallest is None else "add", str(advice)),
            ("CIEDE2000 then", f"{advice.delta_e:.2f}, nine times in ten within {advice.p90:.2f}"),
            ("proof", self.proof),
        ]
        foot = _DOUBT if self.surprise < _STRANGE else ""
        return card(swatches, rows, foot=foot, small=" ".join((REMELTING, *CAUTIONS)))


_DOUBT: Final = (
    "The measurement is hard to believe of this recipe. Check the doses, the tubes, the white "
    "fraction, the thickness and the measurement before adding anything."
)


def _triple(values: FloatArray) -> tuple[float, float, float]:
    return float(values[0]), float(values[1]), float(values[2])


def _strength(name: str, factor: float, sd: float) -> Strength:
    return Strength(name, factor, factor * float(np.exp(-sd)), factor * float(np.exp(sd)), sd)


def _addition(additions: Additions, recipe: Recipe, found: Found) -> Addition:
    belief, pour = additions.belief, recipe.pour
    names = belief.palette.names
    doses = {
        name: round(int(count) * pour.dose_step_cm, 9)
        for name, count in zip(names, found.steps, strict=True)
        if count
    }
    clear, white = found.base_g
    total = {n: round(recipe.doses_cm.get(n, 0.0) + doses.get(n, 0.0), 9) for n in names}
    batch = pour.batch_g + clear + white
    after = Recipe(
        {n: dose for n, dose in total.items() if dose},
        pour.model_copy(update={"batch_g": batch, "white": (pour.white_g + white) / batch})
        if clear or white
        else pour,
    )
    lab, value = additions.value(found.steps, found.base_g)
    seen = belief.view.observation
    lengths = found.steps * pour.dose_step_cm
    made = belief.after(lengths, np.array(found.base_g))
    return Addition(
        doses_cm=doses,
        clear_g=clear,
        white_g=white,
        recipe=after,
        lab=_triple(lab),
        hex=srgb_to_hex(xyz_to_srgb(lab_to_xyz(lab, seen.white), seen.white)[0]),
        delta_e=value,
        p90=_p90(made, additions.target),
    )


@functools.cache
def _normal_draws(size: int) -> FloatArray:
    """Draws from a normal distribution, always the same, shape (1024, size)."""
    from scipy.special import ndtri
    from scipy.stats import qmc

    shift = np.random.default_rng(20_261_126).random(size)
    even = (qmc.Sobol(size, scramble=False).random(_DRAWS) + shift) % 1.0
    return np.asarray(ndtri(np.clip(even, 1e-9, 1.0 - 1e-9)))


def _p90(belief: Belief, target: FloatArray) -> float:
    """What CIEDE2000 stays below nine times in ten, over all that is uncertain."""
    values, vectors = np.linalg.eigh(belief.covariance)
    root = vectors * np.sqrt(np.maximum(values, 0.0))
    unknowns = belief.mean + _normal_draws(belief.mean.size) @ root.T
    return float(np.quantile(delta_e(belief.lab(unknowns), target), 0.9))


def correct(
    recipe: Recipe | Correction,
    measured: Target | Sequence[float] | str,
    target: Target | str,
    *,
    palette: Palette | None = None,
    view: View | None = None,
    tolerance: float = 1.0,
    max_load: float | None = None,
    pot_g: float | None = None,
    bases: Sequence[BaseKind] | None = None,
    base_step_g: float = 10.0,
    must_avoid: Sequence[str] = (),
    strength_spread: float = 0.10,
    white_spread: float = 0.10,
    ruler_cm: float = RULER_CM,
    scale_g: float = SCALE_G,
    measured_spread: float = 0.3,
    model_spread: float = 0.5,
) -> Correction:
    """What to add to a batch that came out off, so that nothing need be thrown away.

    First the batch is understood: the strengths of its pastes and of the white base, the lengths
    and masses that really went in, and the model's own error are estimated from the measured
    colour and what was believed before (MAP). Then the smallest addition that gets within the
    tolerance is sought, with proof. Nothing is ever taken out.

    Parameters
    ----------
    recipe
        What was poured; or the last `Correction` of this batch, if its `advice` was followed:
        then what was learned is kept.
    measured
        The colour it came out, as a `Target`, CIELAB in the view, or a hex code. A target with
        a covariance brings its own uncertainty.
    target
        The colour that was wanted.
    palette, view
        By default the demo palette, and D65 on white paper; the thickness is the recipe's. With
        a `Correction` these are its own.
    tolerance
        How near is near enough, in CIEDE2000; above 0.
    max_load
        Most paste [cm per 100 g]; by default the recipe's limit.
    pot_g
        Most base that the pot holds [g]; by default half as much again as the batch.
    bases
        Which base may be added, one kind at a time: ``"clear"``, ``"white"``, or ``"own"`` for
        the batch's own blend. By default what the batch is made of, so that clear soap stays
        clear.
    base_step_g
        Base is added in multiples of this [g].
    must_avoid
        Pastes that may not be added.
    strength_spread, white_spread
        How much pastes and white base differ from what the palette says, as the standard
        deviation of the logarithm (0.1 is about 10 %).
    ruler_cm, scale_g
        How far a reading may be off, either way; see `shadematch.spread`.
    measured_spread
        Standard deviation of a measured L*, a* and b*, where the target brings no covariance.
    model_spread
        Standard deviation of what the computed colour is off by, in each of L*, a*, b*.

    Returns
    -------
    Correction

    Raises
    ------
    PourError
        For limits that can't be.
    UnknownNameError
        If the palette lacks a paste of the recipe.
    ColourError
        If a colour is none.
    """
    expect(recipe, (Recipe, Correction), "recipe", "Give a Recipe, or the last Correction")
    _check_numbers(
        tolerance=(tolerance, 1e-6, 100.0),
        base_step_g=(base_step_g, 0.001, 100_000.0),
        strength_spread=(strength_spread, 0.0, 1.0),
        white_spread=(white_spread, 0.0, 1.0),
        measured_spread=(measured_spread, 1e-3, 20.0),
        model_spread=(model_spread, 0.0, 20.0),
    )
    if isinstance(recipe, Correction):
        for name, given in (("palette", palette), ("view", view)):
            if given is not None and given != getattr(recipe._belief, name):
                raise PourError(
                    "is not the one that the last correction was made with",
                    field=name,
                    value=given,
                    remedy="Leave it out, or start from a Recipe",
                )
        advice = recipe.advice
        held = np.array([advice.doses_cm.get(n, 0.0) for n in recipe._belief.palette.names])
        belief = recipe._belief.after(held, np.array([advice.clear_g, advice.white_g]))
        poured = advice.recipe
    else:
        palette, pour, view = conditions(palette, recipe.pour, view)
        ruler, scale = checked_readings(ruler_cm, scale_g, pour.batch_g)
        held = loads_of(recipe.doses_cm, palette, pour) * (pour.batch_g / 100.0)
        belief = first_belief(
            palette,
            view,
            pour.thickness_cm,
            held,
            np.array([pour.clear_g, pour.white_g]),
            Priors(strength_spread, white_spread, ruler, scale, model_spread),
        )
        poured = recipe
    seen, goal = _colour(measured, belief.view), as_target(target)
    pour = poured.pour
    most, pot = _limits(pour, max_load, pot_g)
    kinds = _kinds(pour, bases)
    names = (must_avoid,) if isinstance(must_avoid, str) else must_avoid
    expect(names, Iterable, "must_avoid", "Give a list of pigment names")
    excluded = tuple(sorted({belief.palette.index(name) for name in names}))
    lab, aim = seen.lab_in(belief.view), goal.lab_in(belief.view)
    believed, surprise = belief.learn(lab, _covariance(seen, measured_spread))
    additions = Additions(
        believed,
        aim,
        step_cm=pour.dose_step_cm,
        max_load=most,
        pot_g=pot,
        bases=kinds,
        base_step_g=float(base_step_g),
        excluded=excluded,
    )
    now, now_delta_e = additions.value(np.zeros(believed.count, np.int64), (0.0, 0.0))
    sought = additions.smallest(float(tolerance))
    found = sought.found
    return Correction(
        recipe=poured,
        measured=seen,
        target=goal,
        tolerance=float(tolerance),
        measured_delta_e=float(delta_e(lab, aim)),
        believed_lab=_triple(now),
        believed_delta_e=now_delta_e,
        smallest=None if found is None else _addition(additions, poured, found),
        proved=sought.proved,
        surprise=surprise,
        _belief=believed,
        _additions=additions,
    )


def _check_numbers(**asked: tuple[object, float, float]) -> None:
    for name, (value, least, most) in asked.items():
        number = isinstance(value, int | float | np.integer | np.floating)
        if not number or isinstance(value, bool) or not least <= value <= most:  # type: ignore[operator]
            raise PourError(
                f"must be a number from {least:g} to {most:g}",
                field=name,
                value=value,
                remedy="Give a number in this range",
            )


def _colour(measured: Target | Sequence[float] | str, view: View) -> Target:
    if isinstance(measured, Target | str):
        return as_target(measured)
    if isinstance(measured, Sequence | np.ndarray):
        return Target.from_lab(measured, illuminant=view.illuminant, observer=view.observer)
    raise ColourError(
        "is neither a Target, nor Lab, nor a hex colour",
        field="measured",
        value=measured,
        remedy="Give three numbers L*, a*, b*, or Target.from_reflectance(...)",
    )


def _covariance(measured: Target, spread_: float) -> FloatArray:
    own = getattr(measured, "covariance", None)
    if own is None:
        return np.eye(3) * spread_**2
    # A floor keeps it invertible.
    return np.asarray(np.array(own, dtype=float) + 1e-6 * np.eye(3))


def _limits(pour: Pour, max_load: float | None, pot_g: float | None) -> tuple[float, float]:
    most = pour.max_load if max_load is None else max_load
    pot = min(1.5 * pour.batch_g, 100_000.0) if pot_g is None else pot_g
    _check_numbers(max_load=(most, 1e-6, 1000.0), pot_g=(pot, 0.0, 100_000.0))
    if pot < pour.batch_g:
        raise PourError(
            "is smaller than the batch",
            field="pot_g",
            value=pot,
            remedy=f"The batch weighs {pour.batch_g:g} g; correct a part of it, or take a larger pot",
        )
    return float(most), float(pot)


def _kinds(pour: Pour, bases: Sequence[BaseKind] | None) -> tuple[BaseKind, ...]:
    if bases is None:
        return ("clear",) if pour.white == 0 else ("white",) if pour.white == 1 else get_args(BaseKind)
    names = (bases,) if isinstance(bases, str) else bases
    expect(names, Iterable, "bases", "Give a list of 'clear', 'white', 'own'")
    for name in names:
        if name not in get_args(BaseKind):
            raise PourError(
                "is no base", field="bases", value=name, remedy="Give 'clear', 'white' or 'own'"
            )
    return tuple(names)
