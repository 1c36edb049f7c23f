"""Paint films by adding and doubling, written for tests: no line of it is the library's.

Opaque or not, in optical contact with a backing, seen at 45/0 or by diffuse light at 8 degrees;
asymmetry may differ at each wavelength. Gloss is left out.

References
----------
H. C. van de Hulst, *Multiple Light Scattering* (1980), ch. 4 (doubling); S. A. Prahl, M. J. C.
van Gemert, A. J. Welch, Appl. Opt. 32 (1993) 559 (faces; diamond start). Henyey-Greenstein
phase function with delta-M (W. J. Wiscombe, J. Atmos. Sci. 34 (1977) 1408).
"""

from __future__ import annotations

from typing import Literal

import numpy as np
from numpy.polynomial import legendre

from shadematch.support.arrays import FloatArray

_HALF = 6
_BEAM = 1e-7
"""Weight of the directions in which light is sent in and seen: next to none."""


def _directions(n: float) -> tuple[FloatArray, FloatArray]:
    """Cosines inside and weights: Gauss on both sides of the critical angle, then 45 and 8."""
    x, w = legendre.leggauss(_HALF)
    edge = np.sqrt(1 - 1 / n**2)
    beams = [np.sqrt(1 - (np.sin(np.radians(angle)) / n) ** 2) for angle in (45.0, 8.0)]
    mu = [0.5 * edge * (x + 1), edge + 0.5 * (1 - edge) * (x + 1), np.array(beams)]
    weight = [0.5 * edge * w, 0.5 * (1 - edge) * w, np.full(2, _BEAM)]
    return np.concatenate(mu), np.concatenate(weight)


def _face(mu: FloatArray, n: float) -> FloatArray:
    """Fresnel's reflectance from inside, unpolarised."""
    sine2 = n * n * (1 - mu * mu)
    out = np.sqrt(np.maximum(1 - sine2, 0.0))
    s, p = (n * mu - out) / (n * mu + out), (mu - n * out) / (mu + n * out)
    return np.where(sine2 >= 1, 1.0, 0.5 * (s * s + p * p))


def film(
    mu_a: FloatArray,
    mu_s: FloatArray,
    g: FloatArray,
    thickness: float,
    backing: FloatArray,
    *,
    n: float = 1.5,
    geometry: Literal["45/0", "d/8"] = "45/0",
) -> FloatArray:
    """Radiance factor of a film; arrays of shape (w,), `mu_s` being the unreduced scattering.

    `backing` is what it reflects inside, evenly in all directions.
    """
    mu, weight = _directions(n)
    one, moments = np.eye(mu.size), 2 * _HALF
    part = g**moments
    orders = np.arange(moments)
    chi = (2 * orders + 1) * (g[:, None] ** orders - part[:, None]) / (1 - part[:, None])
    P = legendre.legvander(mu, moments - 1)
    ahead = np.einsum("wl,il,jl->wij", chi, P, P)
    behind = np.einsum("wl,il,jl->wij", chi * (-1.0) ** orders, P, P)
    scatter = mu_s * (1 - part)
    depth = (mu_a + scatter) * thickness
    albedo = (scatter / (mu_a + scatter))[:, None, None]
    doublings = max(int(np.ceil(np.log2(depth.max() / 1e-4))), 0)
    step = (depth / 2**doublings)[:, None, None] / mu[:, None]
    loss = 0.5 * (one - 0.5 * albedo * ahead * weight) * step
    gain = 0.25 * albedo * behind * weight * step
    inner = np.linalg.solve(one + loss, gain)
    start = np.linalg.inv(one + loss - gain @ inner)
    T, R = 2 * start - one, 2 * inner @ start
    for _ in range(doublings):
        between = np.linalg.inv(one - R @ R)
        R, T = R + T @ between @ R @ T, T @ between @ T
    flux = 2 * mu * weight
    below = backing[:, None, None] * (flux / flux.sum()) * np.ones((mu.size, 1))
    R = R + T @ np.linalg.inv(one - below @ R) @ below @ T
    face = _face(mu, n)
    beam = mu.size - (2 if geometry == "45/0" else 1)
    entering = np.zeros(mu.size)
    entering[beam] = (1 - face[beam]) / flux[beam]
    up = np.linalg.solve(one - R * face, (R @ entering)[..., None])[..., 0]
    if geometry == "45/0":
        return np.asarray((1 - face[-1]) / n**2 * up[:, -1])
    return np.asarray(up @ (flux * (1 - face)))  # by reciprocity
