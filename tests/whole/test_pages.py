"""README and docs: their examples run, names are where they should be, and tell one story."""

from __future__ import annotations

import inspect
import os
import re
import shutil
import subprocess
import sys
import typing
from collections.abc import Iterator
from pathlib import Path

import pytest

import shadematch as sm
from shadematch.cli.main import VERBS, _parser, room_of
from shadematch.support.cautions import CAUTIONS
from tests.whole.public import everything, listed

ROOT = Path(__file__).parents[2]
DOCS = ROOT / "docs"
PAGES = sorted(p for p in [*ROOT.glob("*.md"), *DOCS.glob("*.md")])
CODE = re.compile(r"^```(\w+)\n(.*?)^```$", re.MULTILINE | re.DOTALL)


def blocks(page: Path, kind: str) -> list[str]:
    return [text for found, text in CODE.findall(page.read_text("utf-8")) if found == kind]


def test_examples_of_the_readme_run(tmp_path: Path) -> None:
    """One after the other in one fresh process, away from the project's folder."""
    code = "\n".join(blocks(ROOT / "README.md", "python"))
    assert len(code.splitlines()) <= 6
    done = subprocess.run(
        [sys.executable, "-W", "error", "-c", code],
        cwd=tmp_path,
        capture_output=True,
        text=True,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
        check=False,
    )
    assert not done.returncode, done.stderr
    assert "nothing permitted comes closer than" in done.stdout
    assert "CIEDE2000" in done.stdout and "'rosehip': 5.0" in done.stdout


def test_the_readme_is_read_in_two_minutes() -> None:
    """At 250 words a minute, code, tables and cautions aside; ten jobs, each with its page."""
    text = (ROOT / "README.md").read_text("utf-8")
    rows = [line for line in text.splitlines() if line.startswith("| ")][2:]
    assert len(rows) == 10
    assert all(re.search(r"\]\(docs/[\w-]+\.md\)", row) for row in rows)
    above, below = text.split("## How far to trust it")
    told = " ".join(line for line in above.splitlines() if line[:1] not in "|`!")
    assert len(told.split()) < 500
    main, check = blocks(ROOT / "README.md", "sh")
    assert "shadematch match" in main and main in above
    assert "python -m tests.check" in check and check in below


RUN = sorted(
    page
    for page in DOCS.glob("*.md")
    if blocks(page, "python") and page.stem not in ("gamut", "planning", "batch-sheet")
)
"""Pages whose examples run here. Those on gamuts and plans make the calls of notebooks 3 and 5,
which take long; `test_batch_guide` has the batch sheet's."""


@pytest.mark.slow
@pytest.mark.parametrize("page", RUN, ids=lambda p: p.stem)
def test_examples_of_the_pages_run(page: Path, tmp_path: Path) -> None:
    """In a fresh process beside the samples.

    What stands under ``if __name__ == "__main__"`` is left out: it needs other machines.
    """
    sm.copy_samples(tmp_path / "data")
    shutil.copy(tmp_path / "data" / "test-pours.csv", tmp_path / "form.csv")
    (tmp_path / "page.py").write_text("\n".join(blocks(page, "python")), encoding="utf-8")
    done = subprocess.run(
        [sys.executable, "-W", "error", "-c", "import runpy; runpy.run_path('page.py')"],
        cwd=tmp_path,
        capture_output=True,
        text=True,
        check=False,
        env={**os.environ, "PYTHONPATH": str(ROOT), "MPLBACKEND": "agg"},
    )
    assert not done.returncode, done.stderr


@pytest.mark.parametrize("page", PAGES, ids=lambda p: p.stem)
def test_examples_name_nothing_that_is_not_there(page: Path, tmp_path: Path) -> None:
    place = tmp_path / "page.py"
    place.write_text("\n".join(blocks(page, "python")), encoding="utf-8")
    words = ["ruff", "check", "--isolated", "--select", "E9,F821", str(place)]
    done = subprocess.run(
        [sys.executable, "-m", *words], capture_output=True, text=True, check=False
    )
    assert not done.returncode, done.stdout


def test_the_palette_written_by_hand_is_one(tmp_path: Path) -> None:
    (text,) = blocks(DOCS / "files.md", "json")
    (tmp_path / "mine.json").write_text(text, encoding="utf-8")
    palette = sm.read(tmp_path / "mine.json", sm.Palette)
    assert palette.names == ("gorse", "rosehip")
    assert sm.match("#d9822b", palette=palette, pour=sm.Pour(batch_g=100)).proved


def follow(path: str) -> None:
    """Fail unless ``sm.`` and this path is a public name, its method or its field."""
    first, *parts = path.split(".")
    thing: object = everything().get(first)
    if thing is None:  # a package, or a slip
        thing = getattr(sm, first, None)
        assert thing is not None, f"sm.{path}"
    for part in parts:
        fields = {
            **getattr(thing, "model_fields", {}),
            **getattr(thing, "__dataclass_fields__", {}),
        }
        assert hasattr(thing, part) or part in fields, f"sm.{path}"
        thing = getattr(thing, part, None)
        if thing is None:
            return


def commands(page: Path) -> list[list[str]]:
    """Words of every call of shadematch in blocks of commands and in the text."""
    text = page.read_text("utf-8")
    lines = [line for block in blocks(page, "sh") for line in block.splitlines()]
    parts = [
        p.strip()
        for line in [*lines, *re.findall(r"`([^`\n]+)`", text)]
        for p in re.split(r"&&|\|", line)
    ]
    return [part.split()[1:] for part in parts if re.match(r"shadematch [a-z]", part)]


