"""The camera as the observer: its spectral sensitivities are learnt from the chart in the photos.

A correction by a chart is exact for the chart's patches only. For bars with steep absorption bands
it may be off by ten (CIEDE2000), alike in all photos of a camera, so averaging does not help. But a
calibration fits spectra, and can model what the camera saw. Up to a matrix, which the chart gives,
the three channels are weights over wavelength. Their prior is a Gaussian process around those of
the CIE observer, as cameras are designed; the patches, whose spectra are published, are readings of
them, averaged over all photos. The remaining uncertainty of the weights is common to all bars of
the session, and is added to the covariance of the spectra as such.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Final, NamedTuple

import numpy as np

from shadematch.calibration.bars import residuals_of, slopes_of_errors
from shadematch.calibration.fit import Fit
from shadematch.calibration.problem import readings_of
from shadematch.calibration.test_pour import TestPour
from shadematch.colour.colorimetry import LAB_FROM_RESPONSE, cube_root_response, xyz_to_lab
from shadematch.colour.difference import delta_e
from shadematch.colour.standards import WAVELENGTHS_NM, observation
from shadematch.photo.camera import DARKEST, chart_spectra, learn_weights, matrix_between
from shadematch.support.arrays import FloatArray, IntArray

__all__ = ["Camera", "as_seen", "cameras_of", "with_cameras"]

_OTHER: Final = 0.75
"""Mean CIEDE2000 between the charts of two photos above which light or camera differ (in rendered
photos 0.3 to 0.6 for the same, 0.9 to 2.8 for different ones)."""
_READ: Final = 0.6
_READ_SHARE: Final = 0.02
"""Error of a photo's reading beyond its stated one, in each of L*, a*, b*: a constant, and a
fraction of chroma (test bars in invented worlds)."""
_W: Final = WAVELENGTHS_NM.size
_FEWEST: Final = 12
"""Least number of patches."""


class Camera(NamedTuple):
    """A camera in one light.

    Attributes
    ----------
    weights
        Weights that give its three channels from reflectances, in units of XYZ, shape (3, 36).
    covariance
        Covariance of each channel's weights, shape (3, 36, 36); channels are independent.
    pours
        Positions of the test pours it photographed.
    """

    weights: FloatArray
    covariance: FloatArray
    pours: IntArray


def cameras_of(pours: Sequence[TestPour]) -> tuple[Camera, ...]:
    """The cameras, each in one light, that photographed test pours with a chart.

    Photos belong together if a matrix makes their charts look alike.
    """
    photos = {
        i: np.array([[np.nan] * 3 if v is None else v for v in p.response.patches])
        for i, p in enumerate(pours)
        if p.response is not None
    }
    photos = {i: p for i, p in photos.items() if np.isfinite(p[:, 0]).sum() >= _FEWEST}
    sessions: list[list[int]] = []
    white = observation("D65").white
    for i, patches in photos.items():
        for session in sessions:
            first = photos[session[0]]
            both = np.isfinite(first[:, 0]) & np.isfinite(patches[:, 0])
            if both.sum() < _FEWEST:
                continue
            wanted = first @ matrix_between(first, chart_spectra() @ observation("D65").weights.T)
            shown = patches @ matrix_between(np.where(both[:, None], patches, np.nan), wanted)
            labs = [xyz_to_lab(np.maximum(v[both], DARKEST), white) for v in (wanted, shown)]
            if float(delta_e(*labs).mean()) < _OTHER:
                session.append(i)
                break
        else:
            sessions.append([i])
    return tuple(
        Camera(*learn_weights(np.array([photos[i] for i in s])), np.array(s)) for s in sessions
    )


def as_seen(pours: Sequence[TestPour], cameras: Sequence[Camera]) -> tuple[TestPour, ...]:
    """Test pours with their camera's reading, and the camera as the observer."""
    found = list(pours)
    white = observation("D65").white
    for camera in cameras:
        wanted = chart_spectra() @ camera.weights.T
        for i in camera.pours:
            response = pours[i].response
            assert response is not None
            patches = np.array([[np.nan] * 3 if v is None else v for v in response.patches])
            matrix = matrix_between(patches, wanted)
            xyz = np.maximum(np.array(response.region) @ matrix, DARKEST)
            lab = xyz_to_lab(xyz, white)
            by = (LAB_FROM_RESPONSE * cube_root_response(xyz, white)[1]) @ matrix.T
            total = by @ np.array(response.covariance) @ by.T
            own = _READ**2 + (_READ_SHARE * float(np.hypot(lab[1], lab[2]))) ** 2
            total = total + own * np.eye(3)
            shift = np.zeros(3)
            for step in response.beyond:
                away = []
                for sign in (1.0, -1.0):  # downwards XYZ may become negative
                    there = np.maximum(xyz + sign * np.array(step) @ matrix, 0.0)
                    away.append(sign * (xyz_to_lab(there, white) - lab))
                move = max(away, key=lambda d: float(d @ d))
                total = total + np.outer(move, move)
                shift = shift + 0.5 * move  # not inside, where a channel would show it
            lab = lab + shift
            lab[0] = min(lab[0], 100.0)
            view = pours[i].view.model_copy(update={"illuminant": "D65", "observer": "2"})
            rows = (0.5 * (total + total.T)).tolist()
            found[i] = replace(
                pours[i],
                view=view,
                lab=tuple(lab.tolist()),
                covariance=tuple(tuple(row) for row in rows),
                _weights=camera.weights,
                _stated=pours[i],
            )
    return tuple(found)


def with_cameras(found: Fit, cameras: Sequence[Camera]) -> Fit:
    """The fit with the uncertainty of the cameras added.

    To first order: how the most probable spectra, and the errors of each bar, move with the
    weights (implicit function theorem).
    """
    extra = np.zeros_like(found.covariance)
    for camera in cameras:
        moved = np.einsum("ij,jcw->icw", found.covariance, _pull(found, camera))
        for channel in range(3):
            part = moved[:, channel]
            extra += part @ camera.covariance[channel] @ part.T
    return replace(found, covariance=found.covariance + 0.5 * (extra + extra.T))


def _pull(found: Fit, camera: Camera) -> FloatArray:
    """Slope of the fit's gradient by the weights of a camera, shape (36 K, 3, 36)."""
    p = found.problem
    _, maps, by_unknown, by_error = residuals_of(p, readings_of(p), found.theta, found.slips)
    spectra = p.look(found.theta, found.slips).spectrum
    total = np.zeros((found.theta.size, 3, _W))
    for bar in np.unique(p.bars[camera.pours]):
        members, slots = p.members[bar], p.slots[bar]
        slopes, local, seen = [], [], []
        for i in members:
            if p.pours[i].spectrum is not None:
                continue
            slopes.append((maps[i][:, None, :] * by_unknown[i][None]).reshape(3, -1))
            local.append(maps[i] @ slopes_of_errors(slots, int(i), by_error).T)
            own = np.zeros((3, 3, _W))
            if i in camera.pours:
                weights, white = p.pours[i].observation
                xyz = np.maximum(weights @ spectra[i], DARKEST)
                by = LAB_FROM_RESPONSE * cube_root_response(xyz, white)[1]
                whiten = readings_of(p)[i].whiten
                own = (whiten @ by)[:, :, None] * spectra[i]
            seen.append(own)
        J, L, W = (np.concatenate(part) for part in (slopes, local, seen))
        weight = float(p.weights[members[0]])
        inner = np.linalg.solve(np.eye(len(J)) + weight * L @ L.T, W.reshape(len(J), -1))
        total += weight * (J.T @ inner).reshape(-1, 3, _W)
    return total
