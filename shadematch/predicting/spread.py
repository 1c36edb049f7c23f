"""How far a batch may stray from the wanted colour, and why.

`shadematch.predicting.uncertainty` holds what is not known; the figures come from the full model,
`shadematch.predicting.sampled`.
"""

from __future__ import annotations

import functools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Final

import numpy as np

from shadematch.colour.colorimetry import lab_to_xyz, xyz_to_hex, xyz_to_lab
from shadematch.colour.difference import delta_e
from shadematch.colour.expected import how_seen, nine_in_ten, root_of, within_in_words
from shadematch.colour.illuminant import Light
from shadematch.colour.standards import checked_lights, observation
from shadematch.predicting.prediction import Prediction, conditions, predict, recipe_of
from shadematch.predicting.readings import (
    checked_made,
    checked_readings,
    readings_in_words,
    taken,
)
from shadematch.predicting.sampled import Sampled
from shadematch.predicting.uncertainty import (
    CAUSES,
    MAKING,
    Cause,
    Uncertainty,
    cause_in_words,
)
from shadematch.studio.palette import Palette
from shadematch.studio.pour import Pour
from shadematch.studio.recipe import Recipe
from shadematch.studio.target import HoldsTarget, Target, as_target
from shadematch.studio.view import View
from shadematch.support.arrays import FloatArray
from shadematch.support.report import Report, Reported, Row, Swatch, Table, rows_of

__all__ = ["Spread", "spread"]

_MAPPINGS: Final = ("shares", "causes", "let_down_paste")
_FIFTH: Final = 1.6449
"""Standard deviations of a normal distribution beyond which one case in twenty lies."""


