"""From a wanted colour to whole centimetres of pigment paste for melt-and-pour soap."""

from shadematch._version import __version__
from shadematch.calibration.calibrate import calibrate
from shadematch.calibration.design import (
    NextPour,
    PlannedPour,
    PouringPlan,
    next_pours,
    starter_plan,
)
from shadematch.calibration.files import read_test_pours
from shadematch.calibration.intervals import Interval
from shadematch.calibration.lot import NewLot, new_lot
from shadematch.calibration.result import CalibratedMatch, Calibration, Residual
from shadematch.calibration.testpour import TestPour
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
from shadematch.target import Target

__all__ = [
    "Base",
    "BatchSheet",
    "CalibratedMatch",
    "Calibration",
    "Choice",
    "ColourError",
    "FileError",
    "InThePot",
    "Interval",
    "Match",
    "MissingExtraError",
    "NewLot",
    "NextPour",
    "Palette",
    "PaletteError",
    "Pigment",
    "PlannedPour",
    "Pour",
    "PourError",
    "PouringPlan",
    "Prediction",
    "Recipe",
    "Repeat",
    "Residual",
    "SavedRecipe",
    "ShadematchError",
    "SpectrumError",
    "Target",
    "TestPour",
    "UnknownNameError",
    "Verdict",
    "View",
    "__version__",
    "batch_sheet",
    "calibrate",
    "distribution_of",
    "in_the_pot",
    "load",
    "load_palette",
    "match",
    "match_many",
    "new_lot",
    "next_pours",
    "predict",
    "read_test_pours",
    "repeat",
    "results_frame",
    "save",
    "starter_plan",
    "target_from_distribution",
    "targets_from_frame",
    "write_results",
]
