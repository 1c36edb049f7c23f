"""What is not known when a recipe is poured, and what it does to the colour: the fast way.

Uncertain are the readings of ruler and scale (evenly within limits,
`shadematch.predicting.readings`), what the palette says of its pastes and bases
(`shadematch.studio.uncertainty`), thickness and gain of the bench, and the model's error. Each
cause moves the colour along the layer's slope, so the colour has a covariance, and CIEDE2000 an
expectation (`shadematch.colour.expected`). Being linear, this doesn't cut off doses below zero. It
serves to choose among many recipes; the figures printed for the chosen one come from the full
model (`shadematch.predicting.sampled`).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Final, Literal, NamedTuple

import numpy as np

from shadematch.colour.colorimetry import LAB_FROM_RESPONSE, cube_root_response, lab_from_response
from shadematch.colour.expected import differences, half_and_nine_in_ten, normal_points, root_of
from shadematch.colour.illuminant import Light
from shadematch.colour.standards import observation
from shadematch.optics.layer import Layer, Surroundings, reflectance_slopes
from shadematch.predicting.prediction import model_for
from shadematch.predicting.readings import Dosed, paste_made, told_apart
from shadematch.studio.bend import (
    effective,
    effective_by_bend,
    effective_slope,
    white_share,
    white_share_by_crowding,
    white_share_slope,
)
from shadematch.studio.palette import Palette
from shadematch.studio.pour import Pour
from shadematch.studio.recipe import LetDown, Recipe
from shadematch.studio.uncertainty import PaletteUncertainty
from shadematch.studio.view import View
from shadematch.support.arrays import FloatArray, IntArray

__all__ = [
    "CAUSES",
    "MAKING",
    "SD",
    "Cause",
    "Colours",
    "Linear",
    "Uncertainty",
    "cause_in_words",
]

Cause = Literal["target", "dosing", "base", "pastes", "bench", "model"]
CAUSES: Final[tuple[Cause, ...]] = ("target", "dosing", "base", "pastes", "bench", "model")
"""Kinds of causes: how well the target is known; readings of doses; readings of base; how well
pastes and bases are known; thickness and gain of the bench; the model's error."""
_WORDS: Final[dict[Cause, str]] = {
    "target": "how well the target is known",
    "dosing": "the ruler",
    "base": "how base is weighed",
    "pastes": "pastes that are not known well enough",
    "bench": "thickness and light",
    "model": "the error of the model",
}
"""The kinds in words, where paste is measured by the ruler and all base weighed at once."""
MAKING: Final = "making "
"""How the names of readings begin that make a let-down."""
SD: Final = 1.0 / np.sqrt(3.0)
"""Standard deviation of an even distribution, in units of its limit (JCGM 100:2008, 4.3.7)."""
_STEP: Final = 0.02
"""Of the logarithm of scattering, or of a backing's logit, for slopes by central differences.
Their relative error is a sixth of its square."""
_CHUNK: Final = 256
_POINTS: Final = 512
_FEW: Final = 16
"""Recipes whose points fit a processor's cache."""
_NOTHING: Final = PaletteUncertainty()


class Linear(NamedTuple):
    """Colours of k recipes in v lights, and their slopes by each of c causes.

    Attributes
    ----------
    lab
        Nominal, shape (k, v, 3).
    columns
        Change by one standard deviation of each of `Uncertainty.names`, shape (k, c, 3 v).
    """

    lab: FloatArray
    columns: FloatArray


