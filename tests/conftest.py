"""What all tests share: a JACK server for tests on real ports, and no silent skips.

Tests marked ``real`` need MIDI ports.  They use the JACK server that
JACK_DEFAULT_SERVER names, or one that is started here and ended again.  With
REPLANK_REQUIRE_REAL=1 (as `scripts/test` sets it) a run in which they were
skipped, or in which there was none, fails; so does every other skip, except
one whose reason begins with ``elsewhere:`` (it belongs to another platform).
REPLANK_REQUIRE_REAL=elsewhere is for the part of a run without those tests.
"""

import os
import shutil
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import settings

ROOT = Path(__file__).parent.parent
EXPECTED = "elsewhere:"

# No test depends on how fast the machine is.  `scripts/test` tries the same examples every time;
# by hand they are new ones each time, so that they go on finding things.
settings.register_profile("replank", deadline=None, derandomize="REPLANK_REQUIRE_REAL" in os.environ)
settings.load_profile("replank")


def _jack_answers() -> bool:
    asked = subprocess.run(
        [sys.executable, "-m", "tests.jack_answers"], cwd=ROOT, capture_output=True, timeout=20, check=False
    )
    return asked.returncode == 0


@pytest.fixture(scope="session")
def jack_server() -> Iterator[str]:
    """Return the name of a JACK server that runs; tests marked real have it without asking."""
    if os.environ.get("JACK_DEFAULT_SERVER") and _jack_answers():
        yield os.environ["JACK_DEFAULT_SERVER"]
        return
    if shutil.which("jackd") is None:
        pytest.skip("no JACK server and no jackd to start one (apt-get install jackd2)")
    from tests.jack_leftovers import clear  # here, since this file is also tried alone

    clear()
    before = os.environ.get("JACK_DEFAULT_SERVER")
    name = os.environ["JACK_DEFAULT_SERVER"] = f"replank-tests-{os.getpid()}"
    # -S: a cycle waits for all clients; otherwise a busy machine loses messages and counts prove nothing
    command = ["jackd", "-n", name, "-S", "--no-mlock", "-R", "-d", "dummy", "-r", "48000", "-p", "64"]
    server = subprocess.Popen(command, stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    try:
        for _ in range(50):
            if _jack_answers():
                break
            time.sleep(0.1)
        else:
            pytest.skip("the JACK server did not start")
        yield name
    finally:
        server.terminate()
        server.wait(10)
        if before is None:
            del os.environ["JACK_DEFAULT_SERVER"]
        else:
            os.environ["JACK_DEFAULT_SERVER"] = before


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Give real tests their server."""
    for item in items:
        if item.get_closest_marker("real") is not None:
            item.fixturenames.insert(0, "jack_server")  # type: ignore[attr-defined]


class Demands:
    """Counts real tests that ran and skips that nobody expects."""

    def __init__(self, with_real: bool) -> None:
        self.with_real = with_real
        self.real_ran = 0
        self.real_skipped: list[str] = []
        self.unexpected: list[str] = []

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        is_real = "real" in report.keywords
        if report.when == "call" and not report.skipped and is_real:
            self.real_ran += 1
        if report.skipped and not hasattr(report, "wasxfail"):
            reason = str(report.longrepr[2] if isinstance(report.longrepr, tuple) else report.longrepr)
            reason = reason.removeprefix("Skipped: ")
            if is_real:
                self.real_skipped.append(f"{report.nodeid}: {reason}")
            elif not reason.startswith(EXPECTED):
                self.unexpected.append(f"{report.nodeid}: {reason}")

    def complaints(self) -> list[str]:
        """Return what is wrong with this run, a line each."""
        found = [f"needs real ports and was skipped: {line}" for line in self.real_skipped]
        found += [f"unexpected skip: {line}" for line in self.unexpected]
        if self.with_real and not self.real_ran:
            found.append("no test on real MIDI ports ran")
        return found

    @pytest.hookimpl(tryfirst=True)
    def pytest_sessionfinish(self, session: pytest.Session) -> None:
        if self.complaints() and session.exitstatus == pytest.ExitCode.OK:
            session.exitstatus = pytest.ExitCode.TESTS_FAILED

    def pytest_terminal_summary(self, terminalreporter: pytest.TerminalReporter) -> None:
        complaints = self.complaints()
        if complaints:
            terminalreporter.section("what was demanded and did not run", red=True)
            for line in complaints:
                terminalreporter.write_line(line)


def pytest_configure(config: pytest.Config) -> None:
    """Demand what REPLANK_REQUIRE_REAL asks for, in the process that reports."""
    wanted = os.environ.get("REPLANK_REQUIRE_REAL")
    if wanted in ("1", "elsewhere") and not hasattr(config, "workerinput"):
        config.pluginmanager.register(Demands(wanted == "1"), "replank-demands")
