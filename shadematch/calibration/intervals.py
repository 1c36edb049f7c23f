"""Predictions of a calibration, with ranges."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Final

import numpy as np

from shadematch.calibration.fit import Fit
from shadematch.calibration.forward import layers_of, look, look_through, to_lab
from shadematch.calibration.left_out import left_out
from shadematch.calibration.test_pour import TestPour
from shadematch.colour.colorimetry import lab_to_xyz, xyz_to_hex, xyz_to_lab
from shadematch.colour.difference import delta_e
from shadematch.colour.expected import differences
from shadematch.photo.inference import frame_of
from shadematch.studio.pour import Pour
from shadematch.studio.target import Target
from shadematch.studio.view import View
from shadematch.support.arrays import FloatArray, Triple
from shadematch.support.report import Report, Reported, Row, Swatch

__all__ = ["Interval", "interval_of", "sources_of", "with_lots", "with_misfit"]

_SHARED: Final = 0.5
"""Fraction of the covariance of photos that all photos of a session share (estimate)."""
_KEPT: Final = 5.0
"""Number of readings that the prior on the model error is worth."""


@dataclass(frozen=True)
class Interval(Reported):
    """A predicted colour with its range.

    Attributes
    ----------
    lab
        Most probable CIELAB under the view.
    covariance
        Covariance of `lab`, shape (3, 3).
    level
        Probability that each range holds.
    low, high
        Range of each of L*, a* and b*, taken separately.
    view
        How it is looked at.
    reflectance
        Predicted radiance factor, shape (36,).
    delta_e, delta_e_low, delta_e_high
        CIEDE2000 of `lab` to the target, and its range; None without a target. The range need
        not contain `delta_e`: a colour predicted exactly on its target will be a little off.
    """

    lab: Triple
    covariance: FloatArray = field(repr=False, compare=False)
    level: float
    low: Triple
    high: Triple
    view: View
    reflectance: FloatArray = field(repr=False, compare=False)
    delta_e: float | None = None
    delta_e_low: float | None = None
    delta_e_high: float | None = None

    def contains(self, lab: Triple) -> bool:
        """Whether a colour is inside the ellipsoid that contains `level` of them.

        Raises
        ------
        ColourError
            If it isn't three finite numbers.
        """
        from scipy.stats import chi2

        d = np.array(Target(lab).lab) - np.array(self.lab)
        return bool(d @ np.linalg.solve(self.covariance, d) <= chi2.ppf(self.level, 3))

    @property
    def spread(self) -> float:
        """CIEDE2000 from `lab` that `level` of the colours stay within."""
        lab = np.array(self.lab)
        return float(np.quantile(_apart(lab, lab, self.covariance), self.level))

    @property
    def hex(self) -> str:
        """Nearest sRGB code of `lab`."""
        white = self.view.observation.white
        return xyz_to_hex(lab_to_xyz(np.array(self.lab), white), white)

    @property
    def sentence(self) -> str:
        """Colour and range in one line."""
        text = f"{', '.join(row.words for row in self._axes)} at {self.level:.0%}"
        text += f", within CIEDE2000 {self.spread:.1f}"
        return text if self.delta_e is None else f"{text}; {self._apart}"

    @property
    def _axes(self) -> tuple[Row, ...]:
        found = zip(("L*", "a*", "b*"), self.lab, self.low, self.high, strict=True)
        return tuple(
            Row("range", f"{name} {value:.1f}", range=f"{low:.1f} to {high:.1f}")
            for name, value, low, high in found
        )

    @property
    def _apart(self) -> str:
        return (
            f"CIEDE2000 {self.delta_e:.1f} to the target, "
            f"from {self.delta_e_low:.1f} to {self.delta_e_high:.1f}"
        )

    def report(self) -> Report:
        """Colour and range."""
        apart = [] if self.delta_e is None else [Row("target", self._apart)]
        return Report(
            swatches=(Swatch(self.hex, "predicted"),),
            rows=(
                *self._axes,
                Row("spread", f"within CIEDE2000 {self.spread:.1f}"),
                *apart,
                Row("holds for", f"{self.level:.0%} of such pours"),
            ),
            cautions=False,
        )


def _apart(lab: FloatArray, goal: FloatArray, covariance: FloatArray) -> FloatArray:
    """CIEDE2000 of an uncertain colour to one that is known, as equally likely values."""
    return np.asarray(differences(lab[None, None], goal[None], covariance[None])[0])


def sources_of(
    found: Fit, doses: Mapping[str, float], pour: Pour, view: View
) -> tuple[FloatArray, FloatArray, dict[str, FloatArray], FloatArray]:
    """Colour, spectrum, covariances by source, and slopes by the unknowns.

    Returns
    -------
    lab, spectrum
        Shapes (3,) and (36,).
    covariances
        Of shape (3, 3) each: ``"spectra"``, ``"dosing"``, ``"bench"`` (thickness and gain),
        ``"model"``, ``"reading"``.
    slopes
        Of Lab by the unknowns, shape (3, 36 K).
    """
    p = found.problem
    layers = layers_of([(doses, pour, view)], p.unknowns, p.pigments, p.errors)
    seen = look(found.theta, p.unknowns, p.pigments, layers, p.errors)
    weights, white = view.observation
    spectrum = np.maximum(seen.spectrum[0], 0.0)
    lab, by = to_lab(spectrum, weights, white)
    slopes = (by[:, None, :] * seen.by_unknown[0][None]).reshape(3, -1)
    errors = by @ seen.by_error[0].T
    dyes = len(p.pigments)
    bench = [dyes, dyes + 2]
    by_spectrum, by_lab = p.scale
    kinds, photos = [], []
    for pour_ in p.pours:
        if pour_.spectrum is not None:
            sd = p.noise.of_spectrum(spectrum) * by_spectrum
            kinds.append((by * sd**2) @ by.T)
        elif pour_.response is not None:
            photos.append(pour_.stated)
        elif pour_.covariance is not None:
            kinds.append(np.array(pour_.covariance) * by_lab**2)
        else:
            kinds.append(np.eye(3) * (p.noise.lab * by_lab) ** 2)
    if photos:
        # The correction by a chart is off by this much for this spectrum, in either direction:
        # which correction a photo gets is not known beforehand.
        miss = np.mean([_missed(spectrum, q) for q in p.pours if q.response is not None], axis=0)
        kinds += [_photo_of(lab, photos) + miss] * len(photos)
    # The error of one camera in one light is in all its photos and does not average out. Only
    # readings with a covariance have it, except those whose camera was learnt (`camera`).
    owned = [
        np.array(q.covariance) for q in p.pours if q.covariance is not None and q.response is None
    ]
    shared = _SHARED * sum(owned, np.zeros((3, 3))) / len(p.pours)
    return (
        lab,
        spectrum,
        {
            "spectra": slopes @ found.covariance @ slopes.T,
            "dosing": errors[:, :dyes] @ errors[:, :dyes].T,
            "bench": errors[:, bench] @ errors[:, bench].T,
            "model": shared + np.eye(3) * p.noise.model_lab**2,
            "reading": np.mean(kinds, axis=0),
        },
        slopes,
    )


def _missed(spectrum: FloatArray, photo: TestPour) -> FloatArray:
    """Outer square of the difference between camera and eye for a spectrum, in Lab; (3, 3)."""
    seen = [
        xyz_to_lab(np.maximum(o.weights @ spectrum, 0.05), o.white)
        for o in (photo.observation, photo.view.observation)
    ]
    return np.outer(seen[0] - seen[1], seen[0] - seen[1])


def _photo_of(lab: FloatArray, photos: Sequence[TestPour]) -> FloatArray:
    """Covariance of one more photo's colour, read with a chart as `shadematch.read_photo` does.

    Like those of the test pours along lightness, chroma and hue: a constant, and a fraction of
    chroma. Medians, since a test bar with an empty channel is no guide to other bars.
    """
    labs = np.array([q.lab for q in photos])
    frames = frame_of(labs)
    own = np.array([np.array(q.covariance) for q in photos])
    along = np.maximum(np.einsum("nij,njk,nik->ni", frames, own, frames), 1e-6)
    chroma = np.hypot(labs[:, 1], labs[:, 2])
    order = np.argsort(chroma)
    pale, deep = order[: -(-len(order) // 2)], order[len(order) // 2 :]
    constant = np.median(along[pale], axis=0)
    rest = np.maximum(along[deep] - constant, 0.0)
    share = np.median(rest / np.maximum(chroma[deep], 1.0)[:, None] ** 2, axis=0)
    turn = frame_of(lab)
    size = constant + share * float(lab[1] ** 2 + lab[2] ** 2)
    return np.asarray(turn.T @ np.diag(size) @ turn)


def with_misfit(found: Fit) -> Fit:
    """The same fit, with what the model misses taken from how bars are predicted by the others.

    Each spectral reading is predicted from all other bars (`Fit.alone`), and the miss in Lab is
    set against the covariance that it should have. `Noise.model_lab` becomes the most probable
    excess, if that is more than was believed, with `_KEPT` readings' worth of the belief kept:
    mixtures that nobody measured may be missed by more than those that were.
    """
    from scipy.optimize import minimize_scalar

    p = found.problem
    spectral = [each for each in left_out(found) if p.pours[each.reading].spectrum is not None]
    if not spectral:
        return found
    miss = np.array([each.miss for each in spectral])
    expected = np.array([each.covariance for each in spectral])
    stated = p.noise.model_lab**2

    def improbable(log_variance: float) -> float:
        total = expected + np.exp(log_variance) * np.eye(3)
        far = np.einsum("ni,ni->n", miss, np.linalg.solve(total, miss[..., None])[..., 0])
        belief = _KEPT * 3.0 * (log_variance + stated / np.exp(log_variance))
        return float(np.sum(far + np.linalg.slogdet(total)[1]) + belief)

    best = minimize_scalar(
        improbable, bounds=(np.log(stated), np.log(stated) + 8.0), method="bounded"
    )
    noise = p.noise._replace(model_lab=float(np.sqrt(np.exp(best.x))))
    return replace(found, problem=replace(p, noise=noise))


def with_lots(found: Fit) -> Fit:
    """The same fit, less sure of clear base: the next bar's is of another lot than those poured."""
    covariance, n = found.covariance.copy(), found.theta.shape[1]
    for k, u in enumerate(found.problem.unknowns):
        if u.of_clear:
            rows = slice(k * n, (k + 1) * n)
            covariance[rows, rows] += found.problem.errors.base_share**2
    return replace(found, covariance=covariance)


