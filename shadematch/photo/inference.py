"""What surfaces of known colour tell of camera and light, and so of other colours in the photo.

Paper, a card, the patches of a chart and finished bars are all surfaces whose colour is known, more
or less. One model explains what the photo shows of them, and predicts what another surface is, and
how surely. Channel values r, 0 to 1 in linear light as the file means them, become

    s = r^p / (1 - r)^q,                               the camera's tone curve undone,  (a)
    XYZ = M (I + D) diag(exp(g)) s exp(-light(place)),                                  (b)

with the matrix M of the file's primaries. p and q undo the toe and the shoulder that please the eye
(1 and 0 for a camera without); g is exposure and white balance; D (its rows sum to 0, so white
stays white) is the camera's mixing of channels and its rendering, of vivid colours above all; the
light falls off along a plane and towards the corners, and its colour may change across the photo
where two lights meet. The rest is a Gaussian process in Lab: alike for surfaces of like colour, and
for the light also in places close together, as cameras tone parts of a photo differently. All
priors are normal; the posterior is Laplace's approximation about the most probable parameters, with
the process in it.

So one paper corrects exposure and cast and leaves the tone curve near its prior; the lightness of
anything unlike paper is then known less well. A grey beside it narrows the curve; a chart fixes it
and shows the rest. A finished bar counts for colours like its own.

References
----------
C. E. Rasmussen, C. K. I. Williams, *Gaussian Processes for Machine Learning*, 2006, 2.7 (a process
about a parametric mean), 3.4 (Laplace's approximation) and 5.4.2 (leaving one out); numbers in
brackets are those of its equations, from memory. M. C. Kennedy, A. O'Hagan, *Bayesian calibration
of computer models*, J. R. Stat. Soc. B 63 (2001) 425-464: the model's error as a process of its
own.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, NamedTuple

import numpy as np

from shadematch.colour.colorimetry import LAB_FROM_RESPONSE, cube_root_response, xyz_to_lab
from shadematch.colour.standards import observation
from shadematch.photo.light import regressors
from shadematch.support.arrays import FloatArray

__all__ = [
    "BELIEF",
    "Inferred",
    "KnownSurface",
    "Terms",
    "frame_of",
    "infer",
    "lab_by_xyz",
    "straighten",
]

_DARKEST: Final = 1e-3
"""Below it the tone curve is linear, so that black stays black."""
_BRIGHTEST: Final = 0.985
_STEPS: Final = 14
_SETTLED: Final = 3
"""Steps after which the size of the process is estimated."""
_PLANE: Final = slice(2, 5)
_GAINS: Final = slice(5, 8)
_MIX: Final = slice(8, 14)
_TILT: Final = slice(14, 18)
_COUNT: Final = 18
_PULL: Final = 12.0
"""Residuals that the prior size of the process counts for."""


@dataclass(frozen=True)
class Terms:
    """What is assumed of photos: standard deviations, except for the means.

    Rounded numbers, chosen by hand so that stated uncertainties hold in simulated photos of many
    kinds (``python -m tests.bench.photo_terms``) and in eight real ones from one phone; none
    belongs to a camera or a light.

    Attributes
    ----------
    curve, curve_sd, curve_tie
        Means and standard deviations of p and q, and their correlation.
    exposure, exposure_sd, balance_sd
        Mean and standard deviation of the log of the gain common to all channels; that of each
        channel's own.
    mix_sd
        Of the mixing of channels.
    tilt_sd
        Of the change in the light's colour across the photo: log of red and of blue over green,
        per diagonal.
    tone_sd, tone_reach
        Of extra light on a part of the photo, as a share; and how far such a part reaches, in
        diagonals.
    lab_sd, chroma_sd
        Of the process in L*, and in a* and b*; and along lightness, chroma and hue per unit of
        chroma: alike for like colours.
    lab_reach
        How far "like" reaches, in Lab.
    own_sd, own_share
        Of what each surface has to itself, along lightness, chroma and hue, as a constant and a
        share of chroma: surfaces alike to a camera may differ to an eye.
    paper, paper_sd
        Lab of white printing paper as photos show it, under D65.
    """

    curve: tuple[float, float] = (0.9, 0.1)
    curve_sd: tuple[float, float] = (0.11, 0.22)
    curve_tie: float = -0.3
    exposure: float = -0.07
    exposure_sd: float = 0.22
    balance_sd: float = 0.12
    mix_sd: float = 0.05
    tilt_sd: float = 0.08
    tone_sd: float = 0.02
    tone_reach: float = 0.15
    lab_sd: tuple[float, float] = (2.3, 1.5)
    chroma_sd: tuple[float, float, float] = (0.04, 0.085, 0.05)
    lab_reach: float = 28.0
    own_sd: tuple[float, float, float] = (1.5, 0.7, 0.7)
    own_share: tuple[float, float, float] = (0.025, 0.12, 0.11)
    paper: tuple[float, float, float] = (92.3, 0.0, -4.0)
    paper_sd: tuple[float, float, float] = (4.5, 1.2, 4.0)


BELIEF: Final = Terms()


class KnownSurface(NamedTuple):
    """A surface of known colour.

    Attributes
    ----------
    linear
        What the photo shows: channel values 0 to 1 in linear light, without the known fall of the
        light; shape (3,).
    place
        In diagonals of the photo from its middle; shape (2,).
    lab
        Its colour under D65; shape (3,).
    covariance
        Of `lab`, including the photo's noise; shape (3, 3).
    steep
        Factor of `Terms.own_share`; below 1 if its bands are known to be broad, as a chart's are.
    """

    linear: FloatArray
    place: FloatArray
    lab: FloatArray
    covariance: FloatArray
    steep: float = 1.0


def lab_by_xyz(xyz: FloatArray, white: FloatArray) -> FloatArray:
    """How Lab changes with XYZ, shape (..., 3, 3)."""
    slopes = cube_root_response(xyz, white)[1]
    return np.asarray(LAB_FROM_RESPONSE * slopes[..., None, :])


def straighten(linear: FloatArray, curve: FloatArray) -> FloatArray:
    """Channel values with the tone curve undone (a); any shape."""
    held = np.clip(linear, _DARKEST, _BRIGHTEST)
    low = np.minimum(linear / _DARKEST, 1.0)
    return np.asarray(low * np.exp(curve[0] * np.log(held) - curve[1] * np.log1p(-held)))


def frame_of(lab: FloatArray) -> FloatArray:
    """Directions of lightness, chroma and hue at a colour, as rows; shape (..., 3, 3)."""
    hue = np.arctan2(lab[..., 2], lab[..., 1])
    zero, one = np.zeros_like(hue), np.ones_like(hue)
    return np.stack(
        [
            np.stack([one, zero, zero], axis=-1),
            np.stack([zero, np.cos(hue), np.sin(hue)], axis=-1),
            np.stack([zero, -np.sin(hue), np.cos(hue)], axis=-1),
        ],
        axis=-2,
    )


@dataclass(frozen=True, eq=False)
class Inferred:
    """What the k known surfaces tell.

    Attributes
    ----------
    mean, spread
        Mean and covariance of the parameters: p, q, the plane of the light (3), g (3), D (6), the
        tilt of its colour (4).
    size
        Size of the process against its prior.
    residuals
        Lab predicted for each known surface from the others, less its own; (k, 3).
    strange
        The same in standard deviations, root mean square; shape (k,).
    evidence
        Log of the probability density of what was seen.
    """

    mean: FloatArray
    spread: FloatArray
    size: float
    residuals: FloatArray
    strange: FloatArray
    evidence: float
    _matrix: FloatArray
    _terms: Terms
    _known: _Table
    _weights: FloatArray  # from covariances with the known surfaces to the process
    _inverse: FloatArray
    _slopes: FloatArray  # of the known ones by the parameters

    @property
    def slope(self) -> tuple[float, float]:
        """How much the log of the light changes over a diagonal, and its standard deviation."""
        along = self.mean[_PLANE][:2]
        size = float(np.hypot(*along))
        way = along / max(size, 1e-9)
        return size, float(np.sqrt(way @ self.spread[_PLANE, _PLANE][:2, :2] @ way))

    def lab(self, linear: FloatArray, place: FloatArray) -> FloatArray:
        """Most probable Lab of channel values at a place; shapes (3,), (2,)."""
        start = _lab_of(self.mean, linear[None], place[None], self._matrix)[0]
        return np.asarray(start - self._tie(start, place)[0] @ self._weights)  # (2.38)

    def _tie(
        self, lab: FloatArray, place: FloatArray, steep: float = 1.0
    ) -> tuple[FloatArray, FloatArray]:
        """Covariance of the process there with that of known surfaces, (3, 3k); and its own."""
        own = _Table(lab[None], place[None])
        between = _shared(self._terms, own, self._known).reshape(3, -1)
        here = _shared(self._terms, own, own).reshape(3, 3)
        here = here + _own(self._terms, lab[None], np.full(1, steep))[0]
        return self.size**2 * between, self.size**2 * here

    def covariance(
        self, linear: FloatArray, place: FloatArray, steep: float = 1.0
    ) -> tuple[FloatArray, FloatArray]:
        """Covariance of Lab there: from the parameters, and from the process; each (3, 3).

        `steep` is as in `KnownSurface`.
        """
        lab = self.lab(linear, place)
        between, here = self._tie(lab, place, steep)
        slopes = _slopes(self.mean, linear[None], place[None], self._matrix)[0]
        by = slopes - between @ self._inverse @ self._slopes  # R of (2.41)
        rest = here - between @ self._inverse @ between.T  # (2.24)
        return by @ self.spread @ by.T, np.asarray((rest + rest.T) / 2.0)  # (2.41)

    def light_variance(self, place: FloatArray) -> float:
        """Variance of the log of the light at a place, against the known surfaces' mean."""
        away = regressors(place[None])[0] - regressors(self._known.place).mean(axis=0)
        plane = float(away @ self.spread[_PLANE, _PLANE] @ away)
        return plane + self._terms.tone_sd**2

    def straight(self, linear: FloatArray, place: FloatArray) -> FloatArray:
        """Channel values without tone curve and light; shape (3,)."""
        light = _log_light(self.mean, place[None])[0]
        return np.asarray(straighten(linear, self.mean[:2]) * np.exp(-light))


