"""``shadematch journal``: the book of batches, from which your own pastes are learnt.

``journal begin NAME ...`` begins one, ``next`` names the bar that teaches most; ``add`` a bar that
was poured and measured, or ``pour`` a batch and ``measured N`` days later; ``correct N`` and
``added N`` for one that came out off; ``new-tube NAME``, ``new-base NAME``; ``void N``,
``let-in N``; ``report``; ``table`` for a spreadsheet. The file is ``journal.jsonl`` unless
``--journal`` names another.

With ``--json``: of ``begin`` ``journal``, ``pigments``, ``unit``; of ``next`` ``doses``, ``unit``,
``batch_g``, ``white``, ``base``, ``why``, ``before``, ``after``, ``cautions``; of ``pour`` and
``added`` ``batch``; of ``add``, ``measured`` and ``let-in`` ``batch``, ``measured``, ``expected``
(CIELAB), ``delta_e``, ``fits``, ``probability``, ``explanations`` ({text, kind, share}) and
``known_to`` {name: [before, after]}; of ``correct`` ``batch``, ``status``, ``advice`` {doses,
clear_g, white_g, delta_e, median, p90, largest}, ``cautions``; of ``new-tube``, ``new-base``,
``void`` and ``report`` ``report``, its text; of ``table`` ``saved``.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable
from typing import Any

from shadematch.cli.amounts import COUNT, LENGTH, MASS, NUMBER, read_doses
from shadematch.cli.conditions import add_conditions, pour_and_view, read_palette
from shadematch.cli.entries import picked
from shadematch.cli.parsing import OPTIONS, Parser, Verbs, add_replace, called, given
from shadematch.cli.printing import json_object, shown
from shadematch.cli.wanted import add_photo, no_photo, photo_target
from shadematch.errors import ColourError, FileError, PourError
from shadematch.journal.journal import Journal
from shadematch.journal.lesson import Lesson
from shadematch.keeping.files import read
from shadematch.keeping.saved import SavedRecipe
from shadematch.studio.pour import Pour
from shadematch.studio.recipe import Recipe
from shadematch.studio.target import Target
from shadematch.support.cautions import CAUTIONS

__all__ = ["add_verb", "read_journal"]

Output = tuple[dict[str, Any], list[Any]]
"""The JSON, and what is printed."""


def add_verb(verb: Verbs) -> None:
    """Add the verb, and its own verbs."""
    parser = verb("journal", _journal)
    deeds = parser.add_subparsers(dest="deed", metavar="DEED", required=True)

    def deed(name: str, do: Callable[[argparse.Namespace], Output], text: str) -> Parser:
        one: Parser = deeds.add_parser(name, help=text, description=text, allow_abbrev=False)
        one.set_defaults(do=do, parser=one)
        one.add_argument("--journal", default="journal.jsonl", metavar="FILE", help="the file")
        one.add_argument("--json", action="store_true", help="print one JSON object instead")
        text = "allow bars thinner than 0.2 cm or thicker than 8 cm"
        one.add_argument("--any-thickness", action="store_true", help=text)
        return one

    add = deed("begin", _begin, "Begin a journal.").add_argument
    add("pigments", nargs="*", metavar="NAME", help="the pastes, in order")
    add("--unit", choices=("cm", "g"), help="of doses (cm)")
    text = "pastes that look milky, earthy or pearly"
    add("--scattering", nargs="+", default=[], metavar="NAME", help=text)
    text = "paste in a full tube (87 cm; unknown in g); may be repeated"
    add("--tube", action="append", default=[], metavar="NAME=DOSE", help=text)
    add("--palette", metavar="FILE", help="palette to begin from, as a guess")
    text = "further bases, beside clear and white"
    add("--bases", nargs="+", default=[], metavar="NAME", help=text)
    add("--from-table", metavar="FILE", help="or a table that 'journal table' wrote")

    add = deed("next", _next, "The bar that would teach most.").add_argument
    add("--batch", type=MASS, metavar="G", help="base of the bar in g (250)")
    add("--thickness", type=LENGTH, metavar="CM", help="thickness of the bar in cm (1)")
    add("--dose-step", type=NUMBER, metavar="DOSE", help="what doses are multiples of")

    for name, do, text in (
        ("add", _add, "A bar that was poured and measured."),
        ("pour", _pour, "A batch that was poured; it gets a number."),
    ):
        one = deed(name, do, text)
        add = one.add_argument
        add("doses", nargs="*", metavar="NAME=DOSE", help="paste that really went in")
        text = "or a file of match --save, if it was followed"
        add("--recipe", metavar="FILE", help=text)
        _add_fields(add)
        if name == "add":
            _add_measured(add)
        add_conditions(one, view=name == "add", palette=False)
    for name, do, text in (
        ("measured", _measured, "A batch that was measured."),
        ("correct", _correct, "What to add to a batch that came out off; its reading is kept."),
    ):
        one = deed(name, do, text)
        add = one.add_argument
        add("batch", type=COUNT, metavar="N", help="number of the batch")
        _add_measured(add)
        if name == "correct":
            add("--target", metavar="HEX", help="wanted colour (the one it was poured for)")
            add("--within", type=NUMBER, metavar="CIEDE2000", help="how near is near enough (1)")
        add_conditions(one, pour=(), palette=False)
    add = deed("added", _added, "What was added to a batch.").add_argument
    add("batch", type=COUNT, metavar="N", help="number of the batch")
    add("doses", nargs="*", metavar="NAME=DOSE", help="paste that was added")
    for kind, text in (("clear", "clear base, or the batch's own"), ("white", "white base")):
        add(f"--{kind}-base", type=MASS, default=0.0, metavar="G", help=f"{text}, in g")
    _add_fields(add)
    add = deed("new-tube", _new_tube, "A new tube was opened.").add_argument
    add("pigment", metavar="NAME")
    add("--tube-size", type=NUMBER, metavar="DOSE", help="what it holds (as much as the last)")
    add = deed("new-base", _new_base, "A further base came into use.").add_argument
    add("base", metavar="NAME", help="what to call it, as in --base")
    for name, do, text in (
        ("void", _void, "A batch that doesn't count."),
        ("let-in", _let_in, "A bar that was put aside counts after all."),
    ):
        one = deed(name, do, text)
        add = one.add_argument
        add("batch", type=COUNT, metavar="N", help="number of the batch")
        add("--why", default="", metavar="TEXT", help="your own words")
        if name == "void":
            add("--reading-only", action="store_true", help="only its last measurement")
    deed("report", _report, "What is known, what is odd, what is left.")
    add = deed("table", _table, "All events as CSV for a spreadsheet.").add_argument
    add("--save", required=True, metavar="FILE", help="where to")
    add_replace(add)


def _add_fields(add: Callable[..., Any]) -> None:
    text = "notes of your own, such as 'base lot=A7'; may be repeated"
    add("--field", action="append", default=[], metavar="NAME=TEXT", help=text)


def _add_measured(add: Callable[..., Any]) -> None:
    add("--lab", nargs=3, type=NUMBER, metavar=("L", "A", "B"), help="CIELAB it was measured to be")
    text = "or its spectrum: lines of wavelength in nm, reflectance from 0 to 1"
    add("--spectrum", metavar="FILE", help=text)
    add_photo(add)
    text = "what it was measured with (a phone for photos, else a colorimeter)"
    add("--means", choices=("colorimeter", "phone"), help=text)
    add("--instrument", default="", metavar="NAME", help="which one, if there are several")
    add("--age", type=NUMBER, metavar="DAYS", help="age of the bar; kept, not used")


def read_journal(path: str) -> Journal:
    """The journal in a file; the `FileError` for a missing one says how to begin it."""
    try:
        return Journal(path)
    except FileError as found:
        if found.problem != "there is no journal yet":
            raise
        raise FileError(
            found.problem,
            field="--journal",
            value=path,
            remedy="Begin one: shadematch journal begin NAME NAME ...",
        ) from None


def _journal(args: argparse.Namespace) -> str:
    entries, told = args.do(args)
    return json_object(entries) if args.json else shown(*told)


def _begin(args: argparse.Namespace) -> Output:
    if args.from_table is not None:
        journal = Journal.from_table(args.from_table, args.journal)
    else:
        palette = None if args.palette is None else read_palette(args)
        unit = args.unit or (None if palette is None else palette.unit)
        if not args.pigments and palette is None:
            raise PourError(
                "names no pastes", field="NAME", value="none", remedy="Name your pastes, in order"
            )
        journal = Journal(
            args.journal,
            pigments=args.pigments or None,
            unit=unit,
            scattering=args.scattering,
            tube_size=read_doses(args.tube, unit or "cm"),
            palette=palette,
            bases=args.bases,
        )
    entries = {
        "journal": args.journal,
        "pigments": list(journal.pigments),
        "unit": journal.unit,
    }
    return entries, [journal.report()]


def _next(args: argparse.Namespace) -> Output:
    given = {
        "batch_g": args.batch,
        "thickness_cm": args.thickness,
        "dose_step": args.dose_step,
    }
    bar = read_journal(args.journal).next(**{n: v for n, v in given.items() if v is not None})
    entries = {
        "doses": dict(bar.recipe.doses),
        "unit": bar.recipe.unit,
        **picked(bar.recipe.pour, "batch_g", "white", "base"),
        **picked(bar, "why", "before", "after"),
        "cautions": CAUTIONS,
    }
    return entries, [bar]


def _poured(args: argparse.Namespace, journal: Journal) -> dict[str, Any]:
    """Doses, pour and fields as given."""
    fields = _fields(args)
    if args.recipe is None:
        pour = _usual_pour(args)
        return {"doses": read_doses(args.doses, journal.unit), "pour": pour, "fields": fields}
    if args.doses or _given_pour(args):
        raise PourError(
            "has its own doses and pour",
            field="--recipe",
            value=args.recipe,
            remedy="Leave them out, or give no file",
        )
    with called("path", "--recipe"):
        recipe: Recipe = read(args.recipe, SavedRecipe).recipe
    return {"doses": recipe, "fields": fields}


def _given_pour(args: argparse.Namespace) -> dict[str, Any]:
    return {n: v for n in Pour.model_fields if (v := getattr(args, n, None)) is not None}


def _usual_pour(args: argparse.Namespace) -> Pour:
    """The pour as given, completed from the settings; nothing else is taken from them."""
    usual = {n: v for n, v in args.usual.usual.stated.items() if n in Pour.model_fields}
    return Pour(**(usual | _given_pour(args)))


def _fields(args: argparse.Namespace) -> dict[str, str]:
    found = {}
    for text in args.field:
        name, equals, value = text.partition("=")
        if not equals or not name.strip():
            raise PourError(
                "is not a field",
                field="--field",
                value=text,
                remedy="Write it as NAME=TEXT, for instance 'base lot=A7'",
            )
        found[name.strip()] = value.strip()
    return found


def _reading(args: argparse.Namespace) -> dict[str, Any]:
    """What was measured, as given."""
    ways = [way for way in ("lab", "spectrum", "photo") if getattr(args, way) is not None]
    if len(ways) != 1:
        raise ColourError(
            "give the colour that was measured, once",
            field="--lab",
            value=" and ".join(OPTIONS[w] for w in ways) or "none",
            remedy="Take one of --lab L A B, --spectrum FILE and --photo FILE",
        )
    if args.photo is not None:
        measured: Any = photo_target(args)
    else:
        no_photo(args, OPTIONS[ways[0]])
        if args.lab is not None:
            measured = list(args.lab)
        else:
            with called("path", "--spectrum"):
                measured = Target.from_csv(args.spectrum)
    return {
        "measured": measured,
        "view": pour_and_view(args)[1],
        "means": args.means,
        "instrument": args.instrument,
    }


def _lesson(lesson: Lesson) -> Output:
    entries = {
        **picked(lesson, *("batch", "measured", "expected", "delta_e", "fits", "probability")),
        "explanations": [picked(e, "text", "kind", "share") for e in lesson.explanations],
        "known_to": {name: list(pair) for name, pair in lesson.known_to.items()},
    }
    return entries, [lesson]


def _add(args: argparse.Namespace) -> Output:
    journal = read_journal(args.journal)
    given = {**_poured(args, journal), **_reading(args), "age_days": args.age}
    return _lesson(journal.add(**given))


def _pour(args: argparse.Namespace) -> Output:
    journal = read_journal(args.journal)
    number = journal.pour(**_poured(args, journal))
    line = f"batch {number}: write the number on it; when it is cold and measured,"
    line += f" shadematch journal measured {number} --lab L A B"
    return {"batch": number}, [line]


def _measured(args: argparse.Namespace) -> Output:
    journal = read_journal(args.journal)
    return _lesson(journal.measured(args.batch, **_reading(args), age_days=args.age))


def _correct(args: argparse.Namespace) -> Output:
    journal, reading = read_journal(args.journal), _reading(args)
    options = given(args, "within")
    try:
        found = journal.correct(args.batch, target=args.target, **reading, **options)
    except PourError as wrong:
        if wrong.field != "target":
            raise
        raise PourError(wrong.problem, field="--target", remedy="Give it as a hex code") from None
    advice = found.advice
    entries = {
        "batch": args.batch,
        "status": found.status,
        "advice": {
            "doses": dict(advice.doses),
            **picked(advice, *("clear_g", "white_g", "delta_e", "median", "p90", "largest")),
        },
        "cautions": CAUTIONS,
    }
    return entries, [found]


def _added(args: argparse.Namespace) -> Output:
    journal = read_journal(args.journal)
    journal.added(
        args.batch,
        read_doses(args.doses, journal.unit),
        clear_g=args.clear_base,
        white_g=args.white_base,
        fields=_fields(args),
    )
    now = next(b for b in journal.batches if b.number == args.batch)
    return {"batch": args.batch}, [f"batch {now}"]


def _new_tube(args: argparse.Namespace) -> Output:
    journal = read_journal(args.journal)
    journal.new_tube(args.pigment, tube_size=args.tube_size)
    return _said(journal)


def _new_base(args: argparse.Namespace) -> Output:
    journal = read_journal(args.journal)
    with called("base", "NAME"), called("bases", "NAME"):
        journal.new_base(args.base)
    return _said(journal)


def _void(args: argparse.Namespace) -> Output:
    journal = read_journal(args.journal)
    journal.void(args.batch, reading_only=args.reading_only, why=args.why)
    return _said(journal)


def _let_in(args: argparse.Namespace) -> Output:
    return _lesson(read_journal(args.journal).let_in(args.batch, why=args.why))


def _report(args: argparse.Namespace) -> Output:
    return _said(read_journal(args.journal))


def _said(journal: Journal) -> Output:
    return {"report": str(journal)}, [journal.report()]


def _table(args: argparse.Namespace) -> Output:
    with called("path", "--save"):
        read_journal(args.journal).save_table(args.save, replace=args.replace)
    return {"saved": args.save}, [f"saved in {args.save}"]
