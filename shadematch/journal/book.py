"""The file of a journal: lines are appended and flushed to disk, and never changed.

A line whose writer was killed has no line end. Its call never returned, so it is reported and does
not count; the next writer starts a new line after it. Events are numbered, so a line that is
missing or unreadable in the middle is noticed.
"""

from __future__ import annotations

import contextlib
import os
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Final

from shadematch.errors import FileError
from shadematch.journal.events import Begun, Event, event_of, line_of
from shadematch.support.files import errors_named, parse_json

__all__ = ["Book"]

_PATIENCE_S: Final = 10.0
"""How long to wait for another writer."""
_LARGEST: Final = 500_000_000

if sys.platform == "win32":
    import msvcrt

    def _try_lock(held: int) -> None:
        msvcrt.locking(held, msvcrt.LK_NBLCK, 1)

    def _unlock(held: int) -> None:
        os.lseek(held, 0, os.SEEK_SET)
        msvcrt.locking(held, msvcrt.LK_UNLCK, 1)

else:
    import fcntl

    def _try_lock(held: int) -> None:
        fcntl.flock(held, fcntl.LOCK_EX | fcntl.LOCK_NB)

    def _unlock(held: int) -> None:
        fcntl.flock(held, fcntl.LOCK_UN)


class Book:
    """Events in a file."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.events: list[Event] = []
        self.torn: list[str] = []
        """Lines cut off by an interruption, which don't count."""
        self._read = 0
        """Number of bytes read."""
        self.unfinished = False
        """Whether the last line has no end: its writer was interrupted."""

    def refresh(self) -> list[Event]:
        """Read what was appended since, by anyone.

        Raises
        ------
        FileError
            If the file can't be read, or an event is missing or wrong.
        """
        try:
            with self.path.open("rb") as stream:
                if stream.seek(0, os.SEEK_END) < self._read:
                    raise self._wrong("is shorter than it was", None)
                stream.seek(self._read)
                fresh = stream.read(_LARGEST)
        except OSError as found:
            problem, remedy = f"can't be read: {found.strerror}", "Check the name and the folder"
            raise FileError(problem, field="path", value=str(self.path), remedy=remedy) from None
        new: list[Event] = []
        *whole, tail = fresh.split(b"\n")
        for line in whole:
            self._read += len(line) + 1
            self._take(line, new)
        self.unfinished = bool(tail)
        self.events += new
        return new

    def _take(self, line: bytes, new: list[Event]) -> None:
        if not line.strip():
            return
        number = len(self.events) + len(new) + 1
        try:
            content = parse_json(line.decode("utf-8"), place=str(self.path))
        except (UnicodeDecodeError, FileError):
            self.torn.append(line.decode("utf-8", "replace")[:200])
            return
        with errors_named(self.path, f"event {number}: "):
            event = event_of(content)
        if event.event != number or isinstance(event, Begun) != (number == 1):
            raise self._wrong(f"has event {event.event} in place of {number}", event.event)
        new.append(event)

    def _wrong(self, problem: str, value: object) -> FileError:
        return FileError(
            f"{problem}: a line is missing or was altered",
            field=str(self.path),
            value=value,
            remedy="Restore the file from a copy; lines are only ever added to it",
        )

    def append(self, make: Callable[[], Event], take: Callable[[list[Event]], None]) -> Event:
        """Append one event and flush it to disk.

        Parameters
        ----------
        make
            Makes the event, after `take`. If it raises, nothing is written.
        take
            Receives what others wrote since.

        Raises
        ------
        FileError
            If the file can't be written, or another writer locks it for more than 10 s.
        """
        try:
            held = os.open(self.path, os.O_RDWR | os.O_CREAT | os.O_APPEND, 0o666)
        except OSError as found:
            raise self._unwritten(found) from None
        with contextlib.ExitStack() as leaving:
            leaving.callback(os.close, held)
            self._lock(held)
            leaving.callback(_unlock, held)
            take(self.refresh())
            if self.unfinished:  # somebody was interrupted; the line may still be whole
                self._write(held, b"\n")
                take(self.refresh())
            line = line_of(make()).encode("utf-8")
            event_of(parse_json(line.decode("utf-8"), place="event"))  # can be read again
            self._write(held, line + b"\n")
            (fresh,) = self.refresh()
        return fresh

    def _write(self, held: int, content: bytes) -> None:
        try:
            left = memoryview(content)
            while left:
                left = left[os.write(held, left) :]
            os.fsync(held)
        except OSError as found:
            raise self._unwritten(found) from None

    def _lock(self, held: int) -> None:
        until = time.monotonic() + _PATIENCE_S
        while True:
            try:
                return _try_lock(held)
            except OSError:
                if time.monotonic() > until:
                    raise FileError(
                        "is in use by another program",
                        field="path",
                        value=str(self.path),
                        remedy="Let it finish, and try again",
                    ) from None
                time.sleep(0.02)

    def _unwritten(self, found: OSError) -> FileError:
        return FileError(
            f"can't be written: {found.strerror}",
            field="path",
            value=str(self.path),
            remedy="Choose an existing folder that you may write to; if the disk is full, free "
            "some space",
        )
