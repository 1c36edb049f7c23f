"""Benches that take long go on where they stopped: results are kept in a file of JSON lines."""

from __future__ import annotations

import argparse
import json
import time
from collections.abc import Callable, Hashable, Iterable
from pathlib import Path
from typing import Any, TypeVar

K = TypeVar("K", bound=Hashable)
T = TypeVar("T")


def add_options(parser: argparse.ArgumentParser) -> None:
    """``--results FILE`` and ``--seconds``."""
    parser.add_argument("--results", type=Path, help="kept from run to run, a line each")
    parser.add_argument("--seconds", type=float, default=float("inf"), help="begin none after that")


def resumed(
    keys: Iterable[K],
    solve: Callable[[K], T],
    asked: argparse.Namespace,
    read: Callable[[Any, Any], tuple[K, T]],
) -> tuple[dict[K, T], bool]:
    """Results by key, those of the file first, and whether there is one of every key.

    `read` makes key and result of what JSON left of them.
    """
    found: dict[K, T] = {}
    if asked.results and asked.results.exists():
        lines = asked.results.read_text(encoding="utf-8").splitlines()
        found = dict(read(*json.loads(line)) for line in lines)
    start = time.monotonic()
    for key in keys:
        if key in found:
            continue
        if time.monotonic() - start > asked.seconds:
            return found, False
        found[key] = solve(key)
        if asked.results:
            with asked.results.open("a", encoding="utf-8") as stream:
                stream.write(json.dumps([key, found[key]]) + "\n")
    return found, True
