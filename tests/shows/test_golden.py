"""Golden records of released engines replay to the same notes, also in another process."""

import json
import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from replank import ENGINE
from replank.host.shows.comparing import check
from replank.host.shows.reading import Archive
from replank.line import mutation
from tests.shows.make_golden import GOLDEN

ROOT = Path(__file__).parent.parent.parent
PRESENT = GOLDEN / f"engine-{ENGINE}.db"


@pytest.fixture
def golden(tmp_path: Path) -> Path:
    """Return a copy: reading a database in WAL mode may write beside it."""
    return Path(shutil.copy(PRESENT, tmp_path / "shows.db"))


def test_the_golden_record_of_this_engine_replays_to_the_same_notes(golden):
    with Archive(golden) as archive:
        shows = archive.shows()
        assert len(shows) == 3
        for show in shows:
            report = check(archive, show)
            assert report.differences == [], (
                f"engine {ENGINE} changed its notes: give it a new number, or, if it was never released, "
                "run python -m tests.shows.make_golden --again"
            )
            assert report.notes > 100 and report.states


def test_an_engine_that_plays_otherwise_is_found(golden, monkeypatch):
    """The broken build: a mutation that walks the other way."""
    monkeypatch.setattr(mutation, "KINDS", tuple(reversed(mutation.KINDS)))
    with Archive(golden) as archive:
        assert any(check(archive, show).total for show in archive.shows())


def test_notes_do_not_depend_on_the_process(golden):
    code = "from replank.cli.main import main; main()"
    digests = set()
    for seed in ("1", "2"):
        said = subprocess.run(
            [sys.executable, "-c", code, "replay", "1", "--json", "--file", str(golden)],
            capture_output=True, text=True, check=True, timeout=60,
            env={**os.environ, "PYTHONPATH": str(ROOT / "daemon"), "PYTHONHASHSEED": seed},
        )  # fmt: skip
        digests.add(json.loads(said.stdout)["digest"])
    assert len(digests) == 1
