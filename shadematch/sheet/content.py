"""The content of a batch sheet, before it becomes a page or a text."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from shadematch._version import __version__
from shadematch.errors import PourError
from shadematch.keeping.saved import SavedRecipe
from shadematch.matching.shades import Shades
from shadematch.predicting.pot import InThePot
from shadematch.predicting.prediction import paste_colour
from shadematch.predicting.spread import Spread
from shadematch.sheet.words import clean, lines_needed
from shadematch.studio.bars import (
    LOSS,
    bars_in_words,
    checked_loss,
    grams,
    to_melt_g,
    usable_g,
    whole_bars,
)
from shadematch.studio.pour import Pour
from shadematch.studio.recipe import Recipe
from shadematch.studio.unit import Unit
from shadematch.support.models import between, expect, is_finite, whole
from shadematch.support.report import Row, lab_words

__all__ = ["NOTE_SIZES", "Content", "Dose", "content_of", "figure", "yield_of"]

NOTE_SIZES: Final = ((9.0, 42.0, 9), (7.0, 56.0, 12))
"""Letter size [pt], units per line and most lines of a note; smaller letters if needed."""
_LONGEST_TITLE: Final = 120
_LONGEST_DATE: Final = 40


@dataclass(frozen=True)
class Dose:
    """One paste to squeeze or weigh, or one let-down to weigh.

    Attributes
    ----------
    name
        Of the paste or let-down.
    amount, unit
        How much of it: figures, and ``"cm"`` or ``"g"``.
    ruler_cm
        Length of paste along a ruler [cm]; 0 if weighed.
    hex, in_srgb
        An sRGB code to recognise it by, and whether that shows it without clipping.
    """

    name: str
    amount: str
    unit: Unit
    ruler_cm: float
    hex: str
    in_srgb: bool


@dataclass(frozen=True)
class Content:
    """All words and figures of a sheet.

    Attributes
    ----------
    title, date, note
        The maker's own; cleaned.
    saved, looks
        The recipe, and how it looks before it is poured.
    doses
        In palette order, let-downs last.
    weigh
        Base masses, such as ``("800 g clear base", "200 g white base")``.
    yields
        What the batch gives.
    steps
        Order of work: a word and a sentence each.
    figures
        What is known about the colour.
    remark
        What to know before starting; mostly empty.
    foot
        Palette and versions.
    """

    title: str
    date: str
    note: str
    saved: SavedRecipe
    looks: InThePot
    doses: tuple[Dose, ...]
    weigh: tuple[str, ...]
    yields: str
    steps: tuple[tuple[str, str], ...]
    figures: tuple[Row, ...]
    remark: str
    foot: str


def _text(value: object, field: str, most: int, *, lines: bool = False) -> str:
    expect(value, str, field, "Give a text")
    text = clean(str(value), lines=lines)
    if len(text) > most:
        raise PourError(
            "is too long for one page",
            field=field,
            value=f"{len(text)} letters",
            remedy=f"Give at most {most}",
        )
    return text


def _note(value: object) -> str:
    note = _text(value, "note", 2000, lines=True)
    _, width, most = NOTE_SIZES[-1]
    needed = lines_needed(note.split("\n"), width)
    if needed > most:
        raise PourError(
            "is too long for one page",
            field="note",
            value=f"about {needed} lines",
            remedy=f"Shorten it to {most} lines of some {width:g} letters",
        )
    return note


def figure(dose: float) -> str:
    """A dose in full, without its unit."""
    return f"{dose:,.10g}"


def yield_of(
    pour: Pour, bars: int | None = None, bar_g: float | None = None, loss: float = LOSS
) -> tuple[str, str]:
    """What a batch gives: a sentence, and the bars in short, as ``"9 bars of 100 g"``.

    `bars` is how many, `bar_g` the mass of each [g]: both, one or none (then ``"the moulds"``).
    `loss` is the share of the base that stays in the pot, 0 to below 1; paste is not counted. A
    `PourError` if a number is out of range, or the batch gives less than asked.
    """
    loss = checked_loss(loss)
    usable = usable_g(pour.batch_g, loss)
    stays = f"{grams(usable)} to pour, if {100 * loss:.3g} % stays in the pot"
    if bars is not None:
        bars = whole(bars, "bars", 1, 10**6, "Count the moulds")
    if bar_g is None:
        if bars is None:
            return f"{grams(pour.batch_g)} of base, {stays}.", "the moulds"
        each = usable / bars
        if each < 0.1:
            raise PourError(
                "gives bars of less than 0.1 g",
                field="bars",
                value=bars,
                remedy="Make fewer, or melt more",
            )
        short = bars_in_words(bars, each)
        return f"{short}: {stays}.", short
    mass = between(bar_g, "bar_g", 0.1, 1e5, "Weigh a bar, in g")
    count = whole_bars(pour.batch_g, mass, loss)
    wanted = count if bars is None else bars
    if count < max(wanted, 1):
        needed = to_melt_g(max(wanted, 1) * mass, loss)
        raise PourError(
            f"the batch gives {bars_in_words(count, mass)}",
            field="bars",
            value=bars,
            remedy=f"Melt at least {needed:g} g",
        )
    over = max(usable - wanted * mass, 0.0)
    short = bars_in_words(wanted, mass)
    return f"{short}: {stays}; {grams(round(over, 1))} are left over.", short


def _weigh(recipe: Recipe) -> tuple[str, ...]:
    parts = zip((recipe.clear_g, recipe.white_g), recipe.pour.kinds, strict=True)
    return tuple(f"{grams(mass)} {clean(name)}" for mass, name in parts if mass > 1e-6)


def _doses(saved: SavedRecipe) -> tuple[Dose, ...]:
    recipe = saved.recipe
    unit = recipe.unit
    pastes = tuple(
        Dose(
            clean(name) or "?",
            figure(dose),
            unit,
            dose if unit == "cm" else 0.0,
            *_known_by(name, saved),
        )
        for name, dose in recipe.from_tubes.items()
    )
    let_downs = tuple(
        Dose(
            clean(f"{part.let_down.pigment} let-down, {part.let_down.strength}"),
            figure(part.mass_g),
            "g",
            0.0,
            *_known_by(part.let_down.pigment, saved),
        )
        for part in recipe.weighed
    )
    return pastes + let_downs


_DOSING: Final[Mapping[Unit, str]] = {
    "cm": "Squeeze each paste along its ruler in one even bead, cut it off at the mark, and "
    "scrape all of it into the melt.",
    "g": "Weigh each paste by itself on the small scale, and scrape all of it into the melt.",
}


_KEEP: Final = (
    "one bar of this batch: measure it once it is cold and learn from it. "
    "Its pastes are the largest unknown"
)


def _steps(
    recipe: Recipe,
    weigh: tuple[str, ...],
    looks: InThePot,
    bars: str,
    more: tuple[tuple[str, str], ...],
) -> tuple[tuple[str, str], ...]:
    # Order of work: common practice, no source.
    stir_in = "Weigh the let-downs and melt them in."
    dose = " ".join(
        text
        for text, there in ((_DOSING[recipe.unit], recipe.from_tubes), (stir_in, recipe.weighed))
        if there
    )
    thickness = recipe.pour.thickness_cm
    return (
        ("Weigh", f"{' and '.join(weigh)}; cut into cubes."),
        ("Melt", "Gently, covered; stay below the base maker's temperature, never boil."),
        ("Dose", dose or "No paste goes in."),
        ("Stir", "Slowly, down to the bottom, until no streak is left."),
        (
            "Check",
            f"Let a {looks.drop_mm:g} mm drop set on white paper and hold it next to "
            "its swatch. Don't judge by the pot.",
        ),
        *more,
        ("Pour", f"Into {bars}, {thickness:g} cm thick."),
        ("Spray", "A mist of alcohol against bubbles. No flame near it."),
        ("Set", "Leave it alone until it is cold right through; unmould."),
    )


def _spread(spread: Spread | Mapping[str, float]) -> list[Row]:
    values = []
    for field in ("median", "p90"):
        found: object = (
            spread.get(field) if isinstance(spread, Mapping) else getattr(spread, field, None)
        )
        if not is_finite(found) or found < 0:
            raise PourError(
                "must be a finite number, not negative",
                field=f"spread.{field}",
                value=found,
                remedy="It is a CIEDE2000",
            )
        values.append(float(found))
    if values[0] > values[1]:
        raise PourError(
            "lies above p90",
            field="spread.median",
            value=values[0],
            remedy="The median can't exceed the 90th percentile",
        )
    text = f"half of all batches within {values[0]:.1f}, nine in ten within {values[1]:.1f}"
    rows = [Row("spread", text)]
    if isinstance(spread, Spread) and spread.mainly:
        rows.append(Row("why", spread.mainly))
    return rows


def _shades(shades: Shades) -> tuple[tuple[str, str], ...]:
    """Order of work after the first stirring."""
    found, out = [], f"Take {grams(shades.dab_g)} out and let it set"
    for at, dab in enumerate(shades, start=1):
        pot = dab.recipe.pour
        if at > 1:
            add = f"To the {grams(pot.batch_g)} left, add {clean(str(dab))}; stir."
            found.append((f"Shade {at}", add))
        if at < len(shades):
            found.append(("Dab", f"{out}, {pot.thickness_cm:g} cm thick: it is shade {at}."))
    return tuple(found)


def content_of(
    saved: SavedRecipe,
    looks: InThePot,
    *,
    title: str,
    date: str,
    note: str,
    bars: int | None,
    bar_g: float | None,
    loss: float,
    spread: Spread | Mapping[str, float] | None,
    shades: Shades | None,
    remark: str,
) -> Content:
    """Put the content together; see `shadematch.batch_sheet`.

    A `PourError` if a text is too long for one page, or a number is out of range.
    """
    recipe = saved.recipe
    # What is taken out of the pot for the first shades is not poured with the last.
    dabs = () if shades is None else shades.each[:-1]
    left_g = recipe.pour.batch_g - sum(shades.dab_g for _ in dabs) if shades else 0.0
    poured = recipe.pour.model_copy(update={"batch_g": left_g}) if dabs else recipe.pour
    yields, short = yield_of(poured, bars, bar_g, loss)
    if dabs:
        yields = f"After the dabs: {yields}"
    weigh = _weigh(recipe)
    doses = _doses(saved)
    wanted = saved.target if shades is None else shades.target
    figures = [] if wanted is None else [Row("wanted", clean(str(wanted)))]
    outside = "" if saved.in_srgb else ", outside sRGB"
    figures.append(Row("predicted", f"{lab_words(saved.lab)}{outside}"))
    if spread is not None:
        figures += _spread(spread)
    if isinstance(spread, Spread) and spread.largest == "pastes":
        figures.append(Row("keep", _KEEP))
    if shades is not None:
        figures.append(Row("shades", clean(shades.sentence)))
    if saved.match is not None and recipe.doses == saved.match.closest.recipe.doses:
        figures.append(Row("proof", saved.match.proof))
    figures.append(Row("seen", str(saved.view)))
    unit = recipe.unit
    load = f"{figure(recipe.total)} {unit} in all, {recipe.load:.2f} {unit} per 100 g"
    figures.append(Row("paste", load if shades is None else f"{load}, for the first shade"))
    return Content(
        title=_text(title, "title", _LONGEST_TITLE) or "Batch sheet",
        date=_text(date, "date", _LONGEST_DATE),
        note=_note(note),
        saved=saved,
        looks=looks,
        doses=doses,
        weigh=weigh,
        yields=yields,
        steps=_steps(recipe, weigh, looks, short, () if shades is None else _shades(shades)),
        figures=tuple(figures),
        remark=remark,
        foot=f"palette {saved.palette.fingerprint}, shadematch {__version__}"
        + ("" if saved.library == __version__ else f" (recipe made with {clean(saved.library)})"),
    )


def _known_by(name: str, saved: SavedRecipe) -> tuple[str, bool]:
    seen = paste_colour(name, saved.palette, saved.view)
    return seen.hex, seen.in_srgb
