"""How a recipe's colour changes with load, thickness or white."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final, Literal

import numpy as np

from shadematch.colour.colorimetry import lab_to_xyz, srgb_to_hex, xyz_to_lab, xyz_to_srgb
from shadematch.colour.difference import delta_e
from shadematch.errors import PourError
from shadematch.optics.layer import reflectance
from shadematch.predicting.prediction import conditions, loads_of, model_for, recipe_of
from shadematch.studio.palette import Palette
from shadematch.studio.pour import Pour
from shadematch.studio.recipe import Recipe
from shadematch.studio.view import View
from shadematch.support.arrays import FloatArray
from shadematch.support.models import between, is_finite
from shadematch.support.report import Report, Reported, Row, Swatch

__all__ = ["Along", "Ladder", "ladder"]

Along = Literal["load", "thickness", "white"]
"""What is varied."""

_UNITS: Final[dict[str, str]] = {
    "load": "paste in the base [{unit} per 100 g]",
    "thickness": "thickness [cm]",
    "white": "white base in the blend [%]",
}
_FINE: Final = 241


@dataclass(frozen=True, eq=False)
class Ladder(Reported):
    """A recipe's colours as one quantity varies.

    Attributes
    ----------
    along
        ``"load"`` [recipe's unit per 100 g], ``"thickness"`` [cm] or ``"white"`` (mass fraction).
    recipe, view
        The recipe, and how it is looked at.
    values
        The values, rising, shape (k,).
    lab
        CIELAB, shape (k, 3).
    hexes, in_srgb
        Nearest sRGB codes, and whether the colours are inside sRGB.
    path
        CIEDE2000 from the first value, summed step by step, shape (k,).
    here
        The recipe's own value.
    every, marks
        The values at each `every` CIEDE2000 of the path, shape (m,).
    """

    along: Along
    recipe: Recipe
    view: View
    values: FloatArray
    lab: FloatArray = field(repr=False)
    hexes: tuple[str, ...] = field(repr=False)
    in_srgb: tuple[bool, ...] = field(repr=False)
    path: FloatArray = field(repr=False)
    here: float
    every: float
    marks: FloatArray

    @property
    def _asked(self) -> tuple[object, ...]:
        return self.along, self.recipe, self.view, self.here, self.every

    def __eq__(self, other: object) -> bool:
        if not isinstance(other, Ladder):
            return NotImplemented
        alike = np.array_equal(self.values, other.values) and np.array_equal(self.lab, other.lab)
        return alike and self._asked == other._asked

    def __hash__(self) -> int:
        return hash(self._asked)

    @property
    def label(self) -> str:
        """The quantity and its unit."""
        return _UNITS[self.along].format(unit=self.recipe.unit)

    def report(self) -> Report:
        """The range, and how far the colour moves."""
        at = np.unique(np.linspace(0, len(self.values) - 1, 9).astype(int))
        scale = 100.0 if self.along == "white" else 1.0
        low, high = self.values[0] * scale, self.values[-1] * scale
        return Report(
            swatches=tuple(
                Swatch(self.hexes[i], f"{self.values[i] * scale:.3g}", self.in_srgb[i]) for i in at
            ),
            rows=(
                *self.recipe.rows,
                Row("varied", f"{self.label} from {low:g} to {high:g}"),
                Row("the shade", f"moves by CIEDE2000 {self.path[-1]:.1f} in all"),
            ),
        )


def ladder(
    doses: Recipe | Mapping[str, float],
    *,
    along: Along,
    palette: Palette | None = None,
    pour: Pour | None = None,
    view: View | None = None,
    values: Sequence[float] | None = None,
    every: float = 5.0,
) -> Ladder:
    """How a recipe's colour changes with its load, its thickness or the white in the base.

    Parameters
    ----------
    doses
        Paste of each pigment [palette's unit], as for `predict`.
    along
        ``"load"``: the same proportions at other loads [palette's unit per 100 g], by default
        up to the load limit; ``"thickness"`` [cm], by default a fifth to five times the pour's;
        ``"white"``: mass fraction, by default 0 to 1.
    palette, pour, view
        By default the demo palette, 500 g at 1 cm in clear base, and D65 on white paper.
    values
        Other values, at least two, in the same units.
    every
        CIEDE2000 between marks, 0.01 to 200.

    Raises
    ------
    UnknownNameError, PourError
        If the palette lacks a name, a dose or value is out of range, or a ladder of loads is
        asked of a recipe without paste.
    """
    palette, _, view = conditions(palette, pour, view)
    recipe = recipe_of(doses, palette, pour, "doses")
    pour = recipe.pour
    loads = loads_of(recipe.doses, palette, pour)
    if not isinstance(along, str) or along not in _UNITS:
        problem = "must be 'load', 'thickness' or 'white'"
        raise PourError(problem, field="along", value=along, remedy="Take one of these")
    spacing = between(every, "every", 0.01, 200.0, "In CIEDE2000")
    total = float(loads.sum())
    if along == "load" and total == 0.0:
        problem, remedy = "has no paste whose load could vary", "Give at least one dose above zero"
        raise PourError(problem, field="doses", value=dict(recipe.doses), remedy=remedy)
    asked = _values(along, palette, pour, values)
    if along == "load":
        lab = model_for(palette, pour.thickness_cm, pour.white, view).lab(
            asked[:, None] * (loads / total)
        )
        here = total
    else:
        name = "thickness_cm" if along == "thickness" else "white"
        # Copied, not made anew: a ladder may leave the usual thicknesses without a warning.
        pours = [pour.model_copy(update={name: value}) for value in asked.tolist()]
        lab = np.stack([_lab(loads, palette, one, view) for one in pours])
        here = pour.thickness_cm if along == "thickness" else pour.white
    white = view.observation.white
    rgb, inside = xyz_to_srgb(lab_to_xyz(lab, white), white)
    path = np.concatenate([[0.0], np.cumsum(delta_e(lab[1:], lab[:-1]))])
    marks = np.interp(np.arange(spacing, path[-1], spacing), path, asked)
    for array in (asked, lab, path, marks):
        array.setflags(write=False)
    return Ladder(
        along=along,
        recipe=recipe,
        view=view,
        values=asked,
        lab=lab,
        hexes=tuple(srgb_to_hex(c) for c in rgb),
        in_srgb=tuple(np.asarray(inside).tolist()),
        path=path,
        here=here,
        every=spacing,
        marks=marks,
    )


def _lab(loads: FloatArray, palette: Palette, pour: Pour, view: View) -> FloatArray:
    """CIELAB of one layer, shape (3,), from the table without its splines."""
    model = model_for(palette, pour.thickness_cm, pour.white, view)
    mu_a, mu_s = model.absorbed(loads), model.scattered(loads)
    spectrum = reflectance(mu_a, mu_s, pour.thickness_cm, view.surroundings)[0]
    return xyz_to_lab(model.weights @ spectrum, model.white)


def _values(
    along: Along, palette: Palette, pour: Pour, values: Sequence[float] | None
) -> FloatArray:
    if values is None:
        even = np.linspace(0.0, 1.0, _FINE)
        if along == "load":
            return pour.max_load * even
        if along == "white":
            return even**2  # the first white changes most
        low, high = max(pour.thickness_cm / 5.0, 0.01), min(pour.thickness_cm * 5.0, 100.0)
        return np.asarray(low * (high / low) ** even)
    try:
        given = list(values)
    except TypeError:
        given = []
    numbers = np.unique([float(v) for v in given]) if all(map(is_finite, given)) else np.empty(0)
    lowest = 0.01 if along == "thickness" else 0.0
    highest = 1000.0 if along == "load" else 100.0 if along == "thickness" else 1.0
    if numbers.size < 2 or not np.all((numbers >= lowest) & (numbers <= highest)):
        raise PourError(
            f"needs at least two numbers from {lowest:g} to {highest:g}",
            field="values",
            value=values,
            remedy=f"They are {_UNITS[along].format(unit=palette.unit)}"
            if along != "white"
            else "They are fractions",
        )
    return numbers
