"""Files that are written whole or not at all, and JSON that says what it is.

Every JSON file of this library begins with ``"format"`` and ``"version"``, which tell a wrong file
from an old one, and an old one from a newer one.
"""

from __future__ import annotations

import contextlib
import errno
import filecmp
import json
import os
import re
import secrets
import stat
import sys
import time
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any, Final

from shadematch.errors import FileError, ShadematchError

__all__ = [
    "LARGEST_FILE",
    "check_free",
    "checked_envelope",
    "enveloped",
    "errors_named",
    "json_text",
    "parse_json",
    "read_bytes",
    "read_json",
    "read_text",
    "spreadsheet_cell",
    "whole_file",
    "write_json",
    "write_text",
]

LARGEST_FILE: Final = 20_000_000
"""Bytes, far beyond any file of this library."""

_OURS: Final = "shadematch"
_HEX: Final = 16
"""Hexadecimal digits in the name of a file that is being written."""
_YOUNG_S: Final = 300
"""Younger files [s] may not be locked yet, and are never cleared."""
_STEERING: Final = ("=", "+", "-", "@", "\t", "\r", "\n", "＝", "＋", "－", "＠")
"""Characters at which spreadsheets take a text for a formula (OWASP, "CSV Injection")."""

_Path = str | os.PathLike[str]
_Kind = type[ShadematchError]


def write_text(path: _Path, text: str, *, replace: bool = False) -> None:
    """Write a UTF-8 file that is whole at every moment; see `whole_file`."""
    with whole_file(path, replace=replace) as temporary:
        try:
            temporary.write_text(text, encoding="utf-8", newline="\n")
        except UnicodeEncodeError as found:
            raise FileError(
                "a broken character can't be written",
                field="text",
                value=found.object[found.start : found.end],
                remedy="Type the name or the note again",
            ) from None


@contextlib.contextmanager
def whole_file(path: _Path, *, replace: bool = False) -> Iterator[Path]:
    """A place to write to, whose file takes the name `path` once it is complete.

    What is written goes to a new file beside the goal, is flushed to disk, and takes the goal's
    name in one step. A killed process leaves what was there, and at worst a hidden ``.name.xxxx``
    beside it, which nothing reads and the next write of that name clears. A symbolic link stays
    one, and an existing file keeps its permissions.

    A file with the same content is left alone; one with other content is refused unless `replace`.

    Yields
    ------
    Path
        An empty file beside the goal, removed if the work on it raises.

    Raises
    ------
    FileError
        If the place can't be written, or another file is there.
    """
    if not isinstance(replace, bool):
        raise FileError(
            "must be true or false", field="replace", value=replace, remedy="Give True or False"
        )
    try:
        goal = Path(os.path.realpath(path))
        mode = _mode(goal)
        _clear(goal)
        with _beside(goal) as temporary:
            yield temporary
            with temporary.open("rb+") as stream:
                os.fsync(stream.fileno())
            if mode is not None:
                if filecmp.cmp(temporary, goal, shallow=False):
                    return
                if not replace:
                    raise _taken(path)
                temporary.chmod(mode)
            temporary.replace(goal)
    except OSError as found:
        raise FileError(
            f"can't be written: {found.strerror}",
            field="path",
            value=str(path),
            remedy=_remedy_for(found),
        ) from None
    except ShadematchError:
        raise
    except (TypeError, ValueError, OverflowError):  # not a path, or a NUL in the name
        raise _no_path(path) from None


def check_free(path: _Path, *, replace: bool) -> None:
    """Refuse a place where a file is, unless `replace`, before long work."""
    try:
        there = os.path.lexists(path)
    except (TypeError, ValueError):  # not a path, or a NUL in the name
        raise _no_path(path) from None
    if there and not replace:
        raise _taken(path)


def _taken(path: object) -> FileError:
    return FileError(
        "another file is there",
        field="path",
        value=str(path),
        remedy="Choose another name, or allow it to be replaced (replace, --replace)",
    )


