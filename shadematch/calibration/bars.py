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
from shadematch.calibration.problem import Problem, Reading
from shadematch.colour.standards import WAVELENGTHS_NM
from shadematch.support.arrays import FloatArray, IntArray

__all__ = [
    "Lone",
    "Residuals",
    "errors_of_bar",
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
    problem: Problem, readings: list[Reading], theta: FloatArray, slips: FloatArray
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


def errors_of_bar(problem: Problem, members: IntArray) -> list[tuple[int, int]]:
    """Errors that a bar has: (reading or -1 for the whole bar, column of the slips)."""
    dyes = len(problem.pigments)
    result = [(-1, d) for d in range(dyes) if problem.layers.dose_sd[members[0], d] > 0]
    if problem.errors.thickness_share > 0:
        result.append((-1, dyes))
    if problem.errors.gain > 0:
        result += [(int(i), dyes + 1) for i in members]
    if problem.errors.tilt > 0:
        result += [(int(i), dyes + 2) for i in members]
    return result


def slopes_of_errors(slots: list[tuple[int, int]], i: int, by_error: FloatArray) -> FloatArray:
    """Slopes of reading i by the errors of its bar, shape (slots, 36)."""
    out = np.zeros((len(slots), _W))
    for j, (reading, column) in enumerate(slots):
        if reading in (-1, i):
            out[j] = by_error[i, column]
    return out


class Lone(NamedTuple):
    """Each bar as it was fitted, and as the others predict it; see `fit.Fit`."""

    chi2: FloatArray
    lone: FloatArray
    spread: FloatArray
    values: FloatArray
    alone: tuple[tuple[FloatArray, FloatArray], ...]


def lone_bars(problem: Problem, at: Residuals, slips: FloatArray, covariance: FloatArray) -> Lone:
    """Predict each bar from all others (linearised); `covariance` is (36 K, 36 K)."""
    bars = int(problem.bars.max()) + 1
    chi2, lone, spread, values = (np.zeros(bars) for _ in range(4))
    alone = []
    for bar in range(bars):
        members = np.flatnonzero(problem.bars == bar)
        slots = errors_of_bar(problem, members)
        r, jac, loc = _stacked(problem, at, members, slots)
        now = np.array([slips[members[0] if k < 0 else k, c] for k, c in slots])
        r = r - loc @ now  # the residual without slips
        sigma = np.eye(r.size) + loc @ loc.T
        taught = jac @ covariance @ jac.T
        weight = float(problem.weights[members[0]])
        chi2[bar] = float(r @ np.linalg.solve(sigma, r))
        # Leaving the bar out: its own contribution is subtracted.
        without = sigma - weight * taught + 1e-9 * np.eye(r.size)
        lone[bar] = float(r @ np.linalg.solve(without, r))
        # The covariance with which the others predict it is sigma @ inv(without) @ sigma.
        spread[bar] = float(2 * np.linalg.slogdet(sigma)[1] - np.linalg.slogdet(without)[1])
        values[bar] = r.size
        back = np.linalg.solve(without, np.column_stack([r, sigma]))
        alone.append((sigma @ back[:, 0], sigma @ back[:, 1:]))
    return Lone(chi2, lone, spread, values, tuple(alone))


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
