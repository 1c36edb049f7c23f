"""Break the code on purpose, and see whether a test notices.

``python -m tests.bench.mutants ROOM [--sample 50] [--seed 1] [--jobs 1]`` with ROOM one of
``difference``, ``optics``, ``search``. Needs cosmic-ray (``pip install cosmic-ray``), which knows
how to make the mutants. The work is done in a copy of the tree, so nothing is left behind.

Every place that can be changed (an operator, a comparison, a number, a truth value, a loop) counts
once; places are drawn with a fixed seed, then one change for each. Left out are changes that only
ever crash (shifts and bit operators on floats), annotations, and decorators (they cache). Each
mutant runs those of the room's tests that run its line (a first run counts them), the quickest
first, up to the first failure.

Survivors that were looked at and can't be told from the right code by any test (`EQUIVALENT`)
are counted separately: the score is given with and without them.
"""

from __future__ import annotations

import argparse
import ast
import hashlib
import math
import os
import random
import re
import shlex
import shutil
import subprocess
import sys
import tempfile
import time
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from queue import Queue

import coverage

for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(name, "1")

ROOT = Path(__file__).parents[2]
PATIENCE = 4.0
"""A mutant whose tests take this many times as long as without it, and a minute, is caught."""
HANGS = "in time"


@dataclass(frozen=True)
class Room:
    """What is broken, and what has to notice."""

    sources: tuple[str, ...]
    tests: str


ROOMS = {
    "difference": Room(
        tuple(f"shadematch/colour/{part}.py" for part in ("ciede2000", "difference", "floors")),
        "tests/colour/test_floors.py tests/colour/test_difference.py --deselect "
        "tests/colour/test_difference.py::test_a_million_pairs_as_colour_science_and_skimage",
    ),
    "optics": Room(
        tuple(f"shadematch/optics/{part}.py" for part in ("layer", "stack", "table", "transport")),
        "tests/optics --deselect "
        "tests/optics/test_layer.py::test_colour_is_the_exact_slabs_wherever_a_recipe_can_go",
    ),
    "search": Room(("shadematch/search",), "tests/search tests/gamuts/test_reach.py"),
}

EQUIVALENT: dict[str, str] = {
    "7b32f17e67": "only speed: fewer points share one grid, the others are looked up one by one",
    "b599c2b590": "the matrix is square",
    "e539996c55": "a margin for rounding, hit exactly by nothing",
    "cc0bbfab96": "either of two equally good",
    "60af10a8a2": "only speed: one guess more",
    "3c930e7570": "only speed: which leaf is looked at first",
    "c257897aec": "only speed: a hint",
    "ece4d8f951": "only speed: how fast the damping grows",
    "b101322370": "only speed: one round more",
    "2a5deaf306": "only where samples are drawn to start from",
    "89e7fc3ecb": "only where samples are drawn to start from",
    "330ce8f7c2": "only where guesses are drawn",
    "e9f7814e06": "only speed: floors that are high enough already are lifted, too",
    "9d715ebb3c": "only speed: the first guesses come a wave later",
    "6e9e599aff": "a limit that nothing meets exactly",
    "cd1bb4c804": "a margin for rounding",
    "f1d42b316d": "a list of one",
    "4572439aa6": "a margin for rounding",
    "075ab3c05b": "only speed: a region without tubes permits nothing",
    "8bf0155f3f": "only speed: guesses are less good",
    "44a02f1c6d": "a margin for rounding",
    "a9810013cc": "only where guesses are drawn",
    "8abb905d76": "only speed: a hint",
    "3f4ea9a0c8": "only speed: what a list is guessed to cost",
    "9b886a2e04": "only speed: one guess less",
    "c3be3d0308": "only speed: what a list is guessed to cost",
    "f66ff066bb": "views differ in their light alone, so their layers are equal",
    "97677a8da2": "only speed: how far the first look goes",
    "82dac33a34": "no limit is below zero",
    "90e3ea121c": "only speed: fewer than no tubes leave nothing",
    "8d01aabd82": "a count of at most so many, by which only the way of searching is chosen",
    "5c2c83e474": "only speed: a hint",
    "2beb722d87": "only speed: a bound that is a little weaker",
    "0f8da945c8": "only speed: what a list is guessed to cost",
    "3c078a1a0a": "only speed: the length of a stretch that is worked on at once",
    "2fb7190713": "nothing writes to it",
    "55cd7d98c1": "only speed: no step at all is left to choose",
    "a051f4783a": "only speed: the length of a stretch that is worked on at once",
}
"""Key of a mutant (as printed) to why no test can tell it from the right code."""


@dataclass(frozen=True)
class Mutant:
    """One change at one place."""

    source: str
    operator: str
    occurrence: int
    line: int
    before: str
    after: str

    @property
    def key(self) -> str:
        """Short name that survives changes elsewhere in the file."""
        text = f"{self.source}|{self.before.strip()}|{self.after.strip()}"
        return hashlib.sha256(text.encode()).hexdigest()[:10]


