"""From a photo to a target with its uncertainty."""

from __future__ import annotations

import itertools
import os
from collections.abc import Mapping, Sequence
from typing import Any, Final

import numpy as np

from shadematch.colour.colorimetry import SRGB_WHITE, adapt, lab_to_xyz, xyz_to_hex, xyz_to_lab
from shadematch.colour.standards import observation
from shadematch.errors import PhotoError
from shadematch.photo.chart import Chart, as_chart
from shadematch.photo.drawing import scene_of
from shadematch.photo.files import open_photo
from shadematch.photo.finding import chart_in
from shadematch.photo.inference import Inferred
from shadematch.photo.light import Shading, as_neutrals
from shadematch.photo.mean import Mean, mean_of
from shadematch.photo.pastes import shift_of
from shadematch.photo.picture import Picture
from shadematch.photo.regions import Region, as_regions, overlap
from shadematch.photo.response import Response, response_of, slopes_of
from shadematch.photo.surfaces import BELOW, STEEP, ChartRead, Surfaces
from shadematch.photo.target import CorrectedBy, Part, PhotoTarget
from shadematch.studio.covariance import symmetric
from shadematch.studio.palette import Palette
from shadematch.studio.target import Target
from shadematch.support.arrays import FloatArray, triple

__all__ = ["read_photo"]

_FEW: Final = 200
_UNEVEN: Final = 2.5  # standard deviation of L*, a* or b* between tiles
_REJECTED: Final = 0.3
_SHEEN: Final = 0.03  # of the colour's own size
_STRONG: Final = 0.2  # slope of log light over the photo's diagonal
_TWO_LIGHTS: Final = 3.0  # a*, b* between a chart's greys
_ILL: Final = 1.6  # times as much as usual that remains beside a chart
_EMPTY: Final = 0.02
_BEYOND: Final = 2.5
"""Standard deviations of L* above 100 from which something must be wrong."""


def read_photo(
    path: str | os.PathLike[str],
    *,
    region: object,
    neutral: object = None,
    chart: object = None,
    reference: Mapping[Any, Any] | None = None,
    shading: str | os.PathLike[str] | None = None,
    palette: Palette | None = None,
) -> PhotoTarget:
    """A colour in a photo, and how well it is known.

    The colour is that of the surface under D65 for the 2 degree observer. Glare, dust and shadow
    in the region are left out; the rest is averaged in linear light.

    Parameters
    ----------
    path
        JPEG, PNG, TIFF, WebP or HEIC, 8 or 16 bits, up to 120 million pixels. The embedded
        profile and orientation are applied.
    region
        Where the colour is: left, top, right, bottom in pixels or fractions of the upright photo;
        a `Region`; a text as `Region.parse` reads it; or a list of these.
    neutral
        Where white paper or a grey card is, in the same forms; a `Neutral`, which states its
        reflectance (else it is white printing paper); or several, such as a white and a grey card,
        which show more of the camera's tone curve. Corrects exposure and the light's colour.
    chart
        The four corner patches of a 24-patch chart, a `Chart`, or ``"find"`` to look for it.
        Corrects the camera too.
    reference
        Other surfaces of known colour, by region: Lab under D65, a `Target`, a hex code, or a
        result of `predict` or `read`, such as finished, measured bars. Those most like the wanted
        colour help most. Neutral and chart may be given too.
    shading
        Another photo from the same stand, all of plain paper: shows how the light falls.
    palette
        The pastes of the bar in the region, if it holds these and no others. With a chart, the
        camera's error with such bars, whose bands may be steep, is then corrected.

    Returns
    -------
    PhotoTarget
        Holds a `Target` with its covariance, which is wide if nothing in the photo has a known
        colour.

    Raises
    ------
    PhotoError
        If the file is not a sound photo of these kinds, a region lies outside or can't be used,
        or the neutral, chart or reference makes no sense.
    MissingExtraError
        If a library that reads it (extra ``photos``) or finds a chart (extra ``chart``) is missing.
    """
    picture = open_photo(path)
    regions = as_regions(region)
    neutrals = () if neutral is None else as_neutrals(neutral)
    paper = None if shading is None else _shading(shading)
    seen = mean_of(picture, regions)
    minds = _mind_region(picture, seen)
    surfaces = Surfaces(picture, paper)
    for one in neutrals:
        surfaces.add_neutral(one)
        _apart(picture, regions, one.regions)
    if reference is not None and not isinstance(reference, Mapping):
        raise PhotoError(
            "must give the colour of each region",
            field="reference",
            value=reference,
            remedy="Give {region: colour}",
        )
    for place, colour in (reference or {}).items():
        surfaces.add_reference(place, colour)
    placed = None if chart is None else _chart(picture, chart, minds)
    evidence = surfaces.infer() if placed is None else surfaces.infer_with(placed)
    kind: CorrectedBy = "none"
    if surfaces.words:
        kind = "chart" if placed else "neutral" if neutrals else "reference"
    else:
        minds.append(
            "Nothing in the photo shows the light: put white paper or a chart beside the soap."
        )
    minds += surfaces.warnings
    minds += _mind_light(evidence.inferred, paper)
    if evidence.chart is not None:
        minds += _mind_chart(evidence.inferred, evidence.chart, seen)
    response = None
    if evidence.chart is not None and placed is not None and placed.reference is None:
        # Spectra are known only of charts of published colours.
        response = response_of(surfaces, evidence.inferred, evidence.chart, seen)
    lab, parts = _colour(
        surfaces, evidence.inferred, seen, minds, _pastes(palette, response, minds)
    )
    words = " and ".join(surfaces.words)
    method = f"corrected by {words}" if words else "not corrected by anything in the photo"
    white = observation("D65").white
    before = xyz_to_lab(adapt(100.0 * seen.xyz, SRGB_WHITE, white), white)
    total = sum((c for _, c in parts), np.zeros((3, 3)))
    return PhotoTarget(
        Target(triple(lab), source=f"a photo, {method}", covariance=symmetric(total)),
        correction=kind,
        method=method,
        uncorrected=triple(before),
        shares=tuple(seen.shares.items()),
        pixels=seen.pixels,
        parts=tuple(Part(name, symmetric(c)) for name, c in parts),
        warnings=tuple(minds),
        notes=picture.notes,
        response=response,
        _scene=scene_of(picture, [("region", seen), *surfaces.means]),
    )


