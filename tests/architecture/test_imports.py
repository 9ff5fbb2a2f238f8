"""Imports point downward only, the core is pure, and files stay small.

The order: line, timing < control < performer < midi < player, host < keeper <
dashboard, cli.  `line` and `timing` do not import each other.  Imports inside
functions count as well.
"""

import ast
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

SOURCE = Path(__file__).parents[2] / "daemon" / "replank"

MAY_IMPORT = {
    "line": set(),
    "timing": set(),
    "control": {"line", "timing"},
    "performer": {"line", "timing", "control"},
    "wire": {"line", "timing", "control", "performer"},
    "midi": {"line", "timing", "control", "performer"},
    "player": {"line", "timing", "control", "performer", "wire", "midi"},
    "host": {"line", "timing", "control", "performer", "wire", "midi"},
    "keeper": {"line", "timing", "control", "performer", "wire", "midi", "player", "host"},
    "dashboard": {"line", "timing", "control", "performer", "wire", "midi", "host", "player", "keeper"},
    "cli": {"line", "timing", "control", "performer", "wire", "midi", "host", "player", "keeper", "dashboard"},
}
EVERYBODY = {"pipes", "struck", "whole_file"}
"""Modules of the standard library only, that any part above the core may import."""
PURE = ("line", "timing", "control", "performer")
NEVER_IN_PURE = {
    "asyncio", "ctypes", "datetime", "io", "logging", "multiprocessing", "os", "pathlib", "pickle", "queue", "random",
    "secrets", "select", "signal", "socket", "sqlite3", "subprocess", "tempfile", "threading", "time", "uuid",
}  # fmt: skip
"""Clocks, files, threads and chance of the system's: none of them may decide a note."""
FORECASTS = {
    "line/halflife.py", "line/measures.py", "control/bend.py", "control/voltage.py", "control/curves.py",
    "control/pace.py",
}  # fmt: skip
"""Files that compute for people, or volts and bends that are not notes; they may use math."""


def modules() -> list[Path]:
    return sorted(path for path in SOURCE.rglob("*.py") if "profiles" not in path.relative_to(SOURCE).parts)


def part(name: str) -> str:
    """Return the part that a path or module below `replank` belongs to."""
    return name.removesuffix(".py").split("/")[0].split(".")[0]


def imports(text: str) -> Iterator[tuple[int, str]]:
    """Yield (line, absolute module) of every import in a file, in functions too."""
    for node in ast.walk(ast.parse(text)):
        if isinstance(node, ast.Import):
            for alias in node.names:
                yield node.lineno, alias.name
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"line {node.lineno}: imports are absolute"
            yield node.lineno, node.module or ""
            for alias in node.names:
                yield node.lineno, f"{node.module}.{alias.name}"
        elif isinstance(node, ast.Call) and isinstance(node.func, ast.Name | ast.Attribute):
            called = node.func.id if isinstance(node.func, ast.Name) else node.func.attr
            if called in ("import_module", "__import__") and node.args and isinstance(node.args[0], ast.Constant):
                yield node.lineno, str(node.args[0].value)


def wrong_imports(where: str, text: str) -> list[str]:
    """Return what a file, named by its path below replank, must not import."""
    own, found = part(where), []
    if own == "__init__":
        return [f"{where}:{line}: the package itself imports nothing" for line, _ in imports(text) if line > 1]
    if own not in MAY_IMPORT and own not in EVERYBODY:
        return [f"{where}: {own} is no part that the order of imports knows"]
    may = MAY_IMPORT.get(own, set()) | {own}
    for line, name in imports(text):
        top, _, rest = name.partition(".")
        if top == "replank" and rest:
            target = part(rest)
            known = target in MAY_IMPORT
            if known and target not in may:
                found.append(f"{where}:{line}: {own} may not import {target}")
            elif target in EVERYBODY and own in PURE:
                found.append(f"{where}:{line}: the core may not import {target}")
        elif own in PURE and top != "replank" and (top not in sys.stdlib_module_names or top in NEVER_IN_PURE):
            found.append(f"{where}:{line}: the core may not import {top}")
        elif own in PURE and top == "math" and where not in FORECASTS:
            found.append(f"{where}:{line}: math differs between systems; no libm function may decide a note")
        elif own in (*EVERYBODY, "keeper") and top not in (*sys.stdlib_module_names, "replank"):
            found.append(f"{where}:{line}: {own} uses the standard library only")
    return found


def test_imports_point_downward_and_the_core_is_pure():
    wrong = []
    for path in modules():
        where = path.relative_to(SOURCE).as_posix()
        wrong += wrong_imports(where, path.read_text(encoding="utf-8"))
    assert sorted(set(wrong)) == []


@pytest.mark.parametrize(
    ("where", "text"),
    [
        ("line/steps.py", "from replank.timing import bars"),
        ("line/steps.py", "def f():\n    import random"),
        ("timing/bars.py", "def f():\n    from time import monotonic_ns"),
        ("control/setup.py", "from replank.performer import core"),
        ("control/setup.py", "import yaml"),
        ("performer/core.py", "import math"),
        ("performer/core.py", "import os.path"),
        ("performer/core.py", "from replank import pipes"),
        ("player/loop.py", "from replank.host import paths"),
        ("host/server.py", "__import__('replank.cli.main')"),
        ("midi/ports.py", "from replank import player"),
        ("host/server.py", "from importlib import import_module\nimport_module('replank.dashboard.app')"),
        ("keeper/main.py", "import click"),
        ("pipes.py", "import yaml"),
    ],
)
def test_what_points_upward_is_noticed(where, text):
    assert wrong_imports(where, text)


def test_what_points_downward_is_not():
    assert not wrong_imports("control/setup.py", "from replank.line.pitch import note_name\nimport re")
    assert not wrong_imports("line/halflife.py", "import math")
    assert not wrong_imports("cli/play.py", "import click\nfrom replank.dashboard import app")


def test_files_stay_below_400_lines():
    long = {path.name: n for path in modules() if (n := len(path.read_text(encoding="utf-8").splitlines())) >= 400}
    tests = Path(__file__).parents[1].rglob("*.py")
    long |= {path.name: n for path in tests if (n := len(path.read_text(encoding="utf-8").splitlines())) >= 400}
    assert long == {}
