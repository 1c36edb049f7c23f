"""The belief about a batch: how strong its pastes are, and how much of each it really holds.

Before a measurement, each paste may be stronger or weaker than in the palette, each dose and mass
may be off by the slips of ruler and scale, and the computed colour has a model error (M. C.
Kennedy, A. O'Hagan, J. R. Stat. Soc. B 63 (2001) 425). Together these are one normally distributed
vector. Given a measured colour, its most likely value (MAP) is found by damped least squares, with
the covariance of the problem linearised there (A. Tarantola, *Inverse Problem Theory* (2005),
sections 3.2.3 and 3.4).

The strength of a let-down as it was made is one more unknown, beside the strength of its paste, and
the mass dosed is one more reading (`shadematch.predicting.readings`).

What a palette says of itself (`shadematch.studio.uncertainty`) is counted too: its modes are
unknowns, and thickness and light differ from bar to bar.

A measurement is three numbers and there are two dozen unknowns or more, so most stay as uncertain
as they were; the standard deviations say so.
"""

from __future__ import annotations

import functools
from dataclasses import dataclass, replace

import numpy as np

from shadematch.colour.colorimetry import LAB_FROM_RESPONSE, cube_root_response, lab_from_response
from shadematch.colour.expected import root_of
from shadematch.correction.spectra import moved_palette, spectra_of, strength_moves
from shadematch.optics.layer import reflectance
from shadematch.predicting.readings import Dosed
from shadematch.predicting.sampled import mixed
from shadematch.predicting.uncertainty import Cause
from shadematch.studio.bend import (
    effective,
    effective_by_bend,
    effective_slope,
    white_share,
    white_share_by_crowding,
    white_share_slope,
)
from shadematch.studio.palette import Palette
from shadematch.studio.pour import CLEAR
from shadematch.studio.view import View
from shadematch.support.arrays import FloatArray
from shadematch.support.models import between

