"""Normal equations in the spectra, the errors of each bar eliminated.

References
----------
Gauss-Newton: J. Nocedal, S. J. Wright, *Numerical Optimization* (2nd ed. 2006), section 10.3.
Schur complement: S. Boyd, L. Vandenberghe, *Convex Optimization* (2004), section C.4.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from shadematch.calibration.bars import (
    Residuals,
    residuals_of,
    slopes_of_errors,
)
from shadematch.calibration.problem import Measurement, Problem
from shadematch.support.arrays import FloatArray, IntArray

__all__ = ["BarErrors", "Normal", "moved", "normal_equations"]


class BarErrors(NamedTuple):
    """The eliminated errors of one bar.

    `places`: row and column of the slips, shape (s, 2); `C`, `g`, `B`: their matrix (s, s),
    gradient (s,), and coupling to the spectra (36 K, s).
    """

    places: IntArray
    C: FloatArray
    g: FloatArray
    B: FloatArray


class Normal(NamedTuple):
    """The quadratic approximation of the misfit near some spectra and errors.

    Attributes
    ----------
    at
        The residuals there.
    cost
        Weighted sum of squares of residuals and errors.
    gradient, matrix
        By the spectra alone, shapes (36 K,) and (36 K, 36 K), without the prior.
    errors
        The errors that were eliminated.
    log_det
        Log determinant of all `BarErrors.C`.
    """

    at: Residuals
    cost: float
    gradient: FloatArray
    matrix: FloatArray
    errors: list[BarErrors]
    log_det: float


def normal_equations(
    problem: Problem, readings: list[Measurement], theta: FloatArray, slips: FloatArray
) -> Normal:
    """Normal equations at some spectra, shape (K, 36), and errors, shape (n, D + BESIDE)."""
    at = residuals_of(problem, readings, theta, slips)
    gradient, matrix = _of_spectra(problem, at)
    cost = float(sum(w * (r @ r) for w, r in zip(problem.weights, at.rows, strict=True)))
    errors, columns = [], []
    log_det = 0.0
    for members, slots in zip(problem.members, problem.slots, strict=True):
        if not slots:
            continue
        places = np.array([[members[0] if r < 0 else r, c] for r, c in slots])
        now = slips[places[:, 0], places[:, 1]]
        cost += float(now @ now)
        C, g, B = _of_errors(problem, at, members, slots, now)
        L = np.linalg.cholesky(C)
        log_det += 2.0 * float(np.log(np.diag(L)).sum())
        # Schur complement, (1) of `fit`: A - B inv(C) B^T.
        columns.append(np.linalg.solve(L, B.T).T)
        gradient = gradient - B @ np.linalg.solve(C, g)
        errors.append(BarErrors(places, C, g, B))
    if columns:
        U = np.concatenate(columns, axis=1)
        matrix = matrix - U @ U.T
    return Normal(
        at=at, cost=cost, gradient=gradient, matrix=matrix, errors=errors, log_det=log_det
    )


def _of_spectra(problem: Problem, at: Residuals) -> tuple[FloatArray, FloatArray]:
    """Gradient and matrix by the spectra, all errors fixed."""
    count, width = at.by_unknown.shape[1:]
    size = count * width
    weights = problem.weights
    gradient = np.zeros((count, width))
    matrix = np.zeros((count, width, count, width))
    spectral = [i for i, p in enumerate(problem.pours) if p.spectrum is not None]
    if spectral:
        q = np.array([at.maps[i] for i in spectral])  # (m, 36)
        root = np.sqrt(weights[spectral])[:, None, None]
        slopes = at.by_unknown[spectral] * q[:, None, :] * root
        per = slopes.transpose(2, 1, 0)  # (36, K, m)
        own = np.arange(width)
        matrix[:, own, :, own] = per @ per.transpose(0, 2, 1)
        left = np.array([at.rows[i] for i in spectral]) * root[:, :, 0]
        gradient += np.einsum("mkw,mw->kw", slopes, left)
    flat = matrix.reshape(size, size)
    colour = [i for i, p in enumerate(problem.pours) if p.spectrum is None]
    if colour:
        stacked = np.concatenate([np.sqrt(weights[i]) * _by_lab(at, i) for i in colour])
        left = np.concatenate([np.sqrt(weights[i]) * at.rows[i] for i in colour])
        flat += stacked.T @ stacked
        gradient += (left @ stacked).reshape(count, width)
    return gradient.ravel(), flat


def _by_lab(at: Residuals, i: int) -> FloatArray:
    """Slopes of a Lab reading by all spectra, shape (3, 36 K)."""
    return np.asarray((at.maps[i][:, None, :] * at.by_unknown[i][None]).reshape(3, -1))


def _of_errors(
    problem: Problem,
    at: Residuals,
    members: IntArray,
    slots: list[tuple[int, int]],
    now: FloatArray,
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """C, g and B of `BarErrors`, from the bar's readings and present errors."""
    C, g = np.eye(len(slots)), now.copy()
    B = np.zeros((at.by_unknown[0].size, len(slots)))
    for i in members:
        local = slopes_of_errors(slots, int(i), at.by_error)
        w = problem.weights[i]
        if problem.pours[i].spectrum is not None:
            own = local * at.maps[i]
            slopes = at.by_unknown[i] * at.maps[i]
            B += w * (slopes[:, :, None] * own.T[None]).reshape(len(B), -1)
        else:
            own = local @ at.maps[i].T  # (slots, 3)
            B += w * _by_lab(at, int(i)).T @ own.T
        C += w * own @ own.T
        g += w * own @ at.rows[i]
    return C, g, B


def moved(
    problem: Problem, slips: FloatArray, errors: list[BarErrors], step: FloatArray, share: float
) -> FloatArray:
    """The errors after a fraction of a step of the spectra; `step` is that fraction of it."""
    result = slips.copy()
    for places, C, g, B in errors:
        delta = -np.linalg.solve(C, g + B.T @ step / max(share, 1e-12)) * share
        result[places[:, 0], places[:, 1]] += delta
    dyes = len(problem.pigments)
    for members in problem.members:  # shared by all readings of the bar
        result[members, : dyes + 2] = result[members[0], : dyes + 2]
    return np.clip(result, -30.0, 30.0)
