"""One good and quick call of every public function and method, to be spoilt by tests.

`CALLS` names each as a person writes it (``match``, ``Palette.only``), with what is called and the
arguments by name. `faults` looks a result through for what no public answer may hold.
"""

from __future__ import annotations

import dataclasses
import functools
import inspect
import itertools
import tempfile
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction
from html import escape
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from PIL import Image
from pydantic import BaseModel

import shadematch as sm
from shadematch.calibration.intervals import Interval
from shadematch.calibration.result import Calibration
from shadematch.correction.results import Correction
from shadematch.errors import ShadematchError
from shadematch.gamuts.answers import Coverage
from shadematch.gamuts.feasibility import Feasibility
from shadematch.gamuts.reach import Gamut
from shadematch.gamuts.slices import Slice, WholeMap
from shadematch.journal.lesson import Lesson
from shadematch.keeping.distributions import distribution_of, target_from_distribution
from shadematch.keeping.results import recipes_from_frame, results_frame
from shadematch.keeping.saved import SavedRecipe, kept
from shadematch.keeping.schemas import json_schema
from shadematch.keeping.target_tables import targets_frame, targets_from_frame
from shadematch.matching.lights import metameric_index
from shadematch.matching.match import Match
from shadematch.photo.combining import CombinedPhotos
from shadematch.photo.target import PhotoTarget
from shadematch.planning.result import Plan
from shadematch.planning.stock import Tubes
from shadematch.sheet.batch import BatchSheet
from shadematch.studio.recipe import Weighed
from shadematch.support.cautions import CAUTIONS
from shadematch.support.report import Report, Reported
from tests.invented import worlds
from tests.invented.campaign import campaign
from tests.whole.public import everything

NM = list(range(380, 731, 10))
PASTES = ("gorse", "rosehip", "jetty")
ROOT = Path(__file__).parents[2]

# --- samples


@functools.cache
def palette() -> sm.Palette:
    return sm.demo_palette().only(*PASTES)


POUR = sm.Pour(batch_g=150, thickness_cm=1.5)
DOSES = {"gorse": 2.0, "jetty": 1.0}
RECIPE = sm.Recipe(DOSES, POUR)
CODE = "#d9822b"


@functools.cache
def matched() -> Match:
    return sm.match(CODE, palette=palette(), pour=POUR)


@functools.cache
def calibration() -> Calibration:
    """From a few pours of an invented world that another solver computed."""
    rng = np.random.default_rng(1)
    made = worlds.random_world(rng, pigments=2)
    made = dataclasses.replace(
        made, absorption=dict(zip(PASTES, made.absorption.values(), strict=False))
    )
    return sm.calibrate(worlds.measured(made, campaign(PASTES[:2]), rng))


def _journal() -> sm.Journal:
    """A new journal with a measured batch and one that is not."""
    journal = sm.Journal(Path(tempfile.mkdtemp()) / "j.jsonl", pigments=PASTES)
    journal.add({"gorse": 3.0}, (85.0, -3.0, 50.0), pour=POUR)
    journal.pour({"jetty": 1.0}, pour=POUR)
    return journal


def _odd_journal() -> sm.Journal:
    """The same, and a third batch that was put aside."""
    journal = _journal()
    journal.add({"gorse": 3.0}, (20.0, 30.0, -50.0), pour=POUR)
    return journal


def _fresh(path: Any) -> Any:
    """A path that nothing stands at, if it is one of the tests' own."""
    if isinstance(path, Path) and path.suffix == ".jsonl":
        path.unlink(missing_ok=True)
    return path


@functools.cache
def _table(folder: Path) -> Path:
    _journal().save_table(folder / "journal.csv", replace=True)
    return folder / "journal.csv"


@functools.cache
def kept_calibration(folder: Path) -> Path:
    sm.save(calibration(), folder / "calibration.json")
    return folder / "calibration.json"


@functools.cache
def correction() -> Correction:
    return sm.correct(RECIPE, (60.0, 8.0, 40.0), CODE, palette=palette())


@functools.cache
def planned() -> Plan:
    orders = [sm.Order(name="a", target=CODE, bars=3, pour=POUR, view=sm.View())]
    return sm.plan(orders, sm.Stock.of({"gorse": 1, "rosehip": 1}), palette=palette())


@functools.cache
def feasible() -> Feasibility:
    return sm.feasibility(
        CODE, palette=palette(), thicknesses_cm=(1.0, 2.0), whites=(0.0,), batches_g=(100.0,)
    )


@functools.cache
def shapes() -> Gamut:
    return sm.gamut(palette=palette().only("gorse", "jetty"), pour=POUR)


@functools.cache
def saved(folder: Path) -> Path:
    place = folder / "saved.json"
    sm.save(matched(), place)
    return place


@functools.cache
def photo(folder: Path) -> Path:
    place = folder / "photo.png"
    rng = np.random.default_rng(2)
    pixels = np.full((60, 80, 3), 230.0)
    pixels[10:50, 40:70] = (180, 120, 60)
    pixels += rng.normal(0, 2, pixels.shape)
    Image.fromarray(np.clip(pixels, 0, 255).astype(np.uint8)).save(place)
    return place


