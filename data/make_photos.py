"""Make the sample photos: ``python data/make_photos.py``.

Invented: a bar of the demo palette's pastes, rendered by `tests.invented.photos` beside a 24-patch
chart and a strip of paper, once at a window and once under a kitchen lamp, and the same stand with
plain paper. The first two are in Display P3, as phones save them. `photos.json` tells where things
are and what colour the bar truly has.
"""

import json
import sys
from pathlib import Path

import numpy as np

HERE = Path(__file__).parent
sys.path.insert(0, str(HERE.parent))

import shadematch as sm  # noqa: E402
from tests.invented import photos as ph  # noqa: E402
from tests.invented.icc import P3, SRGB_PARA, icc  # noqa: E402

SIZE = (800, 600)
DOSES = {"gorse": 3.0, "rosehip": 1.0}
POUR = sm.Pour(batch_g=500, thickness_cm=1.0, white=0.25)
SCENES = {
    "window.jpg": (
        "D65",
        0,
        ph.Conditions(
            balance=0.95,
            exposure=0.8,
            contrast=0.1,
            slope=(0.15, 0.05),
            vignetting=0.08,
            veil=0.004,
            noise=0.004,
            paper=(0.9, 0.005),
            quality=88,
            blemishes=True,
        ),
    ),
    "lamp.jpg": (
        "A",
        1,
        ph.Conditions(
            balance=0.85,
            exposure=0.85,
            contrast=0.15,
            slope=(-0.1, 0.08),
            vignetting=0.08,
            veil=0.004,
            noise=0.007,
            paper=(0.9, 0.005),
            quality=88,
            blemishes=True,
        ),
    ),
}


def main() -> None:
    """Write the photos and what is known of them."""
    bar = sm.predict(DOSES, pour=POUR)
    spectrum = np.interp(ph.NM, np.arange(380, 731, 10), bar.reflectance)
    folder = HERE / "photos"
    folder.mkdir(exist_ok=True)
    for seed, (name, (light, camera, conditions)) in enumerate(SCENES.items()):
        picture = ph.photograph(
            spectrum,
            light=light,
            camera=ph.cameras()[camera],
            conditions=conditions,
            rng=np.random.default_rng(70 + seed),
            size=SIZE,
            wide_gamut=True,
        )
        data = ph.jpeg(picture, conditions.quality, icc_profile=icc(P3, SRGB_PARA))
        (folder / name).write_bytes(data)
    slope, vignetting = SCENES["window.jpg"][2].slope, SCENES["window.jpg"][2].vignetting
    paper = ph.plain_paper(slope, vignetting, np.random.default_rng(72), SIZE)
    (folder / "window-paper.jpg").write_bytes(ph.jpeg(paper, 88))
    known = {
        "note": "Invented scenes, rendered. Places are fractions of width and height.",
        "region": ph.SAMPLE,
        "neutral": ph.PAPER,
        "chart": ph.CHART,
        "doses": DOSES,
        "pour": POUR.model_dump(),
        "true_lab_d65": [round(float(v), 2) for v in ph.true_lab(spectrum)],
    }
    (folder / "photos.json").write_text(json.dumps(known, indent=2) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