@dataclass(frozen=True)
class Spread(Reported):
    """How far a recipe's colour may be from its target, given everything that is not known.

    Attributes
    ----------
    recipe, view
        As given.
    target
        CIEDE2000 is taken to it; None: to the recipe's own nominal colour.
    dose_slip, scale_g
        How far a reading may be off either way [recipe's unit, g].
    nominal
        The colour if nothing is off.
    nominal_delta_e
        Its CIEDE2000 to the target; 0 without one.
    mean, median, p90, p95
        Of CIEDE2000: its mean, and the values that 50, 90 and 95 % of batches stay within; with
        several lights, of the worst over them.
    lab_covariance
        Of the recipe's colour in CIELAB, 3 x 3.
    shares
        Share of each cause, acting alone, in the mean square of CIEDE2000; they sum to 1, or are
        all 0. Readings are listed by paste and as ``"weighing clear base"`` and so on (making a
        let-down is two). The others, where they count, are ``"the target"``, ``"pastes and
        bases"``, ``"thickness"``, ``"light and white tile"``, ``"what the model misses"``.
    causes
        The same by kind: ``"target"``, ``"dosing"``, ``"base"``, ``"pastes"``, ``"bench"``,
        ``"model"``.
    lights
        The lights that count, if not the view's alone.
    let_down_paste
        Paste that each let-down was made with in one go [recipe's unit], by pigment; read-only.
    slips_only
        Whether only slips count, because the palette doesn't say how well it is known.
    """

    recipe: Recipe
    view: View
    target: Target | None
    dose_slip: float
    scale_g: float
    nominal: Prediction
    nominal_delta_e: float
    mean: float
    median: float
    p90: float
    p95: float
    lab_covariance: tuple[tuple[float, float, float], ...]
    shares: Mapping[str, float] = field(hash=False)
    causes: Mapping[Cause, float] = field(hash=False)
    _lab: FloatArray = field(repr=False, compare=False)
    lights: tuple[Light, ...] = ()
    let_down_paste: Mapping[str, float] = field(default_factory=dict, hash=False)
    slips_only: bool = False

    def __post_init__(self) -> None:
        for name in _MAPPINGS:
            object.__setattr__(self, name, MappingProxyType(dict(getattr(self, name))))

    def __reduce__(self) -> tuple[object, ...]:
        # A read-only view of a dict can't be pickled.
        values = {name: getattr(self, name) for name in self.__dataclass_fields__}
        values |= {name: dict(getattr(self, name)) for name in _MAPPINGS}
        return functools.partial(Spread, **values), ()

    @property
    def drawn(self) -> FloatArray:
        """CIELAB of the batches drawn, shape (k, 3)."""
        return self._lab

    @property
    def to(self) -> str:
        """What CIEDE2000 is taken to, in words."""
        return "the recipe's own colour" if self.target is None else "the target"

    @property
    def readings(self) -> tuple[str, str]:
        """How far readings may be off, in words."""
        return readings_in_words(self.dose_slip, self.scale_g, self.recipe.unit)

    @property
    def extremes(self) -> tuple[str, str]:
        """Hex codes of the two colours that 5 % of batches stray beyond, one to each side."""
        middle = self._lab.mean(axis=0)
        axis = np.linalg.eigh(np.array(self.lab_covariance))[1][:, -1]
        along = (self._lab - middle) @ axis
        white = self.view.observation.white
        labs = [middle + np.quantile(along, q) * axis for q in (0.05, 0.95)]
        first, second = (_hex(lab, white) for lab in labs)
        return first, second

    @property
    def ends(self) -> tuple[Swatch, Swatch]:
        """The ends of the range as swatches: of the object's colour if that is known least.

        They lie along the axis of the largest spread; one case in twenty lies beyond each.
        """
        goal = self.target
        if goal is None or goal.covariance is None or self.largest != "target":
            first, second = self.extremes
            return Swatch(first, "may come out"), Swatch(second, "or so")
        axis = root_of(np.array(goal.covariance))[:, -1]
        white = observation(goal.illuminant, goal.observer).white
        first, second = (_hex(np.array(goal.lab) + q * axis, white) for q in (-_FIFTH, _FIFTH))
        return Swatch(first, "the object may be"), Swatch(second, "or this")

    @property
    def worst(self) -> str | None:
        """The cause that matters most; None where nothing is off."""
        name = max(self.shares, key=self.shares.__getitem__, default=None)
        return name if name is not None and self.shares[name] > 0 else None

    @property
    def largest(self) -> Cause | None:
        """The kind of cause that matters most; None where nothing is off."""
        cause = max(self.causes, key=self.causes.__getitem__)
        return cause if self.causes[cause] > 0 else None

    @property
    def within(self) -> str:
        """What CIEDE2000 stays within, in words."""
        return within_in_words(self.median, self.p90)

    @property
    def mainly(self) -> str:
        """The largest cause and its share in words; empty where nothing is off."""
        if self.largest is None:
            return ""
        words = cause_in_words(self.largest, self.recipe)
        return f"mainly from {words} ({self.causes[self.largest]:.0%})"

    @property
    def within_rows(self) -> tuple[Row, ...]:
        """What CIEDE2000 stays within, why, and what that covers."""
        of_photo = self.target is not None and "photo" in self.target.source
        label = "to the object" if of_photo else "as poured"
        worst = ", in the worst of the lights" if self.lights else ""
        rows = [
            Row(label, f"{self.within}{worst}", note=how_seen(self.p90)),
            *rows_of("spread", filter(None, [self.mainly])),
        ]
        if self.slips_only:
            text = "slips only: this palette doesn't say how well its pastes are known"
            rows.append(Row("counted", text))
        return tuple(rows)

    def report(self) -> Report:
        """How far the colour strays, and what matters most."""
        first, second = self.extremes
        wanted = () if self.target is None else (Swatch.of(self.target, "wanted"),)
        rows = [
            *self.recipe.rows,
            Row("readings", self.readings),
            Row(
                "CIEDE2000",
                (
                    f"mean {self.mean:.2f}",
                    f"half of pours within {self.median:.2f}",
                    f"90 % within {self.p90:.2f}",
                    f"95 % within {self.p95:.2f}",
                ),
                note=f"to {self.to}",
            ),
        ]
        if self.lights:
            rows.append(Row("CIEDE2000", f"the worst of {', '.join(map(str, self.lights))}"))
        if self.target is not None:
            rows.append(Row("CIEDE2000", f"{self.nominal_delta_e:.2f} when nothing is off"))
        rows += [
            Row("let-down", f"{name}: made with {paste:g} {self.recipe.unit} of paste at once")
            for name, paste in self.let_down_paste.items()
        ]
        if self.worst:
            share = f"{self.shares[self.worst]:.0%}"
            rows.append(Row("care", f"most comes from {self.worst}", note=share))
            if self.worst.startswith(MAKING):
                text = "make more of it at once: its strength is then surer"
                rows.append(Row("care", text))
        shares = tuple((name, f"{share:.0%}") for name, share in self.shares.items())
        return Report(
            swatches=(
                *wanted,
                Swatch(first, "one way"),
                Swatch.of(self.nominal, "nothing off"),
                Swatch(second, "the other"),
            ),
            rows=tuple(rows),
            tables=(Table(("cause", "share"), shares, frozenset({1}), "share of each cause"),),
        )


