"""The surfaces of known colour in a photo: neutrals, a chart, finished bars.

They are brought into the form that `inference` takes. Patches of a chart that don't fit are left
out one by one, the worst first.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from shadematch.colour.colorimetry import SRGB_WHITE, lab_to_xyz, xyz_to_hex, xyz_to_lab
from shadematch.colour.standards import observation
from shadematch.errors import ColourError, PhotoError
from shadematch.photo.chart import GREYS, Chart, by_matrix, read_chart
from shadematch.photo.inference import BELIEF, Inferred, KnownSurface, infer, lab_by_xyz
from shadematch.photo.light import PRIOR_MEAN, PRIOR_SD, Neutral, Shading, slope_of
from shadematch.photo.mean import Mean, mean_of
from shadematch.photo.picture import Picture
from shadematch.photo.profile import SRGB
from shadematch.photo.regions import as_regions
from shadematch.studio.target import Target, as_target
from shadematch.studio.view import View
from shadematch.support.arrays import FloatArray

__all__ = ["BELOW", "PATCH", "STEEP", "ChartRead", "Evidence", "Surfaces", "below_nothing"]

_WRONG: Final = 10.0
"""Mean CIEDE2000 of patches after the best matrix above which they are no chart's."""
_STRANGE: Final = 4.0
"""Standard deviations (root mean square) from which a patch is left out as covered or shiny."""
_FEWEST: Final = 14  # patches that must remain
_TINT: Final = 0.5  # standard deviation of a* and b* of a grey card
_MEASURED: Final = 0.5  # the same of L*, a*, b* of a bar that was measured
_PREDICTED: Final = 2.0  # ... and of one that was predicted
PATCH: Final = 0.5  # ... and of a chart's patch
STEEP: Final = 0.3
"""Part of `Terms.own_share` that a chart's patches have, their bands being broad."""
_CLIPPED: Final = 0.3
_STRONG_TINT: Final = 20.0
"""C*ab of a neutral as photographed from which it may be no neutral."""
_TWO_LIGHTS: Final = 3.0  # a*, b* between the parts of a neutral
BELOW: Final = 0.1
"""How far below 0 an empty channel may truly be (standard deviation), as a share of Y; an
estimate."""
_LOST: Final = 0.3
"""Share of a white or grey that has nothing in one channel."""
_DARK: Final = 0.5
"""Share of the light of the photo's brightest parts below which a surface is hardly paper."""


@dataclass(frozen=True, eq=False)
class ChartRead:
    """What was read of a chart.

    Attributes
    ----------
    made
        The reference that fits it.
    numbers, means
        Of the k patches that count.
    strange
        Numbers of those left out because they don't fit.
    residuals
        Lab predicted for each patch from all others, less its own; shape (k, 3).
    lab
        Its own; shape (k, 3).
    """

    made: str
    numbers: tuple[int, ...]
    means: tuple[Mean, ...]
    strange: tuple[int, ...]
    residuals: FloatArray
    lab: FloatArray


@dataclass(frozen=True, eq=False)
class Evidence:
    """What the surfaces tell of camera and light, and the chart, if there is one."""

    inferred: Inferred
    chart: ChartRead | None


