"""The result of a calibration."""

from __future__ import annotations

import functools
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Literal

import numpy as np

from shadematch.calibration.carried import known_of, palette_uncertainty
from shadematch.calibration.fit import Fit
from shadematch.calibration.forward import backing_shares
from shadematch.calibration.identify import strength_sd, weakly_known
from shadematch.calibration.intervals import Interval, interval_of
from shadematch.calibration.learned import base_of, crowded, fitted, pigment_of
from shadematch.calibration.left_out import left_out
from shadematch.calibration.pictures import residuals_drawn, spectra_drawn
from shadematch.calibration.residual import WRONG, Residual, residuals_by_bar
from shadematch.calibration.spectra import further_bases
from shadematch.calibration.test_pour import TestPour
from shadematch.calibration.words import (
    bends_in_words,
    held_out_in_words,
    mixtures_in_words,
    warnings_of,
)
from shadematch.errors import PaletteError, PourError, UnknownNameError
from shadematch.matching.match import Match, match
from shadematch.predicting.prediction import checked_recipe
from shadematch.studio.named import MOST_PIGMENTS, check_known_base
from shadematch.studio.palette import Palette
from shadematch.studio.pour import CLEAR, Pour
from shadematch.studio.recipe import Recipe
from shadematch.studio.target import HoldsTarget, as_target
from shadematch.studio.view import View
from shadematch.support.arrays import FloatArray
from shadematch.support.models import between, expect
from shadematch.support.report import Report, Reported, Row, rows_of
from shadematch.support.spelling import misspelling_of

__all__ = ["Calibration"]


