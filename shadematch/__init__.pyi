from shadematch.batches import BatchPoint, SmallestBatch, smallest_batch
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
from shadematch.calibration.keeping import load_calibration, save_calibration
from shadematch.calibration.lot import NewLot, new_lot
from shadematch.calibration.matched import CalibratedMatch
from shadematch.calibration.result import Calibration, Residual
from shadematch.calibration.shares import SharesMatch, match_shares
from shadematch.calibration.testpour import TestPour
from shadematch.correction.correct import correct
from shadematch.correction.results import Addition, Correction, Strength
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
from shadematch.exchange.catalogue import load_targets, save_targets
from shadematch.exchange.schemas import json_schema
from shadematch.exchange.spectra import distribution_of, target_from_distribution
from shadematch.exchange.tables import (
    recipes_from_frame,
    results_frame,
    targets_frame,
    targets_from_frame,
    write_results,
)
from shadematch.gamut.feasibility import Comparison, Feasibility, feasibility
from shadematch.gamut.ladder import Ladder, ladder
from shadematch.gamut.reach import Coverage, Gamut, Nearest, Volume, gamut
from shadematch.gamut.slices import Slice, WholeMap
from shadematch.illuminant import Illuminant
from shadematch.layers import Layered, Shade, layers
from shadematch.letdown import LetDownPlan, ToMake, propose_let_down
from shadematch.look import SameLook, same_look
from shadematch.many import match_many
from shadematch.match import Match, match
from shadematch.materials import Base, Palette, Pigment, load_palette
from shadematch.metamerism import Lights, UnderLight, lights, metameric_index
from shadematch.photo.chart import Chart
from shadematch.photo.finding import find_chart
from shadematch.photo.light import Neutral
from shadematch.photo.proposal import flat_areas
from shadematch.photo.regions import Region
from shadematch.photo.target import PhotoTarget
from shadematch.planning.books import read_orders, read_stock
from shadematch.planning.cost import Cost, cost
from shadematch.planning.orders import Order
from shadematch.planning.plan import plan
from shadematch.planning.result import LeftOut, Plan, Poured, Purchase, WhatIf
from shadematch.planning.stock import Stock, Tubes
from shadematch.pot import InThePot, in_the_pot
from shadematch.pour import LetDown, Pour, Recipe, View, Weighed
from shadematch.prediction import Prediction, predict
from shadematch.question import Choice, Verdict
from shadematch.repeat import Repeat, repeat
from shadematch.rounds import load_correction, save_correction
from shadematch.samples import copy_samples
from shadematch.saved import SavedRecipe, load, save
from shadematch.sheet.batch import BatchSheet, batch_sheet
from shadematch.spread import Spread, spread
from shadematch.target import Target
from shadematch.wedge import Wedge, wedge

__version__: str

__all__ = [
    "Addition",
    "Base",
    "BatchPoint",
    "BatchSheet",
    "CalibratedMatch",
    "Calibration",
    "Chart",
    "Choice",
    "ColourError",
    "Comparison",
    "Correction",
    "Cost",
    "Coverage",
    "Feasibility",
    "FileError",
    "Gamut",
    "Illuminant",
    "InThePot",
    "Interval",
    "Ladder",
    "Layered",
    "LeftOut",
    "LetDown",
    "LetDownPlan",
    "Lights",
    "Match",
    "MissingExtraError",
    "Nearest",
    "Neutral",
    "NewLot",
    "NextPour",
    "Order",
    "Palette",
    "PaletteError",
    "PhotoError",
    "PhotoTarget",
    "Pigment",
    "Plan",
    "PlannedPour",
    "Pour",
    "PourError",
    "Poured",
    "PouringPlan",
    "Prediction",
    "Purchase",
    "Recipe",
    "Region",
    "Repeat",
    "Residual",
    "SameLook",
    "SavedRecipe",
    "Shade",
    "ShadematchError",
    "SharesMatch",
    "Slice",
    "SmallestBatch",
    "SpectrumError",
    "Spread",
    "Stock",
    "Strength",
    "Target",
    "TestPour",
    "ToMake",
    "Tubes",
    "UnderLight",
    "UnknownNameError",
    "Verdict",
    "View",
    "Volume",
    "Wedge",
    "Weighed",
    "WhatIf",
    "WholeMap",
    "__version__",
    "batch_sheet",
    "calibrate",
    "copy_samples",
    "correct",
    "cost",
    "distribution_of",
    "feasibility",
    "find_chart",
    "flat_areas",
    "gamut",
    "in_the_pot",
    "json_schema",
    "ladder",
    "layers",
    "lights",
    "load",
    "load_calibration",
    "load_correction",
    "load_palette",
    "load_targets",
    "match",
    "match_many",
    "match_shares",
    "metameric_index",
    "new_lot",
    "next_pours",
    "plan",
    "predict",
    "propose_let_down",
    "read_orders",
    "read_stock",
    "read_test_pours",
    "recipes_from_frame",
    "repeat",
    "results_frame",
    "same_look",
    "save",
    "save_calibration",
    "save_correction",
    "save_targets",
    "smallest_batch",
    "spread",
    "starter_plan",
    "target_from_distribution",
    "targets_frame",
    "targets_from_frame",
    "wedge",
    "write_results",
]