class _Table(NamedTuple):
    lab: FloatArray  # (k, 3)
    place: FloatArray  # (k, 2)


def _mixing(values: FloatArray) -> FloatArray:
    """I + D, from its six numbers off the diagonal."""
    matrix = np.eye(3)
    matrix[~np.eye(3, dtype=bool)] += values[_MIX]
    matrix[np.diag_indices(3)] += 1.0 - matrix.sum(axis=1)
    return matrix


def _log_light(values: FloatArray, place: FloatArray) -> FloatArray:
    """Log of the light in each channel at k places; shape (k, 3)."""
    own = place @ values[_TILT].reshape(2, 2)
    common = regressors(place) @ values[_PLANE]
    return np.asarray(common[:, None] + np.stack([own[:, 0], 0.0 * common, own[:, 1]], axis=-1))


def _xyz_of(
    values: FloatArray, linear: FloatArray, place: FloatArray, matrix: FloatArray
) -> FloatArray:
    light = _log_light(values, place)
    straight = straighten(linear, values[:2]) * np.exp(values[_GAINS] - light)
    return np.asarray(100.0 * straight @ (matrix @ _mixing(values)).T)  # (b)


def _lab_of(
    values: FloatArray, linear: FloatArray, place: FloatArray, matrix: FloatArray
) -> FloatArray:
    xyz = _xyz_of(values, linear, place, matrix)
    return xyz_to_lab(np.maximum(xyz, 1e-3), observation("D65").white)


