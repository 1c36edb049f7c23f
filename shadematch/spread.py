"""How far a batch may stray because rulers and scales are read, not known.

Each dose is one reading of a ruler and each base one reading of a scale. "To 2 mm" is taken as
limits: the true length lies anywhere within 2 mm of the mark, on either side, with equal chance,
and so for the scale. Where only limits are known, an even distribution between them is the
choice that adds nothing (JCGM 100:2008, *Guide to the expression of uncertainty in measurement*,
4.3.7); its standard deviation is the limit over the square root of 3. Readings are independent
of each other and of the length: a dose squeezed in several goes strays more than this says.

The colours are computed for 4096 squeezes on a low-discrepancy sequence (I. M. Sobol', USSR
Comput. Math. Math. Phys. 7 (1967) 86), always the same ones, each by the full model: nothing is
linear here but the readings.
"""

from __future__ import annotations

import functools
from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Final

import numpy as np

from shadematch.arrays import FloatArray
from shadematch.cautions import CAUTIONS
from shadematch.colorimetry import lab_to_xyz, srgb_to_hex, xyz_to_lab, xyz_to_srgb
from shadematch.difference import delta_e
from shadematch.errors import PourError
from shadematch.html import card
from shadematch.materials import Palette
from shadematch.models import expect
from shadematch.optics.layer import Layer, reflectance
from shadematch.pour import Pour, Recipe, View
from shadematch.prediction import Prediction, conditions, loads_of, model_for, predict
from shadematch.target import Target, as_target

__all__ = ["RULER_CM", "SCALE_G", "Spread", "Squeezes", "checked_readings", "spread"]

RULER_CM: Final = 0.2
SCALE_G: Final = 1.0
"""How far a length and a mass may be off, either way (common practice, no source)."""
SQUEEZES: Final = 4096
_MOST_READINGS: Final = 10  # eight pastes, two bases
_WHITES: Final = (5, 9)
"""Nodes over white fractions; the second where they reach down to nearly clear base."""


def checked_readings(ruler_cm: object, scale_g: object, batch_g: float) -> tuple[float, float]:
    """Both as floats.

    Raises
    ------
    PourError
        For what is no length or mass, or a scale too coarse for the batch.
    """
    values = []
    for name, value, most in (("ruler_cm", ruler_cm, 100.0), ("scale_g", scale_g, 0.25 * batch_g)):
        number = isinstance(value, int | float | np.integer | np.floating)
        if not number or isinstance(value, bool) or not 0.0 <= value <= most:  # type: ignore[operator]
            raise PourError(
                f"must lie between 0 and {most:g}",
                field=name,
                value=value,
                remedy="Say how far a reading may be off, either way; a batch must be "
                "at least four times what the scale may be off"
                if name == "scale_g"
                else "Say how far a reading may be off, either way, in cm",
            )
        values.append(float(value))  # type: ignore[arg-type]
    return values[0], values[1]


@functools.cache
def even_points(count: int) -> FloatArray:
    """Points spread evenly over (-1, 1)^10, shape (count, 10), always the same; read-only."""
    from scipy.stats import qmc  # slow to import, so late

    points = qmc.Sobol(_MOST_READINGS, scramble=False).random(count)
    # Shifted round a circle, so that no point sits in a corner.
    shift = np.random.default_rng(20_261_125).random(_MOST_READINGS)
    points = 2.0 * ((points + shift) % 1.0) - 1.0
    points.setflags(write=False)
    return np.asarray(points)


