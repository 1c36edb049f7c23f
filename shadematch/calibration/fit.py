"""The most probable spectra, and how sure they are: Gauss-Newton with damping.

All that is unknown has a Gaussian belief beforehand: the spectra (`spectra`), and for each bar
the errors of its doses, its thickness and its readings (`forward.Errors`), as multiples of
their standard deviations. The errors belong to one bar each, so they are eliminated from the
normal equations bar by bar (Schur complement); what is left has 36 rows for each spectrum.
The covariance and the evidence are those of the quadratic at the optimum (Laplace; D. MacKay,
*Information Theory, Inference, and Learning Algorithms* (2003), ch. 27 and 28).
"""

from __future__ import annotations

import functools
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Final, NamedTuple

import numpy as np

from shadematch.calibration.forward import Errors, Layers, layers_of, look, to_lab
from shadematch.calibration.spectra import BELIEFS, Unknown, belief_covariance
from shadematch.calibration.test_pour import TestPour
from shadematch.colour.standards import WAVELENGTHS_NM
from shadematch.errors import PaletteError
from shadematch.support.arrays import FloatArray, IntArray

__all__ = [
    "Fit",
    "Noise",
    "Prior",
    "Problem",
    "at_optimum",
    "errors_of_bar",
    "fit",
    "prior_of",
    "readings_of",
    "residuals_of",
    "slopes_of_errors",
]

_W: Final = WAVELENGTHS_NM.size
_ROUNDS: Final = 60
_DRAWS: Final = 200
_SETTLED: Final = 0.01
"""Gain of the summed squares (1 is a standard deviation) that no further round is worth."""
_LONGEST_STEP: Final = 1.5
"""Of a log coefficient in one round."""


class Noise(NamedTuple):
    """Standard deviations of readings.

    Attributes
    ----------
    share, floor
        Of a radiance factor at one wavelength: a share of it, and a part that stays in the dark.
    lab
        Of each of L*, a* and b*, where a reading brings no covariance of its own.
    model_lab
        What the model is believed to miss, added to every Lab reading.
    """

    share: float = 0.01
    floor: float = 0.001
    lab: float = 0.5
    model_lab: float = 0.3


class Prior(NamedTuple):
    """Gaussian belief about K unknown spectra: mean (K, 36), precision (36 K, 36 K)."""

    mean: FloatArray
    precision: FloatArray
    log_det: float


def prior_of(unknowns: Sequence[Unknown]) -> Prior:
    """The belief of `spectra.BELIEFS`, the unknowns independent of each other."""
    size = len(unknowns) * _W
    precision = np.zeros((size, size))
    log_det = 0.0
    for k, u in enumerate(unknowns):
        covariance = belief_covariance(BELIEFS[u.kind])
        rows = slice(k * _W, (k + 1) * _W)
        precision[rows, rows] = np.linalg.inv(covariance)
        log_det -= float(np.linalg.slogdet(covariance)[1])
    return Prior(np.array([u.mean for u in unknowns]), precision, log_det)


@dataclass(frozen=True)
class Problem:
    """Test pours, what is unknown, and how far each is trusted.

    Attributes
    ----------
    pours, unknowns, pigments
        What is fitted to what.
    errors, noise
        What goes wrong at the bench and in reading.
    weights
        Trust in each pour, 0 to 1, shape (n,).
    scale
        Factors on the standard deviations of spectral and of Lab readings.
    """

    pours: tuple[TestPour, ...]
    unknowns: tuple[Unknown, ...]
    pigments: tuple[str, ...]
    errors: Errors
    noise: Noise
    weights: FloatArray
    scale: tuple[float, float] = (1.0, 1.0)
    layers: Layers = field(init=False)
    bars: IntArray = field(init=False)

    def __post_init__(self) -> None:
        cases = [(p.doses, p.pour, p.view) for p in self.pours]
        object.__setattr__(
            self, "layers", layers_of(cases, self.unknowns, self.pigments, self.errors)
        )
        names = {name: i for i, name in enumerate(dict.fromkeys(p.name for p in self.pours))}
        object.__setattr__(self, "bars", np.array([names[p.name] for p in self.pours]))

    @property
    def spectral(self) -> FloatArray:
        """1 where a pour was measured as a spectrum, shape (n,)."""
        return np.array([p.spectrum is not None for p in self.pours], dtype=float)


