"""Invented films and paints, as the colour literature publishes them, for tests and benchmarks.

No layer here is computed by the library's table. Each world has six colourants in some medium
and gives readings of any mixture:

``draw-down``
    See-through colourants over a white and a black card whose spectra are known, in optical
    contact; discrete ordinates with n = 1.45 and g = 0.3. Loads are volume fractions, about 0.01.
``hiding``
    Opaque paints of shares that sum to one; iadpython (`tests.invented.worlds.layer`, n = 1.46, g =
    0.5) at a thickness that hides everything.
``crowded``
    The same by `tests.invented.doubling`, seen at 45/0, each colourant with an asymmetry of its
    own; and chalk scatters less where it lies close, by 30 % when alone, which no model in which
    everything adds up can follow.
``two-flux``
    The same by Kubelka and Munk with Saunderson's correction of the surface.
``two-flux, bare``
    The same without any surface, as published after correction.
``solution``
    Dyes in a cell of 1 cm, transmitted, the solvent's reading being 1: the law of Beer and
    Lambert. Loads are some ten thousand.
``filters``
    Stacked filters, counted; each loses 8 % by its faces.
"""

from __future__ import annotations

import itertools
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np

import shadematch as sm
from shadematch.colour.standards import WAVELENGTHS_NM as NM
from shadematch.optics.transport import slab
from shadematch.support.arrays import FloatArray
from tests.invented import doubling, worlds

KINDS = ("draw-down", "hiding", "crowded", "two-flux", "two-flux, bare", "solution", "filters")
GRID = np.arange(400.0, 701.0, 10.0)
_AT = np.array([int(np.flatnonzero(nm == NM)[0]) for nm in GRID])
CARDS = {
    "white card": 0.86 - 0.12 / (1 + np.exp((NM - 425) / 12)) + 0.00004 * (NM - 550),
    "black card": np.full(NM.size, 0.035),
}
"""Reflectance of bare cards, gloss left out."""
OUTER, INNER = 0.04, 0.6

Loads = dict[str, float]


def two_flux(k: FloatArray, s: FloatArray, surface: bool) -> FloatArray:
    """Reflectance of an opaque layer (Kubelka and Munk 1931; Saunderson 1942), gloss left out."""
    a = 1.0 + k / s
    r = a - np.sqrt(a * a - 1.0)
    return np.asarray((1 - OUTER) * (1 - INNER) * r / (1 - INNER * r) if surface else r)


@dataclass(frozen=True)
class Films:
    """One invented set of colourants.

    Attributes
    ----------
    kind
        One of `KINDS`.
    absorption, scattering
        Of each colourant per unit of load, shape (36,).
    unit
        Size of a usual load.
    """

    kind: str
    absorption: Mapping[str, FloatArray]
    scattering: Mapping[str, FloatArray]
    unit: float

    @property
    def names(self) -> tuple[str, ...]:
        """Of the colourants; ``chalk`` is white."""
        return tuple(self.absorption)

    @property
    def through(self) -> bool:
        """Whether it is seen against the light."""
        return self.kind in ("solution", "filters")

    @property
    def shares(self) -> bool:
        """Whether loads sum to one."""
        return self.kind in ("hiding", "crowded", "two-flux", "two-flux, bare")

    @property
    def backings(self) -> tuple[str, ...]:
        """What each film is measured over."""
        return ("white card", "black card") if self.kind == "draw-down" else ("",)

    def spectrum(self, loads: Mapping[str, float], backing: str = "") -> FloatArray:
        """Exact reading, shape (36,)."""
        k = sum((x * self.absorption[n] for n, x in loads.items()), np.zeros(NM.size))
        s = sum((x * self.scattering[n] for n, x in loads.items()), np.zeros(NM.size))
        if self.kind == "solution":
            return np.exp(-k)
        if self.kind == "filters":
            return np.asarray(np.exp(-k) * 0.92 ** sum(loads.values()))
        if self.kind == "hiding":
            thick = np.minimum(390.0 / s, 58.0 / k)  # as far as the table of that solver goes
            return worlds.layer(k * thick, s * thick, np.full(NM.size, 0.5), through=False)
        if self.kind == "crowded":
            return self._crowded(loads, k)
        if self.kind.startswith("two-flux"):
            return two_flux(k, s, self.kind == "two-flux")
        n = 1.45
        gloss = ((n - 1) / (n + 1)) ** 2
        r = slab(k, s, np.array(1.0), n=n, g=0.3, half=10)
        bare = CARDS[backing]
        # What the card is inside its own surface (Saunderson 1942, 4 % and 57 %).
        inside = bare / (0.96 * 0.43 + 0.57 * bare)
        return np.asarray(r.C1 - gloss + r.D1 * r.Cu * inside / (1 - inside * r.Du))

    def _crowded(self, loads: Mapping[str, float], k: FloatArray) -> FloatArray:
        s, forward = np.zeros((2, NM.size))
        for at, name in enumerate(self.names):
            x = loads.get(name, 0.0)
            g = 0.3 + 0.07 * at + 0.2 * (550.0 - NM) / 400.0
            own = x * self.scattering[name] / (1.0 - g)
            own = own * (1.0 - 0.3 * x) if name == "chalk" else own
            s, forward = s + own, forward + own * g
        return doubling.film(k, s, forward / s, 400.0, np.full(NM.size, 0.5))

    def view(self, backing: str) -> sm.View:
        """How it is seen."""
        if self.through:
            return sm.View(through=True)
        if backing:
            return sm.View(backing=tuple(CARDS[backing].tolist()))
        return sm.View()

    def readings(
        self, loads: Loads, rng: np.random.Generator, dosing: float = 0.004, noise: float = 0.003
    ) -> dict[str, FloatArray]:
        """What an instrument reads over each backing, at `GRID`, of slightly wrong loads."""
        real = {n: x * np.exp(dosing * rng.standard_normal()) for n, x in loads.items()}
        result = {}
        for backing in self.backings:
            exact = self.spectrum(real, backing)[_AT]
            read = exact * (1 + noise * rng.standard_normal(GRID.size))
            result[backing] = np.maximum(read + 0.0003 * rng.standard_normal(GRID.size), 0.0)
        return result

    def learnt(self) -> list[Loads]:
        """Loads to learn from, as such sets are usually laid out."""
        colours = [n for n in self.names if n != "chalk"]
        if self.shares:
            made: list[Loads] = [{n: 1.0} for n in self.names]
            made += [{n: x, "chalk": 1 - x} for n in colours for x in (0.05, 0.2, 0.5)]
            made += [{a: 0.5, b: 0.5} for a, b in itertools.pairwise(colours)]
            return made
        steps = (1.0, 2.0, 3.0) if self.kind == "filters" else (0.25, 1.0, 2.5)
        made = [{n: x * self.unit} for n in self.names for x in steps]
        pairs = itertools.pairwise(colours)
        return made + [{a: self.unit, b: self.unit} for a, b in pairs]

    def held_out(self, rng: np.random.Generator, count: int) -> list[Loads]:
        """Mixtures of two to four colourants."""
        made = []
        for _ in range(count):
            most = min(4, len(self.names))
            picked = rng.choice(self.names, rng.integers(2, most + 1), replace=False)
            shares = rng.dirichlet(np.full(picked.size, 1.5))
            if self.kind == "filters":
                amounts = np.maximum(np.rint(3 * shares), 1.0)
            else:
                amounts = shares if self.shares else shares * rng.uniform(0.5, 3.0) * self.unit
            made.append({str(n): float(x) for n, x in zip(picked, amounts, strict=True)})
        return made

    def write(
        self, folder: Path, films: list[Loads], rng: np.random.Generator, **noise: float
    ) -> tuple[Path, Path | None]:
        """Readings, in percent, and the backings, as two CSV files."""
        head = ["name", *(f"part:{n}" for n in self.names), "backing", "through"]
        lines = [",".join([*head, *(f"{nm:g}" for nm in GRID)])]
        for at, loads in enumerate(films):
            for backing, values in self.readings(loads, rng, **noise).items():
                cells = [f"film {at}", *(f"{loads.get(n, 0):.8g}" for n in self.names)]
                cells += [
                    backing,
                    "yes" if self.through else "no",
                    *(f"{100 * v:.3f}" for v in values),
                ]
                lines.append(",".join(cells))
        path = folder / "films.csv"
        path.write_text("\n".join(lines) + "\n", encoding="utf-8")
        if self.backings == ("",):
            return path, None
        lines = [",".join(["name", *(f"{nm:g}" for nm in GRID)])]
        for name in self.backings:
            lines.append(",".join([name, *(f"{100 * v:.3f}" for v in CARDS[name][_AT])]))
        cards = folder / "cards.csv"
        cards.write_text("\n".join(lines) + "\n", encoding="utf-8")
        return path, cards


