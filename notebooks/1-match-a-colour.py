# %% [markdown]
# # Match a colour
#
# A customer wants an orange. How many whole centimetres of each paste go into one kilogram of
# clear base, poured 2 cm thick, and how close will it come?
#
# The pastes here are **invented**. Give shadematch a palette of your own (`sm.read("mine.json")`)
# before you trust a recipe.

# %%
import shadematch as sm

pour = sm.Pour(batch_g=1000, thickness_cm=2.0, white=0.0, max_load=4.0)
match = sm.match("#d9822b", pour=pour)
match

# %% [markdown]
# The card is the answer: doses, predicted colour, and the proof that no other recipe of this
# palette and pour comes closer. *Frugal* is the recipe with the least paste among those at most
# 0.5 worse than the closest. Here both are the same recipe.

# %% [markdown]
# ## Along a ruler
#
# The same as lengths along a ruler. (A page to print and work by is `sm.batch_sheet(match)`.)

# %%
from shadematch.plots import draw_match

draw_match(match);

# %% [markdown]
# ## Other choices
#
# Less paste, or fewer tubes to open? Every point is a fair trade: nothing comes closer without
# more paste or more tubes.

# %%
from shadematch.plots import draw_choices

draw_choices(match);

# %% [markdown]
# ## A slip
#
# What if somebody squeezes a centimetre too much?

# %%
doses = dict(match.recipe.doses)
name = next(iter(doses))
sm.predict({**doses, name: doses[name] + 1}, pour=pour)

# %% [markdown]
# ## A colour that is out of reach
#
# A colour that can't be met is said to be so, with what would help:

# %%
sm.match("#00c8ff", pour=pour)