def _spread_of(
    found: Fit, doses: Mapping[str, float], pour: Pour, view: View, lab: FloatArray
) -> FloatArray:
    """Mean square about `lab` of the colours of equally probable spectra, shape (3, 3).

    From draws, not slopes: if little is known, colours are far from linear.
    """
    p = found.problem
    layers = layers_of([(doses, pour, view)], p.unknowns, p.pigments, p.errors)
    spectra = np.maximum(look_through(found.draws, p.unknowns, p.pigments, layers), 0.0)
    weights, white = view.observation
    away = xyz_to_lab(spectra @ weights.T, white) - lab
    return np.asarray(away.T @ away / len(away))


def interval_of(
    found: Fit,
    doses: Mapping[str, float],
    pour: Pour,
    view: View,
    *,
    target: Target | None,
    level: float,
    dosing: bool,
    measurement: bool,
) -> Interval:
    """The interval of one recipe; see `Calibration.interval`."""
    from scipy.stats import norm

    found = found if measurement else found.to_the_eye
    lab, spectrum, parts, _ = sources_of(found, doses, pour, view)
    covariance = _spread_of(found, doses, pour, view, lab) + parts["bench"] + parts["model"]
    if dosing:
        covariance = covariance + parts["dosing"]
    if measurement:
        covariance = covariance + parts["reading"]
    covariance = 0.5 * (covariance + covariance.T)
    half = norm.ppf(0.5 + level / 2) * np.sqrt(np.diag(covariance))
    away: dict[str, float] = {}
    if target is not None:
        goal = target.lab_in(view)
        far = _apart(lab, goal, covariance)
        tail = (1 - level) / 2
        away = {
            "delta_e": float(delta_e(lab, goal)),
            "delta_e_low": float(np.quantile(far, tail)),
            "delta_e_high": float(np.quantile(far, 1 - tail)),
        }
    for array in (covariance, spectrum):
        array.setflags(write=False)
    return Interval(
        lab=_tuple(lab),
        covariance=covariance,
        level=level,
        low=_tuple(lab - half),
        high=_tuple(lab + half),
        view=view,
        reflectance=spectrum,
        **away,
    )


def _tuple(values: FloatArray) -> Triple:
    return float(values[0]), float(values[1]), float(values[2])
