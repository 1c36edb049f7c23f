"""The mean colour of some regions of a photo.

Glare, dust and shadow are not part of a bar's colour. The mean is taken in linear light over the
pixels that belong together: from the shortest interval of lightness that holds half of them (the
shorth: D. F. Andrews et al., *Robust Estimates of Location*, 1972), which glare on up to half of
the region doesn't move, everything within three standard deviations is gathered.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Final

import numpy as np

from shadematch.colour.colorimetry import SRGB_WHITE, xyz_to_hex, xyz_to_lab
from shadematch.errors import PhotoError
from shadematch.photo.picture import Picture
from shadematch.photo.regions import Region
from shadematch.support.arrays import FloatArray

__all__ = ["Mean", "mean_of"]


_FEWEST: Final = 16
"""Fewer pixels have no mean."""
_TILES: Final = 4  # along each side
_WIDE: Final = 3.0  # standard deviations
_FLOOR: Final = np.array([0.4, 1.0, 1.0])
"""Smallest standard deviations of L*, a*, b*: code steps, and the coarser ones of JPEG colour."""
_SECOND: Final = 0.12
"""Share of a region from which another even colour in it is reported."""
_SMOOTH: Final = np.array([1.2, 1.2, 1.2])
"""Standard deviations of L*, a*, b* up to which such a colour counts as even."""
_REJECTED: Final = ("kept", "glare", "shadow", "dust", "clipped", "see-through", "outside")


@dataclass(frozen=True, eq=False)
class Mean:
    """What a region of a photo looks like, without glare, dust and shadow.

    Attributes
    ----------
    xyz
        Mean of the kept pixels in linear light by the photo's profile; the photo's white has
        Y = 1, D65. Shape (3,).
    pixels
        How many were kept.
    noise
        Covariance of `xyz` from the scatter of sixteen tiles; shape (3, 3).
    steps
        Covariance of `xyz` from code steps; shape (3, 3).
    spread
        Standard deviation of L*, a*, b* between tiles, shape (3,).
    tiles
        x, y [pixels], then X, Y, Z of each tile; shape (t, 5).
    shares
        Share of the region that was kept, and left out as glare, shadow, dust, clipped or
        see-through.
    clipped_channels
        Names of channels that clip in more than a fiftieth of the region.
    second
        Share and Lab (sRGB) of another even colour in the region, such as the other half of a bar
        in two colours; or None.
    drawn
        Whether all pixels have one code, as in no photo.
    empty
        Share of the kept pixels where each channel is at its lower end; shape (channels,).
    marks
        Frame of each region, and codes of its pixels, thinned as read: 0 kept, 1 glare, 2 shadow,
        3 dust, 4 clipped, 5 see-through, 6 outside.
    """

    xyz: FloatArray
    pixels: int
    noise: FloatArray
    steps: FloatArray
    spread: FloatArray
    tiles: FloatArray
    shares: dict[str, float]
    clipped_channels: tuple[str, ...]
    second: tuple[float, FloatArray] | None
    drawn: bool
    empty: FloatArray
    marks: tuple[tuple[tuple[int, int, int, int], FloatArray], ...] = field(repr=False)

    @property
    def middle(self) -> FloatArray:
        """Mean x and y of the tiles [pixels], shape (2,)."""
        return np.asarray(self.tiles[:, :2].mean(axis=0))

    @property
    def uneven(self) -> FloatArray:
        """Covariance of `xyz` from slow unevenness: a quarter of that of tiles; shape (3, 3)."""
        return np.cov(self.tiles[:, 2:].T) / 4.0 if len(self.tiles) > 3 else np.zeros((3, 3))


def mean_of(
    picture: Picture,
    regions: Sequence[Region],
    *,
    field_: str = "region",
    fewest: int = _FEWEST,
) -> Mean:
    """The robust mean of some regions together.

    A `PhotoError` if a region lies outside, or fewer than `fewest` of its pixels can be used.
    """
    matrix = picture.profile.matrix
    codes, linear, steps, places, frames, ends, floors = [], [], [], [], [], [], []
    dark = 0
    for region in regions:
        try:
            frame = region.frame(picture.width, picture.height)
        except PhotoError as found:
            raise found.at(field_) from None
        patch = picture.cut(*frame)
        inside = region.holds(
            patch.x.astype(float), patch.y.astype(float), picture.width, picture.height
        )
        clipped = patch.full.any(axis=2) | patch.empty.all(axis=2)
        mark = np.where(clipped, 4, 0)
        mark[~patch.seen] = 5
        mark[~inside] = 6
        dark += int(np.sum((mark == 4) & ~patch.full.any(axis=2)))
        ends.append(patch.full[inside])
        usable = mark == 0
        linear.append(patch.linear[usable])
        steps.append(patch.step[usable])
        floors.append(patch.empty[usable])
        grid = np.stack(np.meshgrid(patch.x, patch.y), axis=-1)
        places.append(grid[usable])
        codes.append(mark)
        frames.append(frame)
    values = np.concatenate(linear)
    where = np.concatenate(places)
    every = np.concatenate(ends)
    total = len(every)
    names = ("red", "green", "blue") if values.shape[1] == 3 else ("grey",)
    ending = every.mean(axis=0) if total else np.zeros(every.shape[1])
    bad = tuple(n for n, share in zip(names, ending, strict=True) if share > 0.02)
    if len(values) < fewest:
        raise _too_few(picture, regions, field_, codes, dark=dark)
    xyz = values @ matrix.T.astype(np.float32)
    kind = _sort(xyz)
    kept = kind == 0
    if kept.sum() < fewest:
        kept = np.ones_like(kept)
        kind = np.zeros_like(kind)
    ends_at = np.cumsum([np.count_nonzero(mark == 0) for mark in codes])
    for mark, own in zip(codes, np.split(kind, ends_at[:-1]), strict=True):
        mark[mark == 0] = own
    marks = np.concatenate([m.ravel() for m in codes])
    shares = {
        name: float((marks == i).sum()) / max(total, 1) for i, name in enumerate(_REJECTED[:-1])
    }
    good = xyz[kept].astype(float)
    mean = good.mean(axis=0)
    tiles = _tiles(good, where[kept].astype(float))
    noise = np.cov(tiles[:, 2:].T) / len(tiles) if len(tiles) > 3 else np.cov(good.T) / len(good)
    lab = xyz_to_lab(100.0 * tiles[:, 2:], SRGB_WHITE)
    return Mean(
        xyz=mean,
        pixels=int(kept.sum()),
        noise=np.asarray(noise),
        steps=_steps(values[kept].astype(float), np.concatenate(steps)[kept], matrix),
        spread=lab.std(axis=0),
        tiles=tiles,
        shares=shares,
        clipped_channels=bad,
        second=_second(xyz[kind != 0], len(xyz)),
        drawn=len(good) > 1 and not np.ptp(values, axis=0).any(),
        empty=np.concatenate(floors)[kept].mean(axis=0),
        marks=tuple(zip(frames, codes, strict=True)),
    )


def _too_few(
    picture: Picture,
    regions: Sequence[Region],
    field_: str,
    codes: Sequence[FloatArray],
    *,
    dark: int,
) -> PhotoError:
    """The error for regions with too few usable pixels, of which `dark` are clipped at 0."""
    usable, clips, through = (sum(np.count_nonzero(m == i) for m in codes) for i in (0, 4, 5))
    code = _only_code(picture, regions)
    if code not in (None, "#000000", "#ffffff") and field_ == "region" and through <= clips:
        return PhotoError(
            "has the same code in every pixel, like a drawn swatch or a screenshot",
            field=field_,
            value=code,
            remedy=f"If you mean that code, give '{code}' itself as the target",
        )
    # Such as 0.5,0.5,2,2: meant as fractions, but taken for pixels.
    if any(max(r.numbers) > 1 and any(0 < v < 1 for v in r.numbers) for r in regions):
        remedy = "Fractions end at 1; with a larger number all count as pixels"
    elif through > clips:
        remedy = "Save the photo without transparency (an alpha channel), or take an opaque region"
    elif clips:
        light = "more" if dark > clips / 2 else "less"
        remedy = f"Take a larger region, or a photo with {light} light on it"
    else:
        remedy = "Take a larger region, or a larger copy of the photo"
    return PhotoError(
        f"has {usable} usable pixels, which are too few"
        + (f" ({through} are transparent)" if through else "")
        + (f" ({clips} are clipped: too bright or too dark)" if clips else ""),
        field=field_,
        value=", ".join(map(str, regions)),
        remedy=remedy,
    )


def _second(xyz: FloatArray, total: int) -> tuple[float, FloatArray] | None:
    """Another even colour among what was left out."""
    if len(xyz) < max(_FEWEST, _SECOND * total):
        return None
    lab = xyz_to_lab(100.0 * xyz.astype(float), SRGB_WHITE)
    middle = np.median(lab, axis=0)
    alike = np.all(np.abs(lab - middle) <= _WIDE * _SMOOTH, axis=1)
    share = float(alike.sum() / total)
    return (share, lab[alike].mean(axis=0)) if share >= _SECOND else None


def _only_code(picture: Picture, regions: Sequence[Region]) -> str | None:
    """The one sRGB code that some regions have in all pixels, if they do."""
    found = set()
    for region in regions:
        linear = picture.cut(*region.frame(picture.width, picture.height)).linear
        flat = linear.reshape(-1, linear.shape[2])
        if len(flat) < _FEWEST or np.ptp(flat, axis=0).any():
            return None
        xyz = 100.0 * picture.profile.matrix @ flat[0].astype(float)
        found.add(xyz_to_hex(xyz, SRGB_WHITE))
    return found.pop() if len(found) == 1 else None


def _sort(xyz: FloatArray) -> FloatArray:
    """0 for what belongs together, 1 glare, 2 shadow, 3 dust; shape (n,)."""
    lab = xyz_to_lab(100.0 * xyz, SRGB_WHITE)
    order = np.sort(lab[:, 0])
    half = max(1, (len(order) + 1) // 2)
    widths = order[half - 1 :] - order[: len(order) - half + 1]
    # In even regions (8-bit codes) many intervals are equally short: take the middle one.
    shortest = np.flatnonzero(widths <= widths.min() + 1e-6)
    at = int(shortest[len(shortest) // 2])
    core = (lab[:, 0] >= order[at]) & (lab[:, 0] <= order[at + half - 1])
    centre = np.median(lab[core], axis=0)
    # The middle half of a normal distribution is 1.349 standard deviations wide.
    scale = np.array([widths[at] / 1.349, *_mad(lab[core, 1:])])
    scale = np.maximum(scale, _FLOOR)
    kept = core
    for _ in range(6):
        kept = np.all(np.abs(lab - centre) <= _WIDE * scale, axis=1)
        if not kept.any():
            kept = core
        new = np.maximum(lab[kept].std(axis=0), _FLOOR)
        settled = np.allclose(new, scale, rtol=0.02)
        # Regions may be uneven, but gathering must not creep outwards without end.
        centre, scale = lab[kept].mean(axis=0), np.minimum(new, 1.5 * scale)
        if settled:
            break
    kind = np.where(kept, 0, 3)
    off = (lab - centre) / scale
    kind[~kept & (off[:, 0] > _WIDE)] = 1
    kind[~kept & (off[:, 0] < -_WIDE)] = 2
    return kind


def _mad(values: FloatArray) -> FloatArray:
    return np.asarray(1.4826 * np.median(np.abs(values - np.median(values, axis=0)), axis=0))


def _tiles(xyz: FloatArray, where: FloatArray) -> FloatArray:
    low, high = where.min(axis=0), where.max(axis=0)
    cell = ((where - low) / np.maximum(high - low, 1e-9) * (_TILES - 1e-6)).astype(int)
    number = np.clip(cell, 0, _TILES - 1) @ np.array([1, _TILES])
    fewest = max(2.0, 0.2 * len(xyz) / _TILES**2)
    rows = []
    for i in range(_TILES * _TILES):
        own = number == i
        if own.sum() >= fewest:
            rows.append([*where[own].mean(axis=0), *xyz[own].mean(axis=0)])
    if not rows:
        rows = [[*where.mean(axis=0), *xyz.mean(axis=0)]]
    return np.array(rows)


def _steps(values: FloatArray, step: FloatArray, matrix: FloatArray) -> FloatArray:
    """Covariance of the mean from rounding to codes.

    Noise of s steps spreads a value over neighbouring codes, so that the mean errs by at most
    exp(-2 pi^2 s^2) / pi steps (B. Widrow, I. Kollar, *Quantization Noise*, 2008, chapter on
    dither); without noise by up to half a step.
    """
    size = np.maximum(step.mean(axis=0).astype(float), 1e-12)
    noise = values.std(axis=0) / size
    bias = np.exp(-2 * np.pi**2 * noise**2) / (np.pi * np.sqrt(2.0))
    error = size * np.hypot(bias, 0.29 / np.sqrt(len(values)))
    return np.asarray(matrix @ np.diag(error**2) @ matrix.T)
