"""Make the pictures of ``photo.md``: ``python docs/make_photo_pictures.py``."""

import json
from pathlib import Path

import shadematch as sm

HERE = Path(__file__).parent
PHOTOS = HERE.parent / "data" / "photos"


def main() -> None:
    """Write them beside this script."""
    known = json.loads((PHOTOS / "photos.json").read_text(encoding="utf-8"))
    target = sm.read_photo(
        PHOTOS / "lamp.jpg",
        region=known["region"],
        neutral=known["neutral"],
        chart=known["chart"],
    )
    target.show().savefig(HERE / "photo.png", dpi=90)
    sm.flat_areas(PHOTOS / "lamp.jpg").show().savefig(HERE / "photo-areas.png", dpi=90)


if __name__ == "__main__":
    main()
