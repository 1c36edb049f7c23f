# %% [markdown]
# # Match a photo
#
# A customer sends a photo of a bar, taken under a warm lamp with a 24-patch chart beside it. Which
# colour is the bar, and which recipe comes close? The photo and its scene are **invented**
# (`data/make_photos.py`).

# %%
from pathlib import Path
from tempfile import mkdtemp

import shadematch as sm

DATA = Path(mkdtemp())
sm.copy_samples(DATA)
PHOTOS = DATA / "photos"
photo = sm.read_photo(
    PHOTOS / "lamp.jpg",
    region=(0.70, 0.15, 0.95, 0.60),
    chart=((0.10, 0.12), (0.60, 0.12), (0.60, 0.60), (0.10, 0.60)),
)
photo

# %% [markdown]
# ## What was read
#
# The bar, the chart and the paper are outlined. Glare, dust and shadow are hatched and left out. On
# the right, the colour as photographed touches the corrected one.

# %%
photo.show();

# %% [markdown]
# ## Without a chart
#
# White paper alone leaves the lightness uncertain, because lightness depends on the camera's tone
# curve. Bars of known colour help most with colours like their own; here two patches of the chart
# stand in for such bars. Compare the three cards: chart, paper, paper and two bars.

# %%
bar = (0.70, 0.15, 0.95, 0.60)
white = (0.08, 0.78, 0.55, 0.95)
paper = sm.read_photo(PHOTOS / "lamp.jpg", region=bar, neutral=white)
orange = sm.Target.from_lab((62.7, 35.8, 56.5), illuminant="D50")
red = sm.Target.from_lab((42.4, 51.1, 28.6), illuminant="D50")
bars = sm.read_photo(
    PHOTOS / "lamp.jpg",
    region=bar,
    neutral=white,
    reference={(0.08, 0.26, 0.12, 0.30): orange, (0.28, 0.42, 0.32, 0.46): red},
)
from IPython.display import display

for read in (photo, paper, bars):
    display(read.target)

# %% [markdown]
# ## The recipe
#
# The match aims at the best estimate. Its verdict says how far the bar may be from the object in
# the photo, and what causes most of that.

# %%
sm.match(photo, pour=sm.Pour(batch_g=500, white=0.25))
