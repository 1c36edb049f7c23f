"""Planes through the gamut, and how near whole dose steps come to their points."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final

import numpy as np

from shadematch.errors import PourError
from shadematch.gamuts.real_doses import RealDoses
from shadematch.matching.question import Asked
from shadematch.studio.pour import Pour
from shadematch.studio.view import View
from shadematch.support.arrays import BoolArray, FloatArray, IntArray
from shadematch.support.models import between, is_finite
from shadematch.support.report import Report, Reported, Row

__all__ = ["Plane", "Slice", "WholeMap", "slice_of", "whole_maps_of"]

_MARGIN: Final = 8.0
_LISTED: Final = 1_500_000
_MOST_POINTS: Final = 250_000


@dataclass(frozen=True)
class Plane:
    """A level plane (`lightness`) or an upright one through the greys (`hue` [degrees])."""

    lightness: float | None
    hue: float | None
    step: float

    @classmethod
    def of(cls, lightness: float | None, hue: float | None, step: float) -> Plane:
        """A plane, checked.

        Raises
        ------
        PourError
            If not exactly one of `lightness` and `hue` is given, or a number is out of range.
        """
        if (lightness is None) == (hue is None):
            problem, remedy = "give either lightness or hue", "Such as lightness=60, or hue=40"
            raise PourError(problem, field="slice", value=(lightness, hue), remedy=remedy)
        if lightness is not None:
            lightness = between(lightness, "lightness", 0.0, 100.0, "L* of CIELAB")
        if hue is not None:
            hue = between(hue, "hue", -360.0, 360.0, "In degrees") % 360.0
        return cls(lightness, hue, between(step, "step", 0.25, 20.0, "In CIELAB units"))

    def labs(self, across: FloatArray, up: FloatArray) -> FloatArray:
        """CIELAB of points in the plane."""
        if self.hue is None:
            assert self.lightness is not None
            return np.stack([np.full_like(across, self.lightness), across, up], axis=-1)
        angle = np.radians(self.hue)
        return np.stack([up, across * np.cos(angle), across * np.sin(angle)], axis=-1)

    def axes(self, lab: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Grid lines across and up that enclose the colours `lab`, shape (k, 3)."""
        if self.hue is None:
            spans = [(lab[:, 1].min(), lab[:, 1].max()), (lab[:, 2].min(), lab[:, 2].max())]
        else:
            angle = np.radians(self.hue)
            along = lab[:, 1] * np.cos(angle) + lab[:, 2] * np.sin(angle)
            spans = [(along.min(), along.max()), (lab[:, 0].min(), lab[:, 0].max())]
        lines = []
        for low, high in spans:
            first = np.floor((low - _MARGIN) / self.step)
            last = np.ceil((high + _MARGIN) / self.step)
            lines.append(self.step * np.arange(first, last + 1))
        across, up = lines
        if self.hue is not None:
            up = up[(up >= 0.0) & (up <= 100.0)]
        return across, up

    @property
    def labels(self) -> tuple[str, str]:
        """Names of the axes across and up."""
        if self.hue is None:
            return "a* (green to red)", "b* (blue to yellow)"
        back = (self.hue + 180.0) % 360.0
        return f"chroma C* (hue {self.hue:g}° right, {back:g}° left)", "lightness L*"

    def __str__(self) -> str:
        """In plain words."""
        return f"lightness {self.lightness:g}" if self.hue is None else f"hue {self.hue:g}°"


@dataclass(frozen=True, eq=False)
class Slice(Reported):
    """A plane through the gamut.

    Attributes
    ----------
    plane
        The plane.
    across, up
        Grid lines [CIELAB], shapes (x,) and (y,).
    lab
        CIELAB at the grid points, shape (y, x, 3).
    distances
        CIEDE2000 of the nearest colour that can be made, shape (y, x); 0 inside.
    view
        The view, whose white the colours are relative to.
    """

    plane: Plane
    across: FloatArray
    up: FloatArray
    lab: FloatArray = field(repr=False)
    distances: FloatArray = field(repr=False)
    view: View

    @property
    def inside(self) -> BoolArray:
        """Which points can be made, shape (y, x)."""
        return np.asarray(self.distances == 0.0)

    @property
    def area(self) -> float:
        """Area that can be made [CIELAB squared], from the points inside."""
        return float(self.inside.sum()) * self.plane.step**2

    def report(self) -> Report:
        """The area that can be made."""
        return Report(
            rows=(
                Row("slice", f"at {self.plane}"),
                Row("area", f"about {self.area:,.0f}", "square units of CIELAB"),
            ),
            cautions=False,
        )


