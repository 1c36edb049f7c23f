"""Residuals bar by bar: as fitted, and as predicted from all other bars.

References
----------
Leaving a case out of a least-squares fit without a new fit: R. D. Cook, S. Weisberg, *Residuals
and Influence in Regression* (1982), ch. 2.
"""

from __future__ import annotations

from typing import Final, NamedTuple

import numpy as np

from shadematch.calibration.forward import to_lab
from shadematch.calibration.problem import Measurement, Problem
from shadematch.colour.standards import WAVELENGTHS_NM
from shadematch.support.arrays import FloatArray, IntArray

__all__ = [
    "Lone",
    "Residuals",
    "as_fitted",
    "lone_bars",
    "residuals_of",
    "slopes_of_errors",
]

_W: Final = WAVELENGTHS_NM.size


class Residuals(NamedTuple):
    """Whitened residuals and their slopes.

    `rows`: of each reading, shape (36,) for a spectrum, (3,) for Lab; `maps`: from a spectrum to
    these, weights (36,) or a matrix (3, 36); `by_unknown`, `by_error`: see `forward.Seen`.
    """

    rows: list[FloatArray]
    maps: list[FloatArray]
    by_unknown: FloatArray
    by_error: FloatArray


def residuals_of(
    problem: Problem, readings: list[Measurement], theta: FloatArray, slips: FloatArray
) -> Residuals:
    """Residuals at some spectra and errors of the bench."""
    seen = problem.look(theta, slips)
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
    return Residuals(rows, maps, seen.by_unknown, seen.by_error)


def slopes_of_errors(slots: list[tuple[int, int]], i: int, by_error: FloatArray) -> FloatArray:
    """Slopes of reading i by the errors of its bar, shape (slots, 36)."""
    out = np.zeros((len(slots), _W))
    for j, (reading, column) in enumerate(slots):
        if reading in (-1, i):
            out[j] = by_error[i, column]
    return out


class Lone(NamedTuple):
    """Each bar as the others predict it; see `fit.Fit`."""

    lone: FloatArray
    spread: FloatArray
    alone: tuple[tuple[FloatArray, FloatArray], ...]


def as_fitted(problem: Problem, at: Residuals, slips: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Misfit of each bar, of its residuals and its errors, and the number of its values."""
    misfit, values = np.zeros((2, len(problem.members)))
    for bar, (members, slots) in enumerate(zip(problem.members, problem.slots, strict=True)):
        misfit[bar] = sum(at.rows[i] @ at.rows[i] for i in members)
        misfit[bar] += sum(slips[members[0] if k < 0 else k, c] ** 2 for k, c in slots)
        # Of a spectrum, weights of 0 stand where nothing was measured.
        values[bar] = sum(
            np.count_nonzero(m) if m.ndim == 1 else len(m) for m in (at.maps[i] for i in members)
        )
    return misfit, values


def lone_bars(problem: Problem, at: Residuals, slips: FloatArray, covariance: FloatArray) -> Lone:
    """Predict each bar from all others (linearised); `covariance` is (36 K, 36 K)."""
    lone, spread = np.zeros((2, len(problem.members)))
    alone = []
    for bar, (members, slots) in enumerate(zip(problem.members, problem.slots, strict=True)):
        r, jac, loc = _stacked(problem, at, members, slots)
        now = np.array([slips[members[0] if k < 0 else k, c] for k, c in slots])
        r = r - loc @ now  # the residual without slips
        sigma = np.eye(r.size) + loc @ loc.T
        taught = jac @ covariance @ jac.T
        weight = float(problem.weights[members[0]])
        # Leaving the bar out: its own contribution is subtracted.
        without = sigma - weight * taught + 1e-9 * np.eye(r.size)
        lone[bar] = float(r @ np.linalg.solve(without, r))
        # The covariance with which the others predict it is sigma @ inv(without) @ sigma.
        spread[bar] = float(2 * np.linalg.slogdet(sigma)[1] - np.linalg.slogdet(without)[1])
        back = np.linalg.solve(without, np.column_stack([r, sigma]))
        alone.append((sigma @ back[:, 0], sigma @ back[:, 1:]))
    return Lone(lone, spread, tuple(alone))


def _stacked(
    problem: Problem, at: Residuals, members: IntArray, slots: list[tuple[int, int]]
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """A bar's residuals (m,), and their slopes by the spectra (m, 36 K) and errors (m, slots)."""
    count = at.by_unknown.shape[1]
    residual, J, L = [], [], []
    for i in members:
        local = slopes_of_errors(slots, int(i), at.by_error)
        if problem.pours[i].spectrum is not None:
            known = at.maps[i] > 0
            place = np.flatnonzero(known)
            full = np.zeros((place.size, count, _W))
            full[np.arange(place.size), :, place] = (at.by_unknown[i] * at.maps[i])[:, place].T
            J.append(full.reshape(place.size, count * _W))
            L.append((local * at.maps[i])[:, known].T)
            residual.append(at.rows[i][known])
        else:
            J.append((at.maps[i][:, None, :] * at.by_unknown[i][None]).reshape(3, count * _W))
            L.append(at.maps[i] @ local.T)
            residual.append(at.rows[i])
    return np.concatenate(residual), np.concatenate(J), np.concatenate(L)