class Squeezes:
    """What becomes of recipes when the ruler and the scale are off.

    Parameters
    ----------
    palette, pour, view
        Of the recipes.
    ruler_cm, scale_g
        How far a reading may be off, either way.
    """

    def __init__(
        self, palette: Palette, pour: Pour, view: View, *, ruler_cm: float, scale_g: float
    ) -> None:
        self.pour, self.ruler_cm, self.scale_g = pour, ruler_cm, scale_g
        self._palette = palette
        self._model = model_for(palette, pour.thickness_cm, pour.white, view)
        self._around = view.surroundings
        self._roots, self._layers = self._layers_around()

    def _layers_around(self) -> tuple[FloatArray, list[Layer]]:
        """Layers at a few white fractions, between which R is interpolated.

        Chebyshev's nodes over the white fractions that occur (L. N. Trefethen, *Approximation
        Theory and Approximation Practice* (2013), ch. 5), even in the square root of the
        fraction, since R turns fastest at the first traces of white.
        """
        pour, model = self.pour, self._model
        if pour.white in (0.0, 1.0) or not self.scale_g or model.scattering_pigments:
            return np.array([np.sqrt(pour.white)]), [model.layer]
        lo = max(pour.white_g - self.scale_g, 0.0), pour.clear_g + self.scale_g
        hi = pour.white_g + self.scale_g, max(pour.clear_g - self.scale_g, 0.0)
        ends = [np.sqrt(white / (white + clear)) for white, clear in (lo, hi)]
        count = _WHITES[int(ends[0] < 0.5 * ends[1])]
        nodes = np.cos(np.pi * np.arange(count) / (count - 1))
        roots = 0.5 * (ends[0] + ends[1]) + 0.5 * (ends[1] - ends[0]) * nodes
        layers = [
            Layer(self._palette.blend(float(w))[1], pour.thickness_cm, self._around)
            for w in np.clip(roots * roots, 0.0, 1.0)
        ]
        return roots, layers

    def made(self, doses_cm: FloatArray, points: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Loads and white fractions that come of it.

        Parameters
        ----------
        doses_cm
            In palette order, shape (n,).
        points
            Errors in units of the limits, -1 to 1: pastes first, the last two are clear and
            white base; shape (k, n + 2).

        Returns
        -------
        loads, white
            Shapes (k, n), in cm per 100 g, and (k,).
        """
        pour, n = self.pour, doses_cm.size
        lengths = np.maximum(doses_cm + self.ruler_cm * points[:, :n], 0.0)
        lengths[:, doses_cm == 0.0] = 0.0
        clear, white = (
            np.maximum(grams + self.scale_g * points[:, at], 0.0)
            if grams
            else np.zeros(len(points))
            for grams, at in ((pour.clear_g, -2), (pour.white_g, -1))
        )
        mass = clear + white
        return lengths * (100.0 / mass[:, None]), white / mass

    def lab(self, doses_cm: FloatArray, points: FloatArray) -> FloatArray:
        """CIELAB of each squeeze, shape (k, 3); arguments as for `made`."""
        model = self._model
        loads, white = self.made(doses_cm, points)
        clear, opaque = self._palette.clear, self._palette.white
        mu_a = loads @ model.absorption
        mu_a += np.outer(1.0 - white, clear.absorption) + np.outer(white, opaque.absorption)
        if model.scattering_pigments:
            mu_s = loads @ model.scattering
            mu_s += np.outer(1.0 - white, clear.scattering) + np.outer(white, opaque.scattering)
            R = reflectance(mu_a, mu_s, model.thickness_cm, self._around)[0]
        else:
            shares = _lagrange(self._roots, np.sqrt(white))
            R = np.zeros_like(mu_a)
            for share, layer in zip(shares.T, self._layers, strict=True):
                R += share[:, None] * layer.value(mu_a)
        return xyz_to_lab(R @ model.weights.T, model.white)

    def points(self, count: int) -> FloatArray:
        """The first of the even points, shape (count, n + 2)."""
        n = len(self._palette.pigments)
        return even_points(SQUEEZES)[:count, [*range(n), -2, -1]]

    def percentile(self, doses_cm: FloatArray, target: FloatArray, count: int) -> float:
        """The 90th percentile of CIEDE2000 to a target, by the first `count` squeezes."""
        values = delta_e(self.lab(doses_cm, self.points(count)), target)
        return float(np.quantile(values, 0.9))


def _lagrange(nodes: FloatArray, x: FloatArray) -> FloatArray:
    """Shares of the values at nodes in the interpolating polynomial at x, shape (k, nodes)."""
    shares = np.ones((x.size, nodes.size))
    for i, here in enumerate(nodes):
        for j, other in enumerate(nodes):
            if i != j:
                shares[:, i] *= (x - other) / (here - other)
    return shares


@dataclass(frozen=True)
class Spread:
    """What readings of the ruler and the scale do to a recipe.

    Attributes
    ----------
    recipe, view
        What was asked.
    target
        What CIEDE2000 is taken to; None where it is taken to the recipe's own colour.
    ruler_cm, scale_g
        How far a reading may be off, either way.
    nominal
        The colour when nothing is off.
    nominal_delta_e
        Its CIEDE2000 to the target; 0 without one.
    mean, median, p90, p95
        Of CIEDE2000 over the squeezes: the mean, and the values that 50, 90 and 95 percent of
        them stay below.
    lab_covariance
        Of the colours over the squeezes, in CIELAB, shape (3, 3) as tuples.
    shares
        Which reading matters how much: the share of the mean square of CIEDE2000 from the
        recipe's own colour that each reading brings by itself. They sum to 1 (or are all 0).
    """

    recipe: Recipe
    view: View
    target: Target | None
    ruler_cm: float
    scale_g: float
    nominal: Prediction
    nominal_delta_e: float
    mean: float
    median: float
    p90: float
    p95: float
    lab_covariance: tuple[tuple[float, float, float], ...]
    shares: Mapping[str, float] = field(hash=False)
    _lab: FloatArray = field(repr=False, compare=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "shares", MappingProxyType(dict(self.shares)))

    def __reduce__(self) -> tuple[object, ...]:
        # A read-only view of a dict can't be pickled.
        values = {name: getattr(self, name) for name in self.__dataclass_fields__}
        return _spread_from, ({**values, "shares": dict(self.shares)},)

    @property
    def to(self) -> str:
        """What CIEDE2000 is taken to, in words."""
        return "the recipe's own colour" if self.target is None else "the target"

    @property
    def extremes(self) -> tuple[str, str]:
        """Hex codes of the colours that 5 % of squeezes stray beyond, one way and the other."""
        middle = self._lab.mean(axis=0)
        axis = np.linalg.eigh(np.array(self.lab_covariance))[1][:, -1]
        along = (self._lab - middle) @ axis
        white = self.view.observation.white
        labs = [middle + np.quantile(along, q) * axis for q in (0.05, 0.95)]
        first, second = (srgb_to_hex(xyz_to_srgb(lab_to_xyz(lab, white), white)[0]) for lab in labs)
        return first, second

    @property
    def worst(self) -> str | None:
        """The reading that matters most; None where nothing is off."""
        name = max(self.shares, key=self.shares.__getitem__, default=None)
        return name if name is not None and self.shares[name] > 0 else None

    def __str__(self) -> str:
        """In plain words."""
        lines = [
            f"recipe     {self.recipe}, into {self.recipe.pour}",
            f"readings   ruler within {10 * self.ruler_cm:g} mm, scale within {self.scale_g:g} g",
            f"CIEDE2000  to {self.to}: mean {self.mean:.2f}, half of pours within "
            f"{self.median:.2f}, 90 % within {self.p90:.2f}, 95 % within {self.p95:.2f}",
        ]
        if self.target is not None:
            lines.append(f"           {self.nominal_delta_e:.2f} when nothing is off")
        if self.worst:
            lines.append(f"care       most comes from {self.worst} ({self.shares[self.worst]:.0%})")
        return "\n".join(lines)

    def _repr_html_(self) -> str:
        first, second = self.extremes
        swatches = [(first, "one way"), (self.nominal.hex, "nothing off"), (second, "the other")]
        if self.target is not None:
            swatches.insert(0, (self.target.hex, "wanted"))
        rows = [
            ("recipe", str(self.recipe)),
            ("into", str(self.recipe.pour)),
            (
                "readings",
                f"ruler within {10 * self.ruler_cm:g} mm, scale within {self.scale_g:g} g",
            ),
            ("CIEDE2000 to", self.to),
            ("half of pours", f"within {self.median:.2f}"),
            ("90 %", f"within {self.p90:.2f}"),
            ("95 %", f"within {self.p95:.2f}"),
            *((f"share of {name}", f"{share:.0%}") for name, share in self.shares.items()),
        ]
        return card(swatches, rows, small=" ".join(CAUTIONS))


def _spread_from(values: dict[str, object]) -> Spread:
    return Spread(**values)  # type: ignore[arg-type]


def spread(
    recipe: Recipe | Mapping[str, float],
    *,
    palette: Palette | None = None,
    pour: Pour | None = None,
    view: View | None = None,
    ruler_cm: float = RULER_CM,
    scale_g: float = SCALE_G,
    target: Target | str | None = None,
) -> Spread:
    """How far a recipe's colour strays when the ruler and the scale are a little off.

    Parameters
    ----------
    recipe
        A `Recipe`, which brings its own pour, or doses in cm.
    palette, view
        By default the demo palette, and D65 on white paper.
    pour
        For doses: by default 100 g at 1 cm in clear base. Not together with a `Recipe`.
    ruler_cm, scale_g
        How far a reading may be off [cm, g], either way; every length or mass between the
        limits is equally likely. A dose of 0 is no reading, nor is a base that isn't used.
    target
        Take CIEDE2000 to this colour; by default to the recipe's own.

    Returns
    -------
    Spread

    Raises
    ------
    PourError
        For a pour given beside a `Recipe`, or readings that can't be.
    UnknownNameError, ColourError
        As `predict` and `match` do.
    """
    if isinstance(recipe, Recipe):
        if pour is not None and pour != recipe.pour:
            raise PourError(
                "is given twice, and not the same",
                field="pour",
                value=pour,
                remedy="A Recipe brings its own; leave it out, or give the doses alone",
            )
        pour, doses = recipe.pour, recipe.doses_cm
    else:
        expect(recipe, Mapping, "recipe", "Give a Recipe, or doses such as {'gorse': 2}")
        doses = recipe
    palette, pour, view = conditions(palette, pour, view)
    ruler, scale = checked_readings(ruler_cm, scale_g, pour.batch_g)
    goal = None if target is None else as_target(target)
    nominal = predict(doses, palette=palette, pour=pour, view=view)
    lengths = loads_of(doses, palette, pour) * (pour.batch_g / 100.0)
    squeezes = Squeezes(palette, pour, view, ruler_cm=ruler, scale_g=scale)
    lab = squeezes.lab(lengths, squeezes.points(SQUEEZES))
    centre = np.array(nominal.lab)
    aim = centre if goal is None else goal.lab_in(view)
    values = delta_e(lab, aim)
    median, p90, p95 = (float(np.quantile(values, q)) for q in (0.5, 0.9, 0.95))
    covariance = np.cov(lab.T)
    lab.setflags(write=False)
    return Spread(
        recipe=nominal.recipe,
        view=view,
        target=goal,
        ruler_cm=ruler,
        scale_g=scale,
        nominal=nominal,
        nominal_delta_e=float(delta_e(centre, aim)),
        mean=float(values.mean()),
        median=median,
        p90=p90,
        p95=p95,
        lab_covariance=tuple((float(r[0]), float(r[1]), float(r[2])) for r in covariance),
        shares=_shares(squeezes, lengths, centre, palette),
        _lab=lab,
    )


def _shares(
    squeezes: Squeezes, lengths: FloatArray, centre: FloatArray, palette: Palette
) -> dict[str, float]:
    """What each reading does by itself, one standard deviation up and down."""
    names = [*palette.names, "weighing clear base", "weighing white base"]
    one = np.eye(len(names)) / np.sqrt(3.0)
    squares = delta_e(squeezes.lab(lengths, np.concatenate([one, -one])), centre) ** 2
    each = 0.5 * (squares[: len(names)] + squares[len(names) :])
    pour = squeezes.pour
    used = [*(lengths > 0), pour.clear_g > 0, pour.white_g > 0]
    total = float(each[used].sum())
    return {
        name: float(value) / total if total > 1e-12 else 0.0
        for name, value, there in zip(names, each, used, strict=True)
        if there
    }
