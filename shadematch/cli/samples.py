"""``shadematch samples``: copy invented sample files to try things with.

With ``--json``: ``files``, a list of paths.
"""

from __future__ import annotations

import argparse

from shadematch.cli.parsing import Verbs, add_replace
from shadematch.cli.printing import json_object
from shadematch.keeping.samples import copy_samples

__all__ = ["add_verb"]


def add_verb(verb: Verbs) -> None:
    """Add the verb."""
    parser = verb("samples", _samples)
    parser.add_argument(
        "folder", nargs="?", default="data", metavar="FOLDER", help="where to (data)"
    )
    add_replace(parser.add_argument)


def _samples(args: argparse.Namespace) -> str:
    files = [str(path) for path in copy_samples(args.folder, replace=args.replace)]
    return json_object({"files": files}) if args.json else "\n".join(files)