def _slopes(
    values: FloatArray, linear: FloatArray, place: FloatArray, matrix: FloatArray
) -> FloatArray:
    """How Lab changes with the parameters; shape (k, 3, 18)."""
    held = np.clip(linear, _DARKEST, _BRIGHTEST)
    light = _log_light(values, place)
    shown = straighten(linear, values[:2]) * np.exp(values[_GAINS] - light)
    each = np.zeros((len(linear), 3, _COUNT))  # of the channels' values
    each[..., 0] = shown * np.log(held)
    each[..., 1] = -shown * np.log1p(-held)
    each[..., _PLANE] = -shown[..., None] * regressors(place)[:, None]
    each[..., _GAINS] = shown[..., None] * np.eye(3)
    each[:, 0, _TILT][:, ::2] = -shown[:, :1] * place
    each[:, 2, _TILT][:, 1::2] = -shown[:, 2:] * place
    whole = matrix @ _mixing(values)
    slopes = np.einsum("xc,kcp->kxp", whole, each)
    pairs = np.argwhere(~np.eye(3, dtype=bool))
    for p, (i, j) in enumerate(pairs, start=_MIX.start):
        slopes[..., p] = (shown[:, j] - shown[:, i])[:, None] * matrix[:, i]
    xyz = 100.0 * shown @ whole.T
    by = lab_by_xyz(np.maximum(xyz, 1e-3), observation("D65").white) * (xyz > 1e-3)[:, None]
    return np.asarray(100.0 * by @ slopes)