@dataclass(frozen=True)
class Calibration(Reported):
    """Spectra of pastes and bases, learnt from test pours, and their uncertainty.

    Attributes
    ----------
    pours
        The test pours, in the order given.
    unit
        Unit of doses: ``"cm"``, ``"g"`` or ``"part"``; loads are per 100 g of base. Palettes
        have no parts.
    films
        Whether these are films of colourants, without a base.
    contact
        How layers touch their backings, if found from the readings; else None.
    like
        The palette that tube sizes and prices come from, or None.
    """

    pours: tuple[TestPour, ...] = field(repr=False)
    unit: Literal["cm", "g", "part"]
    films: bool
    contact: str | None
    like: Palette | None
    _fit: Fit = field(repr=False, compare=False)

    @property
    def pigments(self) -> tuple[str, ...]:
        """Names of the pigments."""
        return self._fit.problem.pigments

    @property
    def scattering(self) -> tuple[str, ...]:
        """Names of the pigments that scatter."""
        return tuple(u.of for u in self._fit.problem.unknowns if u.kind == "pigment scattering")

    @property
    def white_known(self) -> bool:
        """Whether white base was poured."""
        return any(u.kind == "white absorption" for u in self._fit.problem.unknowns)

    @property
    def bases(self) -> tuple[str, ...]:
        """Names of the bases beside clear and white that were poured."""
        return further_bases(self._fit.problem.unknowns)

    @property
    def covariance(self) -> FloatArray:
        """Covariance of the logs of all spectra of `spectra`, in their order, 36 rows each.

        Of clear base that of the next lot: how much lots differ is counted.
        """
        return self._fit.covariance

    @property
    def spectra(self) -> tuple[tuple[str, str], ...]:
        """The fitted spectra: pairs such as ``("gorse", "absorption")``."""
        return tuple((u.of, u.what) for u in self._fit.problem.unknowns)

    def spectrum(self, of: str, what: str = "absorption") -> tuple[FloatArray, FloatArray]:
        """A fitted spectrum and its relative standard deviation.

        Parameters
        ----------
        of
            A pigment's name; or for a base ``"clear"``, ``"white"`` or its name, unless a pigment
            has that name.
        what
            ``"absorption"`` or ``"scattering"``; [1/cm], for pigments per unit per 100 g.

        Returns
        -------
        values, relative_sd
            Shape (36,) each; zeros if it does not scatter or was not fitted. The scattering of a
            colourant that crowds is that at small loads; see `crowding`.

        Raises
        ------
        UnknownNameError
            If nothing of that name was fitted.
        PourError
            If `what` is neither.
        """
        expect(of, str, "of", "Give 'clear', 'white' or a pigment's name")
        if not isinstance(what, str) or what not in ("absorption", "scattering"):
            remedy = "Take 'absorption' or 'scattering'"
            raise PourError("is not a spectrum", field="what", value=what, remedy=remedy)
        if of not in self.pigments and of not in ("clear", "white", *self.bases):
            remedy = f"There are {', '.join(self.pigments)}"
            raise UnknownNameError("was not calibrated", field="of", value=of, remedy=remedy)
        return fitted(self._fit, of, what, of_base=of not in self.pigments)

    @property
    def crowding(self) -> tuple[str, float] | None:
        """The colourant of films that scatters less at high loads, and how much less.

        The fraction of its scattering lost at the largest load measured, mean over wavelengths;
        negative if it scatters more. None if the readings don't show it.
        """
        found = crowded(self._fit, self.pours, 1.0)
        return None if found is None else (found[0], float(1.0 - found[1].mean()))

    @functools.cached_property
    def palette(self) -> Palette:
        """The palette, for `shadematch.match` and others.

        White base that was never poured is the same as clear base; the note says so.

        Raises
        ------
        PaletteError
            If there are more pigments than a palette holds, or doses are in parts; see
            `palette_of`.
        """
        if len(self.pigments) > MOST_PIGMENTS:
            raise PaletteError(
                f"a palette holds {MOST_PIGMENTS} pigments",
                field="pigments",
                value=len(self.pigments),
                remedy="Choose some with palette_of(...); interval works for all",
            )
        return self.palette_of(*self.pigments)

    def palette_of(self, *names: str) -> Palette:
        """A palette of some of the pigments.

        Its doses are in the calibration's unit. A colourant that crowds scatters as at its usual
        load. Except for films it states how well its spectra are known (`Palette.uncertainty`).

        Raises
        ------
        PaletteError
            For more than twelve pigments, or doses in parts.
        UnknownNameError
            If a name was not calibrated.
        """
        if self.unit == "part":
            problem = "has doses in parts; a palette's are in cm or g"
            raise PaletteError(problem, field="unit", value=self.unit, remedy="Use interval(...)")
        for name in names:
            self.spectrum(name)  # refuses what was not calibrated
        found, taught_by = self._fit, self.pours
        clear = base_of(found, "clear")
        note = f"Calibrated from {len(taught_by)} readings; doses in {self.unit}."
        if not self.white_known:
            note += " White base was not poured: here it is the same as clear base."
        return Palette(
            pigments=tuple(pigment_of(found, name, taught_by, self.like) for name in names),
            clear=clear,
            white=base_of(found, "white") if self.white_known else clear,
            bases=tuple(base_of(found, name) for name in self.bases),
            unit=self.unit,
            note=note,
            uncertainty=None if self.films else palette_uncertainty(known_of(found), names),
        )

    @functools.cached_property
    def residuals(self) -> tuple[Residual, ...]:
        """How each bar fits, in the order of the pours; see `Residual`."""
        return residuals_by_bar(self._fit)

    @property
    def wrong(self) -> tuple[str, ...]:
        """Names of pours that contradict the others and were put aside."""
        return tuple(r.name for r in self.residuals if r.weight < WRONG)

    @functools.cached_property
    def poorly_known(self) -> tuple[str, ...]:
        """Sentences about what is known only roughly."""
        return weakly_known(self._fit, self.pours, self.films)

    @functools.cached_property
    def warnings(self) -> tuple[str, ...]:
        """Sentences about what speaks against the calibration as a whole; may be empty."""
        return warnings_of(self._fit, left_out(self._fit))

    def strength_sd(self, pigment: str) -> float:
        """Relative standard deviation of a pigment's strength.

        Raises
        ------
        UnknownNameError
            If it was not calibrated.
        """
        self.spectrum(pigment)
        return strength_sd(self._fit, pigment, "pigment absorption")

    def view(self, view: View | None = None) -> View:
        """A view with its backing as fitted.

        The reflectance of a backing on which pours were measured is fitted too, starting from the
        stated one. A view with another backing is returned unchanged.
        """
        view = self._met(View() if view is None else view)
        problem = self._fit.problem
        shares = backing_shares(problem.unknowns, view)
        if not shares.any():
            return view
        stated = np.clip(view.backing_reflectance, 1e-4, 1 - 1e-4)
        shift = shares @ self._fit.theta
        fitted = 1.0 / (1.0 + (1.0 - stated) / stated * np.exp(-shift))
        return view.model_copy(update={"backing": tuple(float(v) for v in fitted)})

    def _met(self, view: View) -> View:
        expect(view, View, "view", "Use View(...)")
        return view if self.contact is None else view.model_copy(update={"contact": self.contact})

    def interval(
        self,
        doses: Mapping[str, float] | Recipe,
        *,
        pour: Pour | None = None,
        view: View | None = None,
        target: HoldsTarget | str | None = None,
        level: float = 0.9,
        dosing: bool = True,
        measurement: bool = True,
    ) -> Interval:
        """The predicted colour of a recipe and its range.

        Parameters
        ----------
        doses
            Paste of each pigment in the calibration's unit, or a recipe, used with its pour.
        pour, view
            By default 500 g at 1 cm in clear base (100 g if doses are in parts), and D65 on
            white paper.
        target
            A colour to give the CIEDE2000 to.
        level
            Probability that the range holds, 0.5 to 0.999.
        dosing
            Count the dosing error of a new pour.
        measurement
            Count the error of measuring it in the way of the test pours: of one more photo, if
            they were photographed. Without it the range is that of the true colour, light that
            the instrument loses at the edges of bars included.

        Raises
        ------
        UnknownNameError, PourError
            If a pigment was not calibrated, white base was not poured, `pour` is not the recipe's,
            the recipe is in another unit, or a number is out of range.

        Notes
        -----
        The range also counts the uncertainty of the spectra, the errors of thickness and gain
        (`forward.Errors`), and the model error (`problem.Noise.model_lab`) in each of L*, a* and
        b*.
        """
        if isinstance(doses, Recipe):
            doses, pour = self._opened(doses, pour)
        level = between(level, "level", 0.5, 0.999, "0.9 is usual")
        pour, view = self._conditions(pour, view)
        self._check_doses(doses)
        return interval_of(
            self._fit,
            doses,
            pour,
            view,
            level=level,
            dosing=dosing,
            measurement=measurement,
            target=None if target is None else as_target(target),
        )

    def _opened(self, recipe: Recipe, pour: Pour | None) -> tuple[Mapping[str, float], Pour | None]:
        if self.unit == "part":
            raise PourError(
                f"is in {recipe.unit}; the calibration's doses are in parts",
                field="doses",
                value=str(recipe),
                remedy="Give names and parts, and the pour",
            )
        recipe = checked_recipe(recipe, pour, self.unit, "doses")
        return recipe.doses, recipe.pour

    def _conditions(self, pour: Pour | None, view: View | None) -> tuple[Pour, View]:
        if pour is None:  # parts are of 100
            pour = Pour(batch_g=100) if self.unit == "part" else Pour()
        expect(pour, Pour, "pour", "Use Pour(...)")
        if pour.white > 0 and not self.white_known:
            raise PourError(
                "white base was never poured",
                field="white",
                value=pour.white,
                remedy="Add pours of white base and of a blend",
            )
        check_known_base(pour.base, (CLEAR, *self.bases), "the calibration")
        return pour, self._met(View() if view is None else view)

    def _check_doses(self, doses: Mapping[str, float]) -> None:
        expect(doses, Mapping, "doses", "Give names and doses, such as {'gorse': 2}")
        for name, dose in doses.items():
            if name not in self.pigments:
                self.spectrum(name)  # refuses what was not calibrated
            between(dose, f"doses.{name}", 0.0, 1e7, f"In {self.unit}")

    def match(
        self,
        target: HoldsTarget | str,
        *,
        pour: Pour | None = None,
        view: View | None = None,
        **options: Any,
    ) -> Match:
        """The doses that give a colour, by `palette`, with the backing as fitted (see `view`).

        For the range of the recipe's colour use `interval` with the same view.

        Parameters
        ----------
        target, pour, view
            As for `shadematch.match`.
        **options
            Other arguments of `shadematch.match`: tolerance, max_pigments, must_use, must_avoid.

        Raises
        ------
        ShadematchError
            As `shadematch.match` does; also for white base that was never poured, or doses in
            parts.
        """
        pour, seen = self._conditions(pour, view)
        return match(target, palette=self.palette, pour=pour, view=self.view(seen), **options)

    def report(self) -> Report:
        """What was learnt, from which pours, and how well."""
        every = self.pours
        bars = len({p.name for p in every})
        off = np.mean([r.delta_e for r in self.residuals if r.weight >= WRONG])
        taught = f"{', '.join(self.pigments)} from {len(every)} readings of {bars} bars"
        rows = [Row("calibrated", taught)]
        rows.append(Row("scatter", self.scattering or "none of the pigments"))
        rows.append(Row("fits", f"to a mean CIEDE2000 of {off:.2f}"))
        rows += [
            Row("strength", f"{name}: known to {self.strength_sd(name):.1%}")
            for name in self.pigments
        ]
        held = {p.name: p.pour.beside_white for p in every}
        poured = Counter(base for base in held.values() if base is not None)
        for base in self.bases:
            count, meant = poured[base], misspelling_of(base, poured)
            asks = f" (is it {meant}, misspelt?)" if meant else ""
            rows.append(
                Row("base", f"{base}: from {count} {'bar' if count == 1 else 'bars'}{asks}")
            )
        if self.crowding is not None:
            name, less = self.crowding
            rows.append(Row("crowding", f"{name}: scatters {less:.0%} less at its largest load"))
        if self.contact is not None:
            rows.append(Row("contact", f"{self.contact}: it fits the readings better"))
        far = "from what the other pours say; put aside"
        rows += [
            Row("wrong", f"{r.name}: CIEDE2000 {r.delta_e:.1f} {far}")
            for r in self.residuals
            if r.weight < WRONG
        ]
        found = self._fit
        if alone := held_out_in_words(found, left_out(found)):
            rows.append(Row("test", alone))
        rows += rows_of("bend", bends_in_words(found, self.unit))
        rows += rows_of("warning", self.warnings)
        rows += rows_of("note", (*self.poorly_known, *mixtures_in_words(found)))
        pictures = (
            spectra_drawn({name: self.spectrum(name) for name in self.pigments}, self.unit),
            residuals_drawn([(r.name, r.delta_e) for r in self.residuals]),
        )
        return Report(pictures=pictures, rows=tuple(rows), cautions=False)