@functools.cache
def palette_file(folder: Path) -> Path:
    sm.save(palette(), folder / "palette.json")
    return folder / "palette.json"


@functools.cache
def spectrum_file(folder: Path) -> Path:
    place = folder / "spectrum.csv"
    place.write_text("".join(f"{nm},{0.2 + nm / 1500:.4f}\n" for nm in NM))
    return place


def readonly(array: Any) -> Any:
    array.setflags(write=False)
    return array


@functools.cache
def corrected(folder: Path) -> Path:
    sm.save(correction(), folder / "corrected.json")
    return folder / "corrected.json"


@functools.cache
def targets() -> list[sm.Target]:
    return [
        sm.Target.from_hex(CODE),
        sm.Target.from_lab((50, 10, 10), covariance=((1, 0, 0), (0, 1, 0), (0, 0, 1))),
        sm.Target.from_reflectance(NM, [0.2 + nm / 1500 for nm in NM]),
    ]


@functools.cache
def target_file(folder: Path) -> Path:
    sm.save(targets(), folder / "targets.json")
    return folder / "targets.json"


def _copied() -> list[Path]:
    with tempfile.TemporaryDirectory() as folder:
        return sm.copy_samples(Path(folder) / "samples")


def _chart_or_none(path: Any) -> sm.Chart | None:
    """The chart in a photo; None where it is said, in the library's own words, that none is."""
    try:
        return sm.find_chart(path)
    except sm.PhotoError:
        return None


# --- calls


@dataclass(frozen=True)
class Call:
    """What is called with which arguments; `given` is made anew each time."""

    run: Callable[..., Any]
    given: Callable[[Path], dict[str, Any]]
    slow: bool = False

    def __call__(self, folder: Path, **changes: Any) -> Any:
        return self.run(**{**self.given(folder), **changes})


def _of(made: Callable[[], Any], method: str) -> Callable[..., Any]:
    def run(**given: Any) -> Any:
        bound = getattr(made(), method)
        names = inspect.signature(bound).parameters
        loose = [k for k, p in names.items() if p.kind is p.VAR_POSITIONAL]
        positional = [
            one
            for k in loose
            for many in [given.pop(k, ())]
            for one in (many if isinstance(many, list | tuple) else [many])
        ]
        return bound(*positional, **given)

    return run


def _with(**given: Any) -> Callable[[Path], dict[str, Any]]:
    return lambda _folder: dict(given)


_REFLECTANCES = [0.2 + nm / 1500 for nm in NM]
_SHARED = {"palette": None, "pour": POUR, "view": None}
_READ: dict[str, Any] = {"pour": POUR, "view": None, "unit": "cm", "name": "one"}


def _in_palette(**given: Any) -> Callable[[Path], dict[str, Any]]:
    return lambda _folder: {"palette": palette(), "pour": POUR, "view": sm.View(), **given}


def _listed(run: Callable[..., Any]) -> Callable[..., Any]:
    return lambda **given: list(run(**given))


def _framed(_folder: Path) -> dict[str, Any]:
    return {"frame": pd.DataFrame({"hex": [CODE, "#ffffff"]})}


def _pours() -> list[sm.TestPour]:
    return list(calibration().pours)


def _distribution() -> Any:
    return distribution_of(sm.predict(DOSES))