__all__ = ["BatchBelief", "Priors", "first_belief"]


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

    The u = 2 n + 6 + 2 m + K unknowns, in this order, for n pigments, m let-downs and K modes of
    the palette: n logarithms of the strength of a tube, one of the white base's, n errors of dose
    [palette's unit], the errors of the clear and white mass [g], m logarithms of the strength that
    let-downs were made with (beside that of their pastes), m errors of their masses [g], the modes,
    and the model error (L*, a*, b*).

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
    def modes(self) -> slice:
        """Where the palette's modes are among the unknowns."""
        known = self.mixed.uncertainty
        count = 0 if known is None else len(known.modes)
        return slice(self.mean.size - 3 - count, self.mean.size - 3)

    @property
    def causes(self) -> dict[Cause, list[int]]:
        """Where the unknowns of each kind of cause are."""
        n, m, u = self.count, len(self.let_downs), self.mean.size
        made, dosed = 2 * n + 3, 2 * n + 3 + m
        return {
            "pastes": [*range(n + 1), *range(self.modes.start, self.modes.stop)],
            "dosing": [*range(n + 1, 2 * n + 1), *range(made, dosed)],
            "base": [2 * n + 1, 2 * n + 2, *range(dosed, dosed + m)],
            "model": [*range(u - 3, u)],
        }

    @functools.cached_property
    def _by_strength(self) -> tuple[FloatArray, FloatArray]:
        """Logarithms of the strengths of pastes and white base, and their deviations; (n + 1,)."""
        turn = np.zeros((self.count + 1, self.mean.size))
        turn[:, : self.count + 1] = np.eye(self.count + 1)
        turn[:, self.modes] = strength_moves(self.mixed).T
        return turn @ self.mean, np.sqrt(np.diag(turn @ self.covariance @ turn.T))

    @property
    def strengths(self) -> FloatArray:
        """Most likely strength of each paste; 1 is as in the palette; shape (n,)."""
        return np.asarray(np.exp(self._by_strength[0][:-1]))

    @property
    def strength_sd(self) -> FloatArray:
        """Standard deviation of the logarithms of `strengths`, shape (n,)."""
        return np.asarray(self._by_strength[1][:-1])

    @property
    def white_strength(self) -> tuple[float, float]:
        """Most likely strength of the white base, and the standard deviation of its logarithm."""
        log, sd = (float(each[-1]) for each in self._by_strength)
        return float(np.exp(log)), sd

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
        """True doses (k, n), tubes' strengths (k, n) and base [g] (k, 2), of unknowns (k, u)."""
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
        n, known, z = self.count, self.mixed.uncertainty, unknowns[:, self.modes]
        doses, strengths, base = self.contents(unknowns)
        mass = base.sum(axis=1, keepdims=True)
        clear, white = base[:, :1] / mass, base[:, 1:] / mass
        a, s, bend, crowding = spectra_of(self.mixed, z)
        # Strength is a factor; bending depends on the amount of paste.
        loads = effective(doses * (100.0 / mass), bend) * strengths
        share = np.exp(unknowns[:, n, None]) * white_share(white, crowding)
        if known is not None and known.modes:
            absorbed, scattered = (np.hstack([loads, clear, part]) for part in (white, share))
            mu_a = mixed(absorbed, a, z, known.absorption)
            return mu_a, mixed(scattered, s, z, known.scattering)
        mu_a, mu_s = clear * a[n] + white * a[n + 1], clear * s[n] + share * s[n + 1]
        return mu_a + loads @ a[:n], mu_s + loads @ s[:n]

    def lab(self, unknowns: FloatArray) -> FloatArray:
        """CIELAB, shape (k, 3), of unknowns of shape (k, u)."""
        return self._seen(unknowns)

    def _seen(
        self, unknowns: FloatArray, thicker: float = 0.0, brighter: float = 0.0
    ) -> FloatArray:
        """CIELAB for another thickness and light, given by the logarithms of their factors."""
        thickness = self.thickness_cm * float(np.exp(thicker))
        R = reflectance(*self.optics(unknowns), thickness, self.view.surroundings)[0]
        if brighter:
            R = R * np.exp(brighter)
        seen = self.view.observation
        lab = lab_from_response(cube_root_response(R @ seen.weights.T, seen.white)[0])
        return lab + unknowns[:, -3:]

    @property
    def bench(self) -> FloatArray:
        """Covariance of CIELAB by thickness and light, new in each bar, shape (3, 3)."""
        known, row = self.palette.uncertainty, self.mean[None]
        if known is None:
            return np.zeros((3, 3))
        moves = [
            0.5 * (self._seen(row, *way)[0] - self._seen(row, *(-f for f in way))[0])
            for way in ((known.thickness, 0.0), (0.0, known.gain))
        ]
        return np.asarray(sum(np.outer(move, move) for move in moves))

    def lab_and_slope(self, unknowns: FloatArray) -> tuple[FloatArray, FloatArray]:
        """CIELAB (3,) and its Jacobian (3, u) at one set of unknowns (u,)."""
        n, known, row = self.count, self.mixed.uncertainty, unknowns[None]
        doses, strengths, base = (part[0] for part in self.contents(row))
        mu_a, mu_s = (part[0] for part in self.optics(row))
        mass = float(base.sum())
        spectra = spectra_of(self.mixed, unknowns[self.modes])
        a, s, bend, crowding = spectra.absorption[:n], spectra.scattering[:n], *spectra[2:]
        (clear_a, white_a), (clear_s, white_s) = spectra.absorption[n:], spectra.scattering[n:]
        by_a, by_s = np.zeros((row.size, mu_a.size)), np.zeros((row.size, mu_a.size))
        loads, share = doses * (100.0 / mass), white_share(base[1] / mass, crowding)
        white_scattering = np.exp(unknowns[n]) * white_s
        did = (effective(loads, bend) * strengths)[:, None]
        by_a[:n], by_s[:n] = did * a, did * s
        by_s[n] = share * white_scattering
        pace = effective_slope(loads, bend)
        per_dose = strengths * pace * (100.0 / mass)
        may_vary = self.doses + unknowns[n + 1 : 2 * n + 1] > 0.0
        moved = np.where(may_vary, per_dose, 0.0)[:, None]
        by_a[n + 1 : 2 * n + 1], by_s[n + 1 : 2 * n + 1] = moved * a, moved * s
        # A gram more of a base shifts the mixture towards that base.
        by_a[2 * n + 1] = (clear_a - mu_a) / mass
        by_s[2 * n + 1] = (clear_s - mu_s) / mass
        by_a[2 * n + 2] = (white_a - mu_a) / mass
        by_s[2 * n + 2] = (white_scattering - mu_s) / mass
        # Dilution raises the strength of what bends or crowds.
        lost = (effective(loads, bend) - loads * pace) * strengths / mass
        steep = white_share_slope(base[1] / mass, float(crowding))
        denser = (share - base[1] / mass * steep) * white_scattering / mass
        by_a[2 * n + 1 : 2 * n + 3] += lost @ a
        by_s[2 * n + 1 : 2 * n + 3] += lost @ s + denser
        by_s[2 * n + 2] += (steep - 1.0) * white_scattering / mass
        m = len(self.let_downs)
        for at, (dosed, (made, off)) in enumerate(
            zip(self.let_downs, self._of_let_downs(row), strict=True), start=2 * n + 3
        ):
            i, white = self.palette.index(dosed.let_down.pigment), dosed.let_down.white
            paste = dosed.brings(np.exp(made), off)[0][0] * per_dose[i]
            by_a[at], by_s[at] = paste * a[i], paste * s[i]
            if (grams := dosed.mass_g + off[0]) > 0.0:
                for by, of in ((by_a, a), (by_s, s)):
                    base_too = (1.0 - white) * by[2 * n + 1] + white * by[2 * n + 2]
                    by[at + m] = paste / grams * of[i] + base_too
        if known is not None and known.modes:
            parts = np.concatenate([did[:, 0], base / mass])[:, None] * spectra.absorption
            bent = effective_by_bend(loads, bend) * strengths * known.bends
            by_a[self.modes] = (known.absorption * parts).sum(axis=1) + bent @ a
            held = np.concatenate([did[:, 0], [base[0] / mass, share * np.exp(unknowns[n])]])
            crowds = known.crowding * white_share_by_crowding(base[1] / mass, float(crowding))
            parts = held[:, None] * spectra.scattering
            by_s[self.modes] = (known.scattering * parts).sum(axis=1) + bent @ s
            by_s[self.modes] += np.outer(crowds, white_scattering)
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
        """The palette with its most likely strengths, and what is then known of it."""
        palette, known, n, z = self.palette, self.palette.uncertainty, self.count, self.modes
        learned = moved_palette(palette, self.mean[z], np.exp(self.mean[: n + 1]))
        if known is not None and known.modes:
            at = [*range(n + 1), *range(z.start, z.stop)]
            root = root_of(self.covariance[np.ix_(at, at)])
            known = known.learned(self.mean[z], root[n + 1 :], root[: n + 1])
        note = f"{palette.note} Strengths as learned from measured batches.".strip()
        return Palette(**{**dict(learned), "note": note, "uncertainty": known})


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
    # What the palette says counts toward how much strengths differ.
    told = (strength_moves(palette.in_base(base)) ** 2).sum(axis=0)
    asked = np.append(np.full(doses.size, priors.strength_spread), priors.white_spread) ** 2
    variance = np.concatenate(
        [
            np.maximum(asked - told, 0.0),
            np.where(doses > 0, priors.dose_slip**2 / 3.0, 0.0),
            np.where(base_g > 0, priors.scale_g**2 / 3.0, 0.0),
            [d.strength_sd(priors.dose_slip, priors.scale_g) ** 2 for d in let_downs],
            np.full(len(let_downs), priors.scale_g**2 / 3.0),
            np.ones(0 if palette.uncertainty is None else len(palette.uncertainty.modes)),
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
