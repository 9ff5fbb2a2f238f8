"""The player is a process with nothing else in it: no loop of tasks, no text formats, no database, no scanning."""

import subprocess
import sys
from pathlib import Path

from tests.architecture.test_imports import SOURCE, imports

NEVER = {"asyncio", "json", "sqlite3", "yaml", "click", "textual", "rich", "logging", "multiprocessing", "mido", "jack"}
LOADED = """
import importlib, pkgutil, sys
import replank.player
for module in pkgutil.iter_modules(replank.player.__path__, "replank.player."):
    if not module.name.endswith(".__main__"):
        importlib.import_module(module.name)
{more}
print(*sorted({{name.split(".")[0] for name in sys.modules}}))
"""


def loaded(more: str = "") -> set[str]:
    """Return the top-level modules of a process that has imported all of the player."""
    command = [
        sys.executable,
        "-I",
        "-c",
        f"import sys; sys.path.insert(0, {str(SOURCE.parent)!r})" + LOADED.format(more=more),
    ]
    return set(subprocess.run(command, capture_output=True, text=True, check=True).stdout.split())


def test_the_player_loads_none_of_it():
    assert loaded() & NEVER == set()


def test_a_player_that_did_would_be_noticed():
    assert "json" in loaded("import json")


def test_nor_does_a_function_of_its_import_it_later():
    wrong = [
        f"{path.name}:{line}: {name}"
        for path in sorted(Path(SOURCE, "player").glob("*.py"))
        for line, name in imports(path.read_text(encoding="utf-8"))
        if name.split(".")[0] in NEVER
    ]
    assert wrong == []
