"""The Pareto front of CIEDE2000, paste and number of pigments."""

from __future__ import annotations

from shadematch.search.searcher import Searcher
from shadematch.search.whole import Solution
from shadematch.support.arrays import FloatArray

__all__ = ["pareto_front"]


def pareto_front(
    searcher: Searcher, targets: FloatArray, best: Solution, reach: float
) -> list[Solution]:
    """Recipes that no other dominates in CIEDE2000, paste and number of pigments.

    For every number of pigments: the closest recipe, then the closest with at least a step and
    about a twentieth less paste, and so on while CIEDE2000 is within `reach` of `best`, the
    closest of all.
    """
    assert best.steps is not None
    limits = searcher.space.limits
    coarse, found = float(limits.paste.max()), {}
    for tubes in range(limits.pigments, -1, -1):
        most = limits.total
        while most >= 0:
            next_ = searcher.closest(
                targets,
                hint=best.steps.astype(float),
                max_paste=most,
                max_tubes=tubes,
                below=best.delta_e + reach,
            )
            if next_.steps is None:
                break
            total = limits.paste_of(next_.steps)
            cost = next_.delta_e, total, int(limits.tubes(next_.steps[None])[0])
            found[next_.steps.tobytes()] = cost, next_
            most = total - max(coarse, total // 20 if limits.grain else 0.05 * total)
    kept: list[tuple[tuple[float, float, int], Solution]] = []
    for cost, each in sorted(found.values(), key=lambda f: f[0]):
        if not any(all(a <= b for a, b in zip(k, cost, strict=True)) for k, _ in kept):
            kept.append((cost, each))
    return [each for _, each in kept]