def test_examples_for_contributors_run(tmp_path: Path) -> None:
    found = blocks(ROOT / "DEVELOPERS.md", "python")
    assert len(found) == 3
    done = subprocess.run(
        [sys.executable, "-W", "error", "-c", "\n".join(found)],
        cwd=tmp_path,
        capture_output=True,
        text=True,
        check=False,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
    )
    assert not done.returncode, done.stderr


@pytest.mark.parametrize("page", PAGES, ids=lambda p: p.stem)
def test_what_pages_name_is_there(page: Path) -> None:
    """Names after ``sm.``, verbs and options of commands, modules after ``python -m``, links."""
    text = page.read_text("utf-8")
    for path in re.findall(r"\bsm\.([A-Za-z]\w*(?:\.[a-z]\w*)*)", text):
        follow(path)
    verbs = next(a for a in _parser()._actions if a.dest == "verb").choices
    assert isinstance(verbs, dict)
    for verb, *words in commands(page):
        assert verb in verbs, (verb, *words)
        parser = verbs[verb]
        for deeds in [a.choices for a in parser._actions if a.dest == "deed"]:
            assert words and words[0] in deeds, (verb, *words)
            parser = deeds[words[0]]
        for word in words:
            if word.startswith("--"):
                assert word.split("=")[0] in parser._option_string_actions, (verb, *words)
    for module in re.findall(r"python -m ((?:tests|shadematch)[\w.]*\w)", text):
        if module.endswith(".NAME"):
            continue
        place = ROOT / module.replace(".", "/")
        assert place.with_suffix(".py").is_file() or (place / "__main__.py").is_file(), module
    for script in re.findall(r"python ((?:data|docs)/[\w/]+\.py)", text):
        assert (ROOT / script).is_file(), script
    for link in re.findall(r"\]\((?!http)([^)#\s]+)", text):
        made_at_build = link.startswith("guides/")
        assert made_at_build or (page.parent / link).exists(), link


def test_every_public_name_has_its_place_in_the_reference() -> None:
    assert {n for n, (_, room) in listed().items() if not room} == set(sm.__all__) - {"__version__"}
    for name, (kind, room) in listed().items():
        thing = everything()[name]
        assert thing.__name__ == name and (not room or thing.__module__ == room), name
        made = inspect.isclass(thing)
        failing = made and issubclass(thing, Exception)
        assert kind == ("exception" if failing else "class" if made else "function"), name


def returned(kind: object) -> Iterator[type]:
    """This library's classes in the kind of what a call returns."""
    if isinstance(kind, type) and kind.__module__.startswith("shadematch."):
        yield kind
    for part in typing.get_args(kind):
        yield from returned(part)


def test_all_that_a_verb_returns_is_in_the_reference() -> None:
    known = set(everything().values())
    kinds: set[type] = set()
    for verb in filter(inspect.isfunction, everything().values()):
        told = verb.__annotations__["return"]
        if not told.startswith("pd."):  # pandas is there for type checkers only
            kinds.update(returned(eval(told, verb.__globals__)))
    assert len(kinds) > 25
    assert {kind.__name__ for kind in kinds - known} == set()


def test_every_verb_has_its_place_on_the_page_of_the_command_line() -> None:
    text = (DOCS / "command-line.md").read_text("utf-8")
    rooms = re.findall(r"^\.\. automodule:: (\S+)$", text, re.MULTILINE)
    assert rooms == [room_of(name) for name in VERBS]


def glossary() -> dict[str, str]:
    text = (DOCS / "glossary.md").read_text("utf-8")
    return dict(re.findall(r"^(\S.*)\n: (.+)$", text, re.MULTILINE))


def test_the_glossary_and_the_names_use_the_same_words() -> None:
    """Every entry has public names that carry its word; every thing that has a class, an entry."""
    told = {
        word: [
            name.removeprefix("sm.")
            for name in re.findall(r"`(sm\.[\w.]+|[A-Z]\w+[\w.]*)`", meaning)
        ]
        for word, meaning in glossary().items()
    }
    assert len(told) > 20
    for word, names in told.items():
        assert names, word
        for name in names:
            follow(name)
    things = {n for n in everything() if n[0].isupper() and not n.endswith(("Error", "Warning"))}
    assert not things - {name.split(".")[0] for names in told.values() for name in names}


def test_cautions_are_the_same_everywhere() -> None:
    for page in (ROOT / "README.md", DOCS / "cautions.md"):
        text = page.read_text("utf-8")
        for caution in CAUTIONS:
            assert caution in text, f"{page.name}: {caution}"


def test_the_version_is_written_once() -> None:
    wanted = re.compile(rf"(?<![\d.]){re.escape(sm.__version__)}(?![\d.])")
    for path in [ROOT / "pyproject.toml", DOCS / "conf.py", *(ROOT / "shadematch").rglob("*.py")]:
        if path.name != "_version.py" and not path.name.startswith("saved"):
            assert not wanted.search(path.read_text("utf-8")), path
    changes = (DOCS / "changelog.md").read_text("utf-8")
    newest = re.search(r"^## (\S+)", changes, re.MULTILINE)
    assert newest is not None and newest[1] == sm.__version__
