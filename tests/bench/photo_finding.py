"""How often a chart is found that is hard to find, and taken for one where there is none.

    python -m tests.bench.photo_finding

The pictures are those of `tests.invented.chart_pictures`: twelve charts of each kind, partly
covered, blurred or under a strong cast, and a hundred pictures without a chart.
"""

from __future__ import annotations

import os
import tempfile
from pathlib import Path

for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(name, "1")

import numpy as np
from PIL import Image

import shadematch as sm
from tests.invented import chart_pictures as cp, photos as ph

EACH = 12
NEAR = 0.15
"""Distances between patches up to which a corner lies where it is."""


def lies_there(found: sm.Chart) -> bool:
    """Whether the corners are where they were drawn."""
    corners = np.array(ph.CHART) * cp.SIZE
    pitch = (corners[2] - corners[0]) / (5, 3)
    return bool(np.abs((np.array(found.corners) - corners) / pitch).max() < NEAR)


def found_in(picture: object, place: Path) -> sm.Chart | None:
    """The chart that is found, if one is."""
    try:
        place.write_bytes(ph.jpeg(picture, 90))  # type: ignore[arg-type]
        return sm.find_chart(place)
    except sm.PhotoError:
        return None


def main() -> None:
    with tempfile.TemporaryDirectory() as folder:
        place = Path(folder) / "p.jpg"
        for kind in cp.COVERED:
            good = hidden_kept = 0
            for seed in range(EACH):
                picture, hidden = cp.covered(kind, seed)
                found = found_in(picture, place)
                if found is not None and lies_there(found):
                    good += 1
                    hidden_kept += len(hidden - set(found.left_out)) > 1
            print(
                f"covered, {kind}: {good} of {EACH} found; in {hidden_kept} more than one hidden "
                "patch counts as seen",
                flush=True,
            )
        for kind in cp.STRAINED:
            good = sum(
                found is not None and lies_there(found)
                for found in (found_in(cp.strained(kind, s), place) for s in range(EACH))
            )
            print(f"{kind}: {good} of {EACH} found", flush=True)
        wrong = []
        for number in range(100):
            Image.fromarray(cp.chartless(number)).save(Path(folder) / "q.png")
            try:
                sm.find_chart(Path(folder) / "q.png")
                wrong.append(number)
            except sm.PhotoError:
                pass
        print(f"without a chart: {len(wrong)} of 100 taken for one {wrong or ''}")


if __name__ == "__main__":
    main()