@contextlib.contextmanager
def _beside(goal: Path) -> Iterator[Path]:
    """A new empty file beside the goal, locked while it is written, and then removed."""
    temporary = goal.with_name(f"{_prefix(goal)}{secrets.token_hex(_HEX // 2)}")
    # Created like any other file of the user's, with the usual permissions.
    held = os.open(temporary, os.O_RDWR | os.O_CREAT | os.O_EXCL, 0o666)
    with contextlib.ExitStack() as leaving:
        leaving.callback(temporary.unlink, missing_ok=True)
        if _lock(held):
            leaving.callback(os.close, held)
        else:
            os.close(held)
        yield temporary


def _prefix(goal: Path) -> str:
    return f".{goal.name[:200]}."


def _clear(goal: Path) -> None:
    """Remove what killed writers of this name left: old files of our naming that nobody locks."""
    start = _prefix(goal)
    ours = re.compile(re.escape(start) + f"[0-9a-f]{{{_HEX}}}")
    with contextlib.suppress(OSError):
        for left in goal.parent.iterdir():
            if ours.fullmatch(left.name) and time.time() - left.stat().st_mtime > _YOUNG_S:
                held = os.open(left, os.O_RDWR)
                try:
                    dead = _lock(held)
                finally:
                    os.close(held)
                if dead:
                    left.unlink(missing_ok=True)


if sys.platform == "win32":

    def _lock(_held: int) -> bool:
        """No lock, since an open file can't be renamed there; so none is cleared either."""
        return False

