"""Invented soap worlds in which calibration is tried: the truth comes from another solver.

Layers are computed by iadpython (S. A. Prahl, adding-doubling with Fresnel faces), with
asymmetry 0.5 and index 1.46 where the library has 0.6 and 1.5. It takes 8 ms a layer, so its
answers are tabulated once: ``python -m tests.invented.worlds`` writes
``tests/reference/world_iadpython.npz`` anew (a minute; computed, nothing measured), and
`tests/calibration/test_calibrate.py` compares the table with iadpython itself at other points.
"""

from __future__ import annotations

import dataclasses
import functools
import warnings
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from scipy.interpolate import RectBivariateSpline

import shadematch as sm
from shadematch.colour.colorimetry import xyz_to_lab
from shadematch.colour.standards import WAVELENGTHS_NM as NM
from shadematch.support.arrays import FloatArray
from tests.invented.campaign import Campaign

INDEX = 1.46
ASYMMETRY = 0.5
R0 = ((INDEX - 1) / (INDEX + 1)) ** 2
FILE = Path(__file__).parents[1] / "reference" / "world_iadpython.npz"
U_SCALE, V_SCALE, U_TOP, V_TOP = 0.002, 0.005, 60.0, 400.0


OWN = 1.5, 0.6
"""Index and asymmetry as the library takes them: a world that differs by its solver alone."""
OWN_FILE = FILE.with_name("world_iadpython_own.npz")


def exact(
    u: float, v: float, index: float = INDEX, asymmetry: float = ASYMMETRY
) -> tuple[float, float, float, float]:
    """R1, T1, Rd, Td of iadpython for absorption u and reduced scattering v, times thickness."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        import iadpython

        s = v / (1 - asymmetry)
        depth = max(u + s, 1e-9)
        sample = iadpython.Sample(a=s / depth, b=depth, g=asymmetry, n=index, quad_pts=24)
        r1, t1, rd, td = sample.rt()
    return float(r1), float(t1), float(rd), float(td)


def write() -> None:
    """Tabulate both."""
    x = np.linspace(0, np.arcsinh(U_TOP / U_SCALE), 72)
    y = np.linspace(0, np.arcsinh(V_TOP / V_SCALE), 64)
    for file, constants in ((FILE, (INDEX, ASYMMETRY)), (OWN_FILE, OWN)):
        u, v = U_SCALE * np.sinh(x), V_SCALE * np.sinh(y)
        values = np.array([[exact(a, s, *constants) for s in v] for a in u])
        np.savez_compressed(file, x=x, y=y, values=values.astype(np.float32))
        print(f"wrote {values.shape} to {file}")


@functools.cache
def _table(file: Path = FILE) -> list[RectBivariateSpline]:
    with np.load(file) as archive:
        x, y, values = archive["x"], archive["y"], archive["values"].astype(float)
    return [RectBivariateSpline(x, y, values[..., k]) for k in range(4)]


def layer(
    u: FloatArray, v: FloatArray, backing: FloatArray, *, through: bool, own: bool = False
) -> FloatArray:
    """What is seen at normal view, gloss left out, across a film of air; `own`: as `OWN` has it."""
    x = np.arcsinh(np.minimum(u, U_TOP) / U_SCALE)
    y = np.arcsinh(np.minimum(v, V_TOP) / V_SCALE)
    r1, t1, rd, td = (spline.ev(x, y) for spline in _table(OWN_FILE if own else FILE))
    r0 = ((OWN[0] - 1) / (OWN[0] + 1)) ** 2 if own else R0
    if through:
        return np.maximum(t1, 0.0)
    return np.maximum(r1 - r0 + t1 * td * backing / (1 - backing * rd), 0.0)


def browned(world: World, name: str = "vanilla", depth: float = 0.4) -> World:
    """The same with a further base: clear base with what absorbs `depth` [1/cm] at 450 nm.

    Less by a factor e every 60 nm, as much that is brown does (invented, no paste or base of a
    maker was measured).
    """
    brown = world.clear[0] + depth * np.exp(-(NM - 450.0) / 60.0)
    return dataclasses.replace(world, bases={**world.bases, name: (brown, world.clear[1])})


@dataclass(frozen=True)
class World:
    """True constants: [1/cm], pigments per cm/100 g; each spectrum has shape (36,)."""

    clear: tuple[FloatArray, FloatArray]
    white: tuple[FloatArray, FloatArray]
    absorption: Mapping[str, FloatArray]
    scattering: Mapping[str, FloatArray] = field(default_factory=dict)
    bases: Mapping[str, tuple[FloatArray, FloatArray]] = field(default_factory=dict)
    """Further bases, by name."""

    def spectrum(
        self, loads: Mapping[str, float], pour: sm.Pour, view: sm.View | None = None
    ) -> FloatArray:
        """Exact radiance factor, shape (36,)."""
        view = view or sm.View()
        w = pour.white
        base = {"clear": self.clear, **self.bases}[pour.base]
        mu_a = (1 - w) * base[0] + w * self.white[0]
        mu_s = (1 - w) * base[1] + w * self.white[1]
        for name, load in loads.items():
            mu_a = mu_a + load * self.absorption[name]
            mu_s = mu_s + load * self.scattering.get(name, np.zeros(NM.size))
        x = pour.thickness_cm
        return layer(mu_a * x, mu_s * x, view.backing_reflectance, through=view.through)

    def poured(
        self,
        doses: Mapping[str, float],
        pour: sm.Pour,
        rng: np.random.Generator,
        dosing_cm: float = 0.2,
    ) -> dict[str, float]:
        """Loads that really went in, when doses are read off a ruler to `dosing_cm`."""
        return {
            name: max(dose + dosing_cm * rng.standard_normal(), 0.0) * 100.0 / pour.batch_g
            for name, dose in doses.items()
            if dose
        }


def measured(
    world: World,
    plan: Campaign,
    rng: np.random.Generator,
    kind: str = "spectrum",
    noise: float = 0.01,
    dosing_cm: float = 0.2,
) -> list[sm.TestPour]:
    """Test pours of a plan, with dosing errors and noisy readings.

    `noise` is a share of R for spectra; a standard deviation of L*, a* and b* for ``"lab"``
    and ``"photo"``, which differ in that photos bring their covariance.
    """
    result = []
    for planned in plan.pours:
        real = world.poured(planned.doses, planned.pour, rng, dosing_cm)
        for view in planned.views:
            spectrum = world.spectrum(real, planned.pour, view)
            about = {"name": planned.name, "pour": planned.pour, "view": view, "unit": planned.unit}
            if kind == "spectrum":
                read = np.clip(spectrum * (1 + noise * rng.standard_normal(NM.size)), 0, 1.2)
                made = sm.TestPour.from_spectrum(planned.doses, NM, read, **about)
            else:
                lab = lab_of(spectrum, view) + noise * rng.standard_normal(3)
                lab[0] = np.clip(lab[0], 0.0, 100.0)
                matrix = noise**2 * np.eye(3)
                covariance = tuple(map(tuple, matrix.tolist())) if kind == "photo" else None
                made = sm.TestPour(
                    planned.doses, **about, lab=tuple(lab.tolist()), covariance=covariance
                )
            result.append(made)
    return result


Case = tuple[dict[str, float], sm.Pour]


def unseen(
    world: World,
    rng: np.random.Generator,
    count: int,
    batch_g: float = 500.0,
    *,
    whole: bool = False,
) -> list[Case]:
    """Mixtures of one to three pigments, 0.3 to 4 cm per 100 g, 0.5 to 4 cm thick.

    Half in clear base, a quarter in blends with 2 to 50 % white, a quarter in white base. With
    `whole` doses are whole centimetres, at least one.
    """
    names = list(world.absorption)
    cases = []
    for _ in range(count):
        picked = rng.choice(names, rng.integers(1, 4), replace=False)
        total = rng.uniform(0.3, 4.0)
        shares = rng.dirichlet(np.ones(picked.size))
        white = float(rng.choice([0.0, 0.0, rng.uniform(0.02, 0.5), 1.0]))
        thickness = float(rng.uniform(0.5, 4.0))
        pour = sm.Pour(batch_g=batch_g, thickness_cm=thickness, white=white)
        amounts = total * shares * batch_g / 100
        if whole:
            amounts = np.maximum(np.rint(amounts), 1.0)
        doses = {str(n): float(d) for n, d in zip(picked, amounts, strict=True)}
        cases.append((doses, pour))
    return cases


def loads(doses: Mapping[str, float], pour: sm.Pour) -> dict[str, float]:
    """Loads of doses, as stated [cm per 100 g]."""
    return {name: dose * 100.0 / pour.batch_g for name, dose in doses.items()}


def lab_of(spectrum: FloatArray, view: sm.View | None = None) -> FloatArray:
    """CIELAB under a view's light."""
    seen = (view or sm.View()).observation
    return xyz_to_lab(seen.weights @ spectrum, seen.white)


