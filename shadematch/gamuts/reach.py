"""All colours that a palette can reach in a pour and view."""

from __future__ import annotations

import functools
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from shadematch.colour.colorimetry import lab_to_xyz, srgb_to_hex, xyz_to_srgb
from shadematch.errors import ColourError, PourError
from shadematch.gamuts.answers import SOLID_GAP, Coverage, Nearest, Volume, checked_within
from shadematch.gamuts.real_doses import EXACT, RealDoses, real_doses_of
from shadematch.gamuts.slices import Plane, Slice, WholeMap, slice_of, whole_maps_of
from shadematch.gamuts.solid import Mesh
from shadematch.gamuts.targets import Targets, labs_of
from shadematch.predicting.prediction import conditions
from shadematch.studio.palette import Palette
from shadematch.studio.pour import Pour
from shadematch.studio.target import FARTHEST, HoldsTarget, as_target
from shadematch.studio.view import View
from shadematch.support.arrays import FloatArray
from shadematch.support.models import check_most, expect, listed
from shadematch.support.report import Report, Reported, Row, Swatch

__all__ = ["Gamut", "gamut"]

_EFFORT: Final = 120_000
_STARTS: Final = 12


@dataclass(frozen=True)
class Gamut(Reported):
    """All colours that a palette can reach in a pour and view, with real-valued doses.

    The batch size matters for `whole` alone. Whether a colour is inside is decided by searching
    for a recipe, not by a hull, so hollows stay hollows.

    Attributes
    ----------
    palette, pour, view
        The pastes and bases, the pour, and how it is looked at.
    max_pigments
        Most pigments in a recipe, or None.
    """

    palette: Palette
    pour: Pour
    view: View
    max_pigments: int | None = None

    def __post_init__(self) -> None:
        expect(self.palette, Palette, "palette", "Give a Palette, such as read('mine.json')")
        expect(self.pour, Pour, "pour", "Use Pour(...)")
        expect(self.view, View, "view", "Use View(...)")
        check_most(self.max_pigments)

    @property
    def _doses(self) -> RealDoses:
        return real_doses_of(self.palette, self.pour, self.view, self.max_pigments)

    def at(self, **changes: Any) -> Gamut:
        """The gamut of the same palette with some fields of the pour changed.

        Raises
        ------
        PourError
            For an unknown field, or a value out of range.
        """
        pour = Pour(**{**self.pour.model_dump(), **changes})
        return Gamut(self.palette, pour, self.view, self.max_pigments)

    def nearest(self, target: HoldsTarget | str) -> Nearest:
        """The nearest colour that can be made.

        A continuous search finds it from a dozen starts; a branch and bound over real-valued
        doses then proves how much nearer anything could be. It gives up after 120,000 boxes, a
        second or two.

        Raises
        ------
        ColourError
            If the target is not a colour.
        """
        goal = as_target(target)
        lab = goal.lab_in(self.view)
        doses = self._doses
        steps, value = self._found(lab)
        bound = doses.floor(lab, reached=value, gap=0.5 * SOLID_GAP, effort=_EFFORT)
        return Nearest(goal, doses.choice(steps, value), bound)

    def _found(self, lab: FloatArray) -> tuple[FloatArray, float]:
        steps, values = self._doses.cloud.nearest(lab[None], starts=_STARTS)
        value = float(values[0])
        return steps[0], 0.0 if value < EXACT else value

    def distance(self, target: HoldsTarget | str) -> float:
        """CIEDE2000 of the nearest colour, as `nearest` gives it, without a proof.

        Raises
        ------
        ColourError
            If the target is not a colour.
        """
        return self._found(as_target(target).lab_in(self.view))[1]

    def distances(self, targets: Targets) -> FloatArray:
        """The distance of each of many targets, shape (t,); thousands per second, not proved.

        Parameters
        ----------
        targets
            Targets or hex codes; CIELAB under the view's white, shape (t, 3); ``"srgb"`` or
            ``"munsell"``.

        Raises
        ------
        ColourError
            If one is not a colour, or there are none.
        """
        return self._doses.distances(labs_of(targets, self.view))

    def contains(self, target: HoldsTarget | str, *, within: float = 0.1) -> bool:
        """Whether a colour can be made.

        Parameters
        ----------
        target
            A `Target`, or a hex code. The best estimate counts.
        within
            CIEDE2000 that still counts as the colour itself.

        Returns
        -------
        bool
            True is shown by a recipe. False is proved, unless the palette has pigments that
            scatter or the branch and bound gave up (see `nearest`).

        Raises
        ------
        ColourError
            If the target is not a colour.
        PourError
            If `within` is not a number from 0.
        """
        limit = max(checked_within(within), EXACT)  # a floor of 0 would prove nothing
        lab = as_target(target).lab_in(self.view)
        doses = self._doses
        value = self._found(lab)[1]
        if value <= limit or not doses.provable:
            return value <= limit
        floor = doses.floor(lab, reached=value, gap=value - limit, effort=_EFFORT)
        if floor >= limit:
            return False
        # The floor is too low: search once more, from many starts.
        more = float(doses.distances(lab[None], starts=8 * _STARTS)[0])
        return more <= limit

    def coverage(self, targets: Targets, *, within: float = 1.0) -> Coverage:
        """How much of a set of colours can be made.

        Parameters
        ----------
        targets
            As for `distances`.
        within
            CIEDE2000 that counts as made.

        Raises
        ------
        ColourError, PourError
            If one is not a colour, there are none, or `within` is not a number from 0.
        """
        limit = checked_within(within)
        distances = self.distances(targets)
        distances.setflags(write=False)
        return Coverage(float(np.mean(distances <= limit)), limit, distances)

    @functools.cached_property
    def surface(self) -> Mesh:
        """Its surface as triangles, for drawing; vertices are colours that can be made.

        Hollows are resolved down to a few CIELAB units.

        Raises
        ------
        PourError
            If recipes have fewer than three pigments: such a gamut has no inside.
        MissingExtraError
            If scikit-image is not installed.
        """
        if not self._doses.solid:
            raise PourError(
                "fewer than three pigments reach a sheet or a line of colours, not a solid",
                field="surface",
                value=", ".join(self.palette.names),
                remedy="Draw a slice, or use more pigments",
            )
        return self._doses.surface

    @functools.cached_property
    def volume(self) -> Volume:
        """Its volume and the error [CIELAB cubed]; 0 for fewer than three pigments.

        Estimated from ten thousand random colours, each decided by search, most of them near
        the surface (stratified sampling).
        """
        return Volume(*self._doses.sampled_volume())

    def slice(
        self, *, lightness: float | None = None, hue: float | None = None, step: float = 3.0
    ) -> Slice:
        """A plane through it, every point of a grid decided by search.

        Parameters
        ----------
        lightness
            L* of a level plane, 0 to 100; or
        hue
            hue angle [degrees], -360 to 360, of an upright plane through the greys: chroma to the
            right, the opposite hue to the left.
        step
            Spacing of the grid [CIELAB], 0.25 to 20.

        Raises
        ------
        PourError
            If not exactly one of `lightness` and `hue` is given, a number is out of range, or
            the grid has more than 250,000 points.
        """
        return slice_of(self._doses, Plane.of(lightness, hue, step))

    def whole(
        self,
        *,
        batches_g: tuple[float, ...] = (100.0, 500.0, 2000.0),
        lightness: float | None = None,
        hue: float | None = None,
        step: float = 6.0,
    ) -> tuple[WholeMap, ...]:
        """How far the nearest recipe in whole dose steps is from each point of a slice.

        Parameters
        ----------
        batches_g
            Masses of base [g], a map each.
        lightness, hue, step
            As for `slice`.

        Raises
        ------
        PourError
            As for `slice`, or if a batch is out of range.
        """
        plane = Plane.of(lightness, hue, step)
        batches = listed(batches_g, "batches_g", "Give a list of masses in g")
        pours = [Pour(**{**self.pour.model_dump(), "batch_g": batch}) for batch in batches]
        return whole_maps_of(self._doses, plane, pours, self.max_pigments)

    def colours(self, lab: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Colours in sRGB of CIELAB under the view's white, shape (..., 3), and which are inside.

        Raises
        ------
        ColourError
            If these are not colours.
        """
        given = lab
        try:
            lab = np.asarray(lab, dtype=float)
        except (TypeError, ValueError, OverflowError):
            lab = np.empty(0)
        if lab.shape[-1:] != (3,) or not np.all(np.abs(lab) <= FARTHEST):  # False for NaN
            raise ColourError(
                "must be CIELAB, three numbers each",
                field="lab",
                value=given,
                remedy="Give an array of shape (..., 3)",
            )
        white = self.view.observation.white
        rgb, inside = xyz_to_srgb(lab_to_xyz(lab, white), white)
        return rgb, np.asarray(inside)

    def report(self) -> Report:
        """Its palette, pour, view, volume and most colourful shades."""
        limit = f"at most {self.pour.max_load:g} {self.palette.unit} per 100 g"
        return Report(
            swatches=self._ends(),
            rows=(
                Row("palette", ", ".join(self.palette.names)),
                Row("pour", f"{self.pour}, {limit}"),
                Row("seen", str(self.view)),
                Row("volume", str(self.volume)),
                *self.palette.notice_rows,
            ),
            cautions=False,
        )

    def _ends(self) -> tuple[Swatch, ...]:
        """The darkest shade, the most colourful of each sixth of the hues, and the lightest."""
        lab = self._doses.cloud.lab
        hues = np.degrees(np.arctan2(lab[:, 2], lab[:, 1])) % 360.0
        chroma = np.hypot(lab[:, 1], lab[:, 2])
        shown = {int(np.argmin(lab[:, 0])): "dark"}
        for start in range(0, 360, 60):
            sector = (hues >= start) & (hues < start + 60)
            if sector.any():
                most = int(np.argmax(np.where(sector, chroma, -1.0)))
                shown.setdefault(most, f"hue {hues[most]:.0f}°")
        shown[int(np.argmax(lab[:, 0]))] = "light"
        rgb, true = self.colours(lab[list(shown)])
        return tuple(
            Swatch(srgb_to_hex(code), label, bool(inside))
            for code, label, inside in zip(rgb, shown.values(), true, strict=True)
        )


def gamut(
    *,
    palette: Palette | None = None,
    pour: Pour | None = None,
    view: View | None = None,
    max_pigments: int | None = None,
) -> Gamut:
    """All colours that a palette can reach.

    Parameters
    ----------
    palette, pour, view
        By default the demo palette, 500 g at 1 cm in clear base, and D65 on white paper.
    max_pigments
        Most pigments in a recipe.

    Raises
    ------
    PourError
        If one of them is of the wrong kind.
    """
    palette, pour, view = conditions(palette, pour, view)
    return Gamut(palette, pour, view, max_pigments)
