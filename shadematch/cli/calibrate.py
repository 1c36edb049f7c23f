"""``shadematch calibrate``: a palette from test pours measured in bulk.

With ``--json``: ``pigments`` ({name, strength_sd, scatters}), ``wrong`` (names of bars put aside),
``residuals`` ({name, delta_e, misfit, weight}), ``poorly_known``, ``warnings``, ``contact`` (null
if as stated), ``saved`` and ``saved_palette`` (the file, or null).
"""

from __future__ import annotations

import argparse
import dataclasses

from shadematch.calibration.calibrate import calibrate
from shadematch.calibration.files import read_test_pours
from shadematch.cli.parsing import Verbs, called, given
from shadematch.cli.printing import json_object, shown
from shadematch.keeping.files import read, save
from shadematch.studio.palette import Palette
from shadematch.studio.view import View
from shadematch.support.report import rows_of

__all__ = ["add_verb"]


def add_verb(verb: Verbs) -> None:
    """Add the verb."""
    parser = verb("calibrate", _calibrate)
    parser.add_argument("files", nargs="+", metavar="FILE", help="CSV or CGATS.17 text")
    parser.add_argument("--bars", metavar="FILE", help="CSV with the doses of the bars")
    parser.add_argument("--illuminant", help="of Lab and XYZ readings (D65)")
    parser.add_argument("--observer", help="of Lab and XYZ readings: 2 or 10 degrees (2)")
    text = "write everything learned to this file, for match and predict --calibration"
    parser.add_argument("--save", metavar="FILE", help=text)
    parser.add_argument("--save-palette", metavar="FILE", help="write the palette alone")
    parser.add_argument("--backings", metavar="FILE", help="CSV with spectra of named backings")
    parser.add_argument("--like", metavar="FILE", help="palette to take tube sizes and prices from")


def _calibrate(args: argparse.Namespace) -> str:
    light = given(args, "illuminant", "observer")
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
    if args.save is not None:
        with called("path", "--save"):
            save(found, args.save, replace=args.replace)
    if args.save_palette is not None:
        with called("path", "--save-palette"):
            save(found.palette, args.save_palette, replace=args.replace)
    if args.json:
        return json_object(
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
                "warnings": list(found.warnings),
                "contact": found.contact,
                "saved": args.save,
                "saved_palette": args.save_palette,
            }
        )
    written = [path for path in (args.save, args.save_palette) if path is not None]
    return shown(found.report().plus(*rows_of("saved", written)))
