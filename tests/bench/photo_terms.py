"""How large a photo's remaining errors are, per kind of correction: writes the shipped table.

    python -m tests.bench.photo_terms [photos]

Renders photos (560 by default, some ten minutes): three of eight of invented soaps, three of the
test colours of CIE 13.3, CIE 2024 and a colour quality scale, two of soaps in strong pastes with
steep bands, which cameras see worst; with invented cameras and invented charts, half under
lights of CIE, half under invented daylight, lamps and LEDs. Fits the terms of
`shadematch.photo.uncertainty`. `tests.bench.photo` uses other surfaces, cameras, charts and
lights; what overlaps is said in docs/accuracy.md.
"""

from __future__ import annotations

import json
import os
import sys
import tempfile
from concurrent.futures import ProcessPoolExecutor
from importlib import resources
from pathlib import Path
from typing import Any

os.environ.setdefault("OMP_NUM_THREADS", "1")
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np
from scipy.optimize import minimize

import shadematch as sm
from shadematch.photo import target as room, uncertainty
from tests.invented import photos as ph

LIGHTS = (
    *("D50", "D55", "D75", "FL2", "FL4", "FL7", "FL8", "FL12", "FL3.8"),
    *("LED-B1", "LED-B2", "LED-B3", "LED-B4", "LED-BH1", "LED-V1", "LED-V2"),
)
"""Daylight, tubes and LEDs; lamps come with the invented lights."""
EDGE = 6.251388631170326  # chi-square with 3 degrees of freedom at 0.9
KINDS: dict[str, dict[str, Any]] = {
    "chart": {"chart": ph.CHART},
    "neutral": {"neutral": ph.PAPER},
    "none": {},
}
LAST = {"chart": "chart residual", "neutral": "camera", "none": "camera and light"}
Rows = dict[str, list[Any]]


def read(number: int) -> dict[str, dict[str, Any]]:
    """One photo: error, estimate, the other covariances, and what the size is judged by."""
    # Every fourth is of strong pastes; the two kinds have seeds of their own.
    strong = number % 4 == 3
    own = number // 4 if strong else number // 4 * 3 + number % 4
    rng = np.random.default_rng([21 if strong else 20, own])
    if strong:
        surface = ph.strong_soap(rng)
    else:
        surfaces = ph.other_samples() if own % 2 else ph.soaps(1, rng)
        surface = surfaces[rng.integers(len(surfaces))]
    light = LIGHTS[rng.integers(len(LIGHTS))] if own // 2 % 2 else ph.invented_light(rng)
    seen: list[Any] = []
    originals = room.chart_size, room.neutral_size

    def watched_chart(residuals: Any, reference: Any) -> float:
        seen.append((residuals, reference))
        return originals[0](residuals, reference)

    def watched_neutral(cast: float) -> float:
        seen.append(cast)
        return originals[1](cast)

    room.chart_size, room.neutral_size = watched_chart, watched_neutral
    found_all: dict[str, dict[str, Any]] = {}
    try:
        with tempfile.TemporaryDirectory() as folder:
            place = ph.shoot(
                Path(folder) / "photo.jpg",
                surface,
                light,
                ph.invented_camera(rng),
                rng,
                chart_set=ph.invented_chart(rng),
            )
            true = ph.true_lab(surface)
            for kind, asked in KINDS.items():
                try:
                    found = sm.read_photo(place, region=ph.SAMPLE, **asked)
                except sm.PhotoError as error:
                    print(number, kind, error)
                    continue
                (last,) = (p for p in found.parts if p.name == LAST[kind])
                found_all[kind] = {
                    "error": np.array(found.target.lab) - true,
                    "lab": found.target.lab,
                    "other": np.array(found.target.covariance) - np.array(last.covariance),
                    "seen": seen[-1] if seen else None,
                }
    finally:
        room.chart_size, room.neutral_size = originals
    return found_all


def gather(count: int) -> dict[str, Rows]:
    """All photos, per kind of correction."""
    rows: dict[str, Rows] = {k: {"error": [], "lab": [], "other": [], "seen": []} for k in KINDS}
    with ProcessPoolExecutor(os.cpu_count()) as pool:
        for found in pool.map(read, range(count), chunksize=10):
            for kind, own in found.items():
                for name, value in own.items():
                    rows[kind][name].append(value)
    return rows


