# %% [markdown]
# # Match a colour
#
# A customer wants an orange. How many whole centimetres of each paste go into 1 kg of clear base,
# poured 2 cm thick, and how close will the colour come?
#
# The pastes here are **invented**. Before you trust a recipe, use a palette of your own
# (`sm.read("mine.json")`).

# %%
import shadematch as sm

pour = sm.Pour(batch_g=1000, thickness_cm=2.0, white=0.0, max_load=4.0)
match = sm.match("#d9822b", pour=pour)
match

# %% [markdown]
# The card gives the doses, the predicted colour, and the proof that no other recipe of this
# palette and pour comes closer. The *frugal* recipe uses the least paste among those at most 0.5
# worse than the closest. Here the two are the same.

# %% [markdown]
# ## Doses along a ruler
#
# The same doses, drawn as lengths. (`sm.batch_sheet(match)` makes a page to print and work from.)

# %%
from shadematch.plots import draw_match

draw_match(match);

# %% [markdown]
# ## Other choices
#
# Could you use less paste, or open fewer tubes? For every point, nothing comes closer without more
# paste or more tubes.

# %%
from shadematch.plots import draw_choices

draw_choices(match);

# %% [markdown]
# ## A slip
#
# What if somebody squeezes one centimetre too much?

# %%
doses = dict(match.recipe.doses)
name = next(iter(doses))
sm.predict({**doses, name: doses[name] + 1}, pour=pour)

# %% [markdown]
# ## A colour out of reach
#
# If a colour can't be made, the card says so, and says what would help:

# %%
sm.match("#00c8ff", pour=pour)