def _shared(belief: Terms, one: _Table, other: _Table) -> FloatArray:
    """Covariance of the process between surfaces; shape (j, 3, k, 3)."""
    gap = one.lab[:, None] - other.lab[None]
    like = np.exp(-0.5 * (gap**2).sum(axis=-1) / belief.lab_reach**2)
    plain = np.diag(np.square([belief.lab_sd[0], belief.lab_sd[1], belief.lab_sd[1]]))
    total = np.einsum("jk,ab->jakb", like, plain)
    frames = [
        frame_of(t.lab) * np.hypot(t.lab[:, 1], t.lab[:, 2])[:, None, None] for t in (one, other)
    ]
    total += np.einsum(
        "jk,jda,d,kdb->jakb", like, frames[0], np.square(belief.chroma_sd), frames[1]
    )
    far = ((one.place[:, None] - other.place[None]) ** 2).sum(axis=-1)
    near = np.exp(-0.5 * far / belief.tone_reach**2) * belief.tone_sd**2
    along = [_by_light(t.lab) for t in (one, other)]
    return np.asarray(total + np.einsum("jk,ja,kb->jakb", near, *along))


def _by_light(lab: FloatArray) -> FloatArray:
    """How Lab changes with the log of the light: in proportion, but for the offset of L*."""
    return np.asarray((lab + np.array([16.0, 0.0, 0.0])) / 3.0)


def _own(belief: Terms, lab: FloatArray, steep: FloatArray) -> FloatArray:
    """Covariance of what surfaces have to themselves; shape (k, 3, 3)."""
    turn = frame_of(lab)
    chroma = (steep * np.hypot(lab[:, 1], lab[:, 2]))[:, None]
    sd = np.hypot(belief.own_sd, chroma * np.array(belief.own_share))
    return np.asarray(np.einsum("kda,kd,kdb->kab", turn, sd**2, turn))


def _prior(belief: Terms, plane: tuple[FloatArray, FloatArray]) -> tuple[FloatArray, FloatArray]:
    mean, spread = np.zeros(_COUNT), np.zeros((_COUNT, _COUNT))
    mean[:2] = belief.curve
    sd = np.array(belief.curve_sd)
    tie = np.array([[1.0, belief.curve_tie], [belief.curve_tie, 1.0]])
    spread[:2, :2] = tie * np.outer(sd, sd)
    mean[_PLANE], spread[_PLANE, _PLANE] = plane
    mean[_GAINS] = belief.exposure
    spread[_GAINS, _GAINS] = belief.exposure_sd**2 + belief.balance_sd**2 * np.eye(3)
    spread[_MIX, _MIX] = belief.mix_sd**2 * np.eye(6)
    spread[_TILT, _TILT] = belief.tilt_sd**2 * np.eye(4)
    return mean, spread