class Surfaces:
    """The surfaces of known colour in a photo.

    Attributes
    ----------
    means
        What was read, by kind: neutral, chart or reference.
    words
        What they are.
    warnings
        What to check.
    """

    def __init__(self, picture: Picture, shading: Shading | None) -> None:
        self.picture, self.shading = picture, shading
        self.means: list[tuple[str, Mean]] = []
        self.words: list[str] = []
        self.warnings: list[str] = []
        self._known: list[KnownSurface] = []
        # A grey photo's one channel stands for all three.
        self._matrix = picture.profile.matrix if picture.profile.channels == 3 else SRGB.matrix
        if shading is None:
            self._plane = PRIOR_MEAN, np.diag(PRIOR_SD**2)
        else:
            self._plane = np.zeros(3), 0.01**2 * np.eye(3)

    def place(self, mean: Mean) -> FloatArray:
        """Place of a region, in diagonals of the photo from its middle; shape (2,)."""
        size = np.array([self.picture.width, self.picture.height], dtype=float)
        return np.asarray((mean.middle - size / 2.0) / np.hypot(*size))

    def linear(self, xyz: FloatArray, mean: Mean) -> FloatArray:
        """Channel values of XYZ at a region, without the measured fall of the light; (3,)."""
        linear = np.linalg.solve(self._matrix, xyz)
        if self.shading is not None:
            linear = linear / self.shading.at(mean.middle, self.picture.width, self.picture.height)
        return np.asarray(linear)

    def add_neutral(self, given: Neutral) -> None:
        """Add paper or a card; a `PhotoError` if it can't be read, or is too bright or dark."""
        own = [mean_of(self.picture, (r,), field_="neutral") for r in given.regions]
        for mean in own:
            if mean.shares["clipped"] > _CLIPPED:
                raise PhotoError(
                    "clips: it is too bright to show the light",
                    field="neutral",
                    value=f"{mean.shares['clipped']:.0%} of it",
                    remedy="Take the photo with a shorter exposure, or use a grey card",
                )
        if self.picture.profile.channels == 1:
            self.warnings.append("A neutral in a grey photo corrects the exposure only.")
        whole = own[0] if len(own) == 1 else mean_of(self.picture, given.regions, field_="neutral")
        if whole.xyz[1] < 0.02:
            raise PhotoError(
                "is too dark to show the light",
                field="neutral",
                value=f"Y {whole.xyz[1]:.3f}",
                remedy="Take the photo with a longer exposure, or choose a lighter surface",
            )
        _mind_lost([whole], "neutral")
        if self.shading is None:
            tiles = np.concatenate([m.tiles for m in own])
            size = self.picture.width, self.picture.height
            logs = np.log(np.maximum(tiles[:, 3], 1e-6))
            self._plane = slope_of(tiles[:, :2], logs, size, self._plane)
        lab, covariance = _neutral_lab(given)
        covariance = covariance + self._doubt(given, whole)
        self._mind_tints(own)
        for mean in own:
            self._add("neutral", mean, lab, covariance * len(own))
        known = given.reflectance is not None
        self.words.append(f"a neutral of {given.reflectance:g}" if known else "white paper")

    def add_reference(self, region: object, colour: object) -> None:
        """Add a surface of known colour; a `PhotoError` if it or its colour can't be read."""
        lab, covariance = _reference_lab(colour)
        for one in as_regions(region, "reference"):
            self._add(
                "reference", mean_of(self.picture, (one,), field_="reference"), lab, covariance
            )
        bars = sum(kind == "reference" for kind, _ in self.means)
        self.words = [w for w in self.words if "known colour" not in w]
        self.words.append("a surface of known colour" if bars == 1 else f"{bars} of known colour")

    def infer(self) -> Evidence:
        """What they tell without a chart."""
        return Evidence(infer(self._known, self._matrix, self._plane), None)

    def infer_with(self, chart: Chart) -> Evidence:
        """What they tell with a chart; a `PhotoError` if it can't be read or be such a chart."""
        numbers, means = read_chart(self.picture, chart)
        _mind_lost([m for i, m in zip(numbers, means, strict=True) if i in GREYS[:4]], "chart")
        white = observation("D65").white
        best: tuple[Inferred, str, FloatArray] | None = None
        first = len(self._known)
        for made, every in chart.references.items():
            lab = xyz_to_lab(every, white)
            own = [
                self._surface(m, lab[i], PATCH**2 * np.eye(3), STEEP)
                for i, m in zip(numbers, means, strict=True)
            ]
            found = infer([*self._known, *own], self._matrix, self._plane)
            if best is None or found.evidence > best[0].evidence:
                best, patches = (found, made, lab), own
        assert best is not None
        inferred, made, lab = best
        kept = list(range(len(numbers)))
        while len(kept) > _FEWEST:
            worst = int(np.argmax(inferred.strange[first:]))
            if inferred.strange[first + worst] < _STRANGE:
                break
            del kept[worst]
            own = [patches[i] for i in kept]
            inferred = infer([*self._known, *own], self._matrix, self._plane)
        numbers_kept = tuple(numbers[i] for i in kept)
        own_lab = lab[list(numbers_kept)]
        shown = np.array([self.linear(means[i].xyz, means[i]) for i in kept])
        xyz = chart.references[made][list(numbers_kept)]
        off = float(by_matrix(shown, xyz, np.ones(len(kept), dtype=bool))[0].mean())
        if off > _WRONG:
            raise PhotoError(
                "does not look like the chart: no correction brings its patches near their colours",
                field="chart",
                value=f"CIEDE2000 {off:.1f} on average",
                remedy="Check the corners and their order: dark skin, bluish green, black, white",
            )
        self.means += [("chart", means[i]) for i in kept]
        self.words.insert(0, f"a 24-patch chart {made}")
        read = ChartRead(
            made=made,
            numbers=numbers_kept,
            means=tuple(means[i] for i in kept),
            strange=tuple(n for n in numbers if n not in numbers_kept),
            residuals=inferred.residuals[first:],
            lab=own_lab,
        )
        return Evidence(inferred, read)

    def _add(self, kind: str, mean: Mean, lab: FloatArray, covariance: FloatArray) -> None:
        self.means.append((kind, mean))
        self._known.append(self._surface(mean, lab, covariance))

    def _surface(
        self, mean: Mean, lab: FloatArray, covariance: FloatArray, steep: float = 1.0
    ) -> KnownSurface:
        # Noise is the same share of what is seen and of what is.
        white = observation("D65").white
        shown = np.maximum(mean.xyz, 1e-3)
        relative = (mean.noise + mean.steps) / np.outer(shown, shown)
        xyz = _xyz(lab)
        by = lab_by_xyz(xyz, white) * xyz
        covariance = covariance + by @ relative @ by.T
        if mean.empty.shape == (3,):
            covariance = covariance + below_nothing(lab, mean.empty)
        return KnownSurface(self.linear(mean.xyz, mean), self.place(mean), lab, covariance, steep)

    def _doubt(self, given: Neutral, mean: Mean) -> FloatArray:
        """More variance for what hardly looks neutral, or like paper."""
        shown = xyz_to_lab(100.0 * mean.xyz / mean.xyz[1], SRGB_WHITE)
        tint = float(np.hypot(shown[1], shown[2]))
        sd = np.zeros(3)
        if tint > _STRONG_TINT:
            looks = xyz_to_hex(100.0 * mean.xyz, SRGB_WHITE)
            self.warnings.append(
                f"The neutral looks {looks} in the photo. Some lamps do that; but if it isn't "
                "white or grey itself, the colour is wrong."
            )
            sd[1:] = 0.5 * (tint - _STRONG_TINT)
        bright = brightest(self.picture)
        if given.reflectance is None and mean.xyz[1] < _DARK * bright:
            self.warnings.append(
                f"The neutral has {mean.xyz[1] / bright:.0%} of the light of the brightest parts: "
                "is it white paper in the same light? If it is a grey card, give its reflectance."
            )
            sd[0] = 50.0 * (1.0 - np.cbrt(mean.xyz[1] / bright))
        return np.diag(sd**2)

    def _mind_tints(self, own: Sequence[Mean]) -> None:
        parts = np.array([m.tiles[:, 2:].mean(axis=0) for m in own])
        if len(parts) == 1:
            parts = own[0].tiles[:, 2:]
        mean = parts.mean(axis=0)
        lab = xyz_to_lab(parts * (100.0 * SRGB_WHITE / SRGB_WHITE[1] / mean), SRGB_WHITE)
        if np.ptp(lab[:, 1:], axis=0).max() > _TWO_LIGHTS:
            self.warnings.append(
                "The neutral differs in colour from place to place: two lights fall on the scene."
            )


