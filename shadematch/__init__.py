"""From a wanted colour to whole centimetres of pigment paste for melt-and-pour soap."""

from shadematch._version import __version__
from shadematch.errors import (
    ColourError,
    MissingExtraError,
    PaletteError,
    PhotoError,
    PourError,
    ShadematchError,
    SpectrumError,
    UnknownNameError,
)
from shadematch.match import Match, match, match_many
from shadematch.materials import Base, Palette, Pigment, load_palette
from shadematch.photo.chart import Chart
from shadematch.photo.light import Neutral
from shadematch.photo.proposal import flat_areas
from shadematch.photo.regions import Region
from shadematch.photo.target import PhotoTarget
from shadematch.pour import Pour, Recipe, View
from shadematch.prediction import Prediction, predict
from shadematch.question import Choice, Verdict
from shadematch.target import Target

__all__ = [
    "Base",
    "Chart",
    "Choice",
    "ColourError",
    "Match",
    "MissingExtraError",
    "Neutral",
    "Palette",
    "PaletteError",
    "PhotoError",
    "PhotoTarget",
    "Pigment",
    "Pour",
    "PourError",
    "Prediction",
    "Recipe",
    "Region",
    "ShadematchError",
    "SpectrumError",
    "Target",
    "UnknownNameError",
    "Verdict",
    "View",
    "__version__",
    "flat_areas",
    "load_palette",
    "match",
    "match_many",
    "predict",
]
