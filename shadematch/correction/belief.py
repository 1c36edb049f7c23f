"""The belief about a batch: how strong its pastes are, and how much of each it really holds.

Before a measurement, each paste may be stronger or weaker than in the palette, each dose and mass
may be off by the slips of ruler and scale, and the computed colour has a model error (M. C.
Kennedy, A. O'Hagan, J. R. Stat. Soc. B 63 (2001) 425). Together these are one normally distributed
vector. Given a measured colour, its most likely value (MAP) is found by damped least squares, with
the covariance of the problem linearised there (A. Tarantola, *Inverse Problem Theory* (2005),
sections 3.2.3 and 3.4).

The strength of a let-down as it was made is one more unknown, beside the strength of its paste, and
the mass dosed is one more reading (`shadematch.predicting.readings`).

A measurement is three numbers and there are two dozen unknowns or more, so most stay as uncertain
as they were; the standard deviations say so.
"""

from __future__ import annotations

import functools
from dataclasses import dataclass, replace

import numpy as np

from shadematch.colour.colorimetry import LAB_FROM_RESPONSE, cube_root_response, lab_from_response
from shadematch.optics.layer import reflectance
from shadematch.predicting.readings import Dosed
from shadematch.studio.bend import effective, effective_slope, white_share, white_share_slope
from shadematch.studio.palette import Palette
from shadematch.studio.pigment import Base, Pigment
from shadematch.studio.pour import CLEAR
from shadematch.studio.view import View
from shadematch.support.arrays import FloatArray
from shadematch.support.models import between

__all__ = ["BatchBelief", "Priors", "first_belief", "pigment_arrays"]


@dataclass(frozen=True)
class Priors:
    """Uncertainty before a measurement.

    Attributes
    ----------
    strength_spread, white_spread
        Standard deviation of the logarithm of a paste's strength, and of the white base's, 0 to
        1; 0.1 is about 10 %.
    dose_slip, scale_g
        How far a dose [palette's unit] and a mass [g] may be off, either way, uniformly.
    model_spread
        Standard deviation of the model error in each of L*, a*, b*, 0 to 20.

    Raises
    ------
    PourError
        If one is out of range.
    """

    strength_spread: float
    white_spread: float
    dose_slip: float
    scale_g: float
    model_spread: float

    def __post_init__(self) -> None:
        for name, most in (("strength_spread", 1.0), ("white_spread", 1.0), ("model_spread", 20.0)):
            between(getattr(self, name), name, 0.0, most, "Give a number in this range")


