"""What surfaces of known colour tell of camera and light, and so of any other colour in the photo.

A paper, a card, two dozen patches of a chart or a bar of one's own: all are surfaces whose colour
is known, more or less. One model explains what the photo shows of them, and says what another
surface must be, and how surely. Channel values r, 0 to 1 in linear light as the file means them,
become the surface's by

    s = r^p / (1 - r)^q,                               the camera's tone curve undone,
    XYZ = M (I + D) diag(exp(g)) s exp(-light(place)),

with the matrix M of the file's primaries. p and q undo the toe and the shoulder that pictures are
given to please (1 and 0 for a camera that doesn't); g is exposure and white balance, D (rows that
sum to 0, so that white stays white) the camera's mixing of channels and its rendering, vivid ones
above all; the light falls off along a plane and towards the corners, and its colour may change
across the photo where two lights meet. What remains is a Gaussian process in Lab: nearly alike
for surfaces of nearly the same colour, and for light also nearly alike in places close together,
as cameras tone parts of a photo differently. All have normal priors; the posterior is Laplace's
approximation about the most probable parameters, with the spread of what remains in it.

So one paper corrects exposure and cast, and leaves the tone curve as it mostly is, with the
lightness of everything unlike paper known accordingly less well; a grey beside it narrows the
curve; a chart fixes it and shows what remains. A bar of one's own counts where the colour is like
it.

References
----------
C. E. Rasmussen, C. K. I. Williams, *Gaussian Processes for Machine Learning*, 2006, 2.7 (a process
about a parametric mean) and 3.4 (Laplace's approximation). M. C. Kennedy, A. O'Hagan, *Bayesian
calibration of computer models*, J. R. Stat. Soc. B 63 (2001) 425-464: what a model misses as a
process of its own.
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

__all__ = ["BELIEF", "Inferred", "Known", "Terms", "frame_of", "infer", "lab_by_xyz", "straighten"]

_DARKEST: Final = 1e-3
"""Below it the tone curve goes on in proportion, so that black stays black."""
_BRIGHTEST: Final = 0.985
_STEPS: Final = 14
_SETTLED: Final = 3
"""Steps after which the size of what remains is judged."""
_PLANE: Final = slice(2, 5)
_GAINS: Final = slice(5, 8)
_MIX: Final = slice(8, 14)
_TILT: Final = slice(14, 18)
_COUNT: Final = 18
_PULL: Final = 12.0
"""How many residuals the usual size of what remains counts for, against those seen."""


@dataclass(frozen=True)
class Terms:
    """What is believed of photos before one is seen; standard deviations but for the means.

    Rounded numbers, chosen by hand so that what is stated holds in simulated photos of many kinds
    (``python -m tests.bench.photo_terms``) and in eight real ones, of one phone; none belongs to a
    camera or a light.

    Attributes
    ----------
    curve, curve_sd, curve_tie
        Means and standard deviations of p and q, and their correlation.
    exposure, exposure_sd, balance_sd
        Mean and standard deviation of the log of the gain common to all channels; of the
        channels' own.
    mix_sd
        Standard deviation of the mixing of channels.
    tilt_sd
        Of how the colour of the light changes across the photo: log of red and of blue against
        green, per diagonal.
    tone_sd, tone_reach
        Of light that one part of the photo gets and another does not, as a share; and how far
        such a part reaches, in diagonals.
    lab_sd, chroma_sd
        What remains in L*, and in a* and b*; and along lightness, chroma and hue per unit of
        chroma: alike for like colours.
    lab_reach
        How far "like" reaches, in Lab.
    own_sd, own_share
        The same that a surface has to itself: along lightness, chroma and hue, as a constant
        and a share of chroma. A camera takes for alike what an eye doesn't.
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


