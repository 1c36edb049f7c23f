"""From a wanted colour to whole centimetres of pigment paste for melt-and-pour soap."""

from shadematch._version import __version__
from shadematch.errors import (
    ColourError,
    MissingExtraError,
    PaletteError,
    PourError,
    ShadematchError,
    SpectrumError,
    UnknownNameError,
)
from shadematch.layers import Layered, Shade, layers
from shadematch.match import Match, match, match_many
from shadematch.materials import Base, Palette, Pigment, load_palette
from shadematch.pour import Pour, Recipe, View
from shadematch.prediction import Prediction, predict
from shadematch.question import Choice, Verdict
from shadematch.target import Target
from shadematch.wedge import Wedge, wedge

__all__ = [
    "Base",
    "Choice",
    "ColourError",
    "Layered",
    "Match",
    "MissingExtraError",
    "Palette",
    "PaletteError",
    "Pigment",
    "Pour",
    "PourError",
    "Prediction",
    "Recipe",
    "Shade",
    "ShadematchError",
    "SpectrumError",
    "Target",
    "UnknownNameError",
    "Verdict",
    "View",
    "Wedge",
    "__version__",
    "layers",
    "load_palette",
    "match",
    "match_many",
    "predict",
    "wedge",
]
