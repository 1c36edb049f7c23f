"""The time limit, progress reports and interruption of a search."""

from __future__ import annotations

import contextlib
import signal
import threading
import time
from collections.abc import Callable, Iterator
from typing import Final

from shadematch.errors import PourError
from shadematch.support.models import check_progress, is_finite

__all__ = ["UNWATCHED", "Watch"]

_PAUSE: Final = 0.1
"""Seconds between two reports of progress."""


class Watch:
    """A time limit for a search that can answer at any moment with what it has found.

    Parameters
    ----------
    seconds
        Time limit from now [s]; None for none.
    progress
        Called about ten times a second with the smallest CIEDE2000 and the bound so far.

    Raises
    ------
    PourError
        If `seconds` is not above 0, or `progress` can't be called.
    """

    def __init__(
        self,
        seconds: float | None = None,
        progress: Callable[[float, float], None] | None = None,
    ) -> None:
        check_progress(progress)
        if seconds is not None and not (is_finite(seconds) and seconds > 0):
            problem, remedy = "must be a number above 0", "Leave it out to search to the end"
            raise PourError(problem, field="seconds", value=seconds, remedy=remedy)
        self._start = self._told = time.monotonic()
        self._seconds = self._limit = float("inf") if seconds is None else seconds
        self._progress = progress
        self.interrupted = False

    def until(self, share: float) -> None:
        """Let the next search run until this fraction of the time limit."""
        self._limit = share * self._seconds

    @property
    def left(self) -> float:
        """Time left [s]."""
        return 0.0 if self.interrupted else self._start + self._limit - time.monotonic()

    def over(self) -> bool:
        """Whether the search must end."""
        return self.interrupted or (self._limit < float("inf") and self.left <= 0.0)

    def tell(self, delta_e: float, bound: float) -> None:
        """Report progress, if it is time."""
        if self._progress is not None and time.monotonic() - self._told >= _PAUSE:
            self._told = time.monotonic()
            self._progress(delta_e, bound)

    @contextlib.contextmanager
    def interruptible(self) -> Iterator[None]:
        """Treat the first Ctrl-C as the end of the time limit, and a second one as usual.

        Only in the main thread, and if Python would raise `KeyboardInterrupt`.
        """
        heard = signal.getsignal(signal.SIGINT)
        main = threading.current_thread() is threading.main_thread()
        if not main or heard is not signal.default_int_handler:
            yield
            return

        def stop(number: int, frame: object) -> None:
            del number, frame
            self.interrupted = True
            signal.signal(signal.SIGINT, heard)

        signal.signal(signal.SIGINT, stop)
        try:
            yield
        finally:
            signal.signal(signal.SIGINT, heard)


UNWATCHED: Final = Watch()
"""No time limit, no reports."""
