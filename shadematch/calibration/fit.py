"""The most probable spectra and their covariance: Gauss-Newton with damping.

All unknowns have a Gaussian prior: the spectra (`spectra`), and for each bar the errors of its
doses, thickness and readings (`forward.Errors`), as multiples of their standard deviations. Each
error belongs to one bar, so errors are eliminated from the normal equations bar by bar (Schur
complement), which leaves 36 rows for each spectrum. Covariance and evidence are those of the
quadratic at the optimum (Laplace).

With the spectra t, their prior's mean m and precision P, and a bar's quadratic in t and its errors
(A in t, B between, C in the errors; gradients f and g):

1. left of A is A - B inv(C) B', and of f it is f - B inv(C) g, summed over the bars;
2. a step s solves (A + P + damping diag(A + P)) s = -(f + P (t - m));
3. the covariance of t is inv(A + P);
4. log evidence = -cost / 2 + (log det P - log det (A + P) - sum of log det C) / 2, and a constant;
5. the effective number of parameters is the trace of A inv(A + P).

References
----------
Damping: J. Nocedal, S. J. Wright, *Numerical Optimization* (2nd ed. 2006), section 10.3.
Covariance and evidence: D. MacKay, *Information Theory, Inference, and Learning Algorithms*
(2003), ch. 27 (Laplace's method) and 28. Effective number of parameters: D. MacKay, *Bayesian
Interpolation*, Neural Computation 4 (1992) 415 (there gamma).
"""

from __future__ import annotations

import functools
from dataclasses import dataclass, field, replace
from typing import Final, NamedTuple

import numpy as np

from shadematch.calibration.bars import Lone, as_fitted, lone_bars
from shadematch.calibration.forward import BESIDE
from shadematch.calibration.normal import Normal, moved, normal_equations
from shadematch.calibration.problem import Measurement, Prior, Problem, readings_of
from shadematch.calibration.spectra import LIMITS, parameters
from shadematch.errors import PaletteError
from shadematch.support.arrays import FloatArray, IntArray

__all__ = ["Fit", "at_optimum", "fit"]

_ROUNDS: Final = 60
_DRAWS: Final = 200
_SETTLED: Final = 0.0005
"""Gain of the sum of squares at which the fit ends (1 is a standard deviation)."""
_SETTLED_BRIEF: Final = 0.1
"""The same for a fit of which only the evidence counts; differences are compared with 1."""
_SLIGHT: Final = 0.01
"""Damping below which a step shows how much there is to gain."""
_LONGEST_STEP: Final = 1.5
"""Largest change of a log coefficient in one round."""