_BINARY = ("Add", "Sub", "Mul", "Div", "Pow", "FloorDiv", "Mod")
_USELESS = ("RemoveDecorator", "VariableReplacer", "VariableInserter", "ExceptionReplacer")


def _wanted(operator: str) -> bool:
    kind = operator.removeprefix("core/")
    if kind.startswith(_USELESS):
        return False
    if kind.startswith("ReplaceBinaryOperator"):
        before, after = kind.split("_")[1:]
        return before in _BINARY and after in _BINARY[:5]
    if kind.startswith("ReplaceComparisonOperator"):
        before, after = kind.split("_")[1:]
        return before.startswith("Is") == after.startswith("Is")
    return kind != "ReplaceUnaryOperator_USub_Not"


def _annotations(text: str) -> list[tuple[int, int]]:
    """First and last lines and columns of annotations, which never run."""
    spans = []
    for node in ast.walk(ast.parse(text)):
        for name in ("annotation", "returns"):
            found = getattr(node, name, None)
            if found is not None:
                spans.append(
                    ((found.lineno, found.col_offset), (found.end_lineno, found.end_col_offset))
                )
    return spans


def mutants(room: Room, sample: int, seed: int) -> tuple[list[Mutant], int]:
    """A sample, and how many places there are in all."""
    from cosmic_ray.ast import ast_nodes, get_ast
    from cosmic_ray.mutating import mutate_code
    from cosmic_ray.plugins import get_operator, operator_names

    files = [
        str(path.relative_to(ROOT))
        for source in room.sources
        for path in (
            [ROOT / source] if source.endswith(".py") else sorted((ROOT / source).glob("*.py"))
        )
    ]
    places: dict[tuple[str, object, str], list[tuple[str, int]]] = {}
    for file in files:
        text = (ROOT / file).read_text(encoding="utf-8")
        spans = _annotations(text)
        nodes = list(ast_nodes(get_ast(text)))
        for operator in filter(_wanted, operator_names()):
            made = get_operator(operator)()
            spots = [spot for node in nodes for spot in made.mutation_positions(node)]
            for occurrence, (start, end) in enumerate(spots):
                if any(first <= start and end <= last for first, last in spans):
                    continue
                family = operator.split("_")[0]
                places.setdefault((file, (start, end), family), []).append((operator, occurrence))
    rng = random.Random(seed)
    order = sorted(places, key=str)
    chosen = []
    for place in rng.sample(order, min(sample, len(order))):
        file = place[0]
        operator, occurrence = rng.choice(places[place])
        text = (ROOT / file).read_text(encoding="utf-8")
        changed = mutate_code(text, get_operator(operator)(), occurrence)
        pairs = zip(text.splitlines(), changed.splitlines(), strict=False)
        line, (before, after) = next((i, p) for i, p in enumerate(pairs, 1) if p[0] != p[1])
        chosen.append(
            Mutant(
                source=file,
                operator=operator,
                occurrence=occurrence,
                line=line,
                before=before,
                after=after,
            )
        )
    return chosen, len(order)


@dataclass(frozen=True)
class Reach:
    """Which tests of a room run which lines, and how long each takes."""

    contexts: dict[str, dict[int, list[str]]]
    """By file and line, the tests that run it; an empty name stands for the import."""
    seconds: dict[str, float]

    def of(self, mutant: Mutant, tree: Path) -> list[str]:
        """The tests that run a mutant's statement in a tree, the quickest first."""
        text = (tree / mutant.source).read_text(encoding="utf-8")
        lines = self.contexts.get(mutant.source, {})
        found = {
            name.partition("|")[0]
            for line in _statement(text, mutant.line)
            for name in lines.get(line, ())
        }
        return sorted(self.seconds if "" in found else found, key=self.seconds.__getitem__)


def _statement(text: str, line: int) -> range:
    """The lines of the innermost statement around a line, without those of its body."""
    best = range(line, line + 1)
    size = math.inf
    for node in ast.walk(ast.parse(text)):
        if isinstance(node, ast.stmt):
            body = getattr(node, "body", None)
            end = body[0].lineno - 1 if body else (node.end_lineno or node.lineno)
            lines = range(node.lineno, max(end, node.lineno) + 1)
            if line in lines and len(lines) <= size:
                best, size = lines, len(lines)
    return best


def _command(tree: Path, words: str) -> str:
    start = [sys.executable, "-m", "pytest", "-x", "-p", "no:cacheprovider", "--rootdir"]
    return (
        f"/usr/bin/env -C {shlex.quote(str(tree))} PYTHONPATH={shlex.quote(str(tree))} "
        f"{shlex.join(start)} {shlex.quote(str(tree))} {words}"
    )


