# %% [markdown]
# # Learn my own pastes
#
# Test pours of known doses, measured, teach shadematch the pastes of a studio. These readings
# are **invented** (`data/make_test_pours.py`).

# %%
from pathlib import Path

import shadematch as sm

DATA = next(p for p in (Path("data"), Path("../data"), Path("../../data")) if (p / "test-pours.csv").exists())
found = sm.calibrate(sm.read_test_pours(DATA / "test-pours.csv"))
print(found)

# %% [markdown]
# A match made with what was learned is a match like any other; the calibration says what range its
# colour will fall in.

# %%
match = found.match("#d9822b", pour=sm.Pour(batch_g=1000))
print(match)
print(found.interval(match.recipe, target=match.target))

# %% [markdown]
# The palette that was learned is a palette like any other: keep it with `sm.save(found.palette, ...)`.

# %%
from shadematch import plots

match = sm.match("#d9822b", palette=found.palette, pour=sm.Pour(batch_g=1000))
plots.draw_match(match);

# %%
match
