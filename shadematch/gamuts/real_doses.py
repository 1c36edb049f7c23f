"""All real-valued doses of a palette in a pour and view, and their colours."""

from __future__ import annotations

import functools
from typing import Final

import numpy as np

from shadematch.gamuts.faces import faces_of, lattice, loads_on
from shadematch.gamuts.solid import Body, Mesh, fill, wrap
from shadematch.matching.question import Choice
from shadematch.predicting.prediction import Model, model_of
from shadematch.search.ideal_many import Cloud
from shadematch.search.real import real_floor
from shadematch.search.space import Space, whole_space
from shadematch.studio.palette import Palette
from shadematch.studio.pour import Pour
from shadematch.studio.recipe import Recipe
from shadematch.studio.view import View
from shadematch.support.arrays import FloatArray, IntArray

__all__ = ["EXACT", "RealDoses", "real_doses_of"]

EXACT: Final = 1e-3
"""CIEDE2000 below which a colour counts as reached; the search itself ends far below."""
_PARTS: Final = 1000
_CLOUD: Final = 14
_CELLS: Final = 20
_FAR: Final = 2.0


class RealDoses:
    """All real-valued recipes of a pour, in thousandths of the load limit.

    Attributes
    ----------
    model, space
        The model of colour, and the permitted doses.
    load_per_step
        Load of one step of the space [palette's unit per 100 g].
    provable
        Whether only absorption varies, so that floors can be proved.
    """

    def __init__(
        self, palette: Palette, pour: Pour, view: View, max_pigments: int | None = None
    ) -> None:
        self.palette, self.pour, self.view = palette, pour, view
        self.model: Model = model_of(palette, pour, view)
        self.load_per_step = pour.max_load / _PARTS
        self.space: Space = whole_space(
            self.model,
            load_per_step=self.load_per_step,
            max_steps=_PARTS,
            max_tubes=max_pigments,
        )
        self.provable = not self.model.scattering_pigments

    @property
    def solid(self) -> bool:
        """Whether recipes have enough pigments to fill a volume."""
        return self.space.size >= 3 and self.space.limits.max_tubes >= 3

    @functools.cached_property
    def cloud(self) -> Cloud:
        """Sampled recipes to start searches from."""
        return Cloud(self.space, *_scattered(self.space.size, self.space.limits.max_tubes))

    def distances(self, targets: FloatArray, *, starts: int = 4) -> FloatArray:
        """Smallest CIEDE2000 found to each target, shape (t, 3); shape (t,)."""
        values = self.cloud.nearest(targets, starts=starts)[1]
        return np.where(values < EXACT, 0.0, values)

    def floor(self, target: FloatArray, *, reached: float, gap: float, effort: int) -> float:
        """A proven floor of the distance; 0 if nothing can be proved."""
        if not self.provable:
            return 0.0
        return real_floor(self.space, target, reached=reached, gap=gap, effort=effort)

    def choice(self, steps: FloatArray, delta_e: float) -> Choice:
        """A real-valued recipe as a choice."""
        loads = steps * self.load_per_step
        doses = loads * self.pour.batch_g / 100.0
        named = {
            name: float(dose)
            for name, dose, load in zip(self.palette.names, doses, loads, strict=True)
            if load > 1e-9
        }
        return Choice(
            Recipe(named, self.pour, unit=self.palette.unit),
            delta_e,
            self.palette,
            self.view,
            loads,
        )

    @functools.cached_property
    def body(self) -> Body:
        """Voxels that the faces fill."""
        cells, size = lattice(_CELLS), self.space.size
        steps = [
            loads_on(face, cells.corners, size=size, most=_PARTS, crowd=2.5)
            for face in faces_of(size, self.space.limits.max_tubes)
        ]
        return fill([(self.space.lab(points), cells.tetrahedra) for points in steps])

    @functools.cached_property
    def surface(self) -> Mesh:
        """The surface; each vertex is pushed outwards, then moved to the nearest colour."""
        rough = wrap(self.body)
        far = _FAR * self.body.pitch
        pushed = rough.vertices + far * rough.normals()
        steps, _ = self.cloud.nearest(pushed, starts=1, measure="lab")
        vertices = self.space.lab(steps)
        moved = np.linalg.norm(vertices - rough.vertices, axis=1)
        kept = moved > 2.0 * far  # it jumped elsewhere: leave it
        vertices[kept] = rough.vertices[kept]
        return Mesh(vertices, rough.triangles)

    def sampled_volume(self) -> tuple[float, float]:
        """Volume [CIELAB cubed] and two standard errors.

        Random colours, most from voxels at the surface, some from inside and outside, are each
        decided by search.
        """
        from scipy.ndimage import binary_dilation, binary_erosion, generate_binary_structure

        if not self.solid:
            return 0.0, 0.0
        body, around = self.body, generate_binary_structure(3, 3)
        filled = np.pad(body.filled, 2)
        inner = binary_erosion(filled, around)
        outer = binary_dilation(filled, around)
        beyond = binary_dilation(outer, around) & ~outer
        rng = np.random.default_rng(20_240_229)
        volume, square = 0.0, 0.0
        strata = ((inner, 1000), (outer & ~inner, 8000), (beyond, 1000))
        for cells, count in strata:
            at = np.argwhere(cells) - 2
            if not len(at):
                continue
            chosen = at[rng.integers(len(at), size=count)]
            labs = body.middles(chosen) + body.pitch * (rng.random((count, 3)) - 0.5)
            met = int((self.distances(labs, starts=2) == 0.0).sum())
            size = len(at) * body.pitch**3
            volume += size * met / count
            # Jeffreys' share keeps the error above zero where all samples agree.
            share = (met + 0.5) / (count + 1)
            square += size * size * share * (1.0 - share) / count
        return volume, 2.0 * float(np.sqrt(square))


@functools.lru_cache(maxsize=8)
def _scattered(size: int, max_tubes: int) -> tuple[FloatArray, IntArray]:
    """Steps spread over all faces, shape (k, size), and which face each is from."""
    cells = lattice(_CLOUD)
    steps, kinds = [], []
    for kind, face in enumerate(faces_of(size, max_tubes)):
        bary = cells.corners[np.all(cells.corners[:, len(face) :] == 0.0, axis=1)]
        steps.append(loads_on(face, bary[:, : len(face)], size=size, most=_PARTS))
        kinds.append(np.full(len(bary), kind))
    points, first = np.unique(np.concatenate(steps), axis=0, return_index=True)
    return points, np.concatenate(kinds)[first]


@functools.lru_cache(maxsize=16)
def real_doses_of(palette: Palette, pour: Pour, view: View, max_pigments: int | None) -> RealDoses:
    """The real-valued doses, cached for the next question."""
    return RealDoses(palette, pour, view, max_pigments)
