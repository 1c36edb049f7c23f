"""An invented studio for tests of the journal: bars whose colours another solver computes."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

import numpy as np

import shadematch as sm
from tests.invented import worlds

NAMES = ("lemon", "brick", "sea")
RULER = 0.115


class Bench:
    """A world, a ruler read to 2 mm and a colorimeter."""

    def __init__(self, seed: int = 1, names: tuple[str, ...] = NAMES) -> None:
        self.rng = np.random.default_rng([seed, 4])
        self.names = names
        self.world = worlds.random_world(self.rng, len(names), names=names)  # type: ignore[arg-type]
        self.strength = dict.fromkeys(names, 1.0)

    def true(self, doses: Mapping[str, float], pour: sm.Pour) -> tuple[float, float, float]:
        """The colour that doses give without slips."""
        loads = {n: d * 100.0 / pour.batch_g * self.strength[n] for n, d in doses.items()}
        lab = worlds.lab_of(self.world.spectrum(loads, pour))
        return float(lab[0]), float(lab[1]), float(lab[2])

    def read(self, doses: Mapping[str, float], pour: sm.Pour) -> tuple[float, float, float]:
        """The colour that a colorimeter shows of a bar."""
        slipped = {n: max(d + RULER * self.rng.standard_normal(), 0.0) for n, d in doses.items()}
        lab = np.array(self.true(slipped, pour)) + 0.3 * self.rng.standard_normal(3)
        return round(min(float(lab[0]), 100.0), 2), round(float(lab[1]), 2), round(float(lab[2]), 2)

    def bar(self) -> tuple[dict[str, float], sm.Pour]:
        """An ordinary bar: one to three pastes in whole centimetres."""
        few = self.rng.permutation(len(self.names))[: self.rng.integers(1, 4)]
        batch = float(self.rng.integers(3, 9)) * 100.0
        loads = self.rng.dirichlet(np.ones(few.size)) * self.rng.uniform(0.5, 3.0)
        doses = {
            self.names[i]: max(round(x * batch / 100.0), 1.0)
            for i, x in zip(few, loads.tolist(), strict=True)
        }
        white = float(self.rng.choice([0.0, 0.0, 0.2, 1.0]))
        return doses, sm.Pour(batch_g=batch, white=white)

    def taught(self, journal: sm.Journal, bars: int) -> sm.Journal:
        """A journal with so many bars more: one of each paste, then ordinary ones."""
        for _ in range(bars):
            asked = journal.next() if len(journal.lessons) < len(self.names) else None
            doses, pour = self.bar() if asked is None else (asked.recipe.doses, asked.recipe.pour)
            journal.add(doses, self.read(doses, pour), pour=pour)
        return journal


def begun(folder: Path, name: str = "journal.jsonl") -> sm.Journal:
    """A new journal of the bench's pastes."""
    return sm.Journal(folder / name, pigments=NAMES)