def spread(
    recipe: Recipe | Mapping[str, float],
    *,
    palette: Palette | None = None,
    pour: Pour | None = None,
    view: View | None = None,
    dose_slip: float | None = None,
    scale_g: float | None = None,
    target: HoldsTarget | str | None = None,
    lights: Sequence[Light] = (),
    let_down_paste: Mapping[str, float] | None = None,
) -> Spread:
    """How far a recipe's colour may stray, given everything that is not known.

    That is the readings of ruler and scale; the target, if it has a covariance; and what the
    palette says of itself (`Palette.uncertainty`): pastes, bases, thickness and the model's error.

    Parameters
    ----------
    recipe
        A `Recipe`, which has its own pour, or doses [palette's unit].
    palette, view
        By default the demo palette, and D65 on white paper.
    pour
        For doses: by default 500 g at 1 cm in clear base. Not with a `Recipe`.
    dose_slip, scale_g
        How far a reading may be off either way [palette's unit, g], every error within being
        equally likely; by default 0.2 cm (0.1 g where paste is weighed) and 1 g. A dose of 0 and
        an unused base are not read.
    target
        The colour that CIEDE2000 is taken to; by default the recipe's own.
    lights
        Lights that all count, as for `match`: CIEDE2000 is the worst over them.
    let_down_paste
        Paste that each let-down was made with in one go [palette's unit], by pigment; by default
        the fewest dose steps that make enough. The more, the better its strength is known.

    Raises
    ------
    PourError
        For a pour besides that of a `Recipe`, a `Recipe` in another unit than the palette's, or
        invalid readings or let-downs.
    UnknownNameError, ColourError
        As `predict` and `match` do.
    """
    palette, _, view = conditions(palette, pour, view)
    own = recipe_of(recipe, palette, pour, "recipe")
    pour = own.pour
    ruler, scale = checked_readings(dose_slip, scale_g, pour.batch_g, palette.unit)
    names = checked_lights(lights)
    views = [view.model_copy(update={"illuminant": name}) for name in names] or [view]
    view = views[0]
    goal = None if target is None else as_target(target)
    nominal = predict(own, palette=palette, view=view)
    held = taken(own, palette)
    amounts = np.concatenate([held.from_tubes, held.masses_g])
    known = Uncertainty(
        palette,
        pour,
        view,
        dose_slip=ruler,
        scale_g=scale,
        let_downs=held.let_downs,
        made=checked_made(let_down_paste, held.let_downs, scale, palette.unit),
        lights=names,
    )
    seen = [observation(each.illuminant, each.observer) for each in views]
    centre = np.array([xyz_to_lab(s.weights @ nominal.reflectance, s.white) for s in seen])
    aim = centre if goal is None else np.array([goal.lab_in(each) for each in views])
    doubt = None if goal is None or goal.covariance is None else np.array(goal.covariance)
    sampled = Sampled(known)
    values, lab = sampled.differences(amounts, aim, doubt)
    median, p95 = (float(np.quantile(values, q)) for q in (0.5, 0.95))
    lab.setflags(write=False)
    there = [*(held.from_tubes > 0), *(held.base_g > 0), *[True] * (3 * len(held.let_downs))]
    used = set(np.flatnonzero(there).tolist())
    shares, causes = _shares(
        sampled=sampled, amounts=amounts, centre=centre, aim=aim, doubt=doubt, used=used
    )
    return Spread(
        recipe=own,
        view=view,
        target=goal,
        dose_slip=ruler,
        scale_g=scale,
        nominal=nominal,
        nominal_delta_e=float(delta_e(centre, aim).max()),
        mean=float(values.mean()),
        median=median,
        p90=float(nine_in_ten(values)),
        p95=p95,
        lab_covariance=tuple((float(r[0]), float(r[1]), float(r[2])) for r in np.cov(lab[0].T)),
        shares=shares,
        causes=causes,
        _lab=lab[0],
        lights=names,
        slips_only=palette.uncertainty is None,
        let_down_paste={part.let_down.pigment: part.paste for _, part in known.dosed(amounts)},
    )


def _hex(lab: FloatArray, white: FloatArray) -> str:
    return xyz_to_hex(lab_to_xyz(lab, white), white)


def _squares(lab: FloatArray, middle: FloatArray) -> FloatArray:
    """Mean square of CIEDE2000 of colours to one side (first half) and the other, (v, 2 c, 3)."""
    far = delta_e(lab, middle[:, None]).max(axis=0) ** 2
    return np.asarray(0.5 * (far[: far.size // 2] + far[far.size // 2 :]))


def _shares(
    sampled: Sampled,
    amounts: FloatArray,
    centre: FloatArray,
    aim: FloatArray,
    doubt: FloatArray | None,
    used: set[int],
) -> tuple[dict[str, float], dict[Cause, float]]:
    """The share of each cause acting alone, one standard deviation up and down, and by kind.

    Readings that are taken, at the positions in `used`, are listed even if they do nothing.
    """
    known = sampled.known
    names: list[str] = [*known.names]
    kinds: list[Cause] = [*known.causes]
    lab = sampled.lab(amounts, sampled.one_by_one)
    squares = _squares(lab, centre)
    if doubt is not None:
        names, kinds = [*names, *["the target"] * 3], [*kinds, *CAUSES[:1] * 3]
        moved = aim[:, None] + np.concatenate([root_of(doubt).T, -root_of(doubt).T])
        squares = np.concatenate([squares, _squares(moved, aim)])
    total = float(squares.sum())
    shares: dict[str, float] = {}
    causes: dict[Cause, float] = dict.fromkeys(CAUSES, 0.0)
    for at, (name, kind, square) in enumerate(zip(names, kinds, squares, strict=True)):
        share = float(square) / total if total > 1e-12 else 0.0
        if share > 1e-9 or at in used:  # smaller shares are rounding
            shares[name] = shares.get(name, 0.0) + share
        causes[kind] += share
    return shares, causes
