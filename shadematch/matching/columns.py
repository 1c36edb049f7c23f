"""Answers as the columns of a table, without an object for each row."""

from __future__ import annotations

from typing import Any, Final, TypeAlias

import numpy as np

from shadematch.colour.colorimetry import srgb_codes, xyz_to_lab, xyz_to_srgb
from shadematch.matching.question import Asked
from shadematch.matching.robust import uncertainty_of
from shadematch.matching.wanted import Wanted
from shadematch.predicting.prediction import Model, model_for
from shadematch.predicting.readings import Readings
from shadematch.studio.covariance import Covariance
from shadematch.support.arrays import BoolArray, FloatArray, IntArray

__all__ = ["LET_DOWN_MASS", "Columns", "columns_of"]

LET_DOWN_MASS: Final = ", mass [g]"

Columns: TypeAlias = dict[str, Any]
"""Lists and arrays of one length, by name."""


def columns_of(
    asked: Asked,
    readings: Readings,
    wanted: Wanted,
    labs: FloatArray,
    *,
    steps: IntArray,
    delta_e: FloatArray,
    bound: FloatArray,
    proved: BoolArray,
) -> Columns:
    """What `shadematch.save_results` writes.

    Parameters
    ----------
    asked, readings
        The question without its colours, and how far doses may be off.
    wanted, labs
        The colours, and their CIELAB in each view, shape (t, v, 3).
    steps, delta_e
        Of the recipes, shapes (t, k) and (t,).
    bound, proved
        Of the closest recipes, shape (t,).
    """
    palette, pour, unit = asked.palette, asked.pour, asked.palette.unit
    # A catalogue often has more colours than recipes.
    steps, row = np.unique(steps, axis=0, return_inverse=True)
    row = row.ravel()
    doses, masses = asked.amounts(steps)
    model = model_for(palette, pour.thickness_cm, pour.white, asked.views[0])
    xyz = _spectra(model, doses * 100.0 / pour.batch_g) @ model.weights.T
    predicted = xyz_to_lab(xyz, model.white)[row]
    codes = np.array(srgb_codes(xyz_to_srgb(xyz, model.white)[0]))[row].tolist()
    half, nine = _ranges(
        asked=asked, readings=readings, wanted=wanted, labs=labs, steps=steps, row=row
    )
    total = doses.sum(axis=1)
    columns: Columns = {"target": wanted.words(), "target_hex": wanted.codes()}
    columns |= {f"target_{c}": labs[:, 0, i] for i, c in enumerate("Lab")}
    columns |= {f"{name} [{unit}]": doses[row, i] for i, name in enumerate(palette.names)}
    for i, let_down in enumerate(asked.let_downs):
        columns[f"{let_down}{LET_DOWN_MASS}"] = masses[row, i]
    columns |= {
        f"total_{unit}": total[row],
        f"load_{unit}_per_100g": (total * 100.0 / pour.batch_g)[row],
        "tubes": np.count_nonzero(doses, axis=1)[row],
        "delta_e": delta_e,
        "half_within": half,
        "nine_in_ten_within": nine,
        "bound": bound,
        "proved": proved,
    }
    columns |= {f"predicted_{c}": predicted[:, i] for i, c in enumerate("Lab")}
    columns["predicted_hex"] = codes
    return columns


def _spectra(model: Model, loads: FloatArray) -> FloatArray:
    """Spectra as `Choice.predicted` has them, shape (m, 36): a layer for each scattering dose."""
    if not model.scattering_pigments:
        return model.spectra(loads)
    still = np.zeros_like(loads)
    at = list(model.scattering_pigments)
    still[:, at] = loads[:, at]
    found = np.empty((len(loads), model.base_absorption.size))
    for fixed in np.unique(still, axis=0):
        rows = (still == fixed).all(axis=1)
        found[rows] = model.layer_with(fixed).value(model.absorbed(loads[rows]))
    return found


def _ranges(
    asked: Asked,
    readings: Readings,
    wanted: Wanted,
    labs: FloatArray,
    steps: IntArray,
    row: IntArray,
) -> FloatArray:
    """What CIEDE2000 stays within half the time and nine times in ten, shape (2, t); linear."""
    colours = uncertainty_of(asked, readings).colours(steps * asked.step_sizes)
    alike: dict[Covariance | None, list[int]] = {}
    for at, covariance in enumerate(wanted.covariances()):
        alike.setdefault(covariance, []).append(at)
    found = np.empty((2, len(row)))
    for covariance, rows in alike.items():
        known = None if covariance is None else np.array(covariance)
        found[:, rows] = colours.at(row[rows]).within(labs[rows], known)
    return found
