"""From unknown spectra to the expected reading of each test pour, with derivatives."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Final, NamedTuple

import numpy as np

from shadematch.calibration.faces import at_faces, over_black
from shadematch.calibration.spectra import Unknown
from shadematch.colour.colorimetry import LAB_FROM_RESPONSE, cube_root_response, lab_from_response
from shadematch.colour.standards import WAVELENGTHS_NM
from shadematch.optics.layer import Surroundings, radiance_factor, reflectance_slopes
from shadematch.studio.bend import (
    LEAST_BEND,
    TENTH,
    effective,
    effective_by_bend,
    effective_slope,
    white_share,
)
from shadematch.studio.pour import Pour
from shadematch.studio.view import View
from shadematch.support.arrays import BoolArray, FloatArray

__all__ = [
    "BESIDE",
    "Errors",
    "Layers",
    "SeenLayers",
    "backing_key",
    "backing_level",
    "backing_shares",
    "layers_of",
    "look",
    "look_through",
    "to_lab",
]

_W: Final = WAVELENGTHS_NM.size
_ACROSS: Final = np.linspace(-1.0, 1.0, WAVELENGTHS_NM.size)
BESIDE: Final = 4
"""Errors of a bar beside those of its doses: thickness, base, gain, tilt."""
_STEEPEST: Final = 0.5
"""Largest relative standard deviation of a dose."""


class Errors(NamedTuple):
    """Standard deviations of errors at the bench.

    Attributes
    ----------
    dose
        Of each dose [unit of the doses].
    dose_share
        Of each dose, as a fraction of it.
    thickness_share
        Of the thickness, as a fraction of it.
    base_share
        Of the absorption of clear base, from bar to bar, in natural log units: lots differ, and
        yellow.
    gain
        Common factor of all radiance factors of a reading: lamp, white tile, and model errors
        common to all wavelengths.
    tilt
        Factor at the red end, with the opposite at the violet end.
    """

    dose: float = 0.2
    dose_share: float = 0.0
    thickness_share: float = 0.005
    base_share: float = 0.0
    gain: float = 0.003
    tilt: float = 0.0

    def scaled(self, dose: float, thickness: float, base: float, gain: float) -> Errors:
        """The same with doses, thickness, base, and level and tilt so many times as wrong."""
        return self._replace(
            dose=self.dose * dose,
            dose_share=self.dose_share * dose,
            thickness_share=self.thickness_share * thickness,
            base_share=self.base_share * base,
            gain=self.gain * gain,
            tilt=self.tilt * gain,
        )


class Layers(NamedTuple):
    """Pours and views as arrays; n of them, K unknown spectra, D pigments.

    Attributes
    ----------
    base
        Fraction of each base's spectrum in the layer, shape (n, K).
    loads
        Loads, shape (n, D).
    dose_sd
        Relative standard deviation of each load, shape (n, D); 0 where nothing was poured.
    thickness
        Thickness [cm], shape (n,).
    mode
        `Surroundings.mode` of each.
    backing
        Stated reflectance of the backing, shape (n, 36).
    backing_by
        Weight of each unknown in its correction, shape (n, K).
    """

    base: FloatArray
    loads: FloatArray
    dose_sd: FloatArray
    thickness: FloatArray
    mode: tuple[str, ...]
    backing: FloatArray
    backing_by: FloatArray


class SeenLayers(NamedTuple):
    """Spectra of n layers and their derivatives.

    Attributes
    ----------
    spectrum
        Shape (n, 36).
    by_unknown
        Derivative by each unknown at the same wavelength, shape (n, K, 36).
    by_error
        Derivative by standardised errors: doses (D), thickness, base, gain, tilt; shape
        (n, D + BESIDE, 36).
    """

    spectrum: FloatArray
    by_unknown: FloatArray
    by_error: FloatArray


def backing_key(view: View) -> str:
    """A name for the backing of a view; empty against the light."""
    if view.through:
        return ""
    value = view.backing
    stated = value if isinstance(value, str) else f"{np.round(np.atleast_1d(value), 6).tolist()}"
    return f"{stated}/{view.contact}"


def backing_level(view: View) -> float:
    """Mean logit of the reflectance of a view's backing."""
    stated = np.clip(view.backing_reflectance, 1e-4, 1 - 1e-4)
    return float(np.mean(np.log(stated / (1 - stated))))


