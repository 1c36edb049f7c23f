"""Arguments of a journal's methods, converted to what its events hold."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, cast

from shadematch.correction.addition import Addition
from shadematch.correction.correct import correct
from shadematch.correction.results import Correction
from shadematch.errors import PourError
from shadematch.journal.batches import Batch
from shadematch.journal.events import Reading
from shadematch.journal.history import History
from shadematch.journal.unknowns import Means
from shadematch.matching.match import Match
from shadematch.studio.pour import Pour
from shadematch.studio.recipe import Recipe, doses_of
from shadematch.studio.target import HoldsTarget, Target, as_target
from shadematch.studio.unit import check_unit
from shadematch.studio.view import View
from shadematch.support.arrays import Triple, triple
from shadematch.support.models import between, expect

__all__ = ["added_of", "batch_correction", "batch_of", "fields_of", "reading_of"]


def reading_of(
    measured: HoldsTarget | Sequence[float],
    view: View | None,
    means: Means | None,
    instrument: str,
    age_days: float | None,
) -> Reading:
    """A reading of a finished bar.

    Raises
    ------
    PourError, ColourError
        If an argument is not a measured colour, a view or an instrument.
    """
    if view is not None:
        expect(view, View, "view", "Use View(...)")
    if means is not None and means not in ("colorimeter", "phone"):
        raise PourError(
            "must be 'colorimeter' or 'phone'",
            field="means",
            value=means,
            remedy="Take 'phone' for photos, 'colorimeter' for an instrument that touches the bar",
        )
    expect(instrument, str, "instrument", "Give a text")
    view = View() if view is None else view
    spectrum = covariance = None
    if isinstance(getattr(measured, "target", None), Target) or isinstance(measured, str):
        target = as_target(measured)  # type: ignore[arg-type]
        covariance = target.covariance
        if target.reflectance is not None:
            spectrum = tuple(float(v) for v in target.reflectance)
        else:
            light = {"illuminant": target.illuminant, "observer": target.observer}
            view = view.model_copy(update=light)
        lab = target.lab
    else:
        lab = Target.from_lab(
            cast(Sequence[float], measured),
            illuminant=view.illuminant,
            observer=view.observer,
        ).lab
    if means is None:
        means = "colorimeter" if covariance is None else "phone"
    return Reading(
        lab=None if spectrum is not None else lab,
        spectrum=spectrum,
        covariance=None if spectrum is not None else covariance,
        view=view,
        means=means,
        instrument=instrument,
        age_days=age_days,
    )


def fields_of(fields: Mapping[str, object] | None) -> dict[str, str]:
    """A maker's own notes, as texts by name; empty ones are left out."""
    if fields is None:
        return {}
    expect(fields, Mapping, "fields", "Give names and texts, such as {'base lot': 'A7'}")
    return {str(name): str(value) for name, value in fields.items() if value is not None}


def batch_of(
    given: Mapping[str, float] | Recipe | Match, pour: Pour | None, history: History
) -> tuple[dict[str, float], Pour, Triple | None]:
    """Doses, pour, and the target of a match.

    Raises
    ------
    UnknownNameError, PourError
        If the journal lacks a paste or a base, or the doses or the pour are not valid.
    """
    wanted: Triple | None = None
    if isinstance(given, Match):
        wanted, given = triple(given.target.lab_in(View())), given.recipe
    if isinstance(given, Recipe):
        check_unit(given.unit, history.begun.unit, "doses", of="the journal's doses")
        if pour is not None and pour != given.pour:
            raise PourError(
                "has no effect: the recipe has its own",
                field="pour",
                value=pour,
                remedy="Leave it out, or give the doses by name",
            )
        pour, given = given.pour, given.doses
    if pour is None or (isinstance(pour, Pour) and "batch_g" not in pour.model_fields_set):
        remedy = "Give its mass, such as Pour(batch_g=500) or --batch 500"
        raise PourError("must say how much base the paste went into", field="pour", remedy=remedy)
    expect(pour, Pour, "pour", "Use Pour(...)")
    history.base(pour.base)  # refuses what it lacks
    return _doses_in(given, history), pour, wanted


def _doses_in(given: Mapping[str, float], history: History) -> dict[str, float]:
    """Doses by the journal's names, checked."""
    doses = {history.paste(name): dose for name, dose in doses_of(given, "doses").items()}
    return dict(Recipe(doses, Pour(), unit=history.begun.unit).doses)


def added_of(
    given: Correction | Addition | Mapping[str, float],
    clear_g: float,
    white_g: float,
    history: History,
) -> tuple[dict[str, float], tuple[float, float]]:
    """Paste that was added by name, and grams of clear and of white base.

    Raises
    ------
    UnknownNameError, PourError
        If the journal lacks a paste, the unit is another, or an amount is out of range.
    """
    if isinstance(given, Correction):
        given = given.advice
    if isinstance(given, Addition):
        check_unit(given.recipe.unit, history.begun.unit, "doses", of="the journal's doses")
        clear_g, white_g, given = given.clear_g, given.white_g, given.doses
    grams = (
        between(clear_g, "clear_g", 0.0, 1e6, "Give it in g"),
        between(white_g, "white_g", 0.0, 1e6, "Give it in g"),
    )
    return _doses_in(given, history), grams


def batch_correction(
    history: History,
    held: Batch,
    reading: Reading,
    target: HoldsTarget | str | None,
    options: Mapping[str, Any],
) -> Correction:
    """What to add to a batch, by the belief before it was measured.

    Raises
    ------
    ShadematchError
        As `shadematch.correct` does; also without a target.
    """
    if target is None:
        if held.wanted is None:
            remedy = "Give the wanted colour: target='#d9822b'"
            raise PourError("is missing", field="target", remedy=remedy)
        target = Target(held.wanted)
    seen = reading.of(held.recipe.doses, held.recipe.pour, history.begun.unit, "batch")
    view = reading.view
    measured = Target(seen.lab_seen, view.illuminant, view.observer, covariance=reading.covariance)
    spread = {"strength_spread": 0.02, "white_spread": 0.02}  # the journal's palette says more
    return correct(
        held.recipe, measured, target, palette=history.palette, view=view, **{**spread, **options}
    )
