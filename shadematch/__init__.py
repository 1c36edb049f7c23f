"""From a wanted colour to whole centimetres of pigment paste for melt-and-pour soap."""

from shadematch._version import __version__
from shadematch.batches import BatchPoint, SmallestBatch, smallest_batch
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
from shadematch.kept import SavedRecipe
from shadematch.letdown import LetDownPlan, ToMake, propose_let_down
from shadematch.look import SameLook, same_look
from shadematch.match import Match, match, match_many
from shadematch.materials import Base, Palette, Pigment, load_palette
from shadematch.metamerism import Lights, UnderLight, lights, metameric_index
from shadematch.pot import InThePot, in_the_pot
from shadematch.pour import LetDown, Pour, Recipe, View, Weighed
from shadematch.prediction import Prediction, predict
from shadematch.question import Choice, Verdict
from shadematch.repeat import Repeat, repeat
from shadematch.saved import load, save
from shadematch.sheet.batch import BatchSheet, batch_sheet
from shadematch.target import Target

__all__ = [
    "Base",
    "BatchPoint",
    "BatchSheet",
    "Choice",
    "ColourError",
    "FileError",
    "InThePot",
    "LetDown",
    "LetDownPlan",
    "Lights",
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
    "SameLook",
    "SavedRecipe",
    "ShadematchError",
    "SmallestBatch",
    "SpectrumError",
    "Target",
    "ToMake",
    "UnderLight",
    "UnknownNameError",
    "Verdict",
    "View",
    "Weighed",
    "__version__",
    "batch_sheet",
    "in_the_pot",
    "lights",
    "load",
    "load_palette",
    "match",
    "match_many",
    "metameric_index",
    "predict",
    "propose_let_down",
    "repeat",
    "same_look",
    "save",
    "smallest_batch",
]
