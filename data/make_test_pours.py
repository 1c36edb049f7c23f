"""Write invented test pours of the demo palette: nothing real was poured or measured.

The bars are those of `tests/invented/campaign.py`, 500 g each, with dosing errors of 2 mm. Layers
are computed exactly with asymmetry 0.5 and index 1.46 (the library's own are 0.6 and 1.5), so
that calibrating from them is no mere return trip. ``test-pours.csv`` holds spectra with 1 %
noise; ``test-pours-lab.csv`` Lab under D65 with 0.4 in each value; ``test-pours.txt`` the same
spectra as CGATS.17 text without doses, and ``bars.csv`` these. Run
``python data/make_test_pours.py`` from the project's root.
"""

import sys
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))
import shadematch as sm
from shadematch.colour.colorimetry import xyz_to_lab
from shadematch.colour.standards import WAVELENGTHS_NM as NM
from shadematch.optics.transport import slab
from tests.invented.campaign import campaign

INDEX, ASYMMETRY = 1.46, 0.5
FOLDER = Path("data")


def seen(palette, loads, pour, view):
    """Exact radiance factor, gloss left out."""
    mu_a, mu_s = palette.blend(pour.white)
    for name, load in loads.items():
        mu_a = mu_a + load * np.array(palette[name].absorption)
    r = slab(mu_a, mu_s, np.array(pour.thickness_cm), n=INDEX, g=ASYMMETRY)
    backing = view.backing_reflectance
    gloss = ((INDEX - 1) / (INDEX + 1)) ** 2
    return r.R1 - gloss + r.T1 * r.Td * backing / (1 - backing * r.Rd)


def form(plan, names, columns):
    """A heading and a line for each reading, its values to be filled in."""
    doses = [f"dose_cm:{name}" for name in names]
    values = [c if isinstance(c, str) else f"{c:g}" for c in columns]
    lines = [",".join(["name", "batch_g", "thickness_cm", "white", "backing", *doses, *values])]
    for p in plan.pours:
        made = [p.name, *(f"{v:g}" for v in (p.pour.batch_g, p.pour.thickness_cm, p.pour.white))]
        dosed = [f"{p.doses[n]:g}" if n in p.doses else "" for n in names]
        lines += [",".join([*made, view.backing, *dosed, *[""] * len(values)]) for view in p.views]
    return lines


def main():
    """Write the four files."""
    palette, rng = sm.demo_palette(), np.random.default_rng(2026)
    plan = campaign(palette.names)
    note = "# Invented for demonstration: nothing was poured or measured (make_test_pours.py)\n"
    spectra, labs = form(plan, palette.names, NM), form(plan, palette.names, "Lab")
    bars = [",".join(["name", *spectra[0].split(",")[1:4], *spectra[0].split(",")[5:10]])]
    exported, at = [], 1
    for planned in plan.pours:
        slip = {n: d + 0.2 * rng.standard_normal() for n, d in planned.doses.items()}
        loads = {n: max(d, 0.0) * 100 / planned.pour.batch_g for n, d in slip.items()}
        cells = spectra[at].split(",")
        bars.append(",".join([cells[0], *cells[1:4], *cells[5:10]]))
        for view in planned.views:
            exact = seen(palette, loads, planned.pour, view)
            read = np.maximum(exact * (1 + 0.01 * rng.standard_normal(NM.size)), 0)
            observation = view.observation
            lab = xyz_to_lab(observation.weights @ exact, observation.white)
            lab = lab + 0.4 * rng.standard_normal(3)
            spectra[at] = ",".join([*spectra[at].split(",")[:10], *(f"{v:.5f}" for v in read)])
            labs[at] = ",".join([*labs[at].split(",")[:10], *(f"{v:.2f}" for v in lab)])
            values = " ".join(f"{100 * v:.3f}" for v in read)
            exported.append(f'{at} "{planned.name}" {view.backing} {values}')
            at += 1
    fields = " ".join(["SAMPLE_ID", "SAMPLE_NAME", "SAMPLE_BACKING"])
    fields += "".join(f" SPECTRAL_NM{nm:g}" for nm in NM)
    text = [
        "CGATS.17",
        'ORIGINATOR "invented for demonstration: nothing was measured"',
        f"NUMBER_OF_FIELDS {3 + NM.size}",
        "BEGIN_DATA_FORMAT",
        fields,
        "END_DATA_FORMAT",
        f"NUMBER_OF_SETS {len(exported)}",
        "BEGIN_DATA",
        *exported,
        "END_DATA",
    ]
    for name, lines, head in (
        ("test-pours.csv", spectra, note),
        ("test-pours-lab.csv", labs, note),
        ("bars.csv", bars, note),
        ("test-pours.txt", text, ""),
    ):
        (FOLDER / name).write_text(head + "\n".join(lines) + "\n", encoding="utf-8")
    print(f"wrote {at - 1} readings of {len(plan.pours)} bars")


if __name__ == "__main__":
    main()
