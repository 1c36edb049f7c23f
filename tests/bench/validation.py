"""Every outside check in one table: ``python -m tests.bench.validation``.

Writes ``docs/validation.md``: source and standing, their value, ours, the difference. The tests
make the same comparisons and fail where one is off.
"""

from __future__ import annotations

import csv
import sys
import warnings
from pathlib import Path
from typing import NamedTuple

import numpy as np

import shadematch as sm
from shadematch.colour.colorimetry import xyz_to_lab, xyz_to_srgb
from shadematch.colour.difference import delta_e
from shadematch.colour.standards import observation, onto_grid
from shadematch.optics.layer import Surroundings, reflectance
from shadematch.optics.transport import Slab, fresnel, slab
from shadematch.predicting.prediction import model_for

ROOT = Path(__file__).parents[2]
OUT = ROOT / "docs" / "validation.md"
REFERENCE = ROOT / "tests" / "reference"


class Check(NamedTuple):
    """One comparison; `theirs` and `ours` may be the largest deviation of many."""

    what: str
    source: str
    standing: str
    theirs: float
    ours: float


def table(name: str) -> list[dict[str, str]]:
    """Rows of a reference table."""
    with (REFERENCE / name).open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(line for line in stream if not line.startswith("#")))


def by_albedo(albedo: float, tau: float, g: float, n: float, **more: int) -> Slab:
    """A slab given as in the tables: albedo and optical thickness."""
    mu = np.array(tau * (1 - albedo)), np.array(tau * albedo * (1 - g)), np.array(1.0)
    return slab(*mu, g=g, n=n, **more)


def transport() -> list[Check]:
    """The slab against published tables."""
    hulst = "H. C. van de Hulst, *Multiple Light Scattering* (1980), vol. 1, ch. 9, table 12"
    prahl = "van de Hulst (1980) as quoted by Prahl, van Gemert & Welch, Appl. Opt. 32 (1993)"
    one, two = by_albedo(1, 1, 0.0, 1.0), by_albedo(0.9, 2, 0.75, 1.0, moments=40)
    half = by_albedo(0.9, 1e4, 0.0, 1.5, half=40)
    checks = [
        Check("R, a = 1, tau = 1, g = 0, n = 1", hulst, "seen second-hand", 0.34133, one.R1),
        Check("T, the same", hulst, "seen second-hand", 0.65867, one.T1),
        Check("R, a = 0.9, tau = 2, g = 0.75, n = 1", prahl, "seen second-hand", 0.09739, two.R1),
        Check("T, the same", prahl, "memory", 0.66096, two.T1),
        Check(
            "R of a half-space, a = 0.9, g = 0, n = 1.5",
            "R. G. Giovanelli, Optica Acta 2 (1955)",
            "memory",
            0.2600,
            half.R1,
        ),
    ]
    for albedo, normal, diffuse in (
        (0.5, 0.11523, 0.14654),
        (0.9, 0.41495, 0.47802),
        (0.99, 0.75272, 0.79456),
    ):
        found = by_albedo(albedo, 1e4, 0.0, 1.0)
        source = "S. Chandrasekhar, *Radiative Transfer* (1950), H-function"
        what = f"isotropic half-space, a = {albedo}, "
        checks.append(Check(what + "normal light", source, "computed", normal, found.R1))
        checks.append(Check(what + "diffuse light", source, "computed", diffuse, found.Rd))
    for n, normal in ((1.40, 0.02778), (1.50, 0.04000)):
        ours = float(fresnel(np.array(1.0), n))
        checks.append(Check(f"one face, n = {n}", "Fresnel's equations", "computed", normal, ours))
    dyes = {row["e_number"]: float(row["E1pct_1cm"]) for row in table("dyes_e1pct.csv")}
    absorbance = dyes["E102"] * 2e-4 + dyes["E133"] * 1e-4
    inside, r0 = 10.0 ** (-2 * absorbance), 0.04
    expected = (1 - r0) ** 2 * inside / (1 - r0**2 * inside**2)
    around = Surroundings("through", np.ones(1))
    mu_a = np.array([absorbance * np.log(10.0)])
    ours = float(reflectance(mu_a, np.zeros(1), 2.0, around)[0][0])
    checks.append(
        Check(
            "2 cm of two food dyes in water, T",
            "French arrete of 2 October 1997, annexe VI-A: E(1 %, 1 cm); Beer and Lambert",
            "seen",
            expected,
            ours,
        )
    )
    return checks


