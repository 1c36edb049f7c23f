# %% [markdown]
# # From a photo
#
# A customer sends a photo of a bar, taken under a warm lamp with a 24-patch chart beside it. The
# photo and its scene are **invented** (`data/make_photos.py`).

# %%
from pathlib import Path

import shadematch as sm

PHOTOS = next(p for p in (Path("data/photos"), Path("../data/photos"), Path("../../data/photos")) if p.is_dir())
photo = sm.read_photo(
    PHOTOS / "lamp.jpg",
    region=(0.70, 0.15, 0.95, 0.60),
    chart=((0.10, 0.12), (0.60, 0.12), (0.60, 0.60), (0.10, 0.60)),
)
print(photo)

# %%
photo.show();

# %% [markdown]
# Without a chart: white paper alone leaves the lightness open, since it depends on the camera's
# tone curve. A bar whose colour is known says more of colours like its own; here two patches of the
# chart stand for such bars.

# %%
bar = (0.70, 0.15, 0.95, 0.60)
paper = sm.read_photo(PHOTOS / "lamp.jpg", region=bar, neutral=(0.08, 0.78, 0.55, 0.95))
orange = sm.Target.from_lab((62.7, 35.8, 56.5), illuminant="D50")
red = sm.Target.from_lab((42.4, 51.1, 28.6), illuminant="D50")
bars = sm.read_photo(
    PHOTOS / "lamp.jpg",
    region=bar,
    neutral=(0.08, 0.78, 0.55, 0.95),
    reference={(0.08, 0.26, 0.12, 0.30): orange, (0.28, 0.42, 0.32, 0.46): red},
)
for read in (photo, paper, bars):
    print(f"{read.target.hex}, known to {read.target.radius:.1f}: {read.method}")

# %% [markdown]
# The recipe is sought for the best estimate. The verdict says how well that is known.

# %%
sm.match(photo, pour=sm.Pour(batch_g=500, white=0.25))
