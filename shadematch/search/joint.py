"""The searches put together where several lights count, or let-downs are to hand."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from fractions import Fraction
from typing import Final

import numpy as np

from shadematch.predicting.prediction import Model
from shadematch.search.answer import Answer, undominated
from shadematch.search.ideal import ideal
from shadematch.search.leeway import Leeway
from shadematch.search.minimax import minimax
from shadematch.search.nearness import Sight, Views
from shadematch.search.region import Region
from shadematch.search.space import Space, whole_space
from shadematch.search.whole import GAP, Found, closest, frugal
from shadematch.studio.pour import Pour
from shadematch.studio.recipe import LetDown
from shadematch.support.arrays import FloatArray, IntArray

__all__ = ["JointSearcher", "region_of"]

_MOST_SPACES: Final = 250
"""Doses of pastes that scatter gone through one by one; each takes some milliseconds."""


def region_of(
    pour: Pour,
    pigments: int,
    let_downs: Sequence[tuple[int, LetDown]],
    *,
    max_tubes: int | None = None,
    required: tuple[int, ...] = (),
    excluded: tuple[int, ...] = (),
) -> Region:
    """What a pour permits: centimetres of every pigment first, then the let-downs.

    A let-down's paste counts towards the load limit; its base takes the place of the batch's, so
    there can't be more of it than the pour has of that base.

    Parameters
    ----------
    pour
        What is made.
    pigments
        How many the palette has.
    let_downs
        Pairs of a pigment's position and its let-down.
    max_tubes, required, excluded
        As for `space.whole_space`.

    Notes
    -----
    Where p weighing steps hold just as much paste as q dose steps, p or more of them never need
    weighing: q dose steps give the same load and leave more base. So at most p - 1 are counted;
    nothing is lost.
    """
    kinds = pigments + len(let_downs)
    loads = np.zeros((kinds, pigments))
    loads[:pigments] = np.eye(pigments) * pour.load_per_step
    paste = np.full(kinds, pour.dose_step)
    pigment = np.arange(kinds)
    rows, most = np.zeros((3, kinds)), np.zeros(3)
    slack = 1e-9 * pour.dose_step
    most[:] = pour.max_total * (1 + 1e-12) + slack, pour.clear_g, pour.white_g
    upper = np.full(kinds, pour.max_steps, dtype=np.int64)
    upper[list(excluded)] = 0
    for at, (which, let_down) in enumerate(let_downs, start=pigments):
        pigment[at] = which
        paste[at] = let_down.paste_per_step
        loads[at, which] = let_down.paste_per_step * 100.0 / pour.batch_g
        rows[1, at] = let_down.step_g * (1 - let_down.white)
        rows[2, at] = let_down.step_g * let_down.white
        rooms = [pour.max_total / let_down.paste_per_step]
        rooms += [most[r] / rows[r, at] for r in (1, 2) if rows[r, at] > 0]
        upper[at] = int(min(rooms) + 1e-9)
        ratio = Fraction(pour.dose_step / let_down.paste_per_step).limit_denominator(100)
        even = abs(float(ratio) * let_down.paste_per_step - pour.dose_step) < 1e-12
        if even and ratio > 0:
            upper[at] = min(upper[at], ratio.numerator - 1)
        if which in excluded:
            upper[at] = 0
    rows[0] = paste
    return Region(
        loads=loads,
        paste=paste,
        pigment=pigment,
        rows=rows,
        most=most,
        upper=upper,
        required=required,
        max_tubes=pigments if max_tubes is None else max_tubes,
    )


class JointSearcher:
    """Finds recipes for several views at once, of doses of several kinds.

    It answers as `answer.Searcher` does, with targets of shape (v, 3), steps of kinds, and
    paste in cm where that counts steps.

    Parameters
    ----------
    models
        One for each view; palette, base and thickness are the same in all.
    region
        From `region_of`.
    pour
        What is made.
    excluded
        Positions of pigments that must not have a dose.
    """

    def __init__(
        self,
        models: tuple[Model, ...],
        region: Region,
        pour: Pour,
        *,
        excluded: tuple[int, ...] = (),
    ) -> None:
        self.models = models
        self.region = region
        self._plain = tuple(
            whole_space(
                model,
                load_per_step=pour.load_per_step,
                max_steps=pour.max_steps,
                max_tubes=region.max_tubes,
                required=region.required,
                excluded=excluded,
            )
            for model in models
        )
        self._pigments = region.loads.shape[1]
        still = [
            k for k in range(region.size) if region.pigment[k] in models[0].scattering_pigments
        ]
        self._still = [k for k in still if region.upper[k] > 0]
        self._free_views = self._views(np.zeros(region.size, np.int64))

    def _views(self, fixed: IntArray) -> Views:
        """A space for each view in which `fixed` steps, shape (k,), stand still."""
        loads = np.asarray(fixed @ self.region.loads, dtype=float)
        upper = self.region.upper.copy()
        upper[self._still] = 0
        # The views differ in their light alone: one layer serves all.
        layer = self.models[0].layer_with(loads) if self._still else self.models[0].layer
        return tuple(
            Space(
                layer=layer,
                base=model.base_absorption + loads @ model.absorption,
                absorption=self.region.loads @ model.absorption,
                weights=model.weights,
                white=model.white,
                lower=np.zeros_like(upper),
                upper=upper,
                max_steps=int(self.region.upper.sum()),
                max_tubes=self.region.size,
            )
            for model in self.models
        )

    def _parts(
        self, region: Region, around: FloatArray
    ) -> tuple[Iterator[tuple[IntArray, Views, Region]], bool]:
        """The region cut so that only absorption varies in a part, and whether all is there."""
        none = np.zeros(region.size, np.int64)
        if not self._still:
            return iter([(none, self._free_views, region)]), True
        upper = np.zeros_like(region.upper)
        upper[self._still] = region.upper[self._still]
        fixed = replace(region, upper=upper, required=())
        if fixed.count() > 2e5:
            near = np.floor(around).astype(np.int64)
            upper = np.where(upper > 0, np.minimum(upper, np.maximum(near + 3, 3)), 0)
        all_ = self._lean(region, replace(fixed, upper=upper).recipes())
        far = np.abs(all_ - around)[:, self._still].sum(axis=1)
        chosen = all_[np.argsort(far, kind="stable")[:_MOST_SPACES]]
        complete = len(chosen) == len(all_) and bool(np.all(upper == fixed.upper))
        return ((steps, *self._part(region, steps)) for steps in chosen), complete

    @staticmethod
    def _lean(region: Region, steps: IntArray) -> IntArray:
        """Without those that give the loads of another and leave no more base than it."""
        loads = np.round(steps @ region.loads, 9)
        bulk = steps @ region.rows[1:].T
        kept: dict[bytes, list[int]] = {}
        for i in np.lexsort((*bulk.T[::-1],)):
            mine = kept.setdefault(loads[i].tobytes(), [])
            if not any(np.all(bulk[j] <= bulk[i] + 1e-9) for j in mine):
                mine.append(int(i))
        return np.asarray(steps[sorted(i for group in kept.values() for i in group)])

    def _part(self, region: Region, fixed: IntArray) -> tuple[Views, Region]:
        upper = region.upper.copy()
        upper[self._still] = 0
        rest = replace(region.held(fixed), upper=upper)
        tubes = region.max_tubes - int(region.tubes(fixed[None])[0])
        return self._views(fixed), rest.limited(max_tubes=tubes)

    # --- real-valued

    def ideal(self, targets: FloatArray, best: Found | None = None) -> tuple[FloatArray, float]:
        """Real-valued steps of kinds with the smallest worst CIEDE2000; a local optimum.

        Parameters
        ----------
        targets
            CIELAB in each view, shape (v, 3).
        best
            The closest whole recipe, where it is known: its surroundings are looked at too.
        """
        starts = [ideal(s, t)[0] for s, t in zip(self._plain, targets, strict=True)]
        if best is not None and best.steps is not None:
            whole = self._plain_steps(best.steps.astype(float))
            starts.append(whole)
            starts += [
                ideal(s, t, start=whole)[0] for s, t in zip(self._plain, targets, strict=True)
            ]
        found = [minimax(self._plain, targets, start) for start in starts]
        steps, value = min(found, key=lambda f: f[1])
        result = np.zeros(self.region.size)
        result[: self._pigments] = steps
        return result, value

    def _plain_steps(self, steps: FloatArray) -> FloatArray:
        """Steps of kinds as real-valued dose steps of the pigments, shape (n,)."""
        loads = np.asarray(steps @ self.region.loads, dtype=float)
        return np.asarray(loads / np.diag(self.region.loads[: self._pigments]))

    def _hints(self, steps: FloatArray) -> FloatArray:
        """Real-valued steps of kinds about the same load, shape (h, k): squeezed, then weighed."""
        plain = self._plain_steps(steps)
        hints = [np.where(np.arange(self.region.size) < self._pigments, 0.0, steps)]
        hints[0][: self._pigments] = steps[: self._pigments]
        mixed = np.zeros(self.region.size)
        mixed[: self._pigments] = plain
        order = np.argsort(-self.region.paste, kind="stable")
        for kind in order[order >= self._pigments]:
            own = int(self.region.pigment[kind])
            # What is left over after whole steps of the coarser kinds is weighed.
            coarser = [
                k
                for k in range(self.region.size)
                if self.region.pigment[k] == own and self.region.paste[k] > self.region.paste[kind]
            ]
            rest = 0.0
            for k in coarser:
                whole = np.floor(mixed[k] + 1e-9)
                rest += (mixed[k] - whole) * self.region.paste[k]
                mixed[k] = whole
            mixed[kind] = min(rest / self.region.paste[kind], float(self.region.upper[kind]))
        return np.stack([hints[0], mixed])

    # --- whole

    def answer(self, targets: FloatArray, leeway: Leeway) -> Answer:
        """Search for one colour, given as CIELAB in each view, shape (v, 3)."""
        best = self.closest(targets)
        return Answer(best, self.frugal(targets, best, leeway))

    def closest(
        self,
        targets: FloatArray,
        *,
        hint: FloatArray | None = None,
        max_paste: float | None = None,
        max_tubes: int | None = None,
        below: float = np.inf,
        beliefs: Sequence[FloatArray] = (),
    ) -> Found:
        """The closest whole recipe; see `whole.closest` and `Sight`."""
        region = self.region.limited(max_paste=max_paste, max_tubes=max_tubes)
        hints = self._hints(self.ideal(targets)[0] if hint is None else hint)
        parts, complete = self._parts(region, hints[-1])
        best = Found(None, np.inf, below, True, 0)
        for fixed, views, part in parts:
            if part.max_tubes < 0 or np.any(part.most < -1e-9):
                continue
            found = closest(
                Sight(views, targets, beliefs=beliefs),
                part,
                hints=np.where(part.upper > 0, hints, 0.0),
                below=min(best.delta_e, below),
            )
            bound, boxes = min(best.bound, found.bound), best.boxes + found.boxes
            if found.steps is not None:
                best = replace(found, steps=found.steps + fixed)
            best = replace(best, bound=bound, boxes=boxes)
        reached = min(best.delta_e, below)
        if not complete:
            return replace(best, bound=0.0, proved=reached <= GAP)
        return replace(best, proved=bool(reached - best.bound <= GAP))

    def frugal(self, targets: FloatArray, best: Found, leeway: Leeway) -> Found:
        """The recipe with the least paste among those that count as no worse than `best`.

        What is believed of the colour is taken to hold around each view's target.
        """
        assert best.steps is not None
        within = leeway.within(best.delta_e)
        beliefs = [leeway.belief(target, best.delta_e) for target in targets]
        parts, complete = self._parts(self.region, best.steps.astype(float))
        paste = float(best.steps @ self.region.paste)
        least, proved, boxes, bound = best, complete, 0, paste
        for fixed, views, part in parts:
            used = float(fixed @ self.region.paste)
            if part.max_tubes < 0 or np.any(part.most < -1e-9) or used >= paste:
                continue
            found = frugal(
                Sight(views, targets, beliefs=beliefs),
                part,
                within=within,
                less_than=paste - used,
                near=np.where(part.upper > 0, best.steps, 0),
            )
            boxes += found.boxes
            proved = proved and found.proved
            bound = min(bound, found.bound + used)
            if found.steps is not None:
                least = replace(found, steps=found.steps + fixed)
                paste = float(least.steps @ self.region.paste)  # type: ignore[operator]
        bound = min(bound, paste)
        assert least.steps is not None
        # Among equally short recipes, the closest.
        refined = self.closest(
            targets,
            hint=least.steps.astype(float),
            max_paste=paste + 1e-9,
            below=within + GAP,
            beliefs=beliefs,
        )
        if refined.steps is not None and refined.delta_e <= least.delta_e:
            least = refined
        return Found(least.steps, least.delta_e, bound, proved and paste - bound < 1e-6, boxes)

    def front(self, targets: FloatArray, best: Found, reach: float) -> list[Found]:
        """The Pareto front of worst CIEDE2000, paste and number of pigments."""
        assert best.steps is not None
        found: list[Found] = []
        hint, limit = best.steps.astype(float), best.delta_e + reach
        for tubes in range(self._pigments, -1, -1):
            most = float(self.region.most[0])
            while most >= 0:
                next_ = self.closest(
                    targets, hint=hint, max_paste=most, max_tubes=tubes, below=limit
                )
                if next_.steps is None:
                    break
                found.append(next_)
                total = float(next_.steps @ self.region.paste)
                coarse = float(self.region.paste.max())
                most = total - max(coarse, 0.05 * total)
        region = self.region
        return undominated(
            found,
            lambda steps: float(steps @ region.paste),
            lambda s: int(region.tubes(s[None])[0]),
        )