@dataclass(frozen=True)
class Fit:
    """The most probable spectra and the remaining misfit.

    Attributes
    ----------
    problem
        What was fitted.
    theta, covariance
        Shapes (K, 36) and (36 K, 36 K).
    slips
        Standardised errors, shape (n, D + BESIDE).
    chi2
        Misfit of each bar: residuals and its errors, shape (bars,).
    lone
        Misfit of each bar predicted from all others (linearised), shape (bars,).
    spread
        Log determinant of the covariance of that prediction, in units of the noise; shape
        (bars,).
    values
        Number of measured values of each bar.
    evidence
        Log probability of the measurements, up to a constant.
    effective
        Effective number of parameters of the spectra.
    converged
        Whether the fit converged.
    alone
        For each bar the residuals when predicted from all others (linearised), and their
        expected covariance, both in units of the readings' noise.
    slip_variance
        What is left unknown of the slips, shape (n, D + BESIDE); 1 for those without any meaning.
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
        """Random spectra from the posterior, the same each time; shape (_DRAWS, K, 36)."""
        normal = np.random.default_rng(36).standard_normal((_DRAWS // 2, self.theta.size))
        values, vectors = np.linalg.eigh(self.covariance)
        moved = (normal * np.sqrt(np.maximum(values, 0.0))) @ vectors.T
        both = np.concatenate([moved, -moved])  # in pairs, so that their mean is right
        return np.asarray(self.theta + both.reshape(-1, *self.theta.shape))

    @functools.cached_property
    def to_the_eye(self) -> Fit:
        """The fit without effects of the instrument alone (edge loss, gloss)."""
        theta, covariance = self.theta.copy(), self.covariance.copy()
        width = theta.shape[1]
        for k, u in enumerate(self.problem.unknowns):
            if u.kind in ("edge loss", "gloss offset"):
                rows = slice(k * width, (k + 1) * width)
                theta[k], covariance[rows], covariance[:, rows] = 0.0, 0.0, 0.0
        return replace(self, theta=theta, covariance=covariance)


_UNTOLD: Final = Lone(np.zeros(0), np.zeros(0), ())


class _Place(NamedTuple):
    """Spectra and errors, and the quadratic there."""

    theta: FloatArray
    slips: FloatArray
    normal: Normal
    cost: float  # with the prior's part


def fit(
    problem: Problem,
    prior: Prior,
    *,
    start: FloatArray | None = None,
    slips: FloatArray | None = None,
    brief: bool = False,
) -> Fit:
    """Minimise the sum of misfit and departure from the prior.

    Parameters
    ----------
    problem, prior
        The problem and its prior.
    start, slips
        The start; by default the prior mean and no errors.
    brief
        Whether a rough optimum will do, its evidence to a tenth: no bar is predicted by others.

    Raises
    ------
    PaletteError
        If the fit diverges, which no accepted reading should cause.
    """
    readings = readings_of(problem)
    theta = prior.mean.copy() if start is None else start.copy()
    if slips is None:
        slips = np.zeros((len(problem.pours), len(problem.pigments) + BESIDE))
    here = _place(problem, prior, readings, theta, slips)
    damping, converged = 1e-3, False
    starts = parameters(problem.unknowns)
    times = np.diff(np.append(starts, theta.size))  # how often each free number stands there
    for _ in range(_ROUNDS):
        # (2)
        gradient = here.normal.gradient + prior.precision @ (here.theta - prior.mean).ravel()
        gradient = np.add.reduceat(gradient, starts)
        matrix = _of_parameters(here.normal.matrix + prior.precision, starts)
        accepted = False
        for _ in range(12):
            damped = matrix + damping * np.diag(np.maximum(np.diag(matrix), 1e-9))
            free = -_solved(damped, gradient)
            if brief and damping < _SLIGHT and -float(gradient @ free) < _SETTLED_BRIEF:
                break  # as near as is asked
            step = np.repeat(free, times)
            largest = float(np.abs(step).max())
            share = min(1.0, _LONGEST_STEP / max(largest, 1e-300))
            trial = _within(problem, here.theta + share * step.reshape(theta.shape))
            errors = moved(problem, here.slips, here.normal.errors, share * step, share)
            tried = _place(problem, prior, readings, trial, errors)
            if np.isfinite(tried.cost) and tried.cost <= here.cost * (1 + 1e-12):
                accepted = True
                break
            damping = min(damping * 6.0, 1e8)
        if not accepted:
            converged = True  # no way down that rounding would let us see
            break
        gain = here.cost - tried.cost
        here = tried
        damping = max(damping / 8.0, 1e-9)
        if gain < (_SETTLED_BRIEF if brief else _SETTLED) and share == 1.0:
            converged = True
            break
    if not np.all(np.isfinite(here.theta)):
        raise PaletteError(
            "the fit did not converge",
            field="test pours",
            remedy="Check doses, thicknesses and readings",
        )
    return _result(problem, prior, readings, here, converged=converged, brief=brief)


def _solved(matrix: FloatArray, right: FloatArray) -> FloatArray:
    """By Cholesky, half the work; the matrix is lost."""
    from scipy.linalg.lapack import dposv

    _, found, failed = dposv(matrix.T, right, overwrite_a=True)
    return np.asarray(np.linalg.solve(matrix, right) if failed else found, dtype=float)


def _of_parameters(matrix: FloatArray, starts: IntArray) -> FloatArray:
    """A matrix by the rows of unknowns, shape (36 K, 36 K), as one by the free numbers."""
    return np.asarray(np.add.reduceat(np.add.reduceat(matrix, starts, axis=0), starts, axis=1))


def _within(problem: Problem, theta: FloatArray) -> FloatArray:
    """Theta with bends, crowding and surfaces clipped to `spectra.LIMITS`."""
    for k, u in enumerate(problem.unknowns):
        if (ends := LIMITS.get(u.kind)) is not None:
            theta[k] = np.clip(theta[k], *ends)
    return theta


def _place(
    problem: Problem,
    prior: Prior,
    readings: list[Measurement],
    theta: FloatArray,
    slips: FloatArray,
) -> _Place:
    normal = normal_equations(problem, readings, theta, slips)
    away = (theta - prior.mean).ravel()
    return _Place(theta, slips, normal, normal.cost + float(away @ prior.precision @ away))


def at_optimum(problem: Problem, prior: Prior, theta: FloatArray, slips: FloatArray) -> Fit:
    """The `Fit` for spectra and errors that `fit` found before."""
    readings = readings_of(problem)
    here = _place(problem, prior, readings, theta, slips)
    return _result(problem, prior, readings, here, converged=True)


def _result(
    problem: Problem,
    prior: Prior,
    readings: list[Measurement],
    here: _Place,
    *,
    converged: bool,
    brief: bool = False,
) -> Fit:
    normal = here.normal
    starts = parameters(problem.unknowns)
    matrix = _of_parameters(normal.matrix + prior.precision, starts)
    free = np.linalg.inv(matrix)  # (3)
    rows = np.repeat(np.arange(starts.size), np.diff(np.append(starts, here.theta.size)))
    covariance = 0.5 * (free + free.T)[np.ix_(rows, rows)]
    log_det = float(np.linalg.slogdet(matrix)[1])
    constant = sum(
        float(np.log(r.whiten[r.whiten > 0]).sum())
        if r.whiten.ndim == 1
        else float(np.linalg.slogdet(r.whiten)[1])
        for r in readings
    )
    # Laplace: best fit, times the ratio of the posterior's volume to the prior's (Occam factor).
    occam = 0.5 * prior.log_det - 0.5 * log_det - 0.5 * normal.log_det  # (4)
    variance = np.ones_like(here.slips)
    for places, C, _, B in normal.errors:
        inverse = np.linalg.inv(C)
        left = inverse @ B.T
        total = np.diag(inverse) + ((left @ covariance) * left).sum(axis=1)
        variance[places[:, 0], places[:, 1]] = np.minimum(total, 1.0)
    chi2, values = as_fitted(problem, normal.at, here.slips)
    bars = _UNTOLD if brief else lone_bars(problem, normal.at, here.slips, covariance)
    return Fit(
        problem=problem,
        theta=here.theta,
        covariance=covariance,
        slips=here.slips,
        chi2=chi2,
        lone=bars.lone,
        spread=bars.spread,
        values=values,
        evidence=-0.5 * here.cost + occam + constant,
        effective=float(np.sum(normal.matrix * covariance)),  # (5)
        converged=converged,
        alone=bars.alone,
        slip_variance=variance,
    )
