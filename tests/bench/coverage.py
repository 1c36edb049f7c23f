"""How wide the demo palette reaches: ``python -m tests.bench.coverage``.

Share of colour-science's 2,734 real Munsell colours (Munsell renotation, xyY under illuminant C)
for which the closest whole recipe, in clear base at 1 cm on white paper, has a CIEDE2000 of at
most 2. Exact: every permitted recipe counts (`shadematch.search.catalogue`).
"""

from __future__ import annotations

import sys
import warnings

import numpy as np

import shadematch as sm
from shadematch.colour.colorimetry import adapt, xyz_to_lab
from shadematch.colour.standards import observation
from shadematch.predicting.prediction import model_for
from shadematch.search.searcher import Searcher
from shadematch.search.space import whole_space
from shadematch.support.arrays import FloatArray


def munsell_lab() -> FloatArray:
    """CIELAB under D65 of the real Munsell colours, shape (2734, 3)."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        from colour.notation import MUNSELL_COLOURS

        entries = MUNSELL_COLOURS["Munsell Colours Real"]
    xyy = np.array([entry[1] for entry in entries], dtype=float)
    x, y, big_y = xyy.T
    xyz = np.column_stack([x / y * big_y, big_y, (1 - x - y) / y * big_y])
    # Y is taken as colour-science gives it.
    source, view = observation("C", "2").white, observation("D65", "2").white
    return xyz_to_lab(adapt(xyz, source, view), view)


def share_within(palette: sm.Palette, labs: FloatArray, batch_g: float, limit: float) -> float:
    """Share of targets with a whole recipe at most `limit` away."""
    pour = sm.Pour(batch_g=batch_g)
    model = model_for(palette, pour.thickness_cm, pour.white, sm.View())
    whole = whole_space(model, load_per_step=pour.load_per_step, max_steps=pour.max_steps)
    found = Searcher(whole).answers(labs[:, None], 0.0)
    return float(np.mean([answer.closest.delta_e <= limit for answer in found]))


def main() -> int:
    """Print the share for three batch sizes."""
    labs = munsell_lab()
    for batch in (100.0, 500.0, 1000.0):
        share = share_within(sm.demo_palette(), labs, batch, 2.0)
        print(f"{batch:6g} g: {share:.1%} of {len(labs)} within CIEDE2000 2", flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main())