def infer(
    known: Sequence[KnownSurface],
    matrix: FloatArray,
    plane: tuple[FloatArray, FloatArray],
    belief: Terms = BELIEF,
) -> Inferred:
    """What some known surfaces tell, or none.

    Parameters
    ----------
    known
        The surfaces.
    matrix
        From channel values to XYZ, white at Y = 1; shape (3, 3).
    plane
        Prior mean (3,) and covariance (3, 3) of the slope of the log of the light along x and y
        [per diagonal] and at the corners.
    belief
        What is assumed of photos.
    """
    mean, spread = _prior(belief, plane)
    k = len(known)
    lab = np.array([s.lab for s in known]).reshape(k, 3)
    place = np.array([s.place for s in known]).reshape(k, 2)
    linear = np.array([s.linear for s in known]).reshape(k, 3)
    table = _Table(lab, place)
    rest = _shared(belief, table, table)
    each = np.arange(k)
    noise: FloatArray = np.zeros((k, 3, k, 3))
    noise[each, :, each, :] = np.array([s.covariance for s in known]).reshape(k, 3, 3)
    noise[each, :, each, :] += 1e-6 * np.eye(3)
    rest[each, :, each, :] += _own(belief, lab, np.array([s.steep for s in known]))
    rest = rest.reshape(3 * k, 3 * k)
    apart = noise.reshape(3 * k, 3 * k)
    prior = np.linalg.inv(spread)
    values, size = mean, 1.0
    for step in range(_STEPS):
        slopes = _slopes(values, linear, place, matrix).reshape(3 * k, _COUNT)
        # What the surfaces would look off by with all parameters at their prior means.
        off = (_lab_of(values, linear, place, matrix) - lab).ravel() - slopes @ (values - mean)
        if step == _SETTLED:
            size = _size(off, size**2 * rest + apart + slopes @ spread @ slopes.T)
            # There may be two lights: how much their colour changes is learnt from the surfaces.
            found = float(np.mean(np.square(values[_TILT])))
            spread[_TILT, _TILT] = (size**2 * belief.tilt_sd**2 + found) * np.eye(4)
            prior = np.linalg.inv(spread)
        inverse = np.asarray(np.linalg.inv(size**2 * rest + apart), dtype=float)
        posterior = np.linalg.inv(slopes.T @ inverse @ slopes + prior)  # (2.41), linearised
        move = mean - posterior @ (slopes.T @ (inverse @ off)) - values
        values = values + np.clip(move, -0.5, 0.5)
        if step > _SETTLED and np.abs(move).max() < 1e-5:
            break
    whole = size**2 * rest + apart + slopes @ spread @ slopes.T
    back = np.linalg.inv(whole)
    blocks = np.linalg.inv(back.reshape(k, 3, k, 3)[each, :, each, :])  # (5.12)
    residuals = np.einsum("kab,kb->ka", blocks, (back @ off).reshape(k, 3))  # (5.12)
    strange = np.einsum("ka,kab,kb->k", residuals, np.linalg.inv(blocks), residuals)
    return Inferred(
        mean=values,
        spread=posterior,
        size=size,
        residuals=residuals,
        strange=np.sqrt(strange / 3.0),
        evidence=-0.5 * float(off @ back @ off + np.linalg.slogdet(whole)[1]),  # (2.43)
        _matrix=matrix,
        _terms=belief,
        _known=table,
        _weights=inverse @ (_lab_of(values, linear, place, matrix) - lab).ravel(),
        _inverse=inverse,
        _slopes=slopes,
    )


def _size(off: FloatArray, covariance: FloatArray) -> float:
    """Size of the process against its prior, which counts for `_PULL` residuals."""
    square = float(off @ np.linalg.solve(covariance, off))
    return float(np.sqrt((_PULL + square) / (_PULL + len(off))))