class Known(NamedTuple):
    """A surface whose colour is known.

    Attributes
    ----------
    linear
        What the photo shows: channel values 0 to 1 in linear light, the known fall of the light
        taken off; shape (3,).
    place
        Where, in diagonals of the photo from its middle; shape (2,).
    lab
        What it is, under D65; shape (3,).
    covariance
        How well that is known, with the noise of the photo in it; shape (3, 3).
    steep
        Part of what a surface has to itself by its chroma (`Terms.own_share`); below 1 where
        its bands are known to be broad, as those of a chart are.
    """

    linear: FloatArray
    place: FloatArray
    lab: FloatArray
    covariance: FloatArray
    steep: float = 1.0


def lab_by_xyz(xyz: FloatArray, white: FloatArray) -> FloatArray:
    """How Lab changes with XYZ: shape (..., 3, 3)."""
    slopes = cube_root_response(xyz, white)[1]
    return np.asarray(LAB_FROM_RESPONSE * slopes[..., None, :])


def straighten(linear: FloatArray, curve: FloatArray) -> FloatArray:
    """Channel values with the tone curve undone; any shape."""
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
    """What the known surfaces told.

    Attributes
    ----------
    mean, spread
        Of the parameters p, q, the plane of the light (3), g (3), D (6), the tilt of its colour.
    size
        How large what remains is, against the usual.
    residuals
        Lab that the photo gives each known surface by the others alone, less its own; (k, 3).
    strange
        How far off each is by that, in standard deviations, root mean square; shape (k,).
    evidence
        Log of the probability density of what was seen.
    """

    mean: FloatArray
    spread: FloatArray
    size: float
    residuals: FloatArray
    strange: FloatArray
    evidence: float
    _blocks: FloatArray
    _matrix: FloatArray
    _terms: Terms
    _known: _Table
    _weights: FloatArray  # what takes residuals of the known ones to those of another
    _inverse: FloatArray
    _slopes: FloatArray  # of the known ones by the parameters

    @property
    def slope(self) -> tuple[float, float]:
        """How much the log of the light changes over a diagonal, and how surely (one sd)."""
        along = self.mean[_PLANE][:2]
        size = float(np.hypot(*along))
        way = along / max(size, 1e-9)
        return size, float(np.sqrt(way @ self.spread[_PLANE, _PLANE][:2, :2] @ way))

    def lab(self, linear: FloatArray, place: FloatArray) -> FloatArray:
        """Most probable Lab of channel values at a place; shapes (3,), (2,)."""
        start = _lab_of(self.mean, linear[None], place[None], self._matrix)[0]
        return np.asarray(start - self._tie(start, place)[0] @ self._weights)

    def _tie(
        self, lab: FloatArray, place: FloatArray, steep: float = 1.0
    ) -> tuple[FloatArray, FloatArray]:
        """Covariance of what remains there with the known ones', (3, 3k), and there, (3, 3)."""
        own = _Table(lab[None], place[None])
        between = _shared(self._terms, own, self._known).reshape(3, -1)
        here = _shared(self._terms, own, own).reshape(3, 3)
        here = here + _own(self._terms, lab[None], np.full(1, steep))[0]
        return self.size**2 * between, self.size**2 * here

    def covariance(
        self, linear: FloatArray, place: FloatArray, steep: float = 1.0
    ) -> tuple[FloatArray, FloatArray]:
        """Of Lab there: by the parameters, and by what remains; each (3, 3).

        `steep` is as in `Known`.
        """
        lab = self.lab(linear, place)
        between, here = self._tie(lab, place, steep)
        slopes = _slopes(self.mean, linear[None], place[None], self._matrix)[0]
        by = slopes - between @ self._inverse @ self._slopes
        rest = here - between @ self._inverse @ between.T
        return by @ self.spread @ by.T, np.asarray((rest + rest.T) / 2.0)

    def light_variance(self, place: FloatArray) -> float:
        """Of the log of the light at a place, against the known surfaces' mean."""
        away = regressors(place[None])[0] - regressors(self._known.place).mean(axis=0)
        plane = float(away @ self.spread[_PLANE, _PLANE] @ away)
        return plane + self._terms.tone_sd**2

    def straight(self, linear: FloatArray, place: FloatArray) -> FloatArray:
        """Channel values with tone curve and light taken off; shape (3,)."""
        light = _log_light(self.mean, place[None])[0]
        return np.asarray(straighten(linear, self.mean[:2]) * np.exp(-light))