def _apart(picture: Picture, regions: Sequence[Region], neutral: Sequence[Region]) -> None:
    """Refuse a neutral that overlaps the region of the wanted colour."""
    for one, other in itertools.product(regions, neutral):
        if overlap(one, other, picture.width, picture.height):
            raise PhotoError(
                "overlaps the region of the wanted colour",
                field="neutral",
                value=str(other),
                remedy="Choose a part of the photo that shows only white paper or a grey card",
            )


def _shading(path: str | os.PathLike[str]) -> Shading:
    try:
        paper = open_photo(path)
    except PhotoError as found:
        if found.field != "photo":
            raise
        raise found.at("shading") from None  # two files were given: say which
    return Shading(paper)


def _mind_region(picture: Picture, seen: Mean) -> list[str]:
    minds = []
    if seen.clipped_channels:
        minds.append(
            f"The region clips in {' and '.join(seen.clipped_channels)}: it is brighter or "
            "stronger in colour than the photo can hold; take it with less light."
        )
    names = ("red", "green", "blue")
    if len(seen.empty) == 3 and seen.empty.max() > _EMPTY:
        channels = [n for n, share in zip(names, seen.empty, strict=True) if share > _EMPTY]
        minds.append(
            f"The region has no {' and no '.join(channels)} left: its colour is stronger than "
            "the file can hold. A whiter light, or a file in Display P3, would show it."
        )
    if seen.pixels < _FEW:
        minds.append(f"Only {seen.pixels} pixels could be used; take a larger region.")
    if seen.spread.max() > _UNEVEN:
        minds.append(
            f"The region is not flat or even: its colour varies by {seen.spread.max():.1f}."
        )
    shown = xyz_to_hex(100.0 * seen.xyz, SRGB_WHITE)
    if seen.drawn:
        minds.append(
            f"Every pixel of the region is {shown}, as in a drawn swatch or a screenshot. If you "
            f"mean that code, give '{shown}' itself as the target: it is exact."
        )
    left_out = 1.0 - seen.shares["kept"]
    if seen.second is not None:
        share, lab = seen.second
        other = xyz_to_hex(lab_to_xyz(lab, SRGB_WHITE), SRGB_WHITE)
        minds.append(
            f"The region shows two colours: {shown} was taken, {other} ({share:.0%}) was left "
            "out. Choose a part of the one you mean."
        )
    elif left_out > _REJECTED:
        minds.append(f"{left_out:.0%} of the region was left out; choose another part.")
    if _sheen(seen):
        minds.append(
            "A sheen seems to lie over the region and makes it lighter and greyer: turn the bar "
            "until it is gone."
        )
    if picture.profile.channels == 1:
        minds.append("The photo is grey: it shows lightness, no colour.")
    return minds


def _sheen(seen: Mean) -> bool:
    """Whether tiles differ by added white, not by more or less of their own colour."""
    tiles = seen.tiles[:, 2:]
    if len(tiles) < 8:
        return False
    sizes, ways = np.linalg.svd(tiles - tiles.mean(axis=0), full_matrices=False)[1:]
    if sizes[0] / np.sqrt(len(tiles)) < _SHEEN * np.linalg.norm(seen.xyz):
        return False
    own = seen.xyz / np.linalg.norm(seen.xyz)
    white = SRGB_WHITE / np.linalg.norm(SRGB_WHITE)
    like_own, like_white = abs(ways[0] @ own), abs(ways[0] @ white)
    return bool(own @ white < 0.985 and like_white > 0.97 and like_white > like_own)


