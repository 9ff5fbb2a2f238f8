"""What all tests share: a home of their own, a JACK server for tests on real ports, and no silent skips.

No test can find what a user runs, has kept or has set up: each process of a run has folders of its own.

Tests marked ``real`` need MIDI ports.  They use a JACK server that is started
for them and ended again, never a user's.  With REPLANK_REQUIRE_REAL=1 (as
`scripts/test` sets it) a run in which they were skipped, or in which there was
none, fails; so does every other skip, except one whose reason begins with
``elsewhere:`` (it belongs to another platform).  REPLANK_REQUIRE_REAL=elsewhere
is for the part of a run without those tests.
"""

import os
import signal
from collections.abc import Iterator

import pytest
from hypothesis import settings

from tests.isolation import isolate

isolate()  # before any test, or anything that a test is about, is imported

EXPECTED = "elsewhere:"

# No test depends on how fast the machine is.  `scripts/test` tries the same examples every time;
# by hand they are new ones each time, so that they go on finding things.
settings.register_profile("replank", deadline=None, derandomize="REPLANK_REQUIRE_REAL" in os.environ)
settings.load_profile("replank")


@pytest.fixture(scope="session")
def jack_server() -> Iterator[str]:
    """Return the name of a JACK server that runs; tests marked real have it without asking.

    Workers of one run have a server each: names of ports are theirs alone.
    """
    from tests import jack_server as jack  # here, since this file is also tried alone

    nobody = os.environ["JACK_DEFAULT_SERVER"]
    name = os.environ["JACK_DEFAULT_SERVER"] = f"replank-tests-{os.getpid()}"
    try:
        with jack.server(name):
            yield name
    except jack.NoServer as error:
        pytest.skip(str(error))
    finally:
        os.environ["JACK_DEFAULT_SERVER"] = nobody


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Give real tests their server, and an end: one that is stuck in the driver hears no signal, but its process ends.

    (JACK may wait for ever to take a client out of its graph, just after others were killed.)  A worker that is gone
    is replaced, and what it was at is tried again.
    """
    has_timeout = config.pluginmanager.hasplugin("timeout")
    for item in items:
        if item.get_closest_marker("real") is not None:
            item.fixturenames.insert(0, "jack_server")  # type: ignore[attr-defined]
            if has_timeout:
                given = item.get_closest_marker("timeout")
                seconds = given.args[0] if given is not None else float(config.getini("timeout"))
                item.add_marker(pytest.mark.timeout(seconds, method="thread"), append=False)


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
    """Demand what REPLANK_REQUIRE_REAL asks for, in the process that reports; let Ctrl-C be tried everywhere."""
    if signal.getsignal(signal.SIGINT) == signal.SIG_IGN:  # run behind a shell's &; what is started inherits it
        signal.signal(signal.SIGINT, signal.default_int_handler)
    wanted = os.environ.get("REPLANK_REQUIRE_REAL")
    if wanted in ("1", "elsewhere") and not hasattr(config, "workerinput"):
        config.pluginmanager.register(Demands(wanted == "1"), "replank-demands")