else:
    import fcntl

    def _lock(held: int) -> bool:
        """Lock a file while it is open; False if another process holds it."""
        try:
            fcntl.flock(held, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            return False
        return True


def _remedy_for(found: OSError) -> str:
    """What to do about a place that can't be written."""
    if found.errno in (errno.ENOSPC, errno.EDQUOT, errno.EFBIG):
        return "The disk is full, or your share of it: make room, or choose another disk"
    return "Choose a folder that exists and that you may write to"


def _mode(goal: Path) -> int | None:
    """Permissions of the existing file; None if there is none."""
    try:
        found = goal.stat().st_mode
    except FileNotFoundError:
        return None
    if not stat.S_ISREG(found):  # a device would be replaced by a file
        raise OSError(0, "it is a folder or a device")
    return stat.S_IMODE(found)


def _no_path(path: object, error: _Kind = FileError) -> ShadematchError:
    return error(
        "is not a path", field="path", value=str(path), remedy="Check the name and the folder"
    )


def read_text(path: _Path, *, kind: str) -> str:
    """The text of a UTF-8 file of at most `LARGEST_FILE` bytes; `kind` names it in errors.

    A `FileError` if it can't be read, is too large, or is not UTF-8.
    """
    try:
        return read_bytes(path, kind=kind).decode("utf-8-sig")
    except UnicodeDecodeError:
        raise FileError(
            "is not UTF-8 text", field="path", value=str(path), remedy="Save it as UTF-8"
        ) from None


def read_bytes(
    path: _Path, *, kind: str, error: _Kind = FileError, largest: int = LARGEST_FILE
) -> bytes:
    """The content of a file of at most `largest` bytes, else an `error`; `kind` as above."""
    try:
        # Bounded by reading, not by the reported size, which devices and pipes lack.
        with Path(path).open("rb") as stream:
            content = stream.read(largest + 1)
    except OSError as found:
        raise error(
            f"can't be read: {found.strerror}",
            field="path",
            value=str(path),
            remedy="Check the name and the folder",
        ) from None
    except (TypeError, ValueError, OverflowError):  # not a path, or a NUL in the name
        raise _no_path(path, error) from None
    if len(content) > largest:
        raise error(
            f"is too large for a {kind}",
            field="path",
            value=str(path),
            remedy=f"A {kind} file has a few kilobytes",
        )
    return content


class _TwiceError(Exception):
    """A key that appears twice."""


def spreadsheet_cell(cell: object) -> object:
    """A text that spreadsheets don't take for a formula; anything but a text unchanged.

    A ``'`` goes before a text that starts like a formula, as people do by hand.
    """
    if isinstance(cell, str) and cell.startswith(_STEERING):
        return "'" + cell
    return cell


def _each_key_once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    found: dict[str, Any] = {}
    for key, value in pairs:
        if key in found:
            raise _TwiceError(key)
        found[key] = value
    return found


def parse_json(text: str, *, place: str) -> Any:
    """The content of a JSON text from `place`; a `FileError` if it is not JSON or repeats an entry.

    NaN and infinities, which JSON lacks and Python reads, are left to the models, whose errors name
    the entry.
    """
    try:
        return json.loads(text, object_pairs_hook=_each_key_once)
    except _TwiceError as found:
        raise FileError(
            "an entry appears twice", field=place, value=str(found), remedy="Leave one of them out"
        ) from None
    except (ValueError, RecursionError) as found:
        line = getattr(found, "lineno", None)
        raise FileError(
            "is not JSON",
            field="path",
            value=place,
            remedy=f"Look at line {line}"
            if line
            else "A number is too long, or the nesting too deep",
        ) from None


@contextlib.contextmanager
def errors_named(path: _Path, above: str = "") -> Iterator[None]:
    """Errors of entries name their file, and the entry `above`."""
    try:
        yield
    except ShadematchError as found:
        error = FileError(found.problem, value=found.value, remedy=found.remedy)
        raise error.at(f"{path}: {above}{found.field}") from None


@contextlib.contextmanager
def read_json(path: _Path, *, kind: str) -> Iterator[Any]:
    """The content of a JSON file; errors while it is used name the file.

    `FileError` as from `read_text`, `parse_json` and `errors_named`.
    """
    data = parse_json(read_text(path, kind=kind), place=str(path))
    with errors_named(path):
        yield data


def write_json(path: _Path, content: Mapping[str, Any], *, replace: bool = False) -> None:
    """Write a JSON file that is whole at every moment; see `whole_file`."""
    write_text(path, json_text(content), replace=replace)


def json_text(content: Mapping[str, Any]) -> str:
    """The content as JSON, one entry a line."""
    return json.dumps(content, indent=1, ensure_ascii=False, allow_nan=False) + "\n"


def enveloped(kind: str, version: int, content: Mapping[str, Any]) -> dict[str, Any]:
    """Content that says what it is."""
    return {"format": f"{_OURS} {kind}", "version": version, **content}


def checked_envelope(data: object, versions: Mapping[str, int]) -> tuple[str, dict[str, Any]]:
    """Kind and content of a JSON object of a known format and version; else a `FileError`.

    `versions` gives the newest version of each kind that this library reads; a newer one is told
    from a wrong one.
    """
    formats = {f"{_OURS} {kind}": kind for kind in versions}
    known = ", ".join(map(repr, formats))
    if not isinstance(data, Mapping):
        raise FileError(
            "must be a JSON object",
            field="file",
            value=type(data).__name__,
            remedy=f"It must say its format: {known}",
        )
    rest = dict(data)
    form = rest.pop("format", None)
    if not isinstance(form, str) or form not in formats:
        raise FileError(
            "is not known to this library" if "format" in data else "is missing",
            field="format",
            value=form,
            remedy=f"The file must say one of {known}",
        )
    kind, found = formats[form], rest.pop("version", None)
    version = versions[kind]
    if isinstance(found, bool) or not isinstance(found, int) or found < 1:
        raise FileError(
            "unknown version",
            field="version",
            value=found,
            remedy=f"This library reads version {version}",
        )
    if found > version:
        raise FileError(
            f"the {kind} was written by a newer shadematch",
            field="version",
            value=found,
            remedy=f"This one reads up to version {version}; install a newer one, "
            "or save the file anew with the old one",
        )
    return kind, rest
