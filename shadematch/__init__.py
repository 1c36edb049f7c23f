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
from shadematch.target import Target

__all__ = [
    "Base",
    "CalibratedMatch",
    "Calibration",
    "Choice",
    "ColourError",
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
    "Residual",
    "ShadematchError",
    "SpectrumError",
    "Target",
    "TestPour",
    "UnknownNameError",
    "Verdict",
    "View",
    "__version__",
    "calibrate",
    "load_palette",
    "match",
    "match_many",
    "new_lot",
    "next_pours",
    "predict",
    "read_test_pours",
    "starter_plan",
]