CALLS: dict[str, Call] = {
    # what people type in
    "Base": Call(
        sm.Base,
        _with(absorption=(0.1,) * 36, scattering=(0.1,) * 36, crowding=0.3, name="oat"),
    ),
    "Pigment": Call(
        sm.Pigment,
        _with(
            name="p",
            absorption=(0.1,) * 36,
            scattering=None,
            bend=0.05,
            tube_size=87.0,
            tube_price=9.5,
        ),
    ),
    "Palette": Call(
        sm.Palette,
        lambda _: {
            "pigments": palette().pigments,
            "clear": palette().clear,
            "white": palette().white,
            "note": "n",
            "bases": (palette().clear.model_copy(update={"name": "oat"}),),
        },
    ),
    "Pour": Call(sm.Pour, _with(**POUR.model_dump(), base="oat")),
    "Pour.limit_note": Call(POUR.limit_note, _with(unit="g")),
    "View": Call(sm.View, _with(**sm.View().model_dump())),
    "LetDown": Call(
        sm.LetDown, _with(pigment="gorse", paste_per_g=0.02, step_g=1.0, white=0.0, base="oat")
    ),
    "LetDown.made": Call(
        sm.LetDown.made,
        _with(pigment="gorse", paste=1.0, base_g=50.0, step_g=1.0, white=0.0),
    ),
    "Recipe": Call(sm.Recipe, _with(doses=DOSES, pour=POUR, weighed=())),
    "Weighed": Call(
        Weighed, _with(let_down=sm.LetDown(pigment="gorse", paste_per_g=0.02), mass_g=5.0)
    ),
    "Target": Call(
        sm.Target,
        _with(
            lab=(60.0, 10.0, 40.0),
            illuminant="D65",
            observer="2",
            source="s",
            reflectance=None,
            covariance=None,
        ),
    ),
    "Target.from_hex": Call(sm.Target.from_hex, _with(code=CODE)),
    "Target.from_srgb": Call(sm.Target.from_srgb, _with(rgb=(0.8, 0.5, 0.2))),
    "Target.from_csv": Call(sm.Target.from_csv, lambda f: {"path": spectrum_file(f)}),
    "Target.from_lab": Call(
        sm.Target.from_lab,
        _with(
            lab=(60, 10, 40),
            illuminant="D65",
            observer="2",
            covariance=((1, 0, 0), (0, 1, 0), (0, 0, 1)),
        ),
    ),
    "Target.from_xyz": Call(
        sm.Target.from_xyz, _with(xyz=(30, 28, 10), illuminant="D65", observer="2")
    ),
    "Target.from_reflectance": Call(
        sm.Target.from_reflectance, _with(wavelengths_nm=NM, reflectance=_REFLECTANCES)
    ),
    "read_photo": Call(
        sm.read_photo,
        lambda f: {
            "path": photo(f),
            "region": (45, 15, 65, 45),
            "neutral": (5, 5, 30, 50),
            "chart": None,
            "shading": None,
            "palette": None,
        },
    ),
    "combine_photos": Call(
        lambda path, region: sm.combine_photos(
            [sm.read_photo(path, region=each) for each in (region, (40, 12, 60, 40))]
        ),
        lambda f: {"path": photo(f), "region": (45, 15, 65, 45)},
    ),
    "Target.lab_in": Call(_of(lambda: sm.Target.from_hex(CODE), "lab_in"), _with(view=sm.View())),
    "FlatAreas.show": Call(lambda path: sm.flat_areas(path).show(), lambda f: {"path": photo(f)}),
    "delta_e": Call(sm.delta_e, _with(first=CODE, second=(50.0, 10.0, 20.0), view=None)),
    "PhotoTarget.show": Call(
        lambda path: sm.read_photo(path, region=(1, 1, 9, 9)).show(),
        lambda f: {"path": photo(f)},
    ),
    "TestPour": Call(
        sm.TestPour, _with(doses=DOSES, **_READ | {"view": sm.View()}, spectrum=(0.5,) * 36)
    ),
    "TestPour.from_spectrum": Call(
        sm.TestPour.from_spectrum,
        _with(doses=DOSES, wavelengths_nm=NM, values=_REFLECTANCES, **_READ),
    ),
    "TestPour.from_lab": Call(
        sm.TestPour.from_lab, _with(doses=DOSES, lab=(60, 10, 40), covariance=None, **_READ)
    ),
    "TestPour.from_xyz": Call(sm.TestPour.from_xyz, _with(doses=DOSES, xyz=(30, 28, 10), **_READ)),
    "TestPour.from_target": Call(
        sm.TestPour.from_target, _with(doses=DOSES, target=sm.Target.from_hex(CODE), **_READ)
    ),
    "Tubes": Call(
        Tubes,
        _with(pigment="gorse", full=1, opened=(3.0,), tube_size=80.0, price=9.0, most=3),
    ),
    "Stock": Call(
        sm.Stock,
        _with(
            tubes=(Tubes(pigment="gorse", full=1),),
            clear_g=100.0,
            white_g=None,
            clear_price_kg=5.0,
            white_price_kg=None,
            bases_g={"oat": 50.0},
            bases_price_kg={"oat": 7.0},
        ),
    ),
    "Stock.of": Call(sm.Stock.of, _with(full={"gorse": 1})),
    "Order": Call(
        sm.Order,
        _with(
            name="a",
            target=CODE,
            recipe=None,
            bars=3,
            bar_g=100.0,
            mass_g=None,
            pour=POUR,
            view=sm.View(),
            tolerance=0.5,
            within=None,
            max_pigments=None,
            value=1.0,
            due=None,
        ),
    ),
    "Region": Call(sm.Region, _with(kind="box", numbers=(0.1, 0.1, 0.5, 0.5))),
    "Region.box": Call(sm.Region.box, _with(left=0.1, top=0.1, right=0.5, bottom=0.5)),
    "Region.circle": Call(sm.Region.circle, _with(x=0.5, y=0.5, radius=0.2)),
    "Region.polygon": Call(
        _of(lambda: sm.Region, "polygon"), _with(corners=((0, 0), (1, 0), (0, 1)))
    ),
    "Region.parse": Call(sm.Region.parse, _with(text="0.1,0.1,0.5,0.5")),
    "Region.outline": Call(
        _of(lambda: sm.Region.circle(0.5, 0.5, 0.2), "outline"), _with(width=80, height=60)
    ),
    "Region.frame": Call(
        _of(lambda: sm.Region.circle(0.5, 0.5, 0.2), "frame"), _with(width=80, height=60)
    ),
    "Region.holds": Call(
        _of(lambda: sm.Region.circle(0.5, 0.5, 0.2), "holds"),
        lambda _: {"x": np.arange(8.0), "y": np.arange(6.0), "width": 8, "height": 6},
    ),
    "Neutral": Call(
        sm.Neutral,
        _with(regions=(sm.Region.box(0, 0, 1, 1),), reflectance=0.9, reflectance_sd=0.02),
    ),
    "Chart": Call(
        sm.Chart, _with(corners=((10, 10), (110, 10), (110, 70), (10, 70)), reference=None)
    ),
    "Chart.patches": Call(
        _of(lambda: sm.Chart(((10, 10), (110, 10), (110, 70), (10, 70))), "patches"),
        _with(width=130, height=90),
    ),
    # palettes
    "demo_palette": Call(sm.demo_palette, _with()),
    "Palette.index": Call(_of(palette, "index"), _with(name="jetty")),
    "Palette.only": Call(_of(palette, "only"), _with(names=("gorse", "jetty"))),
    "Palette.without": Call(_of(palette, "without"), _with(names=("gorse",))),
    "Palette.known_to": Call(_of(palette, "known_to"), _with(strength=0.1)),
    "Palette.base": Call(_of(palette, "base"), _with(name="clear")),
    "Palette.in_base": Call(_of(palette, "in_base"), _with(name="clear")),
    "Palette.blend": Call(_of(palette, "blend"), _with(white=0.3)),
    # colours
    "predict": Call(sm.predict, _in_palette(doses=DOSES)),
    "layers": Call(sm.layers, _in_palette(stack=[(DOSES, 0.5), ({"rosehip": 1.0}, 0.5)])),
    "wedge": Call(
        sm.wedge,
        _in_palette(recipe=DOSES, from_cm=0.2, to_cm=1.0, height_cm=1.2, clear_top=True, steps=4),
    ),
    "ladder": Call(sm.ladder, _in_palette(doses=DOSES, along="load", values=(1.0, 2.0), every=5.0)),
    "in_the_pot": Call(
        sm.in_the_pot, _in_palette(recipe=DOSES, depth_cm=8.0, pot="steel", drop_mm=3.0)
    ),
    "spread": Call(sm.spread, _in_palette(recipe=DOSES, dose_slip=0.2, scale_g=1.0, target=CODE)),
    "lights": Call(
        sm.lights,
        lambda _: {
            "recipe": RECIPE,
            "target": CODE,
            "palette": palette(),
            "view": sm.View(),
            "lights": ("D65", "A"),
            "reference": "D65",
            "correction": "additive",
        },
    ),
    "metameric_index": Call(
        metameric_index,
        lambda _: {
            "first": np.full(36, 0.4),
            "second": np.full(36, 0.5),
            "illuminant": "A",
            "reference": "D65",
            "observer": "2",
            "correction": "multiplicative",
        },
    ),
    "distribution_of": Call(
        distribution_of, lambda _: {"prediction": sm.predict(DOSES, palette=palette())}
    ),
    "target_from_distribution": Call(
        target_from_distribution, lambda _: {"found": _distribution()}
    ),
    # answers
    "match": Call(
        sm.match,
        _in_palette(
            target=CODE,
            tolerance=0.5,
            max_pigments=2,
            must_use=("gorse",),
            must_avoid=("jetty",),
            lights=(),
            let_downs=(),
            robust=False,
            dose_slip=0.2,
            scale_g=1.0,
        ),
    ),
    "Match.shades": Call(
        lambda **asked: matched().shades(**asked), _with(count=2, dab_g=20.0), slow=True
    ),
    "Match.spread_of": Call(
        lambda **asked: matched().spread_of(**asked), _with(recipe=RECIPE), slow=True
    ),
    "SavedRecipe.spread_of": Call(
        lambda **asked: kept(matched()).spread_of(**asked),
        lambda _: {"dose_slip": 0.2, "scale_g": 1.0},
        slow=True,
    ),
    "match_many": Call(
        _listed(sm.match_many),
        _in_palette(
            targets=[CODE, "#ffffff"],
            tolerance=0.5,
            max_pigments=2,
            must_use=(),
            must_avoid=(),
            robust=False,
            dose_slip=0.2,
            scale_g=1.0,
            executor=None,
            progress=None,
            chunk=2,
        ),
    ),
    "same_look": Call(
        sm.same_look,
        lambda _: {
            "recipe": RECIPE,
            "to_pour": sm.Pour(batch_g=200),
            "to_view": None,
            "palette": palette(),
            "view": None,
            "tolerance": 0.5,
            "within": 1.0,
            "max_pigments": None,
        },
    ),
    "smallest_batch": Call(
        sm.smallest_batch,
        _in_palette(
            target=CODE, within=3.0, step_g=50.0, largest_g=200.0, bar_g=None, max_pigments=None
        ),
    ),
    "SmallestBatch.listed": Call(
        lambda within: sm.smallest_batch(
            CODE, palette=palette(), within=within, step_g=100.0, largest_g=200.0
        ).listed(),
        _with(within=3.0),
    ),
    "Palette.named": Call(palette().named, _with(given={"Gorse": 2.0})),
    "propose_let_down": Call(
        sm.propose_let_down,
        lambda _: {
            "target": "#c8d050",
            "palette": palette(),
            "pour": sm.Pour(batch_g=100),
            "view": None,
            "within": 4.0,
            "step_g": 1.0,
            "least_g": None,
            "bases_g": (20.0,),
            "max_let_downs": 1,
        },
        slow=True,
    ),
    "results_frame": Call(results_frame, lambda _: {"matches": [matched()]}),
    "targets_from_frame": Call(targets_from_frame, _framed),
    "save_results": Call(
        sm.save_results,
        lambda f: {
            "matches": [matched()],
            "path": f / "t.csv",
            "replace": True,
            "progress": None,
        },
    ),
    "save": Call(
        sm.save,
        lambda f: {
            "thing": matched(),
            "path": f / "s.json",
            "palette": None,
            "view": None,
            "choice": None,
            "note": "n",
            "replace": True,
        },
    ),
    "save targets": Call(
        sm.save,
        lambda f: {
            "thing": [sm.Target.from_hex(CODE)],
            "path": f / "t.json",
            "note": "n",
            "replace": True,
        },
    ),
    "save a correction": Call(
        sm.save, lambda f: {"thing": correction(), "path": f / "c.json", "replace": True}
    ),
    "save a calibration": Call(
        sm.save, lambda f: {"thing": calibration(), "path": f / "learnt.json", "replace": True}
    ),
    "read": Call(sm.read, lambda f: {"path": saved(f), "kind": SavedRecipe}),
    "read a palette": Call(sm.read, lambda f: {"path": palette_file(f)}),
    "read targets": Call(sm.read, lambda f: {"path": target_file(f)}),
    "read a correction": Call(sm.read, lambda f: {"path": corrected(f)}),
    "read a calibration": Call(sm.read, lambda f: {"path": kept_calibration(f)}),
    "repeat": Call(sm.repeat, lambda f: {"saved": saved(f), "palette": palette()}),
    "batch_sheet": Call(
        sm.batch_sheet,
        lambda _: {
            "result": matched(),
            "palette": None,
            "view": None,
            "choice": None,
            "title": "t",
            "date": "d",
            "note": None,
            "bars": 1,
            "bar_g": 100.0,
            "loss": 0.03,
            "looks": None,
            "spread": None,
        },
    ),
    "BatchSheet.save": Call(
        lambda path, replace: sm.batch_sheet(matched()).save(path, replace=replace),
        lambda f: {"path": f / "s.html", "replace": True},
    ),
    "correct": Call(
        sm.correct,
        lambda _: {
            "recipe": RECIPE,
            "measured": (60.0, 8.0, 40.0),
            "target": CODE,
            "palette": palette(),
            "view": None,
            "within": 1.0,
            "max_load": None,
            "pot_g": None,
            "bases": None,
            "base_step_g": None,
            "must_avoid": (),
            "strength_spread": 0.1,
            "white_spread": 0.1,
            "dose_slip": 0.2,
            "scale_g": 1.0,
            "let_down_paste": None,
            "measured_spread": 0.3,
            "model_spread": 0.5,
        },
        slow=True,
    ),
    "Correction.added": Call(
        _of(correction, "added"), _with(doses={"gorse": 1.0}, clear_g=10.0, white_g=0.0)
    ),
    # gamuts
    "gamut": Call(sm.gamut, _in_palette(max_pigments=2)),
    "Gamut": Call(Gamut, _in_palette(max_pigments=2)),
    "Gamut.at": Call(_of(shapes, "at"), _with(thickness_cm=2.0)),
    "Gamut.nearest": Call(_of(shapes, "nearest"), _with(target=CODE)),
    "Gamut.distance": Call(_of(shapes, "distance"), _with(target=CODE)),
    "Gamut.distances": Call(_of(shapes, "distances"), _with(targets=[CODE, "#ffffff"])),
    "Gamut.contains": Call(_of(shapes, "contains"), _with(target=CODE, within=0.1)),
    "Gamut.coverage": Call(_of(shapes, "coverage"), _with(targets=[CODE], within=1.0)),
    "Gamut.slice": Call(_of(shapes, "slice"), _with(lightness=50.0, hue=None, step=20.0)),
    "Gamut.whole": Call(
        _of(shapes, "whole"),
        _with(batches_g=(100.0,), lightness=50.0, hue=None, step=20.0),
    ),
    "Gamut.colours": Call(
        _of(shapes, "colours"), lambda _: {"lab": np.array([[50.0, 10.0, 30.0]])}
    ),
    "WholeMap.share": Call(
        lambda within: shapes().whole(batches_g=(100.0,), lightness=50, step=20)[0].share(within),
        _with(within=1.0),
    ),
    "feasibility": Call(
        sm.feasibility,
        _in_palette(
            target=CODE, within=1.0, thicknesses_cm=(1.0, 2.0), whites=(0.0,), batches_g=(100.0,)
        ),
        slow=True,
    ),
    "Feasibility.answer": Call(_of(feasible, "answer"), _with(batch=0), slow=True),
    "Feasibility.compare": Call(
        _of(feasible, "compare"),
        lambda _: {"palette": palette().only("gorse"), "name": "n"},
        slow=True,
    ),
    # orders
    "cost": Call(
        sm.cost,
        lambda _: {
            "recipe": RECIPE,
            "palette": palette(),
            "stock": sm.Stock.of({"gorse": 1}),
            "bar_g": 100.0,
        },
    ),
    "plan": Call(
        sm.plan,
        lambda _: {
            "orders": [sm.Order(name="a", target=CODE, bars=3, pour=POUR)],
            "stock": sm.Stock.of({"gorse": 1, "rosehip": 1}),
            "palette": palette(),
            "buy": False,
            "seconds": 5.0,
        },
    ),
    "Plan.without": Call(_of(planned, "without"), _with(names=("gorse",))),
    "read_targets": Call(sm.read_targets, lambda folder: {"path": target_file(folder)}),
    "read_orders": Call(sm.read_orders, _with(path=ROOT / "data" / "order-book.csv")),
    "read_stock": Call(sm.read_stock, _with(path=ROOT / "data" / "shelf.csv")),
    **{
        f"Stock.{name}": Call(_of(lambda: sm.Stock.of({"gorse": 2}), name), given)
        for name, given in {
            "without": _with(names=("gorse",)),
            "row": _with(pigment="gorse"),
            "tube_size": lambda _: {"pigment": "gorse", "palette": palette()},
            "price": lambda _: {"pigment": "gorse", "palette": palette()},
            "shelf": lambda _: {"pigment": "gorse", "palette": palette()},
            "check": lambda _: {"palette": palette()},
            "assumed": lambda _: {"palette": palette()},
            "base_g": _with(kind="clear"),
            "base_price_kg": _with(kind="white"),
        }.items()
    },
    # calibration
    "read_test_pours": Call(
        sm.read_test_pours,
        _with(
            path=ROOT / "data" / "test-pours.txt",
            bars=ROOT / "data" / "bars.csv",
            pour=POUR,
            view=sm.View(),
            reflectance_unit="percent",
        ),
    ),
    "calibrate": Call(
        sm.calibrate,
        lambda _: {
            "test_pours": _pours(),
            "pigments": PASTES[:2],
            "scattering": "none",
            "dose_error": 0.1,
            "noise": None,
            "contact": "stated",
            "like": None,
            "progress": None,
        },
        slow=True,
    ),
    "Journal": Call(
        lambda path, **rest: sm.Journal(_fresh(path), **rest),
        lambda f: {
            "path": f / "new.jsonl",
            "pigments": PASTES,
            "unit": "cm",
            "scattering": ("gorse",),
            "tube_size": {"gorse": 80.0},
            "palette": None,
            "bases": ("oat",),
        },
    ),
    "Journal.add": Call(
        lambda **given: _journal().add(**given),
        _with(
            doses={"gorse": 2.0},
            measured=(80.0, 3.0, 60.0),
            pour=POUR,
            view=None,
            means="phone",
            instrument="a",
            age_days=2.0,
            fields={"lot": "A7"},
        ),
        slow=True,
    ),
    "Journal.pour": Call(
        lambda **given: _journal().pour(**given),
        _with(doses={"gorse": 2.0}, pour=POUR, fields={"lot": "A7"}),
    ),
    "Journal.measured": Call(
        lambda **given: _journal().measured(**given),
        _with(
            batch=2,
            measured=(80.0, 3.0, 60.0),
            view=None,
            means=None,
            instrument="a",
            age_days=2.0,
        ),
        slow=True,
    ),
    "Journal.added": Call(
        lambda **given: _journal().added(**given),
        _with(batch=2, doses={"gorse": 1.0}, clear_g=10.0, white_g=0.0, fields=None),
    ),
    "Journal.correct": Call(
        lambda **given: _journal().correct(**given),
        _with(
            batch=2,
            measured=(80.0, 3.0, 60.0),
            target=CODE,
            view=None,
            means=None,
            instrument="a",
        ),
        slow=True,
    ),
    "Journal.new_tube": Call(
        lambda **given: _journal().new_tube(**given), _with(pigment="gorse", tube_size=80.0)
    ),
    "Journal.new_base": Call(lambda **given: _journal().new_base(**given), _with(base="oat")),
    "Journal.void": Call(
        lambda **given: _journal().void(**given), _with(what=2, reading_only=False, why="no")
    ),
    "Journal.let_in": Call(
        lambda **given: _odd_journal().let_in(**given), _with(what=3, why="seen"), slow=True
    ),
    "Journal.next": Call(
        lambda **given: _journal().next(**given),
        _with(batch_g=250.0, thickness_cm=1.0, dose_step=1.0, view=None),
        slow=True,
    ),
    "Journal.save_table": Call(
        lambda **given: _journal().save_table(**given),
        lambda f: {"path": f / "book.csv", "replace": True},
    ),
    "Journal.from_table": Call(
        lambda table, path: sm.Journal.from_table(table, _fresh(path)),
        lambda f: {"table": _table(f), "path": f / "again.jsonl"},
    ),
    "Lesson.contains": Call(lambda level: _journal().lessons[0].contains(level), _with(level=0.9)),
    "Calibration.spectrum": Call(
        _of(calibration, "spectrum"), _with(of="gorse", what="absorption")
    ),
    "Calibration.palette_of": Call(_of(calibration, "palette_of"), _with(names=("gorse",))),
    "Calibration.strength_sd": Call(_of(calibration, "strength_sd"), _with(pigment="gorse")),
    "Calibration.view": Call(_of(calibration, "view"), _with(view=sm.View())),
    "Calibration.interval": Call(
        _of(calibration, "interval"),
        _with(
            doses={"gorse": 1.0},
            pour=POUR,
            view=None,
            target=CODE,
            level=0.9,
            dosing=True,
            measurement=True,
        ),
    ),
    "Calibration.match": Call(
        _of(calibration, "match"), _with(target=CODE, pour=POUR, view=None), slow=True
    ),
    "Interval.contains": Call(
        lambda lab: calibration().interval({"gorse": 1.0}, pour=sm.Pour(batch_g=100)).contains(lab),
        _with(lab=(60, 10, 40)),
    ),
    # kept elsewhere
    "Illuminant": Call(
        sm.Illuminant, _with(name="lamp", wavelengths_nm=tuple(NM), power=(1.0,) * len(NM))
    ),
    "Illuminant.from_csv": Call(
        sm.Illuminant.from_csv, lambda f: {"path": spectrum_file(f), "name": "lamp"}
    ),
    # Wrong folders would be made where the tests run: left to its own tests.
    "copy_samples": Call(_copied, _with()),
    "find_chart": Call(_chart_or_none, lambda f: {"path": photo(f)}),
    "json_schema": Call(json_schema, _with(kind="palette")),
    "targets_frame": Call(targets_frame, lambda _: {"targets": [sm.Target.from_hex(CODE)]}),
    "recipes_from_frame": Call(
        recipes_from_frame,
        lambda _: {"frame": results_frame([matched()]), "pour": POUR},
    ),
    # photos
    "flat_areas": Call(sm.flat_areas, lambda f: {"path": photo(f), "most": 3}),
}

