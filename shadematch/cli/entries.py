"""Recipes, choices, spreads and conditions in JSON."""

from __future__ import annotations

from typing import Any

from shadematch.matching.question import Choice
from shadematch.matching.shades import Shades
from shadematch.predicting.prediction import Prediction
from shadematch.predicting.spread import Spread
from shadematch.studio.pour import Pour
from shadematch.studio.recipe import Recipe
from shadematch.studio.view import View
from shadematch.support.cautions import CAUTIONS

__all__ = [
    "choice_entries",
    "dose_entries",
    "picked",
    "recipe_entries",
    "shades_entries",
    "shared_entries",
    "spread_entries",
]


def picked(thing: object, *names: str) -> dict[str, Any]:
    """Some attributes of a result, by name."""
    return {name: getattr(thing, name) for name in names}


def recipe_entries(recipe: Recipe, colour: Prediction, **more: float) -> dict[str, Any]:
    """A recipe in JSON: from `doses` to `tubes`, `more`, and `predicted`."""
    shown = picked(colour, "lab", "xyz", "hex", "in_srgb")
    return {**dose_entries(recipe), **more, "predicted": shown}


def dose_entries(recipe: Recipe) -> dict[str, Any]:
    """Doses in JSON: from `doses` and their `unit` to `tubes`."""
    entries: dict[str, Any] = {"doses": dict(recipe.doses), "unit": recipe.unit}
    if recipe.weighed:
        entries["from_tubes"] = recipe.from_tubes
        entries["weighed"] = [
            {**part.let_down.model_dump(), "mass_g": part.mass_g} for part in recipe.weighed
        ]
    entries |= picked(recipe, "proportions", "total", "load", "tubes")
    return entries


def choice_entries(choice: Choice) -> dict[str, Any]:
    """A choice in JSON: a recipe with `delta_e`, and `expected` if known."""
    more = {"delta_e": choice.delta_e}
    if choice.expected is not None:
        more["expected"] = choice.expected
    return recipe_entries(choice.recipe, choice.predicted, **more)


def spread_entries(found: Spread) -> dict[str, Any]:
    """A spread in JSON."""
    figures = picked(found, *("mean", "median", "p90", "p95", "lab_covariance"))
    figures |= picked(found, "dose_slip", "scale_g")
    parts = {"shares": dict(found.shares), "causes": dict(found.causes), "largest": found.largest}
    return {"delta_e": found.nominal_delta_e, **figures, **parts}


def shades_entries(found: Shades) -> dict[str, Any]:
    """Shades from one pot in JSON."""
    each = [
        {
            "added": dict(shade.added),
            **recipe_entries(
                shade.recipe, shade.predicted, delta_e=shade.delta_e, share=shade.share
            ),
        }
        for shade in found
    ]
    return {
        **picked(found, *("expected", "p90", "alone_expected", "alone_p90", "dab_g")),
        "each": each,
    }


def shared_entries(pour: Pour, view: View) -> dict[str, Any]:
    """Part of every answer in JSON: `pour`, `view`, `cautions`."""
    return {"pour": pour.model_dump(), "view": view.model_dump(), "cautions": CAUTIONS}