def backing_shares(unknowns: Sequence[Unknown], view: View) -> FloatArray:
    """Weight of each unknown in the correction of a view's backing, shape (K,).

    Its own has weight 1. Backings of films without readings of their own use those of similar
    backings, weighted by nearness: all differ alike from their bare reflectance when seen from
    inside a film. Papers under soap are independent.
    """
    shares = np.zeros(len(unknowns))
    key = backing_key(view)
    if not key:
        return shares
    own = [k for k, u in enumerate(unknowns) if u.what == "backing" and u.of == key]
    if own:
        shares[own[0]] = 1.0
        return shares
    contact = key.rsplit("/", 1)[1]
    like = [
        k
        for k, u in enumerate(unknowns)
        if u.kind == "film backing" and u.of.rsplit("/", 1)[1] == contact
    ]
    if like:
        level = backing_level(view)
        away = np.array([abs(unknowns[k].level - level) for k in like])
        shares[like] = 1.0 / (away + 0.01) ** 2
        shares /= shares.sum()
    return shares


def layers_of(
    cases: Sequence[tuple[Mapping[str, float], Pour, View]],
    unknowns: Sequence[Unknown],
    pigments: Sequence[str],
    errors: Errors,
) -> Layers:
    """Arrays of doses, pours and views."""
    count = len(cases)
    base = np.zeros((count, len(unknowns)))
    loads = np.zeros((count, len(pigments)))
    dose_sd = np.zeros_like(loads)
    backing = np.empty((count, _W))
    backing_by = np.zeros((count, len(unknowns)))
    place = {name: i for i, name in enumerate(pigments)}
    for i, (doses, pour, view) in enumerate(cases):
        for k, u in enumerate(unknowns):
            share = {"white": pour.white, pour.base: 1.0 - pour.white}.get(u.of, 0.0)
            base[i, k] = share if u.of_base else 0.0
        for name, dose in doses.items():
            if dose > 0:
                loads[i, place[name]] = dose * 100.0 / pour.batch_g
                dose_sd[i, place[name]] = min(
                    float(np.hypot(errors.dose / dose, errors.dose_share)), _STEEPEST
                )
        backing[i] = view.backing_reflectance
        backing_by[i] = backing_shares(unknowns, view)
    return Layers(
        base=base,
        loads=loads,
        dose_sd=dose_sd,
        thickness=np.array([pour.thickness_cm for _, pour, _ in cases]),
        mode=tuple(view.surroundings.mode for *_, view in cases),
        backing=backing,
        backing_by=backing_by,
    )