HOSTILE: dict[str, Callable[[], Any]] = {
    "None": lambda: None,
    "True": lambda: True,
    "False": lambda: False,
    "0": lambda: 0,
    "-1": lambda: -1,
    "nan": lambda: float("nan"),
    "inf": lambda: float("inf"),
    "-inf": lambda: -float("inf"),
    "1e308": lambda: 1e308,
    "1e-308": lambda: 1e-308,
    "10**400": lambda: 10**400,
    "10**30": lambda: 10**30,
    "no text": lambda: "",
    "a million letters": lambda: "x" * 10**6,
    "half a character": lambda: "\ud800",
    "a NUL": lambda: "a\0b",
    "odd letters": lambda: "\u202ee\u0301\u2028\n½",
    "bytes": lambda: b"gorse",
    "[]": lambda: [],
    "{}": lambda: {},
    "a set": lambda: {1},
    "an object": object,
    "numpy's nan": lambda: np.float64("nan"),
    "an empty array": lambda: np.array([]),
    "texts in an array": lambda: np.array(["a", "b"]),
    "a read-only array": lambda: readonly(np.full(36, 0.1)),
    "three nan": lambda: [np.nan] * 3,
    "36 nan": lambda: [np.nan] * 36,
    "a dose nan": lambda: {"gorse": float("nan")},
    "a dose -1": lambda: {"gorse": -1},
    "a dose in letters": lambda: {"gorse": "3"},
    "no name": lambda: {None: 1},
    "a dose 1e300": lambda: {"gorse": 1e300},
    "a dose True": lambda: {"gorse": True},
    "a folder": lambda: Path("/tmp"),
    "no file": lambda: "/nowhere/x.json",
    "complex": lambda: 1 + 1j,
    "Decimal": lambda: Decimal(1),
    "Fraction": lambda: Fraction(1, 3),
    "a function": lambda: lambda *_: None,
    "a class": lambda: int,
    "a broken stream": lambda: breaking(),
    "nested lists": lambda: [[[]]],
    "numpy's 3": lambda: np.int64(3),
    "an array without axes": lambda: np.array(2.0),
    "a name twice": lambda: ["gorse", "gorse"],
    "two None": lambda: [None, None],
    "an unknown name": lambda: ("nobody",),
    "an unknown recipe": lambda: sm.Recipe({"nobody": 1.0}, POUR),
    "an empty recipe": lambda: sm.Recipe({}, POUR),
    "a tiny pour": lambda: sm.Pour(batch_g=0.1, thickness_cm=0.01),
    "a thick pour": lambda: sm.Pour(batch_g=400, thickness_cm=100, white=1.0, max_load=10),
    "another view": lambda: sm.View(illuminant="A", through=True),
    "another palette": lambda: sm.demo_palette().only("kelp"),
    "no real colour": lambda: sm.Target((1e4, 1e4, 1e4)),
    "black": lambda: sm.Target((0, 0, 0)),
    "below black": lambda: sm.Target((-50.0, 30.0, 0.0)),
}
"""What people and programs hand over by mistake, made anew each time."""

