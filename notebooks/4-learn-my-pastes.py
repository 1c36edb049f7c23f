# %% [markdown]
# # A journal, bar by bar
#
# A journal learns your pastes and bases from finished bars: one bar of each paste to begin with,
# then whatever you pour anyway. The bars here are **invented** (`data/make_finished_bars.py`):
# their tubes differ from the demo palette by 10 %.

# %% [markdown]
# ## Begin a journal
#
# A new journal says which bars to pour first.

# %%
from pathlib import Path
from tempfile import mkdtemp

import shadematch as sm
from shadematch import plots

DATA = Path(mkdtemp())
sm.copy_samples(DATA)
bars = sm.read_test_pours(DATA / "finished-bars.csv")
names = ["gorse", "rosehip", "jetty", "dusk", "kelp"]
journal = sm.Journal(DATA / "journal.jsonl", pigments=names)
journal.next()

# %% [markdown]
# ## The first five bars
#
# Pour each bar, let it set, measure it and add it. Here are five, one of each paste. The card shows
# what the last one taught.

# %%
for bar in bars[:5]:
    lesson = journal.add(bar.doses, bar.lab, pour=bar.pour)
lesson

# %% [markdown]
# ## A first recipe
#
# The journal's palette works like any other, and carries how well it is known. After five bars,
# much is still uncertain. The cloud shows the colours that this recipe may give.

# %%
match = sm.match("#d9822b", palette=journal.palette, pour=sm.Pour(batch_g=500))
match

# %%
spread = sm.spread(match.recipe, palette=journal.palette, target=match.target)
plots.draw_spread(spread);

# %% [markdown]
# ## Ten ordinary bars later
#
# The same recipe, predicted again with what was learned. The cloud is much smaller: compare the
# axes.

# %%
for bar in bars[5:]:
    journal.add(bar.doses, bar.lab, pour=bar.pour)
spread = sm.spread(match.recipe, palette=journal.palette, target=match.target)
plots.draw_spread(spread);

# %% [markdown]
# The journal's report says what it knows about each paste:

# %%
journal

# %% [markdown]
# ## A bar that does not fit
#
# This bar was poured from the wrong tube. The journal puts it aside and says what may have
# happened.

# %%
lesson = journal.add({"rosehip": 3}, bars[4].lab, pour=bars[4].pour)
lesson

# %% [markdown]
# It was kelp indeed, so the bar is voided. Nothing else is lost.

# %%
journal.void(lesson, why="kelp, not rosehip")

# %% [markdown]
# ## A batch that is measured later
#
# A batch is poured today and measured when it has set. Until then it has a number, and the paste
# left in the tubes is counted.

# %%
number = journal.pour(match, fields={"base lot": "A7"})
left = {name: f"{cm:.0f} cm" for name, cm in journal.left.items()}
print(f"batch {number}; left in the tubes: {left}")

# %% [markdown]
# ## The next recipe
#
# With all that was learned, the same orange again:

# %%
again = sm.match("#d9822b", palette=journal.palette, pour=sm.Pour(batch_g=500))
plots.draw_match(again);
