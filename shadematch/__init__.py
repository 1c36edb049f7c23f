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
from shadematch.gamut.feasibility import Comparison, Feasibility, feasibility
from shadematch.gamut.ladder import Ladder, ladder
from shadematch.gamut.reach import Coverage, Gamut, Nearest, Volume, gamut
from shadematch.gamut.slices import Slice, WholeMap
from shadematch.match import Match, match, match_many
from shadematch.materials import Base, Palette, Pigment, load_palette
from shadematch.pour import Pour, Recipe, View
from shadematch.prediction import Prediction, predict
from shadematch.question import Choice, Verdict
from shadematch.target import Target

__all__ = [
    "Base",
    "Choice",
    "ColourError",
    "Comparison",
    "Coverage",
    "Feasibility",
    "Gamut",
    "Ladder",
    "Match",
    "MissingExtraError",
    "Nearest",
    "Palette",
    "PaletteError",
    "Pigment",
    "Pour",
    "PourError",
    "Prediction",
    "Recipe",
    "ShadematchError",
    "Slice",
    "SpectrumError",
    "Target",
    "UnknownNameError",
    "Verdict",
    "View",
    "Volume",
    "WholeMap",
    "__version__",
    "feasibility",
    "gamut",
    "ladder",
    "load_palette",
    "match",
    "match_many",
    "predict",
]