RECIPE_OF_TWO = sm.Recipe({"gorse": 1.0, "rosehip": 1.0}, sm.Pour(batch_g=500))

RESULTS = frozenset(
    [
        "Addition",
        "Batch",
        "BatchPoint",
        "BatchSheet",
        "Calibration",
        "Choice",
        "Comparison",
        "Correction",
        "Cost",
        "Dab",
        "Coverage",
        "Explanation",
        "Feasibility",
        "FlatAreas",
        "InThePot",
        "Interval",
        "Ladder",
        "Layered",
        "LeftOutOrder",
        "Lesson",
        "LetDownPlan",
        "Lights",
        "Match",
        "Matches",
        "Nearest",
        "NextBar",
        "CombinedPhotos",
        "PhotoTarget",
        "Plan",
        "PouredOrder",
        "Prediction",
        "Purchase",
        "Repeat",
        "Residual",
        "SameLook",
        "SavedRecipe",
        "Shade",
        "Shades",
        "Shelf",
        "Slice",
        "SmallestBatch",
        "Spread",
        "Strength",
        "ToMake",
        "UnderLight",
        "Verdict",
        "Volume",
        "Wedge",
        "WhatIf",
        "WholeMap",
    ]
)
"""Classes that only the library makes; their parts are looked through wherever one comes out."""