def _mind_light(inferred: Inferred, paper: Shading | None) -> list[str]:
    slope, sd = inferred.slope if paper is None else (float(np.log(paper.range)), 0.0)
    if slope <= max(_STRONG, 2.0 * sd):
        return []
    return [
        f"The light changes by {np.expm1(slope):.0%} across the photo; photograph plain "
        "paper from the same stand and give it as shading."
    ]


def _mind_chart(inferred: Inferred, read: ChartRead, seen: Mean) -> list[str]:
    minds = []
    if read.strange:
        many = len(read.strange)
        which = "1 of its patches doesn't" if many == 1 else f"{many} of its patches don't"
        minds.append(f"Chart: {which} fit, as if covered or shiny, and are left out.")
    if seen.xyz[1] > 1.5 * max(m.xyz[1] for m in read.means):
        minds.append("The region is much brighter than the chart: is it in the same light?")
    greys = read.residuals[np.hypot(read.lab[:, 1], read.lab[:, 2]) < 5.0]
    if len(greys) >= 4 and np.hypot(*greys[:, 1:].std(axis=0)) > _TWO_LIGHTS:
        minds.append("The chart's greys differ in colour: two lights, or a shadow?")
    elif inferred.size > _ILL:
        minds.append(
            "The chart fits badly, so the colour is known less well: two lights, glare on the "
            "chart, a fluorescent lamp, or a camera that beautifies?"
        )
    return minds


def _chart(picture: Picture, given: object, minds: list[str]) -> Chart:
    if not (isinstance(given, str) and given.strip().lower() == "find"):
        return as_chart(given)
    placed = chart_in(picture)
    if placed.left_out:
        minds.append(
            f"{len(placed.left_out)} patches of the chart are covered or have glare; "
            "they were left out."
        )
    return placed


Pastes = tuple[Palette, Response]


def _pastes(given: object, response: Response | None, minds: list[str]) -> Pastes | None:
    """The palette given, and what tells how the camera sees its bars."""
    if given is None:
        return None
    if not isinstance(given, Palette):
        raise PhotoError(
            f"is of the wrong kind ({type(given).__name__})",
            field="palette",
            value=given,
            remedy="Give the Palette of the pastes in the bar, such as sm.read(...) gives",
        )
    if response is None:
        minds.append(
            "Without a 24-patch chart beside it, the pastes tell nothing of a bar's colour."
        )
        return None
    return given, response


def _colour(
    surfaces: Surfaces,
    inferred: Inferred,
    seen: Mean,
    minds: list[str],
    pastes: Pastes | None = None,
) -> tuple[FloatArray, list[tuple[str, FloatArray]]]:
    """Lab of the region, and the parts of its covariance."""
    place = surfaces.place(seen)

    def lab_of(xyz: FloatArray) -> FloatArray:
        return inferred.lab(surfaces.linear(xyz, seen), place)

    lab = lab_of(seen.xyz)
    by = slopes_of(lab_of, seen.xyz)
    light, rest = inferred.covariance(surfaces.linear(seen.xyz, seen), place)
    parts = [
        ("pixels", by @ (seen.noise + seen.uneven) @ by.T),
        ("code steps", by @ seen.steps @ by.T),
    ]
    if seen.empty.max() > _EMPTY:
        # Values clipped at 0 may lie about as far below it as a step up lies above. A step, no
        # slope, since roots are steep at 0.
        total = np.zeros((3, 3))
        matrix = surfaces.picture.profile.matrix
        for share, primary in zip(seen.empty, matrix.T, strict=True):
            move = lab_of(seen.xyz + BELOW * seen.xyz[1] * primary) - lab
            total += share * np.outer(move, move)
        parts.append(("empty channel", total))
    shift = None
    if pastes is not None:
        palette, response = pastes
        shift = shift_of(response, lab, sum((c for _, c in parts), light + rest), palette)
        if shift is None:
            minds.append("No bar of the given pastes looks like this: they were ignored.")
        else:
            lab = lab + shift.lab
            rest = inferred.covariance(surfaces.linear(seen.xyz, seen), place, STEEP)[1]
    parts += [("light and tone", light), ("camera", rest)]
    if shift is not None:
        parts.append(("pastes", shift.covariance))
    spread = float(np.sqrt(sum(c[0, 0] for _, c in parts)))
    if not np.all(np.isfinite(lab)) or not np.isfinite(spread):
        raise PhotoError("gives no colour", field="photo", remedy="Check the regions")
    if lab[0] - _BEYOND * spread > 100.0:
        raise PhotoError(
            "is brighter than a perfect white",
            field="region",
            value=f"L* {lab[0]:.0f}",
            remedy="Check the neutral and its reflectance: is it in the same light?",
        )
    # A colour at the edge of the possible may come out just beyond it.
    white = observation("D65").white
    xyz = np.maximum(lab_to_xyz(np.array([np.clip(lab[0], 0.0, 100.0), lab[1], lab[2]]), white), 0)
    held = xyz_to_lab(xyz, white)
    if np.abs(held - lab).max() > 3.0:
        minds.append("The corrected colour lies beyond what surfaces can have.")
    return held, parts
