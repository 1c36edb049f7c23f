"""From a result to its batch sheet."""

from __future__ import annotations

import os
from collections.abc import Mapping
from dataclasses import dataclass, field
from html import escape
from pathlib import PurePath

from shadematch.errors import FileError, PourError
from shadematch.keeping.repeat import Repeat
from shadematch.keeping.saved import Result, SavedRecipe, kept
from shadematch.matching.match import Match
from shadematch.matching.question import Choice
from shadematch.matching.shades import Shades
from shadematch.planning.result import Plan, PouredOrder
from shadematch.predicting.pot import InThePot, in_the_pot
from shadematch.predicting.spread import Spread
from shadematch.sheet.content import content_of
from shadematch.sheet.orders import Subject, subjects_of
from shadematch.sheet.page import page
from shadematch.sheet.plain import plain
from shadematch.studio.palette import Palette
from shadematch.studio.view import View
from shadematch.support.files import write_text
from shadematch.support.models import expect

__all__ = ["BatchSheet", "batch_sheet"]


@dataclass(frozen=True)
class BatchSheet:
    """One page to work by.

    Attributes
    ----------
    title
        Its heading.
    html
        An HTML document that prints on one page of A4 or Letter; a plan's has a page for each
        order. It fetches nothing.
    text
        The same as plain text, with form feeds between pages.
    """

    title: str
    html: str = field(repr=False)
    text: str = field(repr=False)

    def save(self, path: str | os.PathLike[str], *, replace: bool = False) -> None:
        """Write it to a file: HTML for ``.html`` and ``.htm``, text for ``.txt``.

        Raises
        ------
        FileError
            For another suffix, a place that can't be written, or another file there unless
            `replace` is true.
        """
        suffix = PurePath(path).suffix.lower() if isinstance(path, str | os.PathLike) else ""
        if suffix not in (".html", ".htm", ".txt"):
            raise FileError(
                "must end in .html or .txt",
                field="path",
                value=str(path),
                remedy="Name it .html or .txt",
            )
        write_text(path, self.text if suffix == ".txt" else self.html, replace=replace)

    def __str__(self) -> str:
        """The text."""
        return self.text

    def _repr_html_(self) -> str:
        # A frame, so that the page's style stays in the page.
        return (
            f'<iframe srcdoc="{escape(self.html)}" sandbox="" title="{escape(self.title)}" '
            'style="width:206mm;max-width:100%;height:275mm;border:1px solid #b9b4a8;'
            'background:#fff"></iframe>'
        )


def batch_sheet(
    result: Result | Repeat | PouredOrder | Plan,
    *,
    palette: Palette | None = None,
    view: View | None = None,
    choice: Choice | None = None,
    title: str = "",
    date: str = "",
    note: str | None = None,
    bars: int | None = None,
    bar_g: float | None = None,
    loss: float | None = None,
    looks: InThePot | None = None,
    spread: Spread | Mapping[str, float] | bool = True,
    shades: Shades | None = None,
) -> BatchSheet:
    """One page to work by, or one for each order of a plan.

    It lists doses, base, order of work, checks, yield and cautions.

    Parameters
    ----------
    result
        A `Match`, `Prediction`, `Recipe`, `SavedRecipe`, or `Repeat` of one (the sheet then says
        whether the palette has changed). A `Plan` gives a page for each order that is poured, one
        of its orders, such as ``plan["the order's name"]``, a single page.
    palette, view, choice
        As for `shadematch.save`.
    title
        Heading, up to 120 characters; by default an order's name.
    date
        As it should be printed, up to 40 characters; by default a line to write it on.
    note
        Your own words, up to some twelve lines; by default those saved with the recipe.
    bars, bar_g
        How many bars, and the mass of each [g]; both, one or none. An order has its own.
    loss
        Share of the base that stays in the pot and on the tools, 0 to below 1; by default 0.03
        (common practice, no source). An order has its own.
    looks
        A result of `shadematch.in_the_pot` for another depth or pot; by default 8 cm in steel.
    spread
        The effect of slips of ruler and scale. True computes it for a ruler within 2 mm and a scale
        within 1 g (or as the match counted); False leaves it out; or give a result of
        `shadematch.spread`, or ``median`` and ``p90`` [CIEDE2000] in a mapping.
    shades
        A result of `Match.shades` of this match: the sheet is then for the first shade, and its
        order of work goes on to the others.

    Raises
    ------
    PourError
        If parts don't fit together, a text is too long for one page, the batch gives less than
        asked, or a plan pours nothing.
    """
    subjects: tuple[Subject, ...]
    own: dict[str, object] = {"palette": palette, "view": view, "choice": choice}
    yields: dict[str, object] = {"bars": bars, "bar_g": bar_g, "loss": loss}
    if isinstance(result, Plan | PouredOrder):
        # Pages of a plan share nothing that belongs to one of them.
        alone = {"title": title or None, "looks": looks} if isinstance(result, Plan) else {}
        _brings_its_own(own | yields | alone | {"shades": shades})
        subjects = subjects_of(result)
    elif shades is not None:
        subjects = (Subject(_first_of(shades, result, choice)),)
    elif isinstance(result, Repeat):
        _brings_its_own(own)
        subjects = (Subject(result.today, remark="" if result.same else result.sentence),)
    else:
        subjects = (Subject(kept(result, palette=palette, view=view, choice=choice)),)
    contents = []
    for subject in subjects:
        saved = subject.saved
        contents.append(
            content_of(
                saved,
                _looks_of(saved, looks),
                title=title or subject.title,
                date=date,
                note=saved.note if note is None else note,
                bars=subject.bars if bars is None else bars,
                bar_g=subject.bar_g if bar_g is None else bar_g,
                loss=subject.loss if loss is None else loss,
                spread=_told(spread, saved, counted=shades is None),
                shades=shades,
                remark=" ".join(filter(None, (subject.remark, saved.palette.notice))),
            )
        )
    heading = contents[0].title if len(contents) == 1 else f"{len(contents)} batch sheets"
    return BatchSheet(heading, page(heading, contents), "\f".join(map(plain, contents)))


def _brings_its_own(given: Mapping[str, object]) -> None:
    for field_, value in given.items():
        if value is not None:
            raise PourError(
                f"the result has its own {field_}",
                field=field_,
                value=str(value),
                remedy="Leave it out",
            )


def _looks_of(saved: SavedRecipe, looks: InThePot | None) -> InThePot:
    if looks is None:
        return in_the_pot(saved.recipe, palette=saved.palette, view=saved.view)
    expect(looks, InThePot, "looks", "Give a result of in_the_pot")
    if looks.recipe != saved.recipe or looks.bar.view != saved.view:
        raise PourError(
            "is of another recipe or view",
            field="looks",
            value=str(looks.recipe),
            remedy="Call in_the_pot with this recipe and view",
        )
    return looks


def _told(
    spread: Spread | Mapping[str, float] | bool, saved: SavedRecipe, *, counted: bool
) -> Spread | Mapping[str, float] | None:
    if isinstance(spread, bool):
        return saved.spread_of() if spread and counted else None
    return spread


def _first_of(shades: Shades, result: Result | Repeat, choice: Choice | None) -> SavedRecipe:
    """The first of a match's shades as a recipe."""
    expect(shades, Shades, "shades", "Give a result of Match.shades")
    if not isinstance(result, Match) or result.target != shades.target or choice is not None:
        raise PourError(
            "are of another match",
            field="shades",
            value=str(shades.target),
            remedy="Give the match that they were made of, and no choice",
        )
    return kept(shades[0].recipe, palette=result.palette, view=result.view)