def films(kind: str, rng: np.random.Generator) -> Films:
    """An invented set: four colours spread over the spectrum, a black and a white."""
    wave = NM / 550.0
    absorption: dict[str, FloatArray] = {}
    scattering: dict[str, FloatArray] = {}
    for at, name in enumerate(("gorse", "rosehip", "kelp", "dusk")):
        edge = 480 + 60 * at + rng.uniform(-20, 20)
        if at < 2:
            curve = 1 / (1 + np.exp((NM - edge) / rng.uniform(8, 16)))
        else:
            curve = np.exp(-(((NM - edge) / rng.uniform(35, 60)) ** 2))
            curve = curve + 0.3 * np.exp(-(((NM - 400) / 30) ** 2))
        ripple = np.exp(worlds._ripple(rng, 0.1))
        absorption[name] = (rng.uniform(1.0, 3.0) * curve + rng.uniform(0.01, 0.05)) * ripple
        scattering[name] = rng.uniform(0.2, 1.0) * wave ** -rng.uniform(0.2, 1.2)
    absorption["jetty"] = rng.uniform(2.0, 4.0) * wave ** -rng.uniform(0.0, 0.4)
    scattering["jetty"] = rng.uniform(0.03, 0.2) * wave**-1.0
    absorption["chalk"] = 0.004 + 0.3 / (1 + np.exp((NM - 402) / 7))
    scattering["chalk"] = rng.uniform(2.0, 6.0) * wave**-0.7
    unit = {"draw-down": 0.02, "solution": 2e4, "filters": 1.0}.get(kind, 1.0)
    if kind in ("solution", "filters"):
        absorption.pop("chalk")
        scattering = {n: np.zeros(NM.size) for n in absorption}
    strong = 2.0 if kind == "draw-down" else 1.0
    return Films(
        kind,
        {n: strong * v / (1.0 if kind == "filters" else unit) for n, v in absorption.items()},
        {n: strong * v / (1.0 if kind == "filters" else unit) for n, v in scattering.items()},
        unit,
    )


def write_example() -> None:
    """Write the paints of ``docs/films.md``: invented, nothing was measured."""
    rng = np.random.default_rng(36)
    paints = films("hiding", rng)
    path, _ = paints.write(Path("data"), paints.learnt(), rng)
    note = "# Invented for demonstration: nothing was mixed or measured (tests/invented/films.py)\n"
    path.rename(path.with_name("paints.csv"))
    path = path.with_name("paints.csv")
    path.write_text(note + path.read_text(encoding="utf-8"), encoding="utf-8")
    print(f"wrote {path}")


if __name__ == "__main__":
    write_example()