def look(
    theta: FloatArray,
    unknowns: Sequence[Unknown],
    pigments: Sequence[str],
    layers: Layers,
    errors: Errors,
    slips: FloatArray | None = None,
) -> SeenLayers:
    """Spectra of layers for given unknowns.

    Parameters
    ----------
    theta
        The unknowns, shape (K, 36): logs of coefficients; for a backing, added to the logit of
        its reflectance; for a surface, subtracted from the logit of the radiance factor; for a
        film's crowding, subtracted from the log of the scattering at the largest load; for glass,
        added to the log of a transmittance; an offset itself; a bend or white's crowding,
        repeated 36 times.
    unknowns, pigments, layers, errors
        The meaning of theta, and the layers.
    slips
        Standardised errors of doses, thickness, base, gain and tilt, shape (n, D + BESIDE);
        none by default.

    Returns
    -------
    Seen
        All derivatives are exact; `tests/calibration/test_bends.py` holds them against
        differences.
    """
    count, dyes = layers.loads.shape
    if slips is None:
        slips = np.zeros((count, dyes + BESIDE))
    loads = layers.loads * np.exp(layers.dose_sd * slips[:, :dyes])
    thickness = layers.thickness * np.exp(errors.thickness_share * slips[:, dyes])
    level, lean = errors.gain * slips[:, dyes + 2], errors.tilt * slips[:, dyes + 3]
    gain = np.exp(level[:, None] + lean[:, None] * _ACROSS)
    place = {name: i for i, name in enumerate(pigments)}

    coefficient = np.exp(np.minimum(theta, 20.0))
    share = layers.base.copy()
    bend, crowding = _numbers(theta, unknowns, place)
    acting = effective(loads, bend)
    absorbs: BoolArray = np.array([u.what == "absorption" for u in unknowns])
    scatters: BoolArray = np.array([u.what == "scattering" for u in unknowns])
    for k, u in enumerate(unknowns):
        if u.kind.startswith("pigment"):
            share[:, k] = acting[:, place[u.of]]
        elif u.kind == "white scattering":
            share[:, k] = white_share(layers.base[:, k], crowding)
        elif u.of_clear:
            share[:, k] *= np.exp(errors.base_share * slips[:, dyes + 1])
    u_depth = (share * absorbs) @ coefficient * thickness[:, None]
    v_depth = (share * scatters) @ coefficient * thickness[:, None]
    crowds = _crowding(unknowns)
    if crowds is not None:
        at, by = crowds
        full = np.minimum(loads[:, place[unknowns[at].of]] / unknowns[by].level, 1.0)[:, None]
        left = np.exp(-theta[by] * full)
        v_depth += (share[:, at] * thickness)[:, None] * coefficient[at] * (left - 1.0)

    backing = layers.backing.copy()
    shifted = np.flatnonzero(layers.backing_by.any(axis=1))
    clipped = np.clip(backing[shifted], 1e-4, 1 - 1e-4)
    shift = layers.backing_by[shifted] @ theta
    backing[shifted] = 1.0 / (1.0 + (1.0 - clipped) / clipped * np.exp(-shift))

    spectrum = np.empty((count, _W))
    by_u, by_v, by_backing = (np.empty_like(spectrum) for _ in range(3))
    for mode in set(layers.mode):
        rows = np.array([m == mode for m in layers.mode])
        around = Surroundings(mode, backing[rows])  # type: ignore[arg-type]
        spectrum[rows], by_u[rows], by_v[rows], by_backing[rows] = reflectance_slopes(
            u_depth[rows], v_depth[rows], 1.0, around
        )

    by_unknown = np.zeros((count, theta.shape[0], _W))
    through: BoolArray = np.array([m == "through" for m in layers.mode])[:, None]
    lost = next((k for k, u in enumerate(unknowns) if u.kind == "edge loss"), None)
    by_thickness = np.zeros_like(spectrum)
    if lost is not None:
        edge = theta[lost, 0] * thickness[:, None] * ~through
        kept = np.exp(-edge)
        black, *by_black = over_black(u_depth, v_depth, layers.mode)
        from_backing = kept * (spectrum - black)
        spectrum = black + from_backing
        by_u, by_v = (b + kept * (f - b) for b, f in zip(by_black, (by_u, by_v), strict=True))
        by_backing = by_backing * kept
        by_thickness = -edge * from_backing
        by_unknown[:, lost] = -thickness[:, None] * ~through * from_backing * gain
    for k, u in enumerate(unknowns):
        if u.what in ("surface", "glass"):
            rows = ~through if u.what == "surface" else through
            changed, slope, by_theta = at_faces(spectrum, theta[k], u.what)
            factor = np.where(rows, slope, 1.0)
            spectrum = np.where(rows, changed, spectrum)
            by_u, by_v, by_backing = by_u * factor, by_v * factor, by_backing * factor
            by_unknown[:, k] = np.where(rows, by_theta, 0.0) * gain
    for k, u in enumerate(unknowns):
        if u.what in ("absorption", "scattering"):
            slope = by_u if u.what == "absorption" else by_v
            by_unknown[:, k] = slope * (share[:, k] * thickness)[:, None] * coefficient[k] * gain
    if crowds is not None:
        by_unknown[:, at] *= left
        by_unknown[:, by] = -full * by_unknown[:, at]
    by_shift = by_backing[shifted] * backing[shifted] * (1.0 - backing[shifted]) * gain[shifted]
    by_unknown[shifted] += layers.backing_by[shifted][:, :, None] * by_shift[:, None, :]
    by_error = np.zeros((count, dyes + BESIDE, _W))
    # Relative effects of a relative change of a paste, and of a change of its bend.
    there = np.maximum(acting, 1e-300)
    by_share = loads * effective_slope(loads, bend) / there
    by_bend = effective_by_bend(loads, bend) / there
    own_of = {(u.of, u.kind): k for k, u in enumerate(unknowns)}
    for k, u in enumerate(unknowns):
        if u.kind.startswith("pigment"):
            d = place[u.of]
            by_error[:, d] += (layers.dose_sd * by_share)[:, d, None] * by_unknown[:, k]
            if (own := own_of.get((u.of, "paste bend"))) is not None:
                by_unknown[:, own] += by_bend[:, d, None] * by_unknown[:, k]
        elif u.of_clear:
            by_error[:, dyes + 1] = errors.base_share * by_unknown[:, k]
        elif u.kind == "white scattering" and ("white", "white crowding") in own_of:
            lies = -(layers.base[:, k, None] - TENTH)
            by_unknown[:, own_of["white", "white crowding"]] += lies * by_unknown[:, k]
    if crowds is not None:  # more of it also scatters less per amount
        d = place[unknowns[at].of]
        more = np.where(full < 1.0, theta[by] * by_unknown[:, by], 0.0)
        by_error[:, d] += layers.dose_sd[:, d, None] * more
    by_thickness = by_thickness + by_u * u_depth + by_v * v_depth
    by_error[:, dyes] = errors.thickness_share * gain * by_thickness
    spectrum = spectrum * gain
    by_error[:, dyes + 2] = errors.gain * spectrum
    by_error[:, dyes + 3] = errors.tilt * _ACROSS * spectrum
    for k, u in enumerate(unknowns):
        if u.what == "offset":
            spectrum = spectrum + theta[k] * ~through
            by_unknown[:, k] = ~through
    return SeenLayers(spectrum, by_unknown, by_error)


