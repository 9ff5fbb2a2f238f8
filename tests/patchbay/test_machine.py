"""Facts of the machine, from folders laid out as Linux lays them out.

Names and words of the files: Linux `Documentation/ABI/testing/sysfs-class-power` and
`Documentation/admin-guide/pm/cpufreq.rst`.
"""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from replank.host import machine
from replank.host.machine import FAIL, PASS, UNKNOWN, Period, disk, governor, power, scheduling


def supply(folder: Path, name: str, **files: str) -> None:
    (folder / name).mkdir(parents=True)
    for key, text in files.items():
        (folder / name / key).write_text(text + "\n")


def test_no_battery_is_mains(tmp_path: Path) -> None:
    assert power(tmp_path).state == PASS
    assert power(tmp_path / "none").state == UNKNOWN


@pytest.mark.parametrize(
    ("online", "capacity", "status", "state", "words"),
    [
        ("1", "80", "Charging", PASS, "on mains, battery 80 %"),
        ("0", "80", "Discharging", PASS, "on battery, 80 %"),
        ("0", "20", "Discharging", FAIL, "on battery, 20 %"),
        ("1", "20", "Not charging", PASS, "on mains"),
    ],
)
def test_battery(tmp_path: Path, online: str, capacity: str, status: str, state: str, words: str) -> None:
    supply(tmp_path, "AC", type="Mains", online=online)
    supply(tmp_path, "BAT0", type="Battery", capacity=capacity, status=status)
    supply(tmp_path, "mouse", type="Battery", scope="Device", capacity="3", status="Discharging")
    fact = power(tmp_path)
    assert fact.state == state and words in fact.text
    assert bool(fact.advice) == (state == FAIL)


def test_governor(tmp_path: Path) -> None:
    assert governor(tmp_path).state == UNKNOWN
    (tmp_path / "cpu0/cpufreq").mkdir(parents=True)
    for driver, word, state in (("acpi-cpufreq", "powersave", FAIL), ("intel_pstate", "powersave", PASS),
                                ("acpi-cpufreq", "performance", PASS)):  # fmt: skip
        (tmp_path / "cpu0/cpufreq/scaling_driver").write_text(driver)
        (tmp_path / "cpu0/cpufreq/scaling_governor").write_text(word + "\n")
        assert governor(tmp_path).state == state


def test_disk(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    assert disk(tmp_path / "not" / "yet").state == PASS
    monkeypatch.setattr(machine, "LEAST_FREE", 1 << 62)
    fact = disk(tmp_path)
    assert fact.state == FAIL and "make room" in fact.advice


def test_scheduling_of_this_process_is_what_the_kernel_says() -> None:
    fact = scheduling(os.getpid())
    assert fact.state == (PASS if os.sched_getscheduler(0) in (os.SCHED_FIFO, os.SCHED_RR) else FAIL)
    assert str(os.getpid()) in fact.text
    assert scheduling(2**22 - 3).state == FAIL  # no such process


def test_period_is_frames_over_rate() -> None:
    assert Period(64, 48000).milliseconds == pytest.approx(1.3333, abs=1e-4)
    assert Period(256, 48000).milliseconds > 3.0


@pytest.mark.real
def test_the_jack_server_tells_its_period() -> None:
    # the server of the tests runs 64 frames at 48 kHz (see tests/conftest.py), if it is that one
    found = machine.jack_period()
    assert found is not None and found.frames > 0 and found.rate >= 8000
    if os.environ["JACK_DEFAULT_SERVER"].startswith("replank-tests-"):
        assert found == Period(64, 48000)