class _Reading(NamedTuple):
    """One measurement: values, and the matrix or weights that whiten its residuals."""

    values: FloatArray
    whiten: FloatArray  # (36,) for a spectrum (0 where not measured), (3, 3) for Lab


def readings_of(problem: Problem) -> list[_Reading]:
    """Measurements in arrays, with their noise."""
    noise, (by_spectrum, by_lab) = problem.noise, problem.scale
    result = []
    for pour in problem.pours:
        if pour.spectrum is not None:
            values = np.array([np.nan if v is None else v for v in pour.spectrum])
            sd = np.hypot(noise.share * np.abs(values), noise.floor) * by_spectrum
            known = np.isfinite(values)
            whiten = np.where(known, 1.0 / np.where(known, sd, 1.0), 0.0)
            result.append(_Reading(np.where(known, values, 0.0), whiten))
            continue
        own = noise.lab**2 * np.eye(3) if pour.covariance is None else np.array(pour.covariance)
        total = (own + noise.model_lab**2 * np.eye(3)) * by_lab**2
        result.append(_Reading(np.array(pour.lab), np.linalg.inv(np.linalg.cholesky(total))))
    return result


@dataclass(frozen=True)
class Fit:
    """The most probable spectra and what is left over.

    Attributes
    ----------
    problem
        What was fitted.
    theta, covariance
        Shapes (K, 36) and (36 K, 36 K).
    slips
        Standardised errors, shape (n, D + 2).
    chi2
        Misfit of each bar: residuals and its errors, shape (bars,).
    lone
        The same when the bar is predicted from all others (linearised), shape (bars,).
    spread
        Log determinant of the covariance with which the others predict it, in units of the
        noise; shape (bars,).
    values
        Number of measured values of each bar.
    evidence
        Log of the probability of the measurements, up to a constant.
    effective
        Number of values that the spectra take up.
    converged
        Whether the last round changed next to nothing.
    alone
        Of each bar the residuals when it is predicted from all others (linearised), and the
        covariance that they should have, both in units of the readings' noise.
    slip_variance
        What is left unknown of the slips, shape (n, D + 2); 1 for those without any meaning.
    """

    problem: Problem
    theta: FloatArray
    covariance: FloatArray
    slips: FloatArray
    chi2: FloatArray
    lone: FloatArray
    spread: FloatArray
    values: FloatArray
    evidence: float
    effective: float
    converged: bool
    alone: tuple[tuple[FloatArray, FloatArray], ...] = ()
    slip_variance: FloatArray = field(default_factory=lambda: np.ones((0, 0)))

    @functools.cached_property
    def draws(self) -> FloatArray:
        """Spectra as probable as these, the same each time; shape (_DRAWS, K, 36)."""
        normal = np.random.default_rng(36).standard_normal((_DRAWS // 2, self.theta.size))
        values, vectors = np.linalg.eigh(self.covariance)
        moved = (normal * np.sqrt(np.maximum(values, 0.0))) @ vectors.T
        both = np.concatenate([moved, -moved])  # in pairs, so that their mean is right
        return np.asarray(self.theta + both.reshape(-1, *self.theta.shape))


class _Normal(NamedTuple):
    cost: float
    gradient: FloatArray  # reduced
    matrix: FloatArray  # reduced, without the prior
    back: list[tuple[IntArray, FloatArray, FloatArray, FloatArray]]
    log_det: float


def residuals_of(
    problem: Problem, readings: list[_Reading], theta: FloatArray, slips: FloatArray
) -> tuple[list[FloatArray], list[FloatArray], FloatArray, FloatArray]:
    """Whitened residuals, the matrices (or weights) that take spectra to them, and slopes."""
    seen = look(theta, problem.unknowns, problem.pigments, problem.layers, problem.errors, slips)
    rows, maps = [], []
    for i, (pour, reading) in enumerate(zip(problem.pours, readings, strict=True)):
        if pour.spectrum is not None:
            rows.append((seen.spectrum[i] - reading.values) * reading.whiten)
            maps.append(reading.whiten)
        else:
            weights, white = pour.observation
            lab, by = to_lab(seen.spectrum[i], weights, white)
            rows.append(reading.whiten @ (lab - reading.values))
            maps.append(reading.whiten @ by)
    return rows, maps, seen.by_unknown, seen.by_error


def errors_of_bar(problem: Problem, members: IntArray) -> list[tuple[int, int]]:
    """Errors that a bar has: (reading or -1 for the whole bar, column of the slips)."""
    dyes = len(problem.pigments)
    result = [(-1, d) for d in range(dyes) if problem.layers.dose_sd[members[0], d] > 0]
    if problem.errors.thickness_share > 0:
        result.append((-1, dyes))
    if problem.errors.gain > 0:
        result += [(int(i), dyes + 1) for i in members]
    return result


def slopes_of_errors(slots: list[tuple[int, int]], i: int, by_error: FloatArray) -> FloatArray:
    """Slopes of reading i by the errors of its bar, shape (slots, 36)."""
    out = np.zeros((len(slots), _W))
    for j, (reading, column) in enumerate(slots):
        if reading in (-1, i):
            out[j] = by_error[i, column]
    return out


def _normal(
    problem: Problem, readings: list[_Reading], theta: FloatArray, slips: FloatArray
) -> _Normal:
    """Normal equations in the spectra, the errors of each bar eliminated."""
    rows, maps, by_unknown, by_error = residuals_of(problem, readings, theta, slips)
    count, size = theta.shape[0], theta.size
    weights = problem.weights
    spectral = [i for i, p in enumerate(problem.pours) if p.spectrum is not None]
    gradient = np.zeros((count, _W))
    matrix = np.zeros((count, _W, count, _W))
    if spectral:
        q = np.array([maps[i] for i in spectral])  # (m, 36)
        root = np.sqrt(weights[spectral])[:, None, None]
        slopes = by_unknown[spectral] * q[:, None, :] * root
        per = slopes.transpose(2, 1, 0)  # (36, K, m)
        at = np.arange(_W)
        matrix[:, at, :, at] = per @ per.transpose(0, 2, 1)
        left = np.array([rows[i] for i in spectral]) * root[:, :, 0]
        gradient += np.einsum("mkw,mw->kw", slopes, left)
    flat = matrix.reshape(size, size)
    colour = [i for i, p in enumerate(problem.pours) if p.spectrum is None]
    full = {i: (maps[i][:, None, :] * by_unknown[i][None]).reshape(3, size) for i in colour}
    if colour:
        stacked = np.concatenate([np.sqrt(weights[i]) * full[i] for i in colour])
        left = np.concatenate([np.sqrt(weights[i]) * rows[i] for i in colour])
        flat += stacked.T @ stacked
        gradient += (left @ stacked).reshape(count, _W)
    cost = float(sum(w * (r @ r) for w, r in zip(weights, rows, strict=True)))

    grad = gradient.ravel()
    back, columns = [], []
    log_det = 0.0
    for bar in range(int(problem.bars.max()) + 1):
        members = np.flatnonzero(problem.bars == bar)
        slots = errors_of_bar(problem, members)
        if not slots:
            continue
        now = np.array([slips[members[0] if r < 0 else r, c] for r, c in slots])
        C = np.eye(len(slots))
        g = now.copy()
        cost += float(now @ now)
        B = np.zeros((size, len(slots)))
        for i in members:
            local = slopes_of_errors(slots, int(i), by_error)
            w = weights[i]
            if problem.pours[i].spectrum is not None:
                own = local * maps[i]
                C += w * own @ own.T
                g += w * own @ rows[i]
                B += w * ((by_unknown[i] * maps[i])[:, :, None] * own.T[None]).reshape(size, -1)
            else:
                own = local @ maps[i].T  # (slots, 3)
                C += w * own @ own.T
                g += w * own @ rows[i]
                B += w * full[int(i)].T @ own.T
        L = np.linalg.cholesky(C)
        log_det += 2.0 * float(np.log(np.diag(L)).sum())
        columns.append(np.linalg.solve(L, B.T).T)
        grad = grad - B @ np.linalg.solve(C, g)
        back.append((np.array([[members[0] if r < 0 else r, c] for r, c in slots]), C, g, B))
    if columns:
        U = np.concatenate(columns, axis=1)
        flat = flat - U @ U.T
    return _Normal(cost, grad, flat, back, log_det)


def _moved(
    problem: Problem,
    slips: FloatArray,
    back: list[tuple[IntArray, FloatArray, FloatArray, FloatArray]],
    step: FloatArray,
    share: float,
) -> FloatArray:
    """The errors that go with a step of the spectra."""
    result = slips.copy()
    for places, C, g, B in back:
        delta = -np.linalg.solve(C, g + B.T @ step / max(share, 1e-12)) * share
        result[places[:, 0], places[:, 1]] += delta
    dyes = len(problem.pigments)
    for bar in range(int(problem.bars.max()) + 1):  # shared by all readings of the bar
        members = np.flatnonzero(problem.bars == bar)
        result[members, : dyes + 1] = result[members[0], : dyes + 1]
    return np.clip(result, -30.0, 30.0)


def fit(
    problem: Problem,
    prior: Prior,
    *,
    start: FloatArray | None = None,
    slips: FloatArray | None = None,
) -> Fit:
    """Minimise misfit and departure from the prior together.

    Parameters
    ----------
    problem, prior
        What is fitted, and what is believed beforehand.
    start, slips
        Where to begin; the prior mean and no errors by default.

    Raises
    ------
    PaletteError
        If the numbers run away, which no reading that was let in should do.
    """
    readings = readings_of(problem)
    theta = prior.mean.copy() if start is None else start.copy()
    if slips is None:
        slips = np.zeros((len(problem.pours), len(problem.pigments) + 2))

    def extra(at: FloatArray) -> float:
        d = (at - prior.mean).ravel()
        return float(d @ prior.precision @ d)

    normal = _normal(problem, readings, theta, slips)
    cost = normal.cost + extra(theta)
    damping, converged = 1e-3, False
    for _ in range(_ROUNDS):
        gradient = normal.gradient + prior.precision @ (theta - prior.mean).ravel()
        matrix = normal.matrix + prior.precision
        accepted = False
        for _ in range(12):
            damped = matrix + damping * np.diag(np.maximum(np.diag(matrix), 1e-9))
            step = np.asarray(-np.linalg.solve(damped, gradient), dtype=float)
            largest = float(np.abs(step).max())
            share = min(1.0, _LONGEST_STEP / max(largest, 1e-300))
            trial: FloatArray = theta + share * step.reshape(theta.shape)
            moved = _moved(problem, slips, normal.back, share * step, share)
            tried = _normal(problem, readings, trial, moved)
            new = tried.cost + extra(trial)
            if np.isfinite(new) and new <= cost * (1 + 1e-12):
                accepted = True
                break
            damping = min(damping * 6.0, 1e8)
        if not accepted:
            converged = True  # no way down that rounding would let us see
            break
        gain = cost - new
        theta, slips, normal, cost = trial, moved, tried, new
        damping = max(damping / 8.0, 1e-9)
        if gain < _SETTLED and share == 1.0:
            converged = True
            break
    if not np.all(np.isfinite(theta)):
        raise PaletteError(
            "the fit did not settle",
            field="test pours",
            remedy="Check doses, thicknesses and readings",
        )
    return _result(problem, prior, readings, theta, slips, normal, cost, converged)


def at_optimum(problem: Problem, prior: Prior, theta: FloatArray, slips: FloatArray) -> Fit:
    """What `fit` found, from the spectra and errors that it found."""
    readings = readings_of(problem)
    normal = _normal(problem, readings, theta, slips)
    away = (theta - prior.mean).ravel()
    cost = normal.cost + float(away @ prior.precision @ away)
    return _result(problem, prior, readings, theta, slips, normal, cost, True)


def _result(
    problem: Problem,
    prior: Prior,
    readings: list[_Reading],
    theta: FloatArray,
    slips: FloatArray,
    normal: _Normal,
    cost: float,
    converged: bool,
) -> Fit:
    matrix = normal.matrix + prior.precision
    covariance = np.linalg.inv(matrix)
    covariance = 0.5 * (covariance + covariance.T)
    effective = float(np.sum(normal.matrix * covariance))
    log_det = float(np.linalg.slogdet(matrix)[1])
    constant = sum(
        float(np.log(r.whiten[r.whiten > 0]).sum())
        if r.whiten.ndim == 1
        else float(np.linalg.slogdet(r.whiten)[1])
        for r in readings
    )
    evidence = -0.5 * cost - 0.5 * log_det + 0.5 * prior.log_det - 0.5 * normal.log_det + constant
    chi2, lone, spread, values, alone = _by_bar(problem, readings, theta, slips, covariance)
    variance = np.ones_like(slips)
    for places, C, _, B in normal.back:
        inverse = np.linalg.inv(C)
        left = inverse @ B.T
        spread_of = np.diag(inverse) + np.einsum("ij,jk,ik->i", left, covariance, left)
        variance[places[:, 0], places[:, 1]] = np.minimum(spread_of, 1.0)
    return Fit(
        problem,
        theta,
        covariance,
        slips,
        chi2,
        lone,
        spread,
        values,
        evidence,
        effective,
        converged,
        alone,
        variance,
    )


def _by_bar(
    problem: Problem,
    readings: list[_Reading],
    theta: FloatArray,
    slips: FloatArray,
    covariance: FloatArray,
) -> tuple[
    FloatArray, FloatArray, FloatArray, FloatArray, tuple[tuple[FloatArray, FloatArray], ...]
]:
    """Misfit of each bar as it was fitted, and as the others predict it; see `Fit`."""
    rows, maps, by_unknown, by_error = residuals_of(problem, readings, theta, slips)
    bars = int(problem.bars.max()) + 1
    chi2, lone, taught, values = (np.zeros(bars) for _ in range(4))
    size = theta.size
    alone = []
    for bar in range(bars):
        members = np.flatnonzero(problem.bars == bar)
        slots = errors_of_bar(problem, members)
        residual, J, L = [], [], []
        for i in members:
            local = slopes_of_errors(slots, int(i), by_error)
            if problem.pours[i].spectrum is not None:
                known = maps[i] > 0
                at = np.flatnonzero(known)
                full = np.zeros((at.size, theta.shape[0], _W))
                full[np.arange(at.size), :, at] = (by_unknown[i] * maps[i])[:, at].T
                J.append(full.reshape(at.size, size))
                L.append((local * maps[i])[:, known].T)
                residual.append(rows[i][known])
            else:
                J.append((maps[i][:, None, :] * by_unknown[i][None]).reshape(3, size))
                L.append(maps[i] @ local.T)
                residual.append(rows[i])
        r, jac, loc = np.concatenate(residual), np.concatenate(J), np.concatenate(L)
        now = np.array([slips[members[0] if k < 0 else k, c] for k, c in slots])
        r = r - loc @ now  # what would be seen had there been no slip
        sigma = np.eye(r.size) + loc @ loc.T
        spread = jac @ covariance @ jac.T
        weight = float(problem.weights[members[0]])
        chi2[bar] = float(r @ np.linalg.solve(sigma, r))
        # Taking the bar out of the fit: its own share of what is known is given back.
        without = sigma - weight * spread + 1e-9 * np.eye(r.size)
        lone[bar] = float(r @ np.linalg.solve(without, r))
        # The covariance with which the others predict it is sigma @ inv(without) @ sigma.
        taught[bar] = float(2 * np.linalg.slogdet(sigma)[1] - np.linalg.slogdet(without)[1])
        values[bar] = r.size
        back = np.linalg.solve(without, np.column_stack([r, sigma]))
        alone.append((sigma @ back[:, 0], sigma @ back[:, 1:]))
    return chi2, lone, taught, values, tuple(alone)
