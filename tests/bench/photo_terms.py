"""How well what is stated of photos holds, in thousands of simulated ones, patch by patch.

    python -m tests.bench.photo_terms [scenes [first]]

No picture is drawn: a scene is what a camera would give of 24 patches, paper, a grey card and
three surfaces (a test colour, an invented soap, an invented soap in strong pastes). Cameras,
charts, lights and tone curves are invented or of CIE; a third of the photos is strongly vivid, a
seventh lit by two lights, half of the paper brightened. On scenes below 2,600, and on eight
real photos, the terms of `shadematch.photo.inference` were chosen by hand; `tests.bench.photo` uses
other surfaces, cameras, charts and lights. 300 scenes (the default) take about half a minute.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

os.environ.setdefault("OMP_NUM_THREADS", "1")
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np

from shadematch.colour.colorimetry import xyz_to_lab
from shadematch.colour.difference import delta_e
from shadematch.colour.standards import observation
from shadematch.photo.chart import Chart
from shadematch.photo.inference import BELIEF, Inferred, KnownSurface, infer
from shadematch.photo.light import PRIOR_MEAN, PRIOR_SD
from shadematch.photo.profile import SRGB
from shadematch.photo.surfaces import PATCH, STEEP, below_nothing
from shadematch.studio.target import Target
from tests.invented import photos as ph

LIGHTS = (
    *("D50", "D55", "D75", "FL2", "FL4", "FL7", "FL8", "FL12", "FL3.8"),
    *("LED-B1", "LED-B2", "LED-B3", "LED-B4", "LED-BH1", "LED-V1", "LED-V2"),
)
"""Daylight, tubes and LEDs; lamps come with the invented lights."""
EDGE = 6.251388631170326  # chi-square with 3 degrees of freedom at 0.9
EMPTY = 0.002
"""Channel value below which a file has next to nothing."""
PAPER, CARD, SURFACES = 24, 25, 26
KINDS = ("test colour", "soap", "strong soap")
TRAITS = (
    *("all", *KINDS, "one light", "two lights", "faithful", "vivid"),
    *("plain paper", "bright paper"),
)
LUMA = np.array([0.2126, 0.7152, 0.0722])
Array = ph.Array
Tone = Callable[[Array], Array]


@dataclass(frozen=True, eq=False)
class Scene:
    """What a camera gives of all surfaces, and what they are."""

    linear: Array  # (29, 3)
    place: Array  # (29, 2), in diagonals
    true: Array  # Lab of the last three
    traits: dict[str, str]


def encoded(x: Array) -> Array:
    steep = 1.055 * np.maximum(x, 1e-9) ** (1 / 2.4) - 0.055
    return np.where(x <= 0.0031308, 12.92 * x, steep)


def decoded(x: Array) -> Array:
    return np.where(x <= 0.04045, x / 12.92, ((x + 0.055) / 1.055) ** 2.4)


def tone_curve(rng: np.random.Generator) -> tuple[str, Tone]:
    """None, an S of its own, a shoulder in linear light, or a sigmoid of the codes."""
    kind = rng.choice(4, p=[0.2, 0.3, 0.25, 0.25])
    if kind == 0:
        return "plain", lambda x: np.clip(x, 0.0, 1.0)
    if kind == 1:
        share = rng.uniform(0, 0.45)

        def contrast(x: Array) -> Array:
            e = encoded(np.clip(x, 0, 1))
            return decoded((1 - share) * e + share * e * e * (3 - 2 * e))

        return "contrast", contrast
    if kind == 2:
        white, toe, gain = rng.uniform(1.2, 4.0), rng.uniform(1.0, 1.25), rng.uniform(1.2, 1.7)

        def shoulder(x: Array) -> Array:
            y = np.maximum(x, 0) * 1.3
            return np.clip(y * (1 + y / white**2) / (1 + y) * gain, 0, 1) ** toe

        return "shoulder", shoulder
    steep, gamma = rng.uniform(1.1, 1.5), rng.uniform(0.9, 1.1)

    def sigmoid(x: Array) -> Array:
        e = np.clip(encoded(np.clip(x, 0, 1)), 1e-6, 1 - 1e-6) ** gamma
        return decoded(e**steep / (e**steep + (1 - e) ** steep))

    return "sigmoid", sigmoid


def draw_light(rng: np.random.Generator) -> Array:
    if rng.random() < 0.5:
        light = ph.lights()[LIGHTS[rng.integers(len(LIGHTS))]]
    else:
        light = ph.invented_light(rng)
    return np.asarray(light / (ph._observer()[1] @ light))


def paper_and_card(rng: np.random.Generator) -> tuple[str, Array]:
    paper = (0.88 + 0.02 * rng.normal()) * (1 + rng.normal(0, 0.015) * (ph.NM - 555) / 175)
    brightened = rng.random() < 0.5
    if brightened:  # light of the near violet comes back near 440 nm
        paper = paper * (1 - 0.5 / (1 + np.exp((ph.NM - 405) / 8)))
        paper += rng.uniform(0.03, 0.14) * np.exp(-0.5 * ((ph.NM - 440) / 18) ** 2)
    ends = 0.18 * (1 + rng.normal(0, 0.03, 2))
    return ("bright" if brightened else "plain") + " paper", np.vstack(
        [paper, np.interp(ph.NM, [380, 730], ends)]
    )


def places() -> Array:
    """Of the chart's patches, paper, card and surface, in diagonals from the middle."""
    corners = np.array(ph.CHART)
    step = (corners[2] - corners[0]) / (5, 3)
    chart = [corners[0] + step * (i % 6, i // 6) for i in range(24)]
    rest = [(0.315, 0.865), (0.7, 0.8), *[(0.825, 0.375)] * 3]
    return (np.array([*chart, *rest]) - 0.5) * np.array(ph.SIZE) / np.hypot(*ph.SIZE)


def scene(seed: int) -> Scene:
    """One scene."""
    rng = np.random.default_rng([77, seed])
    camera, light, second = ph.invented_camera(rng), draw_light(rng), draw_light(rng)
    samples = ph.other_samples()
    mine = [samples[rng.integers(len(samples))], ph.soaps(1, rng)[0], ph.strong_soap(rng)]
    paper, whites = paper_and_card(rng)
    surfaces = np.vstack([ph.invented_chart(rng), whites, mine])
    place = places()
    share = np.zeros(len(place))
    mixed = rng.random() < 0.15
    if mixed:
        way = rng.normal(size=2)
        share = np.clip(0.25 + place @ way / np.hypot(*way) * rng.uniform(0.3, 1.0), 0, 0.9)
    shines = (1 - share)[:, None] * light + share[:, None] * second
    raw = np.einsum("sw,cw,sw->sc", surfaces, camera, shines)
    balanced, day = (camera * light).sum(axis=1), (camera * ph.lights()["D65"]).sum(axis=1)
    reach = rng.uniform(0.7, 1.0)
    gain = balanced**reach * (day * balanced[1] / day[1]) ** (1 - reach)
    linear = raw / gain @ ph.colour_matrix(camera, light).T
    vivid = rng.choice([0.0, rng.uniform(0, 0.12), rng.uniform(0.1, 0.3)], p=[0.35, 0.35, 0.3])
    grey = (linear @ LUMA)[:, None]
    linear = grey + (1 + vivid) * (linear - grey)
    fall = np.exp(place @ rng.normal(0, 0.07, 2))
    fall *= 1 - rng.uniform(0, 0.36) * (place**2).sum(axis=1)
    far = ((place[:, None] - place) ** 2).sum(axis=-1)
    local = rng.choice([0.0, 0.03, 0.06]) ** 2 * np.exp(-0.5 * far / rng.uniform(0.1, 0.3) ** 2)
    fall *= np.exp(rng.multivariate_normal(np.zeros(len(place)), local + 1e-9 * np.eye(len(place))))
    linear = linear * fall[:, None] * rng.uniform(0.55, 0.92) / linear[PAPER].max()
    veil = rng.uniform(0, 0.012)
    linear = (1 - veil) * linear + 0.25 * veil
    tone, curve = tone_curve(rng)
    if rng.random() < 0.7:
        shown = curve(linear)
    else:  # of luminance, colours kept
        y = np.maximum(linear @ LUMA, 1e-6)
        shown = linear * (curve(y) / y)[:, None]
    shown = np.clip(shown * (1 + 0.003 * rng.normal(size=shown.shape)), 0.0, 0.985)
    traits = {
        "light": "two lights" if mixed else "one light",
        "rendering": "vivid" if vivid > 0.1 else "faithful",
        "tone": tone,
        "paper": paper,
    }
    true = np.array([ph.true_lab(s) for s in surfaces[SURFACES:]])
    return Scene(shown, place, true, traits)


def told(seen: Scene, way: str) -> Inferred | None:
    """What the surfaces of a way tell; None where too much of them clips."""
    plane = PRIOR_MEAN, np.diag(PRIOR_SD**2)
    known = []

    def add(number: int, lab: Any, sd: Any, steep: float = 1.0) -> None:
        spread = np.diag(np.square(sd)) * np.eye(3)
        spread = spread + below_nothing(np.array(lab), seen.linear[number] < EMPTY)
        known.append(
            KnownSurface(seen.linear[number], seen.place[number], np.array(lab), spread, steep)
        )

    if way == "chart":
        whole = [i for i in range(24) if seen.linear[i].max() < 0.97]
        if len(whole) < 18:
            return None
        best: Inferred | None = None
        white = observation("D65").white
        for xyz in Chart(ph.CHART).references.values():
            known.clear()
            lab = xyz_to_lab(xyz, white)
            for i in whole:
                add(i, lab[i], [PATCH] * 3, STEEP)
            found = infer(known, SRGB.matrix, plane)
            best = found if best is None or found.evidence > best.evidence else best
        return best
    if "paper" in way:
        if seen.linear[PAPER].max() > 0.97:
            return None
        add(PAPER, BELIEF.paper, BELIEF.paper_sd)
    if "card" in way:
        add(CARD, [49.5, 0.0, 0.0], [0.8] * 3)
    return infer(known, SRGB.matrix, plane)


def main() -> None:
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 300
    first = int(sys.argv[2]) if len(sys.argv) > 2 else 0
    scenes = [scene(i) for i in range(first, first + count)]
    print("| corrected by | photos | mean | 95 % | 90 % holds | radius | n |")
    print("| --- | --- | --- | --- | --- | --- | --- |")
    for way in ("chart", "paper", "card", "paper and card", "nothing"):
        rows = []
        for seen in scenes:
            found = told(seen, way)
            for j, kind in enumerate(KINDS):
                linear, place = seen.linear[SURFACES + j], seen.place[SURFACES + j]
                if found is None or linear.max() > 0.97 or linear.min() < EMPTY:
                    continue
                lab = np.clip(found.lab(linear, place), (0, -200, -200), (100, 200, 200))
                spread = sum(found.covariance(linear, place))
                error = lab - seen.true[j]
                rows.append(
                    (
                        {"all", kind, *seen.traits.values()},
                        float(delta_e(lab, seen.true[j])),
                        float(error @ np.linalg.solve(spread, error)) <= EDGE,
                        Target(tuple(lab.tolist()), covariance=spread).radius,
                    )
                )
        for trait in TRAITS:
            own = [row for row in rows if trait in row[0]]
            off, inside, radius = (np.array([row[k] for row in own]) for k in (1, 2, 3))
            print(
                f"| {way} | {trait} | {off.mean():.2f} | {np.percentile(off, 95):.1f} | "
                f"{inside.mean():.1%} | {radius.mean():.1f} | {len(own)} |"
            )


if __name__ == "__main__":
    main()
