"""Make the pictures of ``photo.md``: ``python docs/make_photo_pictures.py``.

Those of the advice are rendered like the sample photos (`tests.invented.photos`): invented scenes,
on the left as it should not be, on the right as it should.
"""

import json
import sys
from pathlib import Path

import numpy as np
from PIL import Image

HERE = Path(__file__).parent
sys.path.insert(0, str(HERE.parent))

import shadematch as sm  # noqa: E402
from shadematch.support.paper import svg_of  # noqa: E402
from tests.invented import photos as ph  # noqa: E402

PHOTOS = HERE.parent / "data" / "photos"
SIZE = (360, 270)
BAR = 0.08 + 0.62 / (1 + np.exp((565 - ph.NM) / 18))


def scene(*, light="D65", blemishes=False, exposure=0.75, slope=(0.0, 0.0)):
    """A bar and a sheet of paper on a table, 0 to 1."""
    conditions = ph.Conditions(
        balance=0.9,
        exposure=exposure,
        contrast=0.1,
        slope=slope,
        vignetting=0.04,
        veil=0.003,
        noise=0.003,
        paper=(0.9, 0.0),
        quality=92,
        blemishes=blemishes,
    )
    return ph.photograph(
        BAR,
        light=light,
        camera=ph.cameras()[0],
        conditions=conditions,
        rng=np.random.default_rng(4),
        size=SIZE,
        chart=False,
    )


def box(picture, where, colour):
    """A plain surface laid into the picture (fractions of it)."""
    left, top, right, bottom = (round(v * s) for v, s in zip(where, (*SIZE, *SIZE), strict=True))
    picture[top:bottom, left:right] = colour


def pairs():
    """Name, how it should not be, how it should."""
    good = scene()
    lamp = np.linspace(1.0, 0.0, SIZE[0])[None, :, None]
    two = np.clip(good * (1 + lamp * np.array([0.10, -0.08, -0.35])), 0, 1)
    yield "one-light", two, good
    shade = good.copy()
    shade[round(0.70 * SIZE[1]) :] *= 0.62
    yield "same-light", shade, good
    yield "no-glare", scene(blemishes=True), good
    yield "not-burnt", np.clip(scene(exposure=2.2), 0, 1), good
    both = good.copy()
    box(both, (0.62, 0.76, 0.90, 0.95), (0.46, 0.46, 0.46))
    yield "white-and-grey", good, both
    own = good.copy()
    for i, colour in enumerate(((0.86, 0.55, 0.22), (0.80, 0.38, 0.24))):
        box(own, (0.10 + 0.27 * i, 0.18, 0.32 + 0.27 * i, 0.58), colour)
    yield "own-bars", good, own


def main() -> None:
    """Write them beside this script."""
    known = json.loads((PHOTOS / "photos.json").read_text(encoding="utf-8"))
    found = sm.read_photo(
        PHOTOS / "lamp.jpg",
        region=known["region"],
        neutral=known["neutral"],
        chart=known["chart"],
    )
    areas = sm.flat_areas(PHOTOS / "lamp.jpg")
    for figure, name in ((found.show(), "photo"), (areas.show(), "photo-areas")):
        (HERE / f"{name}.svg").write_text(svg_of(figure) + "\n", encoding="utf-8")
    for name, bad, good in pairs():
        gap = np.ones((SIZE[1], 12, 3))
        codes = np.rint(255 * np.clip(np.concatenate([bad, gap, good], axis=1), 0, 1))
        picture = Image.fromarray(codes.astype(np.uint8))
        picture.save(HERE / f"photo-{name}.jpg", quality=85)


if __name__ == "__main__":
    main()
