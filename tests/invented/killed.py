"""A writer that is killed again and again.

``python -m tests.invented.killed whole|naive FOLDER COUNT``

Each time a child process writes two texts to one file in turn, as fast as it can, until it is
killed at a random moment. Printed is how often the file was then neither of the two.
"""

from __future__ import annotations

import functools
import os
import random
import signal
import sys
import time
from collections.abc import Callable
from pathlib import Path

from shadematch.support.files import write_text

TEXTS = ("a" * 120_000 + "\n", "b" * 90_000 + "\n")


def naive(path: Path, text: str) -> None:
    """What this library must not do."""
    with path.open("w", encoding="utf-8") as stream:
        for start in range(0, len(text), 15_000):
            stream.write(text[start : start + 15_000])
            stream.flush()


def broken(write: Callable[[Path, str], None], folder: Path, count: int) -> int:
    """How often the file was neither text after a kill."""
    rng = random.Random(7)
    goal = folder / "goal.txt"
    whole = {text.encode() for text in TEXTS}
    torn = 0
    for _ in range(count):
        goal.write_text("before", encoding="utf-8")
        told, tell = os.pipe()
        child = os.fork()
        if child == 0:
            try:
                write(goal, TEXTS[0])
                os.write(tell, b".")
                while True:
                    for text in reversed(TEXTS):
                        write(goal, text)
            finally:
                os._exit(1)
        os.close(tell)
        if os.read(told, 1) != b".":  # waits: the kill falls into a later writing
            raise RuntimeError("the writer ended by itself")
        os.close(told)
        time.sleep(rng.uniform(0.0, 0.01))
        os.kill(child, signal.SIGKILL)
        os.waitpid(child, 0)
        torn += goal.read_bytes() not in whole
        for left in folder.glob(".goal.txt.*"):
            left.unlink()
    return torn


if __name__ == "__main__":
    how, place, times = sys.argv[1:]
    whole = functools.partial(write_text, replace=True)
    print(broken({"whole": whole, "naive": naive}[how], Path(place), int(times)))
