"""Where the `replank` command begins: Ctrl-C ends it quietly also while it is being imported."""

from __future__ import annotations

import sys


def main() -> None:
    """Import the command line and run it."""
    try:
        from replank.cli.main import main as run

        run()
    except KeyboardInterrupt:
        sys.exit(130)  # as `exits` has it, which may not have been imported yet
