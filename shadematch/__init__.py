"""From a wanted colour to whole centimetres of pigment paste for melt-and-pour soap."""

from shadematch._version import __version__
from shadematch.errors import (
    ColourError,
    FileError,
    MissingExtraError,
    PaletteError,
    PhotoError,
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
from shadematch.photo.chart import Chart
from shadematch.photo.light import Neutral
from shadematch.photo.proposal import flat_areas
from shadematch.photo.regions import Region
from shadematch.photo.target import PhotoTarget
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
    "Chart",
    "Choice",
    "ColourError",
    "FileError",
    "InThePot",
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
    "Repeat",
    "SavedRecipe",
    "ShadematchError",
    "SpectrumError",
    "Target",
    "UnknownNameError",
    "Verdict",
    "View",
    "__version__",
    "batch_sheet",
    "distribution_of",
    "flat_areas",
    "in_the_pot",
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