def _numbers(
    theta: FloatArray, unknowns: Sequence[Unknown], place: Mapping[str, int]
) -> tuple[FloatArray, float]:
    """Bends of the pigments, shape (D,), and the crowding of white base; 0 if not fitted."""
    bend, crowding = np.zeros(len(place)), 0.0
    for k, u in enumerate(unknowns):
        if u.what == "bend":
            bend[place[u.of]] = theta[k, 0]
        elif u.kind == "white crowding":
            crowding = float(theta[k, 0])
    return bend, crowding


def _crowding(unknowns: Sequence[Unknown]) -> tuple[int, int] | None:
    """Positions of the scattering that crowds and of its crowding, or None."""
    for by, u in enumerate(unknowns):
        if u.kind == "film crowding":
            pair = (u.of, "pigment scattering")
            for k, v in enumerate(unknowns):
                if (v.of, v.kind) == pair:
                    return k, by
    return None


def look_through(
    thetas: FloatArray, unknowns: Sequence[Unknown], pigments: Sequence[str], layers: Layers
) -> FloatArray:
    """Spectra of a single layer, shape (d, 36), for unknowns of shape (d, K, 36); see `look`."""
    place = {name: i for i, name in enumerate(pigments)}
    crowds = _crowding(unknowns)
    drawn = {(u.of, u.kind): thetas[:, k, :1] for k, u in enumerate(unknowns) if u.number}
    zero = np.zeros((len(thetas), 1))
    u, v = np.zeros((2, thetas.shape[0], _W))
    backing = np.broadcast_to(layers.backing[0], u.shape)
    offset, shift = np.zeros_like(u), np.zeros_like(u)
    for k, unknown in enumerate(unknowns):
        if unknown.what in ("absorption", "scattering"):
            pigment = unknown.kind.startswith("pigment")
            load = layers.loads[0, place[unknown.of]] if pigment else layers.base[0, k]
            share = np.full_like(zero, load)
            if pigment:
                bend = drawn.get((unknown.of, "paste bend"), zero)
                share = effective(share, np.maximum(bend, LEAST_BEND))
            elif unknown.kind == "white scattering":
                share = white_share(share, drawn.get((unknown.of, "white crowding"), zero))
            part = share * np.exp(np.minimum(thetas[:, k], 20.0)) * layers.thickness[0]
            if crowds is not None and k == crowds[0]:
                by = crowds[1]
                part = part * np.exp(-thetas[:, by] * min(load / unknowns[by].level, 1.0))
            u, v = (u + part, v) if unknown.what == "absorption" else (u, v + part)
        elif unknown.what == "offset":
            offset = thetas[:, k] if layers.mode[0] != "through" else offset
        elif unknown.what == "backing":
            shift = shift + layers.backing_by[0, k] * thetas[:, k]
    if layers.backing_by[0].any():
        stated = np.clip(layers.backing[0], 1e-4, 1 - 1e-4)
        backing = 1.0 / (1.0 + (1.0 - stated) / stated * np.exp(-shift))
    around = Surroundings(layers.mode[0], backing)  # type: ignore[arg-type]
    spectrum = radiance_factor(u, v, 1.0, around)
    if (edge := drawn.get(("edge", "edge loss"))) is not None and layers.mode[0] != "through":
        nothing = Surroundings(layers.mode[0], np.zeros(_W))  # type: ignore[arg-type]
        black = radiance_factor(u, v, 1.0, nothing)
        loss = np.maximum(edge, 0.0) * layers.thickness[0]
        spectrum = black + np.exp(-loss) * (spectrum - black)
    for k, unknown in enumerate(unknowns):
        if unknown.what == ("glass" if layers.mode[0] == "through" else "surface"):
            spectrum = at_faces(spectrum, thetas[:, k], unknown.what)[0]
    return np.asarray(spectrum + offset)


def to_lab(
    spectrum: FloatArray, weights: FloatArray, white: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """CIELAB of a spectrum of shape (36,), and its derivative by it, shape (3, 36)."""
    f, slope = cube_root_response(weights @ spectrum, white)
    return lab_from_response(f), (LAB_FROM_RESPONSE * slope) @ weights