class _Table(NamedTuple):
    lab: FloatArray  # (k, 3)
    place: FloatArray  # (k, 2)


def _mixing(values: FloatArray) -> FloatArray:
    """I + D, by six numbers off the diagonal."""
    matrix = np.eye(3)
    matrix[~np.eye(3, dtype=bool)] += values[_MIX]
    matrix[np.diag_indices(3)] += 1.0 - matrix.sum(axis=1)
    return matrix


def _log_light(values: FloatArray, place: FloatArray) -> FloatArray:
    """Log of the light in each channel at some places; shape (k, 3)."""
    own = place @ values[_TILT].reshape(2, 2)
    common = regressors(place) @ values[_PLANE]
    return np.asarray(common[:, None] + np.stack([own[:, 0], 0.0 * common, own[:, 1]], axis=-1))


def _xyz_of(
    values: FloatArray, linear: FloatArray, place: FloatArray, matrix: FloatArray
) -> FloatArray:
    light = _log_light(values, place)
    straight = straighten(linear, values[:2]) * np.exp(values[_GAINS] - light)
    return np.asarray(100.0 * straight @ (matrix @ _mixing(values)).T)


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
    """Covariance of what remains between surfaces; shape (j, 3, k, 3)."""
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
    """How Lab changes with the log of the light: all but the offset of L* is in proportion."""
    return np.asarray((lab + np.array([16.0, 0.0, 0.0])) / 3.0)


def _own(belief: Terms, lab: FloatArray, steep: FloatArray) -> FloatArray:
    """Covariance of what a surface has to itself; shape (k, 3, 3)."""
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
    known: Sequence[Known],
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
        Mean and covariance of the slope of the log of the light along x, along y [per
        diagonal] and at the corners, before the surfaces are seen; shapes (3,), (3, 3).
    belief
        What is believed of photos before.
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
        # What the surfaces would look off by, were all as believed beforehand.
        off = (_lab_of(values, linear, place, matrix) - lab).ravel() - slopes @ (values - mean)
        if step == _SETTLED:
            size = _size(off, size**2 * rest + apart + slopes @ spread @ slopes.T)
            # There may be two lights: how much their colour changes is learnt from the surfaces.
            found = float(np.mean(np.square(values[_TILT])))
            spread[_TILT, _TILT] = (size**2 * belief.tilt_sd**2 + found) * np.eye(4)
            prior = np.linalg.inv(spread)
        inverse = np.asarray(np.linalg.inv(size**2 * rest + apart), dtype=float)
        posterior = np.linalg.inv(slopes.T @ inverse @ slopes + prior)
        move = mean - posterior @ (slopes.T @ (inverse @ off)) - values
        values = values + np.clip(move, -0.5, 0.5)
        if step > _SETTLED and np.abs(move).max() < 1e-5:
            break
    whole = size**2 * rest + apart + slopes @ spread @ slopes.T
    back = np.linalg.inv(whole)
    blocks = np.linalg.inv(back.reshape(k, 3, k, 3)[each, :, each, :])
    residuals = np.einsum("kab,kb->ka", blocks, (back @ off).reshape(k, 3))
    strange = np.einsum("ka,kab,kb->k", residuals, np.linalg.inv(blocks), residuals)
    return Inferred(
        mean=values,
        spread=posterior,
        size=size,
        residuals=residuals,
        strange=np.sqrt(strange / 3.0),
        evidence=-0.5 * float(off @ back @ off + np.linalg.slogdet(whole)[1]),
        _blocks=blocks,
        _matrix=matrix,
        _terms=belief,
        _known=table,
        _weights=inverse @ (_lab_of(values, linear, place, matrix) - lab).ravel(),
        _inverse=inverse,
        _slopes=slopes,
    )


def _size(off: FloatArray, covariance: FloatArray) -> float:
    """How large what remains is against the usual, which counts for a dozen residuals."""
    square = float(off @ np.linalg.solve(covariance, off))
    return float(np.sqrt((_PULL + square) / (_PULL + len(off))))
