"""From a wanted colour to whole centimetres of pigment paste for melt-and-pour soap.

<<<<<<< HEAD
from shadematch._version import __version__
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
from shadematch.calibration.lot import NewLot, new_lot
from shadematch.calibration.result import CalibratedMatch, Calibration, Residual
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
from shadematch.layers import Layered, Shade, layers
from shadematch.letdown import LetDownPlan, ToMake, propose_let_down
from shadematch.look import SameLook, same_look
from shadematch.many import match_many
from shadematch.match import Match, match
from shadematch.materials import Base, Palette, Pigment, load_palette
from shadematch.metamerism import Lights, UnderLight, lights, metameric_index
from shadematch.photo.chart import Chart
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
from shadematch.saved import SavedRecipe, load, save
from shadematch.sheet.batch import BatchSheet, batch_sheet
from shadematch.spread import Spread, spread
from shadematch.target import Target
from shadematch.wedge import Wedge, wedge

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
    "correct",
    "cost",
    "distribution_of",
    "feasibility",
    "flat_areas",
    "gamut",
    "in_the_pot",
    "ladder",
    "layers",
    "lights",
    "load",
    "load_correction",
    "load_palette",
    "match",
    "match_many",
    "metameric_index",
    "new_lot",
    "next_pours",
    "plan",
    "predict",
    "propose_let_down",
    "read_orders",
    "read_stock",
    "read_test_pours",
    "repeat",
    "results_frame",
    "same_look",
    "save",
    "save_correction",
    "smallest_batch",
    "spread",
    "starter_plan",
    "target_from_distribution",
    "targets_from_frame",
    "wedge",
    "write_results",
]
=======
Everything public is reached from here. A name's room is imported when the name is first asked
for, so that ``import shadematch`` costs next to nothing and a job pays for its own rooms only.
"""

import sys
from importlib import import_module
from types import ModuleType
from typing import Any

from shadematch._version import __version__ as __version__

# The same names stand in __init__.pyi, for type checkers and editors; a test compares them.
_ROOMS = {
    "batches": "BatchPoint SmallestBatch smallest_batch",
    "calibration.calibrate": "calibrate",
    "calibration.design": "NextPour PlannedPour PouringPlan next_pours starter_plan",
    "calibration.files": "read_test_pours",
    "calibration.intervals": "Interval",
    "calibration.lot": "NewLot new_lot",
    "calibration.result": "CalibratedMatch Calibration Residual",
    "calibration.testpour": "TestPour",
    "correction.correct": "correct",
    "correction.results": "Addition Correction Strength",
    "errors": (
        "ColourError FileError MissingExtraError PaletteError PhotoError PourError "
        "ShadematchError SpectrumError UnknownNameError"
    ),
    "exchange.catalogue": "load_targets save_targets",
    "exchange.schemas": "json_schema",
    "exchange.spectra": "distribution_of target_from_distribution",
    "exchange.tables": (
        "recipes_from_frame results_frame targets_frame targets_from_frame write_results"
    ),
    "gamut.feasibility": "Comparison Feasibility feasibility",
    "gamut.ladder": "Ladder ladder",
    "gamut.reach": "Coverage Gamut Nearest Volume gamut",
    "gamut.slices": "Slice WholeMap",
    "illuminant": "Illuminant",
    "layers": "Layered Shade layers",
    "letdown": "LetDownPlan ToMake propose_let_down",
    "look": "SameLook same_look",
    "match": "Match match match_many",
    "materials": "Base Palette Pigment load_palette",
    "metamerism": "Lights UnderLight lights metameric_index",
    "photo.chart": "Chart",
    "photo.light": "Neutral",
    "photo.proposal": "flat_areas",
    "photo.regions": "Region",
    "photo.target": "PhotoTarget",
    "planning.books": "read_orders read_stock",
    "planning.cost": "Cost cost",
    "planning.orders": "Order",
    "planning.plan": "plan",
    "planning.result": "LeftOut Plan Poured Purchase WhatIf",
    "planning.stock": "Stock Tubes",
    "pot": "InThePot in_the_pot",
    "pour": "LetDown Pour Recipe View Weighed",
    "prediction": "Prediction predict",
    "question": "Choice Verdict",
    "repeat": "Repeat repeat",
    "saved": "SavedRecipe load save",
    "samples": "copy_samples",
    "sheet.batch": "BatchSheet batch_sheet",
    "spread": "Spread spread",
    "target": "Target",
    "wedge": "Wedge wedge",
}
_ROOM_OF = {name: room for room, names in _ROOMS.items() for name in names.split()}

__all__ = sorted(["__version__", *_ROOM_OF])


class _Facade(ModuleType):
    """The module itself: names on demand, and rooms that don't cover names spelled like them."""

    def __getattr__(self, name: str) -> Any:
        if name not in _ROOM_OF:
            raise AttributeError(f"module {self.__name__!r} has no attribute {name!r}")
        found = getattr(import_module(f"{self.__name__}.{_ROOM_OF[name]}"), name)
        vars(self)[name] = found
        return found

    def __setattr__(self, name: str, value: Any) -> None:
        # Python sets `shadematch.match` to the room `match` once that is imported, by anybody,
        # and at any time. The public name, here a function, wins.
        if not (name in _ROOM_OF and isinstance(value, ModuleType)):
            super().__setattr__(name, value)

    def __dir__(self) -> list[str]:
        own = (name for name in super().__dir__() if name.startswith("__"))
        return sorted({*own, *__all__})


sys.modules[__name__].__class__ = _Facade
>>>>>>> main
