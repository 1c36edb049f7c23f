"""Random questions with several lights and let-downs, and the plain enumeration that judges them.

The enumeration follows the definitions: every whole number of dose steps and of weighing steps,
load limit, mass of base, tubes. It knows nothing of `search.limits`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

import shadematch as sm
from shadematch.colour.colorimetry import xyz_to_lab
from shadematch.colour.difference import delta_e
from shadematch.colour.standards import WAVELENGTHS_NM, observation
from shadematch.predicting.prediction import model_for
from shadematch.support.arrays import FloatArray, IntArray
from tests.invented.problems import bent, invented_palette

LIGHTS = ("D65", "A", "FL11", "LED-B3", "D50", "FL2")


@dataclass(frozen=True)
class JointProblem:
    """A question, and the worst CIEDE2000, paste [cm] and pigments of everything permitted."""

    target: sm.Target
    arguments: dict[str, object]
    values: FloatArray
    paste: FloatArray
    tubes: IntArray
    grams: FloatArray  # (m, let-downs)

    @property
    def best(self) -> float:
        return float(self.values.min())

    def least_paste(self, within: float) -> float:
        return float(self.paste[self.values <= within].min())


def some_spectrum(rng: np.random.Generator) -> FloatArray:
    """A smooth reflectance."""
    curve = np.full(WAVELENGTHS_NM.size, rng.uniform(0.05, 0.9))
    for _ in range(3):
        bump = np.exp(-(((WAVELENGTHS_NM - rng.uniform(380, 730)) / rng.uniform(30, 120)) ** 2))
        curve += rng.uniform(-0.5, 0.5) * bump
    return np.clip(curve, 0.02, 0.95)


def joint_problem(
    seed: int, *, most: int = 150_000, scatter: float = 0.2, bends: bool = False
) -> JointProblem:
    """A random question with at most `most` permitted recipes; a share of them scatter.

    With `bends`, pastes are weaker where there is much of them, let-downs and all.
    """
    rng = np.random.default_rng(seed)
    while True:
        count = int(rng.integers(1, 5))
        palette = invented_palette(rng, count)
        if rng.random() < scatter:
            chalk = tuple((8.0 * (550.0 / WAVELENGTHS_NM)).tolist())
            first = palette.pigments[0].model_copy(update={"scattering": chalk})
            palette = sm.Palette(
                pigments=(first, *palette.pigments[1:]), clear=palette.clear, white=palette.white
            )
        palette = bent(palette, rng) if bends else palette
        pour = sm.Pour(
            batch_g=float(rng.choice([40, 60, 100, 150, 250, 500])),
            thickness_cm=float(rng.choice([0.5, 1.0, 2.0])),
            white=float(rng.choice([0.0, 0.0, 0.1, 0.5, 1.0])),
            max_load=float(rng.choice([1.0, 2.0, 4.0])),
            dose_step=float(rng.choice([1.0, 0.5])),
        )
        lights = tuple(rng.choice(LIGHTS, size=rng.integers(0, 4), replace=False).tolist())
        let_downs = []
        for _ in range(int(rng.integers(0 if lights else 1, 4))):
            made_in = float(rng.choice([0.0, pour.white]))
            if pour.clear_g == 0:
                made_in = 1.0
            let_downs.append(
                sm.LetDown.made(
                    str(rng.choice(palette.names)),
                    paste=float(rng.choice([1.0, 2.0])),
                    base_g=float(rng.choice([10.0, 25.0, 50.0, 70.0])),
                    step_g=float(rng.choice([1.0, 2.0, 5.0])),
                    white=made_in,
                )
            )
        let_downs = list(dict.fromkeys(let_downs))
        tubes = int(rng.integers(1, count + 1)) if rng.random() < 0.3 else None
        required = [palette.names[0]] if rng.random() < 0.2 else []
        avoided = [palette.names[-1]] if count > 1 and rng.random() < 0.2 else []
        axes = [np.arange(pour.max_steps + 1)] * count
        axes += [np.arange(int(pour.batch_g / d.step_g) + 1) for d in let_downs]
        size = float(np.prod([a.size for a in axes]))
        if size > 8e6 or pour.max_steps < 1:
            continue
        grid = np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1).reshape(-1, len(axes))
        paste = grid[:, :count] * pour.dose_step
        grams = grid[:, count:] * np.array([d.step_g for d in let_downs])
        for column, let_down in enumerate(let_downs):
            paste[:, palette.index(let_down.pigment)] += grams[:, column] * let_down.paste_per_g
        clear = grams @ np.array([1 - d.white for d in let_downs])
        white = grams @ np.array([d.white for d in let_downs])
        kept = (paste.sum(axis=1) <= pour.max_total + 1e-9) & (clear <= pour.clear_g + 1e-9)
        kept &= white <= pour.white_g + 1e-9
        kept &= np.count_nonzero(paste, axis=1) <= (tubes or count)
        for name in required:
            kept &= paste[:, palette.index(name)] > 0
        for name in avoided:
            kept &= paste[:, palette.index(name)] == 0
        if 100 < kept.sum() <= most:
            break
    paste, grams = paste[kept], grams[kept]
    view = sm.View(
        backing=str(rng.choice(["white", "black"])), observer=str(rng.choice(["2", "10"]))
    )
    model = model_for(palette, pour.thickness_cm, pour.white, view)
    loads = paste * 100.0 / pour.batch_g
    if model.scattering_pigments:
        # One spline for each load of the paste that scatters, as `predict` takes it.
        spectra = np.empty((len(loads), WAVELENGTHS_NM.size))
        for load in np.unique(loads[:, 0]):
            at = loads[:, 0] == load
            layer = model.layer_with(np.append(load, np.zeros(count - 1)))
            spectra[at] = layer.value(model.absorbed(loads[at]))
    else:
        spectra = np.concatenate([model.spectra(part) for part in np.array_split(loads, 20)])
    if rng.random() < 0.5:
        target = sm.Target.from_reflectance(WAVELENGTHS_NM.tolist(), some_spectrum(rng).tolist())
    else:
        # Near a colour that is there.
        seen = spectra[rng.integers(len(spectra))] * rng.uniform(0.95, 1.0)
        target = sm.Target.from_reflectance(WAVELENGTHS_NM.tolist(), np.clip(seen, 0, 1).tolist())
    values = []
    for light in lights or (view.illuminant,):
        at = view.model_copy(update={"illuminant": light})
        weights, _ = observation(light, view.observer)
        lab = xyz_to_lab(spectra @ weights.T, at.observation.white)
        values.append(delta_e(lab, target.lab_in(at)))
    arguments: dict[str, object] = {
        "palette": palette,
        "pour": pour,
        "view": view,
        "max_pigments": tubes,
        "must_use": required,
        "must_avoid": avoided,
        "lights": lights,
        "let_downs": let_downs,
    }
    used = np.count_nonzero(paste, axis=1)
    worst = np.maximum.reduce(values)
    return JointProblem(
        target=target,
        arguments=arguments,
        values=worst,
        paste=paste.sum(axis=1),
        tubes=used,
        grams=grams,
    )