def solvers() -> list[Check]:
    """Slabs of soap against another solver."""
    import iadpython

    checks = []
    for mu_a, mu_s in ((0.1, 0.5), (1.0, 2.0), (0.3, 20.0)):
        sample = iadpython.Sample(
            a=mu_s / 0.4 / (mu_a + mu_s / 0.4), b=mu_a + mu_s / 0.4, g=0.6, n=1.5, quad_pts=24
        )
        theirs = sample.rt()
        ours = slab(np.array(mu_a), np.array(mu_s), np.array(1.0))
        what = f"1 cm of soap, mu_a = {mu_a}/cm, mu_s' = {mu_s}/cm, "
        for name, a, b in (("R", theirs[0], ours.R1), ("T", theirs[1], ours.T1)):
            checks.append(
                Check(what + name, "iadpython (adding-doubling)", "computed", float(a), float(b))
            )
    return checks


def colours() -> list[Check]:
    """Colorimetry and CIEDE2000."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        import colour
    rows = table("ciede2000_sharma2005_table1.csv")
    one, other = (np.array([[float(r[f"{c}{i}"]) for c in "Lab"] for r in rows]) for i in (1, 2))
    printed, ours = np.array([float(r["dE00"]) for r in rows]), delta_e(one, other)
    sharma = "G. Sharma, W. Wu, E. N. Dalal, Color Res. Appl. 30 (2005), table 1"
    checks = [
        Check(f"CIEDE2000, pair {at}", sharma, "seen", float(printed[at - 1]), float(ours[at - 1]))
        for at in (1, 7, 17, 24, 34)
    ]
    off = np.abs(printed - ours)
    off[13] = min(off[13], abs(ours[13] - 4.7461))  # on the hue jump both sides are right
    checks.append(
        Check(
            "CIEDE2000, largest deviation of all 34 pairs",
            "the same",
            "seen",
            0.0,
            float(off.max()),
        )
    )
    rng = np.random.default_rng(1)
    many = rng.uniform([0, -128, -128], [100, 128, 128], (2, 100_000, 3))
    theirs = colour.delta_E(many[0], many[1], method="CIE 2000")
    checks.append(
        Check(
            "CIEDE2000, largest deviation of 100,000 random pairs",
            "colour-science",
            "computed",
            0.0,
            float(np.abs(theirs - delta_e(*many)).max()),
        )
    )
    for name, observer, x, z in (
        ("D65", "2", 95.046, 108.906),
        ("A", "2", 109.849, 35.580),
        ("FL11", "2", 100.955, 64.367),
        ("D65", "10", 94.810, 107.305),
    ):
        white = observation(name, observer).white
        source = "CIE 15, by chromaticities in colour-science"
        checks.append(
            Check(f"white of {name}, {observer} degrees, X", source, "computed", x, float(white[0]))
        )
        checks.append(Check("the same, Z", source, "computed", z, float(white[2])))
    rows = table("e308_sample.csv")
    wavelengths, values = (
        np.array([float(r[k]) for r in rows]) for k in ("wavelength_nm", "reflectance")
    )
    seen = observation("A", "2")
    xyz = seen.weights @ onto_grid(wavelengths, values)
    expected = (14.46372680, 10.85832950, 2.04663200)
    for letter, a, b in zip("XYZ", expected, xyz, strict=True):
        checks.append(
            Check(
                f"example sample under A, {letter} (ours at 10 nm, theirs at 1 nm)",
                "ASTM E308-15, by colour-science",
                "seen",
                a,
                float(b),
            )
        )
    rows = table("chart24_after2014_lab_d50.csv")
    x, y, Y = (np.array([float(r[k]) for r in rows]) for k in ("x", "y", "Y"))
    lab = xyz_to_lab(
        100 * np.stack([x / y * Y, Y, (1 - x - y) / y * Y], -1), np.array([96.42, 100.0, 82.49])
    )
    printed = np.array([[float(r[k]) for k in ("L", "a", "b")] for r in rows])
    checks.append(
        Check(
            "24-patch chart, xyY to Lab, largest CIEDE2000",
            "colour-science",
            "seen",
            0.0,
            float(delta_e(lab, printed).max()),
        )
    )
    white = observation("D65").white
    xyz = rng.random((1000, 3)) * white
    theirs = colour.XYZ_to_sRGB(xyz / 100)
    inside = xyz_to_srgb(xyz, white)[1]
    ours_rgb = xyz_to_srgb(xyz, white)[0]
    off = np.abs(np.clip(theirs, 0, 1) - np.clip(ours_rgb, 0, 1))[inside]
    checks.append(
        Check(
            "XYZ to sRGB, largest deviation",
            "colour-science (IEC 61966-2-1)",
            "computed",
            0.0,
            float(off.max()),
        )
    )
    return checks


def recipes() -> list[Check]:
    """Whole predictions, with the layer computed by another solver."""
    import iadpython

    palette, view = sm.demo_palette(), sm.View()
    checks = []
    for doses, white in (
        ({"gorse": 2, "rosehip": 1}, 0.0),
        ({"jetty": 1, "dusk": 1}, 0.3),
        ({"kelp": 3}, 1.0),
    ):
        pour = sm.Pour(batch_g=100, white=white)
        found = sm.predict(doses, palette=palette, pour=pour, view=view)
        model = model_for(palette, pour.thickness_cm, pour.white, view)
        loads = np.array([float(doses.get(name, 0)) for name in palette.names])
        mu_a = model.base_absorption + loads @ model.absorption
        mu_s = model.base_scattering / 0.4
        spectrum = []
        for a, s in zip(mu_a, mu_s, strict=True):
            sample = iadpython.Sample(a=s / (a + s), b=a + s, g=0.6, n=1.5, quad_pts=24)
            r1, t1, rd, td = sample.rt()
            spectrum.append(r1 - 0.04 + t1 * td * 0.9 / (1 - 0.9 * rd))
        lab = xyz_to_lab(model.weights @ np.array(spectrum), model.white)
        what = ", ".join(f"{v} cm {k}" for k, v in doses.items()) + f", white {white:g}"
        value = float(delta_e(lab, np.array(found.lab)))
        checks.append(
            Check(
                f"{what}: CIEDE2000 between the two",
                "iadpython for the layer",
                "computed",
                0.0,
                value,
            )
        )
    return checks


def main() -> int:
    """Compare, print and write."""
    lines = [
        "# Validation",
        "",
        "This page compares the library with published values and other libraries. It is written "
        "by `python -m tests.bench.validation`. Every figure under *theirs* comes from outside the "
        "project: *seen* means read in a file that holds the table, *seen second-hand* in a work "
        "that quotes it, *memory* not seen in print, *computed* by a formula or another library. "
        "The tests in `tests/` make these comparisons and more, with stated limits.",
    ]
    for title, checks in (
        ("Light in a layer: published values", transport()),
        ("Light in a layer: another solver", solvers()),
        ("Colour", colours()),
        ("Recipes", recipes()),
    ):
        lines += [
            "",
            f"## {title}",
            "",
            "| what | source | standing | theirs | ours | difference |",
            "| --- | --- | --- | --- | --- | --- |",
        ]
        for c in checks:
            lines.append(
                f"| {c.what} | {c.source} | {c.standing} | {c.theirs:.6g} | {float(c.ours):.6g} "
                f"| {float(c.ours) - c.theirs:+.1e} |"
            )
    lines += [
        "",
        "## What was not measured",
        "",
        "Real soap was not measured. The strength of white base, its refractive index and its "
        "forward scattering are estimates. Edge losses, rough faces, shimmer and fluorescence are "
        "not modelled.",
    ]
    text = "\n".join(lines) + "\n"
    print(text)
    OUT.write_text(text, encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main())