def _ripple(rng: np.random.Generator, size: float) -> FloatArray:
    """A smooth random curve around 0."""
    phase = (NM - 380) / 350
    curve = np.zeros(NM.size)
    for k in range(1, 7):
        curve += rng.standard_normal() * np.cos(np.pi * k * phase + rng.uniform(0, 6)) / k
    return size * curve


def random_world(
    rng: np.random.Generator, pigments: int = 5, scattering: int = 0, names: str = "ABCDEFGH"
) -> World:
    """A world whose pigments are bands and edges at random places, with ripples on them."""
    wave = NM / 550.0
    absorption, scatter = {}, {}
    for at in range(pigments):
        grey = rng.uniform(0.01, 0.04)
        strength = rng.uniform(0.5, 2.5)
        # Spread over the spectrum as a studio would choose its pastes.
        centre = 420 + 290 * ((at + rng.uniform(0.1, 0.9)) / pigments)
        if rng.random() < 0.3 and centre < 560:
            curve = strength / (1 + np.exp((NM - centre) / rng.uniform(10, 22)))
        else:
            width = rng.uniform(28, 60)
            skew = np.where(centre > NM, width * rng.uniform(0.8, 1.4), width)
            curve = strength * np.exp(-(((NM - centre) / skew) ** 2))
            if rng.random() < 0.5:
                curve += (
                    0.3
                    * strength
                    * np.exp(-(((NM - rng.uniform(390, 720)) / rng.uniform(20, 45)) ** 2))
                )
        name = names[at]
        absorption[name] = (curve + grey) * np.exp(_ripple(rng, 0.1))
        if at < scattering:
            scatter[name] = rng.uniform(0.5, 3.0) * wave ** -rng.uniform(0.4, 1.3)
    return World(
        clear=(
            rng.uniform(0.002, 0.006) + rng.uniform(0.002, 0.006) * wave**-6,
            rng.uniform(0.003, 0.01) * wave**-1.1,
        ),
        white=(
            rng.uniform(0.004, 0.01) + rng.uniform(0.01, 0.03) * wave**-6,
            rng.uniform(14, 32) * wave ** -rng.uniform(0.9, 1.3),
        ),
        absorption=absorption,
        scattering=scatter,
    )


if __name__ == "__main__":
    write()