def reach(room: Room, tree: Path) -> Reach:
    """Run a room's tests unbroken, with every line counted for the test that ran it."""
    words = f"{room.tests} --cov --cov-context=test --cov-report= --durations=0 --durations-min=0"
    told = subprocess.run(
        shlex.split(_command(tree, words)), capture_output=True, text=True, check=False
    )
    if told.returncode:
        raise SystemExit(f"the tests fail without any mutant: {told.stdout[-2000:]}")
    seconds: dict[str, float] = {}
    for took, name in re.findall(r"^([0-9.]+)s (?:call|setup) +(.+)$", told.stdout, re.MULTILINE):
        seconds[name] = seconds.get(name, 0.0) + float(took)
    data = coverage.CoverageData(str(tree / ".coverage"))
    data.read()
    contexts = {
        str(Path(file).relative_to(tree)): data.contexts_by_lineno(file)
        for file in data.measured_files()
    }
    return Reach(contexts, seconds)


def tried(mutant: Mutant, reached: Reach, tree: Path) -> str:
    """What noticed a mutant; empty if nothing did."""
    from cosmic_ray.mutating import use_mutation
    from cosmic_ray.plugins import get_operator
    from cosmic_ray.testing import run_tests
    from cosmic_ray.work_item import TestOutcome

    names = reached.of(mutant, tree)
    if not names:
        return ""
    limit = PATIENCE * sum(reached.seconds[name] for name in names) + 60.0
    with use_mutation(tree / mutant.source, get_operator(mutant.operator)(), mutant.occurrence):
        outcome, output = run_tests(_command(tree, shlex.join(names)), limit)
    if outcome is TestOutcome.SURVIVED:
        return ""
    shown = ("FAILED", "ERROR", "E  ")
    lines = [text for text in output.splitlines() if text.startswith(shown)]
    return lines[-1] if lines else f"{HANGS}: {output.strip()[-100:]}"


def interval(successes: int, count: int) -> tuple[float, float]:
    """95 % interval of a share (Wilson, J. Am. Stat. Assoc. 22 (1927) 209)."""
    if not count:
        return 0.0, 1.0
    z, share = 1.959964, successes / count
    middle = (share + z * z / (2 * count)) / (1 + z * z / count)
    half = (
        z
        / (1 + z * z / count)
        * math.sqrt(share * (1 - share) / count + z * z / (4 * count * count))
    )
    return middle - half, middle + half


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("room", choices=ROOMS)
    parser.add_argument("--sample", type=int, default=50)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--only", default="", help="keys of some mutants, with commas between")
    args = parser.parse_args()
    room = ROOMS[args.room]
    chosen, places = mutants(room, args.sample, args.seed)
    if args.only:
        chosen = [m for m in chosen if m.key in args.only.split(",")]
    started = time.monotonic()
    with tempfile.TemporaryDirectory() as folder:
        trees: Queue[Path] = Queue()
        for job in range(args.jobs):
            tree = Path(folder) / str(job)
            shutil.copytree(
                ROOT, tree, ignore=shutil.ignore_patterns(".git", ".hypothesis", "*cache*", "docs")
            )
            trees.put(tree)
        reached = reach(room, Path(folder) / "0")
        print(
            f"{len(reached.seconds)} tests, {sum(reached.seconds.values()):.0f} s with their lines "
            f"counted; {time.monotonic() - started:.0f} s in all",
            flush=True,
        )

        def work(mutant: Mutant) -> bool:
            tree = trees.get()
            try:
                by = tried(mutant, reached, tree)
            finally:
                trees.put(tree)
            known = EQUIVALENT.get(mutant.key, "")
            state = "caught" if by else "equivalent" if known else "SURVIVED"
            print(
                f"{state:10} {mutant.key} {mutant.source}:{mutant.line}\n"
                f"      - {mutant.before.strip()}\n      + {mutant.after.strip()}\n"
                f"      {by or known}",
                flush=True,
            )
            return bool(by)

        with ThreadPoolExecutor(args.jobs) as pool:
            outcomes = list(pool.map(work, chosen))
    alike = sum(not c and m.key in EQUIVALENT for c, m in zip(outcomes, chosen, strict=True))
    for what, number, count in (
        ("all", sum(outcomes), len(chosen)),
        (f"without {alike} equivalent", sum(outcomes), len(chosen) - alike),
    ):
        low, high = interval(number, count)
        print(
            f"{args.room}, {what}: {number} of {count} caught, {number / max(count, 1):.1%} "
            f"(95 %: {low:.1%} to {high:.1%}), of {places} places, seed {args.seed}"
        )
    print(f"{time.monotonic() - started:.0f} s, {args.jobs} at once")
    return 0


if __name__ == "__main__":
    sys.exit(main())
