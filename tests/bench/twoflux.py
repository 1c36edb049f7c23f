"""The textbook two-flux model, fitted as well as it can be, to compare calibration with.

P. Kubelka, F. Munk, Z. tech. Phys. 12 (1931) 593; P. Kubelka, J. Opt. Soc. Am. 38 (1948) 448,
for a layer over a backing; J. L. Saunderson, J. Opt. Soc. Am. 32 (1942) 727, for its surfaces.
At each wavelength by itself it fits K and S of both bases, K of each pigment (S too of those
that scatter), both surface factors, and how the backing reflects through the film of air: more
freedom than the theory grants. It is also handed the doses as the full calibration corrected
them, the noise, and the same weak beliefs about levels.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from scipy.optimize import least_squares

import shadematch as sm
from shadematch.colour.standards import WAVELENGTHS_NM as NM
from shadematch.support.arrays import FloatArray

SURFACE = (0.04, 0.57)  # beforehand: what glass-like faces reflect outside and inside


def layer(
    k: FloatArray, s: FloatArray, x: FloatArray, backing: FloatArray, outer: float, inner: float
) -> FloatArray:
    """Radiance factor, gloss left out, of layers with K, S, thickness X on a backing."""
    # The lower face and the backing behind a film of air, as the layer sees them.
    rg = inner + (1 - inner) * (1 - 2 * outer) * backing / (1 - 2 * outer * backing)
    r = over(k, np.maximum(s, 1e-7), x, rg)
    return (1 - outer) * (1 - inner) * r / (1 - inner * r)


def over(k: FloatArray, s: FloatArray, x: FloatArray | float, backing: FloatArray) -> FloatArray:
    """Reflectance of layers on a backing without any faces (P. Kubelka, as above)."""
    a = 1.0 + k / s
    b = np.sqrt(np.maximum(a * a - 1.0, 1e-12))
    coth = 1.0 / np.tanh(np.clip(b * s * x, 1e-9, 300.0))
    return np.asarray((1.0 - backing * (a - b * coth)) / (a - backing + b * coth))


class TwoFlux:
    """The model fitted to spectral test pours."""

    def __init__(
        self,
        pours: Sequence[sm.TestPour],
        names: Sequence[str],
        scattering: Sequence[str],
        loads: Sequence[Mapping[str, float]],
    ) -> None:
        self.names = tuple(names)
        self.scattering = tuple(scattering)
        white = np.array([p.pour.white for p in pours])
        x = np.array([p.pour.thickness_cm for p in pours])
        amount = np.array([[load.get(n, 0.0) for n in names] for load in loads])
        backing = np.array([p.view.backing_reflectance for p in pours])
        read = np.array([p.spectrum for p in pours], dtype=float)
        sd = np.hypot(0.01 * read, 0.001)
        n, m = len(names), len(scattering)
        mean = np.concatenate(
            [
                np.log([0.01, 0.02, 0.02, 15.0]),
                np.full(n, np.log(0.3)),
                np.full(m, np.log(0.5)),
                [0.0, 0.0, 0.0],
            ]
        )
        width = np.concatenate([[1.5, 1.5, 1.5, 1.0], np.full(n + m, 2.5), [0.5, 0.3, 0.5]])
        self.found = np.empty((NM.size, mean.size))
        start = mean
        for w in range(NM.size):

            def residual(z: FloatArray, w: int = w) -> FloatArray:
                seen = self._seen(z, white, x, amount, backing[:, w])
                return np.concatenate([(seen - read[:, w]) / sd[:, w], (z - mean) / width])

            tries = [
                least_squares(residual, z0, method="trf", max_nfev=300) for z0 in (start, mean)
            ]
            best = min(tries, key=lambda t: t.cost)
            self.found[w] = start = best.x

    def _seen(
        self,
        z: FloatArray,
        white: FloatArray,
        x: FloatArray,
        amount: FloatArray,
        backing: FloatArray,
    ) -> FloatArray:
        n, m = len(self.names), len(self.scattering)
        c = np.exp(np.clip(z[: 4 + n + m], -40, 12))
        k = (1 - white) * c[0] + white * c[2] + amount @ c[4 : 4 + n]
        s = (1 - white) * c[1] + white * c[3]
        for j, name in enumerate(self.scattering):
            s = s + amount[:, self.names.index(name)] * c[4 + n + j]
        outer = SURFACE[0] * np.exp(np.clip(z[-3], -3, 2))
        inner = 1 / (1 + (1 / SURFACE[1] - 1) * np.exp(-z[-2]))
        stated = np.clip(backing, 1e-4, 1 - 1e-4)
        behind = 1 / (1 + (1 / stated - 1) * np.exp(-z[-1]))
        return layer(k, s, x=x, backing=behind, outer=outer, inner=inner)

    def spectrum(
        self, loads: Mapping[str, float], pour: sm.Pour, view: sm.View | None = None
    ) -> FloatArray:
        """Predicted radiance factor, shape (36,)."""
        backing = (view or sm.View()).backing_reflectance
        amount = np.array([[loads.get(n, 0.0) for n in self.names]])
        white, x = np.array([pour.white]), np.array([pour.thickness_cm])
        return np.array(
            [
                float(self._seen(self.found[w], white, x, amount, backing[w : w + 1])[0])
                for w in range(NM.size)
            ]
        )


class FilmFlux:
    """The same model for films and paints without any base: K and S of each colourant.

    Opaque films by K/S, others as layers on their backings in optical contact; the surface's
    inner reflectance is the best of a list, the outer one 4 %, and the backing, measured bare,
    is seen from inside the same way (Saunderson). Against the light it is the law of Beer and
    Lambert with a loss at the faces.
    """

    INNER = (0.0, 0.2, 0.4, 0.5, 0.6)

    def __init__(self, pours: Sequence[sm.TestPour], names: Sequence[str], *, hiding: bool) -> None:
        self.names, self.hiding = tuple(names), hiding
        self.through = pours[0].view.through
        amount = np.array([[p.loads.get(n, 0.0) for n in names] for p in pours])
        read = np.array([[np.nan if v is None else v for v in p.spectrum or ()] for p in pours])
        backing = np.array([p.view.backing_reflectance for p in pours])
        self.unit = np.array([np.exp(np.mean(np.log(a[a > 0]))) for a in amount.T])
        amount = amount / self.unit
        best = np.inf
        for inner in (0.0,) if self.through else self.INNER:
            found, cost = self._fitted(amount, read, backing, inner)
            if cost < best:
                best, self.found, self.inner = cost, found, inner

    def _fitted(
        self, amount: FloatArray, read: FloatArray, backing: FloatArray, inner: float
    ) -> tuple[FloatArray, float]:
        n = len(self.names)
        mean = np.concatenate([np.full(n, np.log(0.5)), np.zeros(n), [0.0]])
        width = np.concatenate([np.full(2 * n, 3.0), [0.1]])
        found, cost = np.tile(mean, (NM.size, 1)), 0.0
        start = mean
        for w in np.flatnonzero(np.all(np.isfinite(read), axis=0)):
            sd = np.hypot(0.003 * read[:, w], 0.0005)

            def residual(z: FloatArray, w: int = int(w), sd: FloatArray = sd) -> FloatArray:
                seen = self._seen(z, amount, backing[:, w], inner)
                return np.concatenate([(seen - read[:, w]) / sd, (z - mean) / width])

            tries = [least_squares(residual, z, max_nfev=60) for z in (start, mean)[: 1 + (w < 3)]]
            best = min(tries, key=lambda t: t.cost)
            found[w] = start = best.x
            cost += best.cost
        return found, cost

    def _seen(
        self, z: FloatArray, amount: FloatArray, backing: FloatArray, inner: float
    ) -> FloatArray:
        n = len(self.names)
        c = np.exp(np.clip(z, -30, 12))
        k = amount @ c[:n]
        if self.through:
            return np.asarray(np.exp(-k) * c[-1])
        s = np.maximum(amount @ c[n : 2 * n], 1e-9)
        outer = SURFACE[0] if inner else 0.0
        if self.hiding:
            a = 1.0 + k / s
            r = a - np.sqrt(np.maximum(a * a - 1.0, 0.0))
            return np.asarray((1 - outer) * (1 - inner) * r / (1 - inner * r))
        rg = backing / ((1 - outer) * (1 - inner) + inner * backing)
        r = over(k, s, 1.0, rg)
        return np.asarray((1 - outer) * (1 - inner) * r / (1 - inner * r))

    def spectrum(self, loads: Mapping[str, float], view: sm.View) -> FloatArray:
        """Predicted reading, shape (36,)."""
        amount = np.array([[loads.get(n, 0.0) for n in self.names]]) / self.unit
        backing = view.backing_reflectance
        return np.array(
            [
                float(self._seen(self.found[w], amount, backing[w : w + 1], self.inner)[0])
                for w in range(NM.size)
            ]
        )


class CardFlux:
    """The same model for films over cards, of unknown thickness and with gloss in the readings.

    K and S of each colourant at each wavelength by itself (P. Kubelka, J. Opt. Soc. Am. 38 (1948)
    448); both surface factors (J. L. Saunderson, J. Opt. Soc. Am. 32 (1942) 727) the best of a
    list, the outer one with the gloss that is read along; the cards, measured bare, freed of their
    surface by the same factors; the thickness of each film free, with a spread of 30 % about 1.
    Films that are predicted are 1 thick. Residuals are even in the cube root, as the eye has it.
    """

    FACES = tuple((outer, inner) for outer in (0.0, 0.02, 0.04) for inner in (0.4, 0.6))
    SPREAD = 0.3
    ROUNDS = 4

    def __init__(self, pours: Sequence[sm.TestPour], names: Sequence[str]) -> None:
        self.names = tuple(names)
        amount = np.array([[p.loads.get(n, 0.0) for n in names] for p in pours])
        read = np.array([[np.nan if v is None else v for v in p.spectrum or ()] for p in pours])
        backing = np.array([p.view.backing_reflectance for p in pours])
        films = list(dict.fromkeys(p.name for p in pours))
        film = np.array([films.index(p.name) for p in pours])
        self.unit = np.array([np.exp(np.mean(np.log(a[a > 0]))) for a in amount.T])
        self.cost = np.inf
        for faces in self.FACES:
            found, cost = self._fitted(amount / self.unit, read, backing, film, faces)
            if cost < self.cost:
                self.cost, self.found, self.faces = cost, found, faces

    def _fitted(
        self,
        amount: FloatArray,
        read: FloatArray,
        backing: FloatArray,
        film: FloatArray,
        faces: tuple[float, float],
    ) -> tuple[FloatArray, float]:
        n = amount.shape[1]
        mean, thick = np.zeros(2 * n), np.zeros(int(film.max()) + 1)
        found = np.tile(mean, (NM.size, 1))
        at = np.flatnonzero(np.all(np.isfinite(read), axis=0))
        # 1 % of the cube root is 3 % of a white, 9 % of what reflects a twenty-seventh.
        known = np.cbrt(np.maximum(read, 0.0)) / 0.01
        cost = 0.0
        for turn in range(self.ROUNDS):
            cost = 0.0
            for w in at:

                def residual(z: FloatArray, w: int = int(w), x: FloatArray = thick) -> FloatArray:
                    seen = self._seen(z, amount * np.exp(x[film])[:, None], backing[:, w], faces)
                    far = np.cbrt(np.maximum(seen, 0.0)) / 0.01 - known[:, w]
                    return np.concatenate([far, z / 3.0])

                best = least_squares(residual, found[w], max_nfev=60)
                found[w] = best.x
                cost += float(2.0 * best.cost)
            cost += float(np.sum((thick / self.SPREAD) ** 2))
            for one in range(thick.size if turn < self.ROUNDS - 1 else 0):
                rows = np.flatnonzero(film == one)

                def by_thickness(x: FloatArray, rows: FloatArray = rows) -> FloatArray:
                    seen = np.array(
                        [
                            self._seen(found[w], amount[rows] * np.exp(x), backing[rows, w], faces)
                            for w in at
                        ]
                    ).T
                    far = np.cbrt(np.maximum(seen, 0.0)) / 0.01 - known[rows][:, at]
                    return np.concatenate([far.ravel(), x / self.SPREAD])

                thick[one] = least_squares(by_thickness, thick[one : one + 1], max_nfev=20).x[0]
        for w in range(NM.size):  # beyond what was measured: as at its end
            found[w] = found[at[np.argmin(np.abs(at - w))]]
        return found, cost

    def _seen(
        self, z: FloatArray, amount: FloatArray, backing: FloatArray, faces: tuple[float, float]
    ) -> FloatArray:
        outer, inner = faces
        n = amount.shape[1]
        c = np.exp(np.clip(z, -30, 12))
        k, s = amount @ c[:n], np.maximum(amount @ c[n:], 1e-9)
        bare = np.maximum(backing - outer, 0.0)
        rg = bare / ((1 - outer) * (1 - inner) + inner * bare)
        r = over(k, s, 1.0, rg)
        return np.asarray(outer + (1 - outer) * (1 - inner) * r / (1 - inner * r))

    def spectrum(self, loads: Mapping[str, float], view: sm.View) -> FloatArray:
        """Predicted reading, shape (36,)."""
        amount = np.array([[loads.get(n, 0.0) for n in self.names]]) / self.unit
        backing = view.backing_reflectance
        return np.array(
            [
                float(self._seen(self.found[w], amount, backing[w : w + 1], self.faces)[0])
                for w in range(NM.size)
            ]
        )
