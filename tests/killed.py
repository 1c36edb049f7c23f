"""A writer that is killed again and again: ``python -m tests.killed whole|naive FOLDER COUNT``.

Each time a child process writes two texts to one file in turn, as fast as it can, until it is
killed at a random moment. Printed is how often the file was then neither of the two.
"""

from __future__ import annotations

import os
import random
import signal
import sys
import time
from collections.abc import Callable
from pathlib import Path

from shadematch.files import write_text

TEXTS = ("a" * 400_000 + "\n", "b" * 300_000 + "\n")


def naive(path: Path, text: str) -> None:
    """What this library must not do."""
    with path.open("w", encoding="utf-8") as stream:
        for start in range(0, len(text), 50_000):
            stream.write(text[start : start + 50_000])
            stream.flush()


def broken(write: Callable[[Path, str], None], folder: Path, count: int) -> tuple[int, int]:
    """How often the file was neither text after a kill, and how often it had changed by then."""
    rng = random.Random(7)
    goal = folder / "goal.txt"
    goal.write_text(TEXTS[0], encoding="utf-8")
    whole = {text.encode() for text in TEXTS}
    torn = changed = 0
    for _ in range(count):
        before = goal.stat().st_mtime_ns
        child = os.fork()
        if child == 0:
            try:
                while True:
                    for text in TEXTS:
                        write(goal, text)
            finally:
                os._exit(1)
        time.sleep(rng.uniform(0.0, 0.02))
        os.kill(child, signal.SIGKILL)
        _, status = os.waitpid(child, 0)
        if os.WTERMSIG(status) != signal.SIGKILL:
            raise RuntimeError("the writer ended by itself")
        torn += goal.read_bytes() not in whole
        changed += goal.stat().st_mtime_ns != before
        for left in folder.glob(".goal.txt.*"):
            left.unlink()
    return torn, changed


if __name__ == "__main__":
    how, place, times = sys.argv[1:]
    torn, changed = broken({"whole": write_text, "naive": naive}[how], Path(place), int(times))
    print(torn, changed)
