"""``python -m shadematch`` is the command line."""

import sys

__all__ = ["run"]


def run() -> int:
    """Load and run it; Ctrl-C is quiet while it loads, too."""
    try:
        from shadematch.cli.main import main

        return main()
    except KeyboardInterrupt:
        return 130


if __name__ == "__main__":
    sys.exit(run())
