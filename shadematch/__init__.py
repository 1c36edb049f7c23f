"""From a wanted colour to whole centimetres of pigment paste for melt-and-pour soap.

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
    "calibration.keeping": "load_calibration save_calibration",
    "calibration.lot": "NewLot new_lot",
    "calibration.matched": "CalibratedMatch",
    "calibration.result": "Calibration Residual",
    "calibration.shares": "SharesMatch match_shares",
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
    "many": "match_many",
    "match": "Match match",
    "materials": "Base Palette Pigment load_palette",
    "metamerism": "Lights UnderLight lights metameric_index",
    "photo.chart": "Chart",
    "photo.finding": "find_chart",
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
    "rounds": "load_correction save_correction",
    "samples": "copy_samples",
    "saved": "SavedRecipe load save",
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