@dataclass(frozen=True, eq=False)
class BatchBelief:
    """The belief about a batch.

    The u = 2 n + 6 + 2 m unknowns, in this order, for n pigments and m let-downs: n logarithms of
    strength, one of the white base's, n errors of dose [palette's unit], the errors of the clear
    and white mass [g], m logarithms of the strength that let-downs were made with (beside that of
    their pastes), m errors of their masses [g], and the model error (L*, a*, b*).

    Attributes
    ----------
    palette, view, thickness_cm
        What colours are computed with.
    doses
        Doses from tubes as read [palette's unit], in palette order, shape (n,).
    base_g
        Clear and white base as read, without let-downs [g], shape (2,).
    mean, covariance
        Of the unknowns, shapes (u,) and (u, u).
    priors
        The uncertainty before a measurement.
    let_downs
        The m let-downs in the batch.
    base
        What stands in clear base's place, as in `Pour.base`.
    """

    palette: Palette
    view: View
    thickness_cm: float
    doses: FloatArray
    base_g: FloatArray
    mean: FloatArray
    covariance: FloatArray
    priors: Priors
    let_downs: tuple[Dosed, ...] = ()
    base: str = CLEAR

    @functools.cached_property
    def mixed(self) -> Palette:
        """The palette as the batch has it: its own base in clear base's place."""
        return self.palette.in_base(self.base)

    @property
    def count(self) -> int:
        """Number of pigments."""
        return self.doses.size

    @property
    def strengths(self) -> FloatArray:
        """Most likely strength of each paste; 1 is as in the palette; shape (n,)."""
        return np.asarray(np.exp(self.mean[: self.count]))

    @property
    def strength_sd(self) -> FloatArray:
        """Standard deviation of the logarithms of `strengths`, shape (n,)."""
        return np.asarray(np.sqrt(np.diag(self.covariance)[: self.count]))

    @property
    def white_strength(self) -> tuple[float, float]:
        """Most likely strength of the white base, and the standard deviation of its logarithm."""
        n = self.count
        return float(np.exp(self.mean[n])), float(np.sqrt(self.covariance[n, n]))

    @property
    def made_strengths(self) -> tuple[FloatArray, FloatArray]:
        """Strength that each let-down was made with, and its logarithm's deviation, shape (m,)."""
        at = slice(2 * self.count + 3, 2 * self.count + 3 + len(self.let_downs))
        return np.exp(self.mean[at]), np.sqrt(np.diag(self.covariance)[at])

    @property
    def total(self) -> float:
        """All paste as read, that of let-downs included [palette's unit]."""
        brought = (d.mass_g * d.let_down.paste_per_g for d in self.let_downs)
        return float(self.doses.sum()) + sum(brought)

    @property
    def total_g(self) -> FloatArray:
        """All clear and white base as read, that of let-downs included [g], shape (2,)."""
        total = self.base_g.copy()
        for dosed in self.let_downs:
            white = dosed.mass_g * dosed.let_down.white
            total += (dosed.mass_g - white, white)
        return total

    @property
    def shift(self) -> FloatArray:
        """Most likely error of the computed colour, CIELAB, shape (3,)."""
        return self.mean[-3:]

    def contents(self, unknowns: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        """True doses (k, n), strengths (k, n) and base [g] (k, 2), of unknowns (k, u)."""
        n = self.count
        doses = np.maximum(self.doses + unknowns[:, n + 1 : 2 * n + 1], 0.0)
        base = np.maximum(self.base_g + unknowns[:, 2 * n + 1 : 2 * n + 3], 0.0)
        for dosed, (made, off) in zip(self.let_downs, self._of_let_downs(unknowns), strict=True):
            paste, brought = dosed.brings(np.exp(made), off)
            doses[:, self.palette.index(dosed.let_down.pigment)] += paste
            base += brought
        return doses, np.exp(unknowns[:, :n]), base

    def _of_let_downs(self, unknowns: FloatArray) -> FloatArray:
        """Logarithm of strength as made, and error of the mass, of each let-down; (m, 2, k)."""
        at, m = 2 * self.count + 3, len(self.let_downs)
        return np.asarray(
            unknowns[:, at : at + 2 * m].T.reshape(2, m, len(unknowns)).swapaxes(0, 1)
        )

    def optics(self, unknowns: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Absorption and reduced scattering [1/cm], each (k, 36), of unknowns (k, u)."""
        palette = self.mixed
        doses, strengths, base = self.contents(unknowns)
        mass = base.sum(axis=1, keepdims=True)
        clear, white = base[:, :1] / mass, base[:, 1:] / mass
        absorption, scattering, bend = pigment_arrays(palette)
        # Strength is a factor; bending depends on the amount of paste.
        loads = effective(doses * (100.0 / mass), bend) * strengths
        white_strength = np.exp(unknowns[:, self.count, None])
        share = white_strength * white_share(white, palette.white.crowding)
        mu_a = clear * palette.clear.absorption + white * palette.white.absorption
        mu_s = clear * palette.clear.scattering
        mu_s = mu_s + share * palette.white.scattering
        return mu_a + loads @ absorption, mu_s + loads @ scattering

    def lab(self, unknowns: FloatArray) -> FloatArray:
        """CIELAB, shape (k, 3), of unknowns of shape (k, u)."""
        R = reflectance(*self.optics(unknowns), self.thickness_cm, self.view.surroundings)[0]
        seen = self.view.observation
        lab = lab_from_response(cube_root_response(R @ seen.weights.T, seen.white)[0])
        return lab + unknowns[:, -3:]

    def lab_and_slope(self, unknowns: FloatArray) -> tuple[FloatArray, FloatArray]:
        """CIELAB (3,) and its Jacobian (3, u) at one set of unknowns (u,)."""
        palette, n = self.mixed, self.count
        row = unknowns[None]
        doses, strengths, base = (part[0] for part in self.contents(row))
        mu_a, mu_s = (part[0] for part in self.optics(row))
        mass = float(base.sum())
        a, s, bend = pigment_arrays(palette)
        by_a, by_s = np.zeros((row.size, mu_a.size)), np.zeros((row.size, mu_a.size))
        loads, crowding = doses * (100.0 / mass), palette.white.crowding
        share = white_share(base[1] / mass, crowding)
        white_scattering = np.exp(unknowns[n]) * np.asarray(palette.white.scattering)
        did = (effective(loads, bend) * strengths)[:, None]
        by_a[:n], by_s[:n] = did * a, did * s
        by_s[n] = share * white_scattering
        pace = effective_slope(loads, bend)
        per_dose = strengths * pace * (100.0 / mass)
        may_vary = self.doses + unknowns[n + 1 : 2 * n + 1] > 0.0
        moved = np.where(may_vary, per_dose, 0.0)[:, None]
        by_a[n + 1 : 2 * n + 1], by_s[n + 1 : 2 * n + 1] = moved * a, moved * s
        # A gram more of a base shifts the mixture towards that base.
        by_a[2 * n + 1] = (np.asarray(palette.clear.absorption) - mu_a) / mass
        by_s[2 * n + 1] = (np.asarray(palette.clear.scattering) - mu_s) / mass
        by_a[2 * n + 2] = (np.asarray(palette.white.absorption) - mu_a) / mass
        by_s[2 * n + 2] = (white_scattering - mu_s) / mass
        # Dilution raises the strength of what bends or crowds.
        lost = (effective(loads, bend) - loads * pace) * strengths / mass
        steep = white_share_slope(base[1] / mass, crowding)
        denser = (share - base[1] / mass * steep) * white_scattering / mass
        by_a[2 * n + 1 : 2 * n + 3] += lost @ a
        by_s[2 * n + 1 : 2 * n + 3] += lost @ s + denser
        by_s[2 * n + 2] += (steep - 1.0) * white_scattering / mass
        m = len(self.let_downs)
        for at, (dosed, (made, off)) in enumerate(
            zip(self.let_downs, self._of_let_downs(row), strict=True), start=2 * n + 3
        ):
            i, white = palette.index(dosed.let_down.pigment), dosed.let_down.white
            paste = dosed.brings(np.exp(made), off)[0][0] * per_dose[i]
            by_a[at], by_s[at] = paste * a[i], paste * s[i]
            if (grams := dosed.mass_g + off[0]) > 0.0:
                for by, of in ((by_a, a), (by_s, s)):
                    base_too = (1.0 - white) * by[2 * n + 1] + white * by[2 * n + 2]
                    by[at + m] = paste / grams * of[i] + base_too
        R, R_a, R_s = reflectance(mu_a, mu_s, self.thickness_cm, self.view.surroundings)
        seen = self.view.observation
        f, f_slope = cube_root_response(R @ seen.weights.T, seen.white)
        xyz_slope = seen.weights @ (R_a * by_a + R_s * by_s).T
        slope = LAB_FROM_RESPONSE @ (f_slope[:, None] * xyz_slope)
        slope[:, -3:] += np.eye(3)
        return lab_from_response(f) + unknowns[-3:], slope

    def learn(self, lab: FloatArray, covariance: FloatArray) -> tuple[BatchBelief, float]:
        """The belief after a colour was measured.

        Parameters
        ----------
        lab, covariance
            Measured CIELAB and its covariance, shapes (3,) and (3, 3).

        Returns
        -------
        belief, surprise
            `surprise` is the probability of a measurement at least as unlikely as this one under
            the old belief; if it is small, something else went wrong.
        """
        from scipy.optimize import least_squares  # slow to import, so late
        from scipy.special import gammaincc

        values, vectors = np.linalg.eigh(self.covariance)
        root = vectors * np.sqrt(np.maximum(values, 0.0))
        whiten = np.linalg.inv(np.linalg.cholesky(covariance))
        eye = np.eye(self.mean.size)

        def misfit(z: FloatArray) -> FloatArray:
            found = self.lab_and_slope(self.mean + root @ z)[0]
            return np.concatenate([z, whiten @ (found - lab)])

        def slope(z: FloatArray) -> FloatArray:
            return np.concatenate(
                [eye, whiten @ self.lab_and_slope(self.mean + root @ z)[1] @ root]
            )

        fit = least_squares(misfit, np.zeros(self.mean.size), slope, method="lm", xtol=1e-12)
        J = slope(fit.x)[self.mean.size :]
        spread = root @ np.linalg.inv(eye + J.T @ J) @ root.T
        belief = replace(self, mean=self.mean + root @ fit.x, covariance=0.5 * (spread + spread.T))
        # Twice the cost is distributed as chi square with three degrees of freedom.
        return belief, float(gammaincc(1.5, fit.cost))

    def after(self, doses: FloatArray, base_g: FloatArray) -> BatchBelief:
        """The belief after doses, shape (n,), and base [g], shape (2,), were added."""
        n = self.count
        more = np.zeros(self.mean.size)
        more[n + 1 : 2 * n + 1] = np.where(doses > 0, self.priors.dose_slip**2 / 3.0, 0.0)
        more[2 * n + 1 : 2 * n + 3] = np.where(base_g > 0, self.priors.scale_g**2 / 3.0, 0.0)
        return replace(
            self,
            doses=self.doses + doses,
            base_g=self.base_g + base_g,
            covariance=self.covariance + np.diag(more),
        )

    def palette_learned(self) -> Palette:
        """The palette with its most likely strengths."""
        palette, white_strength = self.palette, self.white_strength[0]
        pigments = tuple(
            Pigment(
                name=p.name,
                absorption=_times(p.absorption, float(f)),
                scattering=None if p.scattering is None else _times(p.scattering, float(f)),
                bend=p.bend,
                tube_size=p.tube_size,
                tube_price=p.tube_price,
            )
            for p, f in zip(palette.pigments, self.strengths, strict=True)
        )
        white = Base(
            absorption=palette.white.absorption,
            scattering=_times(palette.white.scattering, white_strength),
            crowding=palette.white.crowding,
        )
        note = f"{palette.note} Strengths as learned from measured batches.".strip()
        learned = {"pigments": pigments, "white": white, "note": note, "uncertainty": None}
        return Palette(**{**dict(palette), **learned})


def _times(values: tuple[float, ...], factor: float) -> tuple[float, ...]:
    return tuple(factor * v for v in values)


def pigment_arrays(palette: Palette) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Absorption and scattering, shape (n, 36) each, and bend, shape (n,), of the pigments."""
    none = (0.0,) * len(palette.clear.scattering)
    return (
        np.array([p.absorption for p in palette.pigments]),
        np.array([p.scattering or none for p in palette.pigments]),
        np.array([p.bend for p in palette.pigments]),
    )


def first_belief(
    palette: Palette,
    view: View,
    thickness_cm: float,
    doses: FloatArray,
    base_g: FloatArray,
    priors: Priors,
    let_downs: tuple[Dosed, ...] = (),
    base: str = CLEAR,
) -> BatchBelief:
    """The belief about a batch before it is measured."""
    n = doses.size
    variance = np.concatenate(
        [
            np.full(n, priors.strength_spread**2),
            [priors.white_spread**2],
            np.where(doses > 0, priors.dose_slip**2 / 3.0, 0.0),
            np.where(base_g > 0, priors.scale_g**2 / 3.0, 0.0),
            [d.strength_sd(priors.dose_slip, priors.scale_g) ** 2 for d in let_downs],
            np.full(len(let_downs), priors.scale_g**2 / 3.0),
            np.full(3, priors.model_spread**2),
        ]
    )
    return BatchBelief(
        palette=palette,
        view=view,
        thickness_cm=thickness_cm,
        doses=doses,
        base_g=base_g,
        mean=np.zeros(variance.size),
        covariance=np.diag(variance),
        priors=priors,
        let_downs=let_downs,
        base=base,
    )