class Colours(NamedTuple):
    """Colours of k recipes in v lights as normal distributions.

    Attributes
    ----------
    lab
        Means, shape (k, v, 3).
    covariance
        Over all lights together, shape (k, 3 v, 3 v).
    """

    lab: FloatArray
    covariance: FloatArray

    def at(self, rows: IntArray | slice) -> Colours:
        """Those of some recipes."""
        return Colours(self.lab[rows], self.covariance[rows])

    def expected(self, aims: FloatArray) -> FloatArray:
        """Expected CIEDE2000 to exact aims, shape (v, 3), the worst over the lights; (k,)."""
        parts = [
            differences(self.lab[rows], aims, self.covariance[rows], count=_POINTS).mean(axis=1)
            for rows in (slice(i, i + _CHUNK) for i in range(0, len(self.lab), _CHUNK))
        ]
        return np.concatenate([np.empty(0), *parts])

    def floor(self, aims: FloatArray, norms: Sequence[FloatArray], radius: float) -> FloatArray:
        """A lower bound of `expected` at a fraction of its cost; shape (k,).

        `norms` are those of `minorant` for that radius, one for each light. It uses the same
        points, so it holds up to rounding.
        """
        from scipy.linalg import block_diag  # slow to import, so late

        scaled = block_diag(*norms)
        away = (self.lab - aims).reshape(len(self.lab), -1) @ scaled.T
        points = normal_points(_POINTS, away.shape[1])
        found = np.empty(len(away))
        for i in range(0, len(away), _CHUNK):
            rows = slice(i, i + _CHUNK)
            roots = scaled @ root_of(self.covariance[rows])
            off = away[rows, None] + points @ np.swapaxes(roots, 1, 2)
            lengths = np.linalg.norm(off.reshape(*off.shape[:2], -1, 3), axis=-1)
            found[rows] = np.minimum(lengths.max(axis=2), radius).mean(axis=1)
        return found

    def within(
        self, aims: FloatArray, aim_covariance: FloatArray | None = None
    ) -> tuple[FloatArray, FloatArray]:
        """What CIEDE2000 stays within in half and in nine tenths of cases; shapes (k,).

        Parameters
        ----------
        aims
            CIELAB in each light, shape (v, 3), or (k, v, 3) for one per recipe.
        aim_covariance
            Of the aim's CIELAB, shape (3, 3), one error in all lights; None: exact.
        """
        lights = self.lab.shape[1]
        doubt = None
        if aim_covariance is not None:
            doubt = np.asarray(np.kron(np.ones((lights, lights)), aim_covariance))
        goals = np.broadcast_to(aims, self.lab.shape)
        found = [np.empty((0, 2))]
        for i in range(0, len(self.lab), _FEW):
            rows = slice(i, i + _FEW)
            values = differences(
                self.lab[rows],
                goals[rows, None],
                self.covariance[rows],
                aim_covariance=doubt,
                count=_POINTS,
                single=True,
            )
            found.append(half_and_nine_in_ten(values).T)
        half, nine = np.concatenate(found).T
        return half, nine