def fit(own: Rows, sizes: Any) -> tuple[uncertainty.Terms, float]:
    """Most likely standard deviations of what remains, and how unlikely they are."""
    lab, error = np.array(own["lab"]), np.array(own["error"])
    frame = uncertainty.frame_of(lab)
    along = np.einsum("kij,kj->ki", frame, error)
    other = np.einsum("kij,kjl,kil->ki", frame, np.array(own["other"]), frame)
    chroma = np.hypot(lab[:, 1], lab[:, 2])
    constant, share = [], []
    total = 0.0
    for i in range(3):

        def cost(p: Any, i: int = i) -> float:
            var = sizes**2 * (np.exp(2 * p[0]) + chroma**2 * np.exp(2 * p[1])) + other[:, i]
            var = var + 1e-6
            return float(np.sum(np.log(var) + along[:, i] ** 2 / var))

        starts = [(a, b) for a in (-1.0, 0.5, 2.0) for b in (-6.0, -4.0, -2.0)]
        tries = [minimize(cost, s, method="L-BFGS-B", bounds=[(-3, 4), (-7, 0)]) for s in starts]
        found = min(tries, key=lambda found: float(found.fun))
        best, total = found.x, total + float(found.fun)
        constant.append(float(np.exp(best[0])))
        share.append(float(np.exp(best[1])))
    return uncertainty.Terms(tuple(constant), tuple(share)), total


def covered(own: Rows, terms: uncertainty.Terms, sizes: Any) -> float:
    """Share of true colours inside the ellipsoid of 90 %."""
    inside = []
    for error, lab, other, size in zip(own["error"], own["lab"], own["other"], sizes, strict=True):
        frame = uncertainty.frame_of(np.array(lab))
        sd = size * uncertainty.deviations(terms, np.array(lab))
        total = frame.T @ np.diag(sd**2) @ frame + other
        inside.append(error @ np.linalg.solve(total, error) <= EDGE)
    return float(np.mean(inside))


def stretched(terms: uncertainty.Terms, factor: float) -> uncertainty.Terms:
    return uncertainty.Terms(*(tuple(factor * v for v in part) for part in terms))


def main() -> None:
    rows = gather(int(sys.argv[1]) if len(sys.argv) > 1 else 560)
    table: dict[str, Any] = {}
    for kind, own in rows.items():
        sizes = np.ones(len(own["error"]))
        usual = 1.0
        for _ in range(4 if kind == "chart" else 1):
            terms = fit(own, sizes)[0]
            if kind == "neutral":
                casts = np.array(own["seen"])
                tries = [(fit(own, 1 + k * casts)[1], k) for k in np.arange(0.0, 0.31, 0.02)]
                cast = min(tries)[1]
                sizes = 1 + cast * casts
                terms = fit(own, sizes)[0]
                table["cast"] = round(float(cast), 3)
            if kind == "chart":
                squares = [uncertainty.mean_square(*c, terms) for c in own["seen"]]
                usual = float(np.sqrt(np.mean(squares)))
                k = np.array([len(c[0]) for c in own["seen"]])
                sizes = uncertainty.size_of(np.array(squares), k, usual)
        low, high = 0.3, 4.0
        for _ in range(30):
            middle = (low + high) / 2
            enough = covered(own, stretched(terms, middle), sizes) >= 0.9
            low, high = (low, middle) if enough else (middle, high)
        final = stretched(terms, high)
        table[kind] = {
            "constant": np.round(final.constant, 3).tolist(),
            "share": np.round(final.share, 4).tolist(),
        }
        if kind == "chart":
            table["usual_chart"] = round(usual / high, 4)
        print(kind, len(sizes), "photos, stretched by", round(high, 3), table[kind])
        print("  covered", covered(own, final, sizes))
    place = resources.files("shadematch").joinpath("resources", "photo-terms.json")
    Path(str(place)).write_text(json.dumps(table, indent=2) + "\n", encoding="utf-8")
    print(f"wrote {place}")


if __name__ == "__main__":
    main()
