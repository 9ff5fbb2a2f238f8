"""Ctrl-C at any moment ends a command quietly, with the exit code that shells give SIGINT."""

from __future__ import annotations

import subprocess
import sys

import pytest

INTERRUPTED_AT = """
import importlib.abc, os, signal, sys
AT = sys.argv.pop(1)
class Finger(importlib.abc.MetaPathFinder):
    def find_spec(self, name, path, target=None):
        if name == AT:
            os.kill(os.getpid(), signal.SIGINT)
sys.meta_path.insert(0, Finger())
from replank.cli.{} import main
sys.exit(main())
"""


def interrupted(module: str, at: str, *words: str) -> tuple[int, str]:
    """Run the command with a SIGINT just as it imports a module; return exit code and what it said."""
    code = INTERRUPTED_AT.format(module)
    run = subprocess.run([sys.executable, "-c", code, at, *words], capture_output=True, text=True, timeout=50)
    return run.returncode, run.stdout + run.stderr


@pytest.mark.parametrize("at", ["replank.cli.main", "click", "replank.control.parameters", "replank.cli.forecast"])
def test_an_interrupt_during_the_imports_ends_quietly(at: str) -> None:
    assert interrupted("entry", at, "forecast") in ((130, ""), (130, "\n"))  # click ends the line with ^C in it


def test_a_build_that_imports_before_it_listens_is_refused() -> None:
    """The negative control."""
    code, said = interrupted("main", "click", "forecast")
    assert code != 130
    assert "Traceback" in said
