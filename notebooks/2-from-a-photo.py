# %% [markdown]
# # From a photo
#
# A customer sends a photo of a bar, taken under a warm lamp with a 24-patch chart beside it. The
# photo and its scene are **invented** (`data/make_photos.py`).

# %%
from pathlib import Path

import shadematch as sm

PHOTOS = next(p for p in (Path("data/photos"), Path("../data/photos"), Path("../../data/photos")) if p.is_dir())
target = sm.read_photo(
    PHOTOS / "lamp.jpg",
    region=(0.70, 0.15, 0.95, 0.60),
    chart=((0.10, 0.12), (0.60, 0.12), (0.60, 0.60), (0.10, 0.60)),
)
print(target)

# %%
target.show();

# %% [markdown]
# The colour is known within its covariance only, so recipes inside it count as equally good, and
# the one with the least paste is taken.

# %%
sm.match(target, pour=sm.Pour(batch_g=500, white=0.25))
