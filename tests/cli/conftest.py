"""What the tests of verbs share: a call of the command line in this process."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from shadematch.cli import main as cli


@pytest.fixture
def run(capsys: pytest.CaptureFixture[str]) -> Callable[..., tuple[int, str, str]]:
    """Exit status, output and complaint of a call with some words."""

    def call(*words: str) -> tuple[int, str, str]:
        status = cli.main(words)
        out, err = capsys.readouterr()
        return status, out, err

    return call