def public_callables() -> set[str]:
    """Every public function, and every public method of a public class, as `CALLS` names them."""
    found = set()
    for name, thing in everything().items():
        if inspect.isclass(thing):
            if issubclass(thing, ShadematchError | Warning):
                continue
            if name not in RESULTS:
                found.add(name)
            found |= {
                f"{name}.{method}"
                for kind in thing.__mro__
                if kind.__module__.rpartition(".")[0] == thing.__module__.rpartition(".")[0]
                for method, value in vars(kind).items()
                if not method.startswith("_")
                and not (method == "report" and issubclass(thing, Reported | sm.Palette))
                and isinstance(value, classmethod | staticmethod | type(public_callables))
            }
        elif callable(thing):
            found.add(name)
    return found


# --- results looked through

NO_RECIPE = (
    *(Calibration, CombinedPhotos, Coverage, Gamut, Interval, Lesson, PhotoTarget),
    *(sm.Journal, sm.Stock),
    *(Slice, WholeMap, Report),
    BatchSheet,  # draws the page, whose cautions `tests/sheet/test_batch.py` looks for
)
"""Results whose card tells nothing to pour; every other holds the cautions."""


def _parts(thing: object) -> Iterator[tuple[str, Any]]:
    """What a person can reach from a result."""
    if isinstance(thing, Mapping):
        yield from ((f"[{key!r}]", value) for key, value in thing.items())
    elif isinstance(thing, list | tuple):
        yield from ((f"[{i}]", value) for i, value in enumerate(itertools.islice(thing, 50)))
    elif type(thing).__module__.startswith("shadematch"):
        names = {n for kind in type(thing).__mro__ for n in vars(kind)} | set(vars(thing))
        for name in sorted(names):
            if name.startswith(("_", "model_")):
                continue
            kind = inspect.getattr_static(type(thing), name, None)
            computed = isinstance(kind, property | functools.cached_property)
            try:
                value = getattr(thing, name)
            except ShadematchError:
                if computed:  # such as the surface of a gamut that has none
                    continue
                raise
            if computed or not callable(value):
                yield f".{name}", value