class Uncertainty:
    """What is not known of recipes for one palette, pour and view.

    Parameters
    ----------
    palette, pour, view
        Of the recipes; the palette says what is not known of itself.
    dose_slip, scale_g
        How far a reading may be off either way [palette's unit, g].
    let_downs
        Available ones, m of them.
    made
        Paste that each let-down was made with in one go, by pigment; by default the fewest dose
        steps that make enough.
    lights
        Those that count, if not the view's alone.

    Attributes
    ----------
    names, causes
        Of the causes: pastes by their names (the reading of the ruler), ``"weighing clear base"``,
        ``"making gorse let-down"``, ``"pastes and bases"`` and so on; and the kind of each.
    model, seen, spectra, backing
        The colour model; weights and white of each light; absorption and scattering of pastes,
        clear and white base, shape (n + 2, 36) each; moves of the backing's logit, shape (K, 36).
    """

    def __init__(
        self,
        palette: Palette,
        pour: Pour,
        view: View,
        *,
        dose_slip: float,
        scale_g: float,
        let_downs: Sequence[LetDown] = (),
        made: Mapping[str, float] | None = None,
        lights: Sequence[Light] = (),
    ) -> None:
        palette = palette.in_base(pour.base)
        self.palette, self.pour, self.view = palette, pour, view
        self.dose_slip, self.scale_g = dose_slip, scale_g
        self.let_downs, self._made = tuple(let_downs), dict(made or {})
        self._known = _NOTHING if palette.uncertainty is None else palette.uncertainty
        self.model = model_for(palette, pour.thickness_cm, pour.white, view)
        seen = [observation(light, view.observer) for light in lights] or [view.observation]
        self.seen = [(each.weights, each.white) for each in seen]
        clear, white = palette.clear, palette.white
        self.spectra = (
            np.vstack([self.model.absorption, clear.absorption, white.absorption]),
            np.vstack([self.model.scattering, clear.scattering, white.scattering]),
        )
        self.backing = self._known.of_backing(view)
        self.names, self.causes = self._names()
        self._scatter_layers = self._backing_layers = None
        if not self.model.scattering_pigments:
            self._scatter_layers, self._backing_layers = self._layers()

    def _names(self) -> tuple[tuple[str, ...], tuple[Cause, ...]]:
        rows: list[tuple[str, Cause]] = [(name, "dosing") for name in self.palette.names]
        rows += [(f"weighing {kind}", "base") for kind in self.pour.kinds]
        for words in told_apart(self.let_downs):
            rows += [(f"{MAKING}{words}", "dosing"), (f"{MAKING}{words}", "base")]
            rows += [(f"weighing {words}", "base")]
        rows += [("pastes and bases", "pastes")] * len(self._known.modes)
        rows += [("thickness", "bench"), ("light and white tile", "bench")]
        rows += [("what the model misses", "model")] * 3
        return tuple(name for name, _ in rows), tuple(cause for _, cause in rows)

    def _layers(self) -> tuple[tuple[Layer, Layer] | None, tuple[Layer, Layer] | None]:
        """Layers of slightly different scattering, and backing, where either matters."""
        model, pour, around = self.model, self.pour, self.view.surroundings
        known, up = self._known, float(np.exp(_STEP))
        blended = 0.0 < pour.white < 1.0 and self.scale_g > 0.0
        scatter = backing = None
        # Modes of the scattering of what doesn't scatter change nothing.
        moved = bool(known.modes) and known.scattering.any(axis=(0, 2)) @ self.spectra[1] > 0.0
        crowds = pour.white > 0.0 and known.crowding.any()
        if blended or known.thickness > 0.0 or np.any(moved) or crowds:
            scatter = (
                Layer(model.base_scattering / up, pour.thickness_cm, around),
                Layer(model.base_scattering * up, pour.thickness_cm, around),
            )
        if self.backing.any():
            odds = around.backing / (1.0 - np.minimum(around.backing, 1.0 - 1e-6))
            sides = [Surroundings(around.mode, odds * f / (1.0 + odds * f)) for f in (1.0 / up, up)]
            backing = (
                Layer(model.base_scattering, pour.thickness_cm, sides[0]),
                Layer(model.base_scattering, pour.thickness_cm, sides[1]),
            )
        return scatter, backing

    def linear(self, amounts: FloatArray) -> Linear:
        """Colours of recipes and their slopes by each cause.

        `amounts`, shape (k, n + m), holds doses in palette order, then masses of let-downs [g].
        """
        loads, by_load, by_white = self._readings(amounts)
        model, known, (a, s) = self.model, self._known, self.spectra
        white, crowding = self.pour.white, self.palette.white.crowding
        acting = effective(loads, model.bend)
        shares = np.concatenate([acting, np.tile((1.0 - white, white), (len(loads), 1))], axis=1)
        by_load = by_load * effective_slope(loads, model.bend)[:, None, :]
        by_base = np.stack([-by_white, by_white], axis=-1)
        by_share = np.concatenate([by_load, by_base], axis=-1)  # (k, r, n + 2)
        # The scattering of white goes by a share of its own.
        scattered, by_scattered = shares.copy(), by_share.copy()
        scattered[:, -1] = white_share(white, crowding)
        by_scattered[..., -1] *= white_share_slope(white, crowding)
        mu_a, mu_s = shares @ a, scattered @ s
        R, by_a, by_s, by_backing = self._slopes(mu_a, mu_s)
        moved = by_a[:, None] * (by_share @ a)
        columns = [moved if by_s is None else moved + by_s[:, None] * (by_scattered @ s)]
        if known.modes:
            bent = effective_by_bend(loads, model.bend)[:, None, :] * known.bends  # (k, K, n)
            moved = by_a[:, None] * (_by_mode(shares, a, known.absorption) + bent @ a[:-2])
            if by_s is not None:
                crowds = known.crowding * float(white_share_by_crowding(white, crowding))
                moves = _by_mode(scattered, s, known.scattering) + bent @ s[:-2]
                moved += by_s[:, None] * (moves + np.outer(crowds, s[-1]))
            if by_backing is not None:
                moved += by_backing[:, None] * self.backing
            columns.append(moved)
        thicker = by_a * mu_a if by_s is None else by_a * mu_a + by_s * mu_s
        columns.append(np.stack([known.thickness * thicker, known.gain * R], axis=1))
        every = np.concatenate(columns, axis=1)
        labs, slopes = [], []
        for weights, point in self.seen:
            f, f_slope = cube_root_response(R @ weights.T, point)
            labs.append(lab_from_response(f))
            slopes.append((every @ weights.T * f_slope[:, None]) @ LAB_FROM_RESPONSE.T)
        missed = known.model_lab * np.tile(np.eye(3), len(self.seen))
        by_cause = np.concatenate(slopes, axis=-1)
        by_cause = np.concatenate([by_cause, np.tile(missed, (len(loads), 1, 1))], axis=1)
        if len(self.seen) == 1:  # bit for bit as in the search
            labs = [model.lab(loads)]
        return Linear(np.stack(labs, axis=1), by_cause)

    def _slopes(
        self, mu_a: FloatArray, mu_s: FloatArray
    ) -> tuple[FloatArray, FloatArray, FloatArray | None, FloatArray | None]:
        """R and its slopes by absorption, scattering and the backing's logit, each (k, 36)."""
        around, thickness = self.view.surroundings, self.pour.thickness_cm
        if not self.model.scattering_pigments:
            R, by_a = self.model.layer.evaluate(mu_a)
            by_s = by_backing = None
            if self._scatter_layers is not None:
                by_s = _central(self._scatter_layers, mu_a)
                by_s = np.divide(by_s, mu_s, out=np.zeros_like(by_s), where=mu_s > 0.0)
            if self._backing_layers is not None:
                by_backing = _central(self._backing_layers, mu_a)
            return R, by_a, by_s, by_backing
        R, by_a, by_s, by_backing = reflectance_slopes(mu_a, mu_s, thickness, around)
        if not self.backing.any():
            return R, by_a, by_s, None
        return R, by_a, by_s, by_backing * (around.backing * (1.0 - around.backing))

    def _readings(self, amounts: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Loads, and their changes and the white fraction's by a standard deviation of r readings.

        Shapes (k, n), (k, r, n) and (k, r); a dose of 0 and an unused base change nothing.
        """
        pour, size, batch = self.pour, len(self.palette.pigments), self.pour.batch_g
        count, m = len(amounts), len(self.let_downs)
        by_load = np.zeros((count, size + 2 + 3 * m, size))
        by_white = np.zeros((count, size + 2 + 3 * m))
        ruler, scale = SD * self.dose_slip, SD * self.scale_g
        taken, per_paste = amounts[:, :size], 100.0 / batch
        loads = taken * per_paste
        at = np.arange(size)
        by_load[:, at, at] = np.where(taken > 0.0, ruler * per_paste, 0.0)
        weighed = np.tile((pour.clear_g, pour.white_g), (count, 1))
        for let_down, mass in zip(self.let_downs, amounts[:, size:].T, strict=True):
            own = self.palette.index(let_down.pigment)
            loads[:, own] += mass * let_down.paste_per_g * per_paste
            weighed -= np.outer(mass, (1.0 - let_down.white, let_down.white))
        for j, (let_down, mass) in enumerate(zip(self.let_downs, amounts[:, size:].T, strict=True)):
            own, first = self.palette.index(let_down.pigment), size + 2 + 3 * j
            dosed = mass > 0.0
            paste = mass * let_down.paste_per_g * per_paste
            made = np.array([self.paste_made(let_down, float(g)) for g in mass])
            by_load[:, first, own] = paste * ruler / made
            by_load[:, first + 1, own] = -paste * scale * let_down.paste_per_g / made
            by_load[:, first + 2] = np.where(dosed[:, None], -loads * (scale / batch), 0.0)
            by_load[:, first + 2, own] += dosed * (let_down.paste_per_g * per_paste * scale)
            by_white[:, first + 2] = dosed * (let_down.white - pour.white) * (scale / batch)
        for kind, pull in enumerate((-pour.white, 1.0 - pour.white)):
            there = weighed[:, kind] > 1e-9
            by_load[:, size + kind] = np.where(there[:, None], -loads * (scale / batch), 0.0)
            by_white[:, size + kind] = there * pull * (scale / batch)
        return loads, by_load, by_white

    def paste_made(self, let_down: LetDown, mass_g: float) -> float:
        """Paste that a let-down is made with in one go, for so much of it."""
        told = self._made.get(let_down.pigment)
        return told or paste_made(let_down, mass_g, self.pour.dose_step, self.scale_g)

    def dosed(self, amounts: FloatArray) -> list[tuple[int, Dosed]]:
        """The let-downs in one recipe, shape (n + m,), with their positions."""
        masses = amounts[len(self.palette.pigments) :].tolist()
        return [
            (at, Dosed(d, self.paste_made(d, mass), mass))
            for at, (d, mass) in enumerate(zip(self.let_downs, masses, strict=True))
            if mass > 0.0
        ]

    def colours(self, amounts: FloatArray, *, spared: Sequence[Cause] = ()) -> Colours:
        """Colours of recipes as normal distributions, with the causes `spared` taken as exact."""
        kept = np.array([cause not in spared for cause in self.causes])
        labs = [np.empty((0, len(self.seen), 3))]
        covariances = [np.empty((0, 3 * len(self.seen), 3 * len(self.seen)))]
        for i in range(0, len(amounts), _CHUNK):
            part = self.linear(amounts[i : i + _CHUNK])
            columns = part.columns[:, kept]
            labs.append(part.lab)
            covariances.append(np.swapaxes(columns, 1, 2) @ columns)
        return Colours(np.concatenate(labs), np.concatenate(covariances))


def cause_in_words(cause: Cause, recipe: Recipe) -> str:
    """A kind of cause in words, for the recipe that it concerns."""
    if cause == "dosing" and recipe.unit == "g":
        return "how the paste is weighed"
    if cause == "base" and recipe.weighed:
        return "how base and let-downs are weighed"
    return _WORDS[cause]


def _central(sides: tuple[Layer, Layer], mu_a: FloatArray) -> FloatArray:
    return (sides[1].value(mu_a) - sides[0].value(mu_a)) / (2.0 * _STEP)


def _by_mode(shares: FloatArray, spectra: FloatArray, modes: FloatArray) -> FloatArray:
    """How modes (K, n + 2, 36) move a coefficient made of shares (k, n + 2) of spectra."""
    parts = (shares[:, :, None] * spectra).transpose(2, 0, 1)  # (36, k, n + 2)
    return np.asarray((parts @ modes.transpose(2, 1, 0)).transpose(1, 2, 0))
