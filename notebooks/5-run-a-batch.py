# %% [markdown]
# # From order book to bar
#
# The order book and the shelf are **invented**. Which orders can be poured from the tubes on the
# shelf, and what has to be bought?

# %%
from pathlib import Path
from tempfile import mkdtemp

import shadematch as sm
from shadematch import plots

DATA = Path(mkdtemp())
sm.copy_samples(DATA)
orders = sm.read_orders(DATA / "order-book.csv")
plan = sm.plan(orders, sm.read_stock(DATA / "shelf.csv"), buy=True)
plots.draw_plan(plan);

# %% [markdown]
# ## One batch
#
# One colour of it, poured today. How does the melt look in the pot, before it is poured?

# %%
pour = sm.Pour(batch_g=500)
match = sm.match("#d9822b", pour=pour)
match

# %%
sm.in_the_pot(match.recipe, depth_cm=6, pot="steel")

# %% [markdown]
# ## How far batches stray
#
# How far may a slip of ruler and scale lead?

# %%
plots.draw_spread(sm.spread(match.recipe, target="#d9822b"));

# %% [markdown]
# ## The bar came out off
#
# The bar came out darker than it should. What to add?

# %%
lab = match.predicted.lab
off = sm.correct(match.recipe, (lab[0] - 4, lab[1] + 3, lab[2] - 3), "#d9822b", pot_g=800)
plots.draw_correction(off);

# %% [markdown]
# ## Next month
#
# Next month the same shade is wanted in a thinner bar.

# %%
plots.draw_same_look(sm.same_look(match, to_pour=sm.Pour(batch_g=1000, thickness_cm=0.8)));
