# %% [markdown]
# # Learn my own pastes
#
# A journal learns the pastes and bases of a studio from finished bars: one bar of each paste to
# begin with, then whatever is poured anyway. These bars are **invented**
# (`data/make_finished_bars.py`): the tubes in them differ from the demo palette by 10 %.

# %%
import tempfile
from pathlib import Path

import shadematch as sm

DATA = next(p for p in (Path("data"), Path("../data"), Path("../../data")) if (p / "finished-bars.csv").exists())
bars = sm.read_test_pours(DATA / "finished-bars.csv")
folder = Path(tempfile.mkdtemp())
journal = sm.Journal(folder / "journal.jsonl", pigments=["gorse", "rosehip", "jetty", "dusk", "kelp"])
journal.next()

# %% [markdown]
# Pour it, let it set, measure it, write it down. Here are the first five bars, one of each paste.

# %%
for bar in bars[:5]:
    lesson = journal.add(bar.doses, bar.lab, pour=bar.pour)
lesson

# %% [markdown]
# From now on the journal's palette serves like any other, and carries how well it is known.

# %%
match = sm.match("#d9822b", palette=journal.palette, pour=sm.Pour(batch_g=500))
print(match)
print(sm.spread(match.recipe, palette=journal.palette, target=match.target))

# %% [markdown]
# Ten ordinary bars later the same recipe is surer.

# %%
for bar in bars[5:]:
    journal.add(bar.doses, bar.lab, pour=bar.pour)
print(sm.spread(match.recipe, palette=journal.palette, target=match.target))
journal

# %% [markdown]
# A bar that does not fit is put aside aloud, with what may have happened. Here the paste of a
# bar came from the wrong tube; it is voided, and nothing is lost.

# %%
lesson = journal.add({"rosehip": 3}, bars[4].lab, pour=bars[4].pour)
print(lesson)
journal.void(lesson, why="kelp, not rosehip")

# %% [markdown]
# A batch is poured today and measured when it has set: it gets a number in between.

# %%
number = journal.pour(match, fields={"base lot": "A7"})
print(number, {name: round(left) for name, left in journal.left.items()})

# %%
from shadematch import plots

plots.draw_match(sm.match("#d9822b", palette=journal.palette, pour=sm.Pour(batch_g=500)));
