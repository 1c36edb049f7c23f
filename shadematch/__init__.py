"""From a wanted colour to whole centimetres of pigment paste for melt-and-pour soap."""

from shadematch._version import __version__
from shadematch.correction.correct import correct
from shadematch.correction.results import Addition, Correction, Strength
from shadematch.errors import (
    ColourError,
    MissingExtraError,
    PaletteError,
    PourError,
    ShadematchError,
    SpectrumError,
    UnknownNameError,
)
from shadematch.match import Match, match, match_many
from shadematch.materials import Base, Palette, Pigment, load_palette
from shadematch.pour import Pour, Recipe, View
from shadematch.prediction import Prediction, predict
from shadematch.question import Choice, Verdict
from shadematch.spread import Spread, spread
from shadematch.target import Target

__all__ = [
    "Addition",
    "Base",
    "Choice",
    "ColourError",
    "Correction",
    "Match",
    "MissingExtraError",
    "Palette",
    "PaletteError",
    "Pigment",
    "Pour",
    "PourError",
    "Prediction",
    "Recipe",
    "ShadematchError",
    "SpectrumError",
    "Spread",
    "Strength",
    "Target",
    "UnknownNameError",
    "Verdict",
    "View",
    "__version__",
    "correct",
    "load_palette",
    "match",
    "match_many",
    "predict",
    "spread",
]
