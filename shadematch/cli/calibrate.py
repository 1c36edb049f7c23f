"""``shadematch calibrate`` and ``pours``: a palette from test pours, and which pours to make.

``calibrate --json``: ``pigments`` ({name, strength_sd, scatters}), ``wrong`` (names of bars put
aside), ``residuals`` ({name, delta_e, misfit, weight}), ``poorly_known``, ``contact`` (null if
as stated), ``saved`` and ``saved_palette`` (null or the file); with ``--next`` also ``next``, a
list of the form of ``pours`` with ``before`` and ``after`` (CIEDE2000 of uncertainty), and
``cautions``.
``pours --json``: ``pours`` ({name, doses, unit, batch_g, thickness_cm, white, backings, why}),
``readings``, ``cautions``.
"""

from __future__ import annotations

import argparse
import dataclasses
from typing import Any

from shadematch.calibration.calibrate import calibrate
from shadematch.calibration.files import read_test_pours
from shadematch.calibration.next_pours import next_pours
from shadematch.calibration.planned import PlannedPour
from shadematch.calibration.starter import starter_plan
from shadematch.cli.amounts import COUNT, MASS, NUMBER
from shadematch.cli.parsing import Verbs, called
from shadematch.cli.printing import json_text, shown
from shadematch.keeping.files import read, save
from shadematch.studio.palette import Palette
from shadematch.studio.view import View
from shadematch.support.cautions import CAUTIONS
from shadematch.support.report import rows_of

__all__ = ["add_verb"]


def add_verb(verb: Verbs) -> None:
    """Announce the verbs."""
    parser = verb("calibrate", _calibrate, "Learn a palette from measured test pours.")
    parser.add_argument("files", nargs="+", metavar="FILE", help="CSV or CGATS.17 text")
    parser.add_argument("--bars", metavar="FILE", help="CSV with the doses of the bars")
    parser.add_argument("--illuminant", help="of Lab and XYZ readings (D65)")
    parser.add_argument("--observer", help="of Lab and XYZ readings: 2 or 10 degrees (2)")
    text = "write all that was learnt into this file, for match and predict --calibration"
    parser.add_argument("--save", metavar="FILE", help=text)
    parser.add_argument("--save-palette", metavar="FILE", help="write the palette alone")
    parser.add_argument("--backings", metavar="FILE", help="CSV with spectra of named backings")
    parser.add_argument("--like", metavar="FILE", help="palette to take tube sizes and prices from")
    text = "name so many pours that would teach most"
    parser.add_argument("--next", type=COUNT, metavar="COUNT", help=text)
    plan = verb("pours", _pours, "The test pours that a new palette needs.")
    plan.add_argument("pigments", nargs="+", metavar="NAME")
    plan.add_argument(
        "--scattering", nargs="+", default=[], metavar="NAME", help="pigments thought to scatter"
    )
    plan.add_argument("--batch", type=MASS, default=500.0, metavar="G", help="base of a bar (500)")
    text = "weigh the paste: what 1 cm of it weighs in g (without it, doses are in cm)"
    plan.add_argument("--g-per-cm", type=NUMBER, metavar="G", help=text)
    plan.add_argument("--no-white", action="store_true", help="no white base in the studio")
    plan.add_argument("--save", metavar="FILE", help="write a form to fill in")
    plan.add_argument(
        "--reading",
        choices=("spectrum", "lab"),
        default="spectrum",
        help="what will be filled in (spectrum)",
    )


def _calibrate(args: argparse.Namespace) -> str:
    light = {"illuminant": args.illuminant, "observer": args.observer}
    light = {name: value for name, value in light.items() if value is not None}
    view = View(**light) if light else None
    pours = [
        p
        for f in args.files
        for p in read_test_pours(
            f,
            bars=args.bars,
            view=view,
            backings=args.backings,
            any_thickness=args.any_thickness,
        )
    ]
    with called("path", "--like"):
        like = None if args.like is None else read(args.like, Palette)
    found = calibrate(pours, like=like, any_thickness=args.any_thickness)
    with called("count", "--next"):  # before anything is written
        coming = () if args.next is None else next_pours(found, count=args.next)
    if args.save is not None:
        with called("path", "--save"):
            save(found, args.save, replace=args.replace)
    if args.save_palette is not None:
        with called("path", "--save-palette"):
            save(found.palette, args.save_palette, replace=args.replace)
    if args.json:
        taught = [{**_planned(n.pour), "before": n.before, "after": n.after} for n in coming]
        return json_text(
            {
                "pigments": [
                    {
                        "name": n,
                        "strength_sd": found.strength_sd(n),
                        "scatters": n in found.scattering,
                    }
                    for n in found.pigments
                ],
                "wrong": list(found.wrong),
                "residuals": [dataclasses.asdict(r) for r in found.residuals],
                "poorly_known": list(found.poorly_known),
                "contact": found.contact,
                "saved": args.save,
                "saved_palette": args.save_palette,
                **({"next": taught, "cautions": CAUTIONS} if coming else {}),
            }
        )
    report = dataclasses.replace(found.report(), cautions=bool(coming))
    written = [path for path in (args.save, args.save_palette) if path is not None]
    rows = (*rows_of("next", map(str, coming)), *rows_of("saved", written))
    return shown(report.plus(*rows))


def _planned(planned: PlannedPour) -> dict[str, Any]:
    return {
        "name": planned.name,
        "doses": dict(planned.doses),
        "unit": planned.unit,
        "batch_g": planned.pour.batch_g,
        "thickness_cm": planned.pour.thickness_cm,
        "white": planned.pour.white,
        "backings": [str(v.backing) for v in planned.views],
        "why": planned.why,
    }


def _pours(args: argparse.Namespace) -> str:
    with called("scattering", "--scattering"), called("g_per_cm", "--g-per-cm"):
        plan = starter_plan(
            args.pigments,
            scattering=args.scattering,
            unit="cm" if args.g_per_cm is None else "g",
            g_per_cm=args.g_per_cm,
            batch_g=args.batch,
            white=not args.no_white,
        )
    if args.save is not None:
        with called("path", "--save"):
            plan.save(args.save, args.reading, replace=args.replace)
    if args.json:
        entries = [_planned(p) for p in plan.pours]
        return json_text({"pours": entries, "readings": plan.readings, "cautions": CAUTIONS})
    return shown(plan, *([] if args.save is None else [f"saved {args.save}"]))