def brightest(picture: Picture) -> float:
    """Luminance (white is 1) that a fiftieth of a photo exceeds."""
    patch, _ = picture.small(160)
    y = patch.linear @ picture.profile.matrix[1].astype(np.float32)
    return float(np.percentile(y, 98.0))


def _mind_lost(whites: Sequence[Mean], field: str) -> None:
    """Refuse a photo whose light leaves even white and grey without a channel."""
    for mean in whites:
        if mean.empty.max() > _LOST:
            name = ("red", "green", "blue")[int(np.argmax(mean.empty))]
            raise PhotoError(
                f"has no {name} left: the light is so strong in colour that the file can't hold it",
                field=field,
                value=xyz_to_hex(100.0 * mean.xyz, SRGB_WHITE),
                remedy="Use daylight, or let the camera balance its white for this lamp",
            )


def below_nothing(lab: FloatArray, empty: FloatArray) -> FloatArray:
    """Covariance of the Lab of a surface, some of whose channels the file clips at 0.

    Their true values may lie about as far below 0 as a step up lies above. `empty` holds their
    shares of pixels, shape (3,).
    """
    xyz = _xyz(lab)
    moves = lab_by_xyz(xyz, observation("D65").white) @ (BELOW * xyz[1] * SRGB.matrix)
    return np.asarray((moves * empty) @ moves.T)


def _xyz(lab: FloatArray) -> FloatArray:
    return np.maximum(lab_to_xyz(lab, observation("D65").white), 0.05)


def _neutral_lab(given: Neutral) -> tuple[FloatArray, FloatArray]:
    if given.reflectance is None:
        return np.array(BELIEF.paper), np.diag(np.square(BELIEF.paper_sd))
    white = observation("D65").white
    xyz = given.reflectance * white
    lightness = lab_by_xyz(xyz, white)[0, 1] * 100.0 * given.reflectance_sd
    return xyz_to_lab(xyz, white), np.diag(np.square([lightness, _TINT, _TINT]))


def _reference_lab(colour: object) -> tuple[FloatArray, FloatArray]:
    """Lab under D65 and its covariance."""
    try:
        if isinstance(colour, Sequence) and not isinstance(colour, str):
            target = Target.from_lab(colour)
        elif isinstance(view := getattr(colour, "view", None), View):
            # A prediction, or what is kept of a recipe.
            target = Target(
                colour.lab,  # type: ignore[attr-defined]
                view.illuminant,
                view.observer,
                covariance=np.diag([_PREDICTED**2] * 3),  # type: ignore[arg-type]
            )
        else:
            target = as_target(colour)  # type: ignore[arg-type]  # refuses anything else
    except ColourError as found:
        raise PhotoError(
            "is not a known colour",
            field="reference",
            value=str(found.value)[:80],
            remedy="Give Lab under D65, a Target, a hex code, or a result of predict or read",
        ) from None
    known = _MEASURED**2 * np.eye(3) if target.covariance is None else np.array(target.covariance)
    return target.lab_in(View()), known
