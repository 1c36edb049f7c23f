"""Whether a saved recipe still gives its colour."""

from __future__ import annotations

import os
from dataclasses import dataclass, replace

import numpy as np

from shadematch.colour.difference import delta_e
from shadematch.errors import PourError
from shadematch.keeping.files import read
from shadematch.keeping.saved import SavedRecipe
from shadematch.matching.question import VISIBLE
from shadematch.predicting.prediction import Prediction, predict
from shadematch.studio.palette import Palette
from shadematch.support.models import expect
from shadematch.support.report import Report, Reported, Row, Swatch
from shadematch.support.spelling import listing

__all__ = ["Repeat", "repeat"]

_SAME = 0.01
"""CIEDE2000 up to which two predictions count as the same."""


@dataclass(frozen=True)
class Repeat(Reported):
    """A saved recipe, and what it gives with today's palette.

    Attributes
    ----------
    saved
        The recipe as saved.
    palette
        Today's palette.
    predicted
        Today's prediction; None if something is missing.
    missing
        Pastes of the recipe, and its base, that the palette no longer has.
    changed
        Pastes and bases of the recipe whose spectra or numbers have changed.
    delta_e
        CIEDE2000 between the colour then and now; None if something is missing.
    to_target
        CIEDE2000 of today's colour to the target; None if something is missing or the recipe had
        no target.
    """

    saved: SavedRecipe
    palette: Palette
    predicted: Prediction | None
    missing: tuple[str, ...]
    changed: tuple[str, ...]
    delta_e: float | None
    to_target: float | None

    @property
    def same(self) -> bool:
        """Whether it gives the same colour as then."""
        return self.delta_e is not None and self.delta_e <= _SAME

    @property
    def sentence(self) -> str:
        """What has changed, in words."""
        if self.missing:
            return (
                f"The palette no longer has {listing(self.missing)}: "
                "this recipe can't be poured with it. Match the target again."
            )
        assert self.delta_e is not None
        if self.changed:
            what = f"The palette has changed since: {listing(self.changed)}"
            what += " differ" if len(self.changed) > 1 else " differs"
        elif self.palette.fingerprint != self.saved.palette.fingerprint:
            what = "The palette has changed since, but nothing that this recipe uses"
        else:
            what = "The palette has not changed"
        if self.same:
            return f"{what}. The colour is the same."
        if not self.changed:
            what += (
                f", but this version of shadematch computes differently from {self.saved.library}"
            )
        worth = (
            "Match the target again."
            if self.delta_e > VISIBLE
            else "Most people see no difference."
        )
        return f"{what}. The colour is now CIEDE2000 {self.delta_e:.2f} from the old one. {worth}"

    @property
    def today(self) -> SavedRecipe:
        """The recipe with its colour of today; a `PourError` if something is missing."""
        if self.predicted is None:
            raise PourError(
                f"the palette no longer has {', '.join(self.missing)}",
                field="result",
                value=str(self.saved.recipe),
                remedy="Match the target again",
            )
        if self.same and self.palette.fingerprint == self.saved.palette.fingerprint:
            return self.saved
        # A proof for another palette, or by another version, need not hold any more.
        return replace(
            self.saved,
            palette=self.palette,
            lab=self.predicted.lab,
            delta_e=self.to_target,
            match=None,
        )

    def report(self) -> Report:
        """The saved recipe, and what it gives today."""
        swatches, rows = [Swatch.of(self.saved, "then")], [*self.saved.report().rows]
        if self.predicted is not None:
            swatches.append(Swatch.of(self.predicted, "now"))
            rows.append(Row.colour("now", self.predicted))
            if self.delta_e is not None:
                rows.append(Row("now", f"CIEDE2000 {self.delta_e:.2f} from then"))
            if self.to_target is not None:
                rows.append(Row("now", f"CIEDE2000 {self.to_target:.2f} to the target"))
            if self.today is not self.saved:
                rows.append(Row("now", self.today.spread_of().within))
        rows.append(Row("today", f"palette {self.palette.fingerprint}"))
        return Report(swatches=tuple(swatches), rows=tuple(rows), notes=(self.sentence,))


def repeat(
    saved: SavedRecipe | str | os.PathLike[str], *, palette: Palette | None = None
) -> Repeat:
    """Whether a saved recipe still gives its colour.

    Parameters
    ----------
    saved
        What `shadematch.read` gave, or the path of the file.
    palette
        Today's palette; by default the one in the file, to see whether this version of the
        library predicts another colour.

    Returns
    -------
    Repeat

    Raises
    ------
    FileError
        If the file can't be read.
    PourError
        If the palette's unit is not the recipe's.
    """
    then = saved if isinstance(saved, SavedRecipe) else read(saved, SavedRecipe)
    now = then.palette if palette is None else palette
    expect(now, Palette, "palette", "Give a Palette, such as read('mine.json')")
    recipe = then.recipe
    own = recipe.pour.base
    missing = tuple(name for name in recipe.doses if name not in now.names)
    if own not in now.base_names:
        missing += (recipe.pour.kinds[0],)
    changed = [
        name
        for name in recipe.doses
        if name in now.names and now[name].colour_numbers != then.palette[name].colour_numbers
    ]
    clear, white = recipe.pour.kinds
    bases = [(white, recipe.pour.white, then.palette.white, now.white)]
    if own in now.base_names:
        there = then.palette.base(own), now.base(own)
        bases.insert(0, (clear, 1.0 - recipe.pour.white, *there))
    for kind, share, old, new in bases:
        if share > 0 and old.colour_numbers != new.colour_numbers:
            changed.append(kind)
    seen = off = to_target = None
    if not missing:
        seen = predict(recipe, palette=now, view=then.view)
        lab = np.array(seen.lab)
        off = float(delta_e(lab, np.array(then.lab)))
        if then.target is not None:
            to_target = float(delta_e(lab, then.target.lab_in(then.view)))
    return Repeat(
        saved=then,
        palette=now,
        predicted=seen,
        missing=missing,
        changed=tuple(changed),
        delta_e=off,
        to_target=to_target,
    )
