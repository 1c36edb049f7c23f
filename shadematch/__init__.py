"""From a wanted colour to whole centimetres of pigment paste for melt-and-pour soap."""

from shadematch._version import __version__
from shadematch.errors import (
    ColourError,
    FileError,
    MissingExtraError,
    PaletteError,
    PourError,
    ShadematchError,
    SpectrumError,
    UnknownNameError,
)
from shadematch.exchange import (
    distribution_of,
    results_frame,
    target_from_distribution,
    targets_from_frame,
    write_results,
)
from shadematch.gamut.feasibility import Comparison, Feasibility, feasibility
from shadematch.gamut.ladder import Ladder, ladder
from shadematch.gamut.reach import Coverage, Gamut, Nearest, Volume, gamut
from shadematch.gamut.slices import Slice, WholeMap
from shadematch.match import Match, match, match_many
from shadematch.materials import Base, Palette, Pigment, load_palette
from shadematch.pot import InThePot, in_the_pot
from shadematch.pour import Pour, Recipe, View
from shadematch.prediction import Prediction, predict
from shadematch.question import Choice, Verdict
from shadematch.repeat import Repeat, repeat
from shadematch.saved import SavedRecipe, load, save
from shadematch.sheet.batch import BatchSheet, batch_sheet
from shadematch.target import Target

__all__ = [
    "Base",
    "BatchSheet",
    "Choice",
    "ColourError",
    "Comparison",
    "Coverage",
    "Feasibility",
    "FileError",
    "Gamut",
    "InThePot",
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
    "Repeat",
    "SavedRecipe",
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
    "batch_sheet",
    "distribution_of",
    "feasibility",
    "gamut",
    "in_the_pot",
    "ladder",
    "load",
    "load_palette",
    "match",
    "match_many",
    "predict",
    "repeat",
    "results_frame",
    "save",
    "target_from_distribution",
    "targets_from_frame",
    "write_results",
]
