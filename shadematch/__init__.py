"""From a wanted colour to whole centimetres of pigment paste for melt-and-pour soap."""

from shadematch._version import __version__
from shadematch.correction.correct import correct
from shadematch.correction.results import Addition, Correction, Strength
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
from shadematch.match import Match, match, match_many
from shadematch.materials import Base, Palette, Pigment, load_palette
from shadematch.pot import InThePot, in_the_pot
from shadematch.pour import Pour, Recipe, View
from shadematch.prediction import Prediction, predict
from shadematch.question import Choice, Verdict
from shadematch.repeat import Repeat, repeat
from shadematch.saved import SavedRecipe, load, save
from shadematch.sheet.batch import BatchSheet, batch_sheet
from shadematch.spread import Spread, spread
from shadematch.target import Target

__all__ = [
    "Addition",
    "Base",
    "BatchSheet",
    "Choice",
    "ColourError",
    "Correction",
    "FileError",
    "InThePot",
    "Match",
    "MissingExtraError",
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
    "SpectrumError",
    "Spread",
    "Strength",
    "Target",
    "UnknownNameError",
    "Verdict",
    "View",
    "__version__",
    "batch_sheet",
    "correct",
    "distribution_of",
    "in_the_pot",
    "load",
    "load_palette",
    "match",
    "match_many",
    "predict",
    "repeat",
    "results_frame",
    "save",
    "spread",
    "target_from_distribution",
    "targets_from_frame",
    "write_results",
]
