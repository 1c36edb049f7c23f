"""Colours of boxes of doses where absorption and scattering both vary.

What R may stray from its tangent at the centre follows from the
ranges of its second derivatives over the box, which are proved patch by patch (`Surface.bounds`),
wavelength by wavelength; absorption alone leaves it convex. Cube roots of X, Y, Z are concave in
these, so that they lie below their tangents in them. Where R is convex enough in absorption, they
lie above them but for what scattering does, else but for their largest bend.
"""

from __future__ import annotations

import numpy as np

from shadematch.colour.colorimetry import cube_root_response
from shadematch.search.images import HELD, KNEE, PRICE, Images, Load, enclosed
from shadematch.search.space import Space, lab_range
from shadematch.support.arrays import FloatArray

__all__ = ["images_by_surface"]


def images_by_surface(
    space: Space, centre: FloatArray, radius: FloatArray, load: Load
) -> list[Images]:
    """Enclose the colours of boxes, one `Images` for each view.

    Colours are those of a layer for each dose that scatters, which the surface strays from by
    `Surface.stray` at most.

    Parameters
    ----------
    space
        Its `surface` must not be None.
    centre, radius
        Middle and half width of boxes in effective steps, shapes (m, k).
    load
        Of the boxes.
    """
    surface = space.surface
    assert surface is not None
    a, s = space.base + centre @ space.absorption, space.base_scattering + centre @ space.scattering
    by_a, by_s = radius @ space.absorption, radius @ space.scattering
    a_lo, s_lo = np.maximum(a - by_a, 0.0), np.maximum(s - by_s, 0.0)
    known = surface.bounds(a_lo, a + by_a, s_lo, s + by_s)
    R, slope_a, slope_s = surface.evaluate(a, s)
    aa, ss, mixed = by_a * by_a, by_s * by_s, known.a_s * by_a * by_s
    # Of absorption alone R is convex: it lies above its tangent, and most above it at an end.
    ends = surface.value(a_lo, s) + slope_a * by_a, surface.value(a + by_a, s) - slope_a * by_a
    rise = np.where(known.convex, np.maximum(*ends) - R, 0.5 * known.aa_hi * aa)
    rise = np.maximum(rise, 0.0)
    fall = np.where(known.convex, 0.0, 0.5 * np.maximum(-known.aa_lo, 0.0) * aa)
    up_s, down_s = (0.5 * np.maximum(each, 0.0) * ss for each in (known.ss_hi, -known.ss_lo))
    above, below = rise + up_s + mixed, fall + down_s + mixed
    # Beyond the table, and in boxes so large that it says more, the range of R alone counts.
    tangent = np.abs(slope_a) * by_a + np.abs(slope_s) * by_s
    flat = ~known.inside | (0.5 * (known.R_hi - known.R_lo) < 0.5 * (above + below))
    R = np.where(flat, 0.5 * (known.R_lo + known.R_hi), R)
    slope_a, slope_s = np.where(flat, 0.0, slope_a), np.where(flat, 0.0, slope_s)
    tangent = np.where(flat, 0.0, tangent)
    above = np.where(flat, known.R_hi - R, above)
    below = np.where(flat, R - known.R_lo, below)
    stray, convex = surface.stray(a_lo), np.all(known.convex & ~flat, axis=1, keepdims=True)
    above, below = above + stray, below + stray
    lightest = np.minimum(known.R_hi + stray, R + tangent + above)
    darkest = np.maximum(np.maximum(known.R_lo - stray, R - tangent - below), 0.0)
    found = []
    for view, (weights, white) in enumerate(space.seen):
        plus, minus = np.maximum(weights, 0.0).T, np.maximum(-weights, 0.0).T
        xyz = R @ weights.T
        steps = space.xyz_slope(slope_a, view, by_s=slope_s) * radius[:, None, :]
        rest_lo, rest_hi = below @ plus + above @ minus, above @ plus + below @ minus
        straight = np.abs(steps).sum(axis=2) + np.maximum(rest_lo, rest_hi)
        lo = np.maximum(darkest @ plus - lightest @ minus, xyz - straight)
        hi = np.minimum(lightest @ plus - darkest @ minus, xyz + straight)
        f, f_slope = cube_root_response(xyz, white)
        steepest = cube_root_response(lo, white)[1]
        t = np.maximum(lo / white, KNEE)
        bend = (2.0 / 9.0) * t ** (-5.0 / 3.0) / (white * white)
        f_lo = -steepest * rest_lo - 0.5 * bend * straight * straight
        few = lightest @ minus <= HELD * np.maximum(darkest @ plus, KNEE * white)
        good = few & convex
        if good.any():
            # Step by step: scattering first, then absorption, along which cube roots are convex.
            both = plus + minus
            by_first = (np.abs(slope_s) * by_s + 2.0 * np.maximum(up_s, down_s)) @ both
            by_second = (np.abs(slope_a) * by_a + mixed) @ both
            astray = PRICE * ((np.abs(slope_a) * by_a + mixed) @ minus)
            lost = steepest * (down_s @ plus + (up_s + rise) @ minus + (mixed + stray) @ both)
            square = by_first * by_first + 2.0 * by_first * by_second + astray * astray
            f_lo = np.where(good, np.maximum(f_lo, -lost - 0.5 * bend * square), f_lo)
        f_hi = f_slope * rest_hi
        corners = lab_range(lo, hi, white, space.shift)
        along = f_slope[:, :, None] * steps
        found.append(enclosed(space, load, f, (f_lo, f_hi), along=along, corners=corners))
    return found
