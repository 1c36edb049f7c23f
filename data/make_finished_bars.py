"""Write invented finished bars of the demo palette: nothing real was poured or measured.

Five bars of 250 g with one paste each, then ten ordinary ones, poured with dosing errors of 2 mm
either way and read once as Lab with 0.3 in each value. Layers are computed exactly with asymmetry
0.5 and index 1.46 (the library's own are 0.6 and 1.5). Each tube is stronger or weaker than the
palette says by 10 %. Run ``python data/make_finished_bars.py`` from the project's root.
"""

import sys
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))
import shadematch as sm
from data.make_test_pours import FOLDER, seen
from shadematch.colour.colorimetry import xyz_to_lab

ORDINARY = (
    ({"gorse": 6, "rosehip": 2}, 500, 0.0),
    ({"dusk": 4, "kelp": 3}, 500, 0.0),
    ({"gorse": 3, "kelp": 4}, 400, 0.1),
    ({"rosehip": 5, "jetty": 1}, 500, 1.0),
    ({"gorse": 8, "jetty": 1}, 600, 0.0),
    ({"dusk": 3, "rosehip": 3}, 300, 0.2),
    ({"kelp": 9, "gorse": 3}, 800, 0.0),
    ({"rosehip": 4}, 500, 0.1),
    ({"gorse": 4, "rosehip": 4, "dusk": 2}, 1000, 0.0),
    ({"jetty": 2, "dusk": 6}, 700, 1.0),
)


def main():
    """Write the file."""
    palette, rng = sm.demo_palette(), np.random.default_rng(2027)
    strong = dict(zip(palette.names, np.exp(0.1 * rng.standard_normal(5)), strict=True))
    bars = [({name: 3}, 250, 0.0) for name in palette.names] + list(ORDINARY)
    heads = ["name", "batch_g", "thickness_cm", "white", *(f"dose_cm:{n}" for n in palette.names)]
    lines = ["# Invented for demonstration: nothing was poured or measured"]
    lines.append(",".join([*heads, "L", "a", "b"]))
    view = sm.View()
    for number, (doses, batch, white) in enumerate(bars, 1):
        pour = sm.Pour(batch_g=batch, white=white)
        slip = {n: d + 0.2 / np.sqrt(3) * rng.standard_normal() for n, d in doses.items()}
        loads = {n: d * strong[n] * 100 / batch for n, d in slip.items()}
        xyz = view.observation.weights @ seen(palette, loads, pour, view)
        lab = xyz_to_lab(xyz, view.observation.white) + 0.3 * rng.standard_normal(3)
        dosed = [f"{doses[n]:g}" if n in doses else "" for n in palette.names]
        cells = [f"bar {number}", f"{batch:g}", "1", f"{white:g}", *dosed]
        lines.append(",".join([*cells, *(f"{v:.2f}" for v in lab)]))
    (FOLDER / "finished-bars.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    print(f"wrote {len(bars)} bars")


if __name__ == "__main__":
    main()