@dataclass(frozen=True, eq=False)
class WholeMap(Reported):
    """How far the nearest recipe in whole dose steps is from the inside points of a slice.

    Attributes
    ----------
    slice
        The slice, with real-valued doses.
    pour
        The pour.
    rows, columns
        Grid points that can be made with real-valued doses, shape (k,) each.
    distances
        CIEDE2000 of the nearest recipe in whole dose steps, shape (k,).
    proved
        Whether each is proved to within 0.01, shape (k,).
    """

    slice: Slice = field(repr=False)
    pour: Pour
    rows: IntArray = field(repr=False)
    columns: IntArray = field(repr=False)
    distances: FloatArray = field(repr=False)
    proved: BoolArray = field(repr=False)

    def share(self, within: float) -> float:
        """Fraction of these points with a recipe at most `within` away; 0 if there are none.

        Raises
        ------
        PourError
            If `within` is not a finite number.
        """
        if not is_finite(within):
            raise PourError("must be a number", field="within", value=within, remedy="In CIEDE2000")
        return float(np.mean(self.distances <= within)) if len(self.distances) else 0.0

    def report(self) -> Report:
        """How far recipes in whole dose steps are."""
        rows = [Row("batch", f"{self.pour.batch_g:g}", "g")]
        if len(self.distances):
            middle = float(np.median(self.distances))
            rows += [
                Row("nearest", f"whole recipe at a median of {middle:.2f}"),
                Row("share", f"{self.share(1.0):.0%} within CIEDE2000 1"),
            ]
        else:
            rows.append(Row("nearest", "nothing of this slice can be made"))
        return Report(rows=tuple(rows), cautions=False)


def slice_of(doses: RealDoses, plane: Plane) -> Slice:
    """Decide every point of a plane's grid."""
    across, up = plane.axes(doses.cloud.lab)
    if across.size * up.size > _MOST_POINTS:
        problem = f"makes {across.size * up.size:,} points"
        raise PourError(problem, field="step", value=plane.step, remedy="Take a wider step")
    lab = plane.labs(*np.meshgrid(across, up))
    distances = doses.distances(lab.reshape(-1, 3), starts=3).reshape(lab.shape[:-1])
    for array in (across, up, lab, distances):
        array.setflags(write=False)
    return Slice(plane=plane, across=across, up=up, lab=lab, distances=distances, view=doses.view)


def whole_maps_of(
    doses: RealDoses, plane: Plane, pours: list[Pour], max_pigments: int | None
) -> tuple[WholeMap, ...]:
    """Recipes for the inside of a plane, from a list of up to 1.5 million, else by search."""
    cut = slice_of(doses, plane)
    rows, columns = np.nonzero(cut.inside)
    labs = cut.lab[rows, columns]
    maps = []
    for pour in pours:
        values, proved = np.zeros(len(labs)), np.ones(len(labs), dtype=bool)
        if len(labs):
            searcher = Asked(doses.palette, pour, doses.view, max_pigments).searcher
            few = searcher.space.limits.count() <= _LISTED
            listed = searcher.all_recipes() if few else None
            if listed is not None:
                values = listed.look_up(labs[:, None], 0.0).delta_e
            else:
                steps, _ = doses.cloud.nearest(labs, starts=1)
                scale = doses.load_per_step / pour.load_per_step
                found = [
                    searcher.closest(lab, hint=hint * scale)
                    for lab, hint in zip(labs, steps, strict=True)
                ]
                values = np.array([best.delta_e for best in found])
                proved = np.array([best.proved for best in found])
        for array in (rows, columns, values, proved):
            array.setflags(write=False)
        maps.append(
            WholeMap(
                slice=cut, pour=pour, rows=rows, columns=columns, distances=values, proved=proved
            )
        )
    return tuple(maps)
