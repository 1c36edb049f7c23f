# %% [markdown]
# # What can be made
#
# Before you promise a colour: can these pastes make it at all, in which base and at what
# thickness? If not, what is the nearest honest offer?
#
# The pastes here are **invented**.

# %%
import shadematch as sm
from shadematch import plots

gamut = sm.gamut(pour=sm.Pour(thickness_cm=1.0))
gamut

# %% [markdown]
# All colours that can be reached, as a solid in CIELAB. In JupyterLab it turns; pages without
# it show a picture.

# %%
plots.turning(gamut)

# %% [markdown]
# One colour after the other. The answer comes from a search for a recipe, and a "no" is proved.

# %%
for code in ("#d9822b", "#3a6ea5", "#00ffff"):
    print(gamut.nearest(code))

# %% [markdown]
# A level cut at lightness 60. Inside the thick line everything can be made, with doses of any
# length.

# %%
plots.draw_slice(gamut.slice(lightness=60, step=4));

# %% [markdown]
# Thickness and white move that line:

# %%
others = {"1 cm, clear": gamut, "3 cm, clear": gamut.at(thickness_cm=3.0), "1 cm, 10 % white": gamut.at(white=0.1)}
plots.draw_outlines([g.slice(lightness=60, step=5) for g in others.values()], list(others));

# %% [markdown]
# Doses are whole centimetres, though. In 100 g one centimetre is a lot; in 500 g the nearest
# recipe is seldom far away.

# %%
import matplotlib.pyplot as plt

maps = gamut.whole(lightness=60, batches_g=(100, 500, 2000), step=16)
figure, axes = plt.subplots(1, 3, figsize=(12, 3.6), layout="constrained")
for found, ax in zip(maps, axes, strict=True):
    plots.draw_whole(found, ax)
    print(found)

# %% [markdown]
# How many of the colours that a screen shows come within a visible difference?

# %%
gamut.coverage("srgb", within=2.0)

# %% [markdown]
# ## One colour over base, thickness and batch
#
# Each cell is filled with the colour its recipe will have; the small square is the wanted one.

# %%
found = sm.feasibility(
    "#7fb069",
    pour=sm.Pour(batch_g=500),
    thicknesses_cm=(0.5, 1, 2, 4),
    whites=(0, 0.05, 0.2, 1),
)
print(found.sentence)
plots.draw_feasibility(found);

# %% [markdown]
# Is the tube of jetty needed for it?

# %%
compared = found.compare(sm.demo_palette().without("jetty"), name="jetty left out")
print(compared)
plots.draw_comparison(compared);

# %% [markdown]
# ## To show a customer
#
# How one recipe moves with thickness, load and white. Ticks are equal steps to the eye.

# %%
doses = {"gorse": 1, "rosehip": 1}
figure, axes = plt.subplots(3, 1, figsize=(7, 5.4), layout="constrained")
for along, ax in zip(("thickness", "load", "white"), axes, strict=True):
    plots.draw_ladder(sm.ladder(doses, along=along), ax)