def faults(thing: object, where: str = "", seen: set[int] | None = None) -> list[str]:
    """Where a result holds a number that is none, or can't say or draw itself."""
    seen = set() if seen is None else seen
    if id(thing) in seen or isinstance(thing, str | bytes | bool | int | Path | type(None)):
        return []
    if isinstance(thing, float | np.floating):
        return [] if np.isfinite(thing) else [f"{where} is {thing}"]
    if isinstance(thing, np.ndarray):
        bad = thing.dtype.kind == "f" and not np.isfinite(thing).all()
        return [f"{where} has numbers that are none"] if bad else []
    seen.add(id(thing))
    found = []
    if type(thing).__module__.startswith("shadematch"):
        if not isinstance(thing, BaseModel | ShadematchError):
            assert str(thing)
        repr(thing)
        if isinstance(thing, Reported):
            found += faults(thing.report(), f"{where}.report()", seen)
        if draw := getattr(thing, "_repr_html_", None):
            html = draw()
            if "nan" in html.lower().split() or "<" not in html:
                found.append(f"{where} draws {html[:60]}")
            if not isinstance(thing, NO_RECIPE) and not all(escape(c) in html for c in CAUTIONS):
                found.append(f"{where} draws a recipe without cautions")
    for name, part in _parts(thing):
        found += faults(part, where + name, seen)
    return found


class BrokenStreamError(Exception):
    """What a caller's own stream raises."""


def breaking() -> Iterable[int]:
    """A stream that breaks."""
    yield 1
    raise BrokenStreamError


def complaint(run: Callable[[], Any]) -> str:
    """What is wrong with how a call ends; empty where it answers soundly or refuses clearly."""
    try:
        wrong = faults(run())
    except ShadematchError as found:
        text = str(found)
        lacks = [name for name in ("problem", "field", "remedy") if not getattr(found, name)]
        if lacks:
            return f"refuses without {' and '.join(lacks)}: {text}"
        if len(text) > 2000:
            return f"refuses in {len(text)} letters"
        return ""
    except BrokenStreamError:  # the caller's own
        return ""
    except Exception as found:
        return f"{type(found).__name__}: {str(found)[:300]}"
    return "; ".join(wrong[:3])
