# %% [markdown]
# # From order book to bar
#
# Which orders can be poured from the tubes on the shelf, and what has to be bought? The order book
# and the shelf are **invented**.

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
# One of these colours is poured today:

# %%
pour = sm.Pour(batch_g=500)
match = sm.match("#d9822b", pour=pour)
match

# %% [markdown]
# ## Before pouring
#
# This is how the melt should look in the pot, and as a drop on paper. In clear base the pot looks
# far darker than the bar.

# %%
sm.in_the_pot(match.recipe, depth_cm=6, pot="steel")

# %% [markdown]
# ## What slips do
#
# Ruler and scale are never exact. The cloud shows the colours that this recipe may give.

# %%
plots.draw_spread(sm.spread(match.recipe, target="#d9822b"));

# %% [markdown]
# ## The bar came out off
#
# The finished bar is darker than it should be. What is to be added?

# %%
lab = match.predicted.lab
measured = (lab[0] - 4, lab[1] + 3, lab[2] - 3)
off = sm.correct(match.recipe, measured, "#d9822b", pot_g=800)
plots.draw_correction(off);

# %% [markdown]
# ## Next month
#
# The same shade is wanted in a thinner bar:

# %%
thin = sm.Pour(batch_g=1000, thickness_cm=0.8)
plots.draw_same_look(sm.same_look(match, to_pour=thin));
