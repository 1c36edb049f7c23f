# %% [markdown]
# # What my pastes can make
#
# Before you promise a colour: can these pastes make it at all, in which base and how thick? If
# not, what comes nearest?
#
# The pastes here are **invented**.

# %%
import shadematch as sm
from shadematch import plots

gamut = sm.gamut(pour=sm.Pour(thickness_cm=1.0))
gamut

# %% [markdown]
# ## All colours
#
# The solid holds all colours that these pastes can make, in CIELAB. In JupyterLab you can turn it
# after you have run its cell; elsewhere it is a still picture.

# %%
plots.turning(gamut)

# %% [markdown]
# ## Single colours
#
# Each card shows a wanted colour and the nearest that can be made. A search finds the recipe; where
# the colour can't be made, a proof says so.

# %%
from IPython.display import display

for code in ("#d9822b", "#3a6ea5", "#00ffff"):
    display(gamut.nearest(code))

# %% [markdown]
# ## A slice
#
# This is a slice at lightness 60. Every colour inside the thick line can be made, with doses of any
# length.

# %%
plots.draw_slice(gamut.slice(lightness=60, step=5));

# %% [markdown]
# Thickness and white base move that line:

# %%
others = {
    "1 cm, clear": gamut,
    "3 cm, clear": gamut.at(thickness_cm=3.0),
    "1 cm, 10 % white": gamut.at(white=0.1),
}
slices = [g.slice(lightness=60, step=5) for g in others.values()]
plots.draw_outlines(slices, list(others));

# %% [markdown]
# ## Whole centimetres
#
# Doses are whole centimetres. In 100 g one centimetre is a lot; in 500 g the nearest recipe is
# seldom far away.

# %%
plots.draw_whole(gamut.whole(lightness=60, batches_g=(100, 500, 2000), step=16));

# %% [markdown]
# What share of the colours that a screen shows can be made to within CIEDE2000 2?

# %%
gamut.coverage("srgb", within=2.0)

# %% [markdown]
# ## One colour over base, thickness and batch
#
# Each cell shows the colour that its recipe will have. The small square is the wanted colour.

# %%
found = sm.feasibility(
    "#7fb069",
    pour=sm.Pour(batch_g=500),
    thicknesses_cm=(0.5, 1, 2, 4),
    whites=(0, 0.05, 0.2, 1),
)
plots.draw_feasibility(found);

# %% [markdown]
# Is the tube of jetty needed for it?

# %%
compared = found.compare(sm.demo_palette().without("jetty"), name="jetty left out")
plots.draw_comparison(compared);

# %% [markdown]
# ## To show a customer
#
# How one recipe changes with thickness, load and white. Ticks are equal steps to the eye.

# %%
doses = {"gorse": 1, "rosehip": 1}
for along in ("thickness", "load", "white"):
    plots.draw_ladder(sm.ladder(doses, along=along))
