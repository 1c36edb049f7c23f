"""``python -m shadematch`` is the command line."""

import sys

from shadematch.cli.main import main

if __name__ == "__main__":
    sys.exit(main())
