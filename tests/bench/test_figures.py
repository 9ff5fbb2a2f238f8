"""From blocks to figures and tables, with latencies made up by hand; nothing here measures time."""

import pytest
from scripts.benchparts.machine import write_section
from scripts.benchparts.measuring import CPP, DAEMON, PYTHON, Block, Pass, split_at_notes
from scripts.benchparts.reporting import figures, tables

pytest.importorskip("scipy")

COST = {"cpu_percent": 2.0, "private_mb": 10.0}


def block(latencies, processes=("echo",), **facts):
    usage = {name: dict(COST) for name in processes}
    return Block(latencies, 0, 1, usage, {"service_us": {"p50": 20.0, "p99": 30.0, "max": 40.0}, **facts}, 0)


def made(daemon, echo):
    rows = {
        DAEMON: [block(one, ("keeper", "player", "host"), differences=0) for one in daemon],
        PYTHON: [block(one) for one in echo],
    }
    return figures(Pass(48000, 64, True, rows, {"inputs": 2, "outputs": 1, "cpu_percent": 1.0, "private_mb": 8.0}), 1)


def test_frames_become_milliseconds_and_shares():
    row = made([[48] * 98 + [None, 240]], [[24] * 100])["rows"][DAEMON]
    assert row["ticks"] == 100
    # of 99 answers the 99th is the nearest rank of p99
    assert row["latency_ms"] == {"p50": 1.0, "p99": 5.0, "p99.9": 5.0, "max": 5.0}
    assert row["lost"]["count"] == 1
    assert row["lost"]["per_100000"] == 1000
    assert row["late"]["1"]["count"] == 1  # exactly 1 ms is not later than 1 ms
    assert row["late"]["3"]["low"] < 1000 < row["late"]["3"]["high"]


def test_ratio_is_of_rounds():
    found = made([[40] * 100, [80] * 100, [400] * 100], [[20] * 100, [40] * 100, [200] * 100])
    assert found["ratios_of_p99"] == {f"{DAEMON} / {PYTHON}": {"median": 2.0, "low": 2.0, "high": 2.0, "pairs": 3}}


def test_costs_are_above_an_idle_process():
    text = tables(made([[40] * 100], [[20] * 100]))
    assert "| daemon: together | 6.0 | 30.0 | 5.0 | 22.0 |" in text
    assert "| idle process (2 inputs, 1 outputs) | 1.0 | 8.0 |  |  |" in text
    assert CPP not in text  # a row that was left out is nowhere


def test_a_block_in_which_all_was_lost_does_not_stop_the_report():
    found = made([[None] * 10], [[20] * 10])
    assert found["rows"][DAEMON]["lost"]["count"] == 10
    assert found["ratios_of_p99"] == {}
    assert "nan" in tables(found)


def test_tables_tell_what_the_daemon_told():
    found = made([[40] * 10], [[20] * 10])
    assert "told of" not in tables(found)
    found["rows"][DAEMON]["facts"]["differences"] = 2
    assert "daemon: differences 2" in tables(found)


def test_batches_end_with_their_note():
    off, accent, on, end = b"\x80\x3c\x40", b"\xb0\x14\x7f", b"\x90\x3c\x40", b"\x90\x3c\x00"
    assert split_at_notes([accent, on, off, accent, on, end, on, off]) == [[accent, on], [off, accent, on], [end, on]]


def test_a_section_is_replaced_and_nothing_else(tmp_path):
    path = tmp_path / "measured.md"
    path.write_text(
        "head\n<!-- bench: begin -->\nold\n<!-- bench: end -->\n<!-- speed: begin -->\n<!-- speed: end -->\n"
    )
    write_section(path, "bench", "new\n")
    write_section(path, "speed", "fast\n")
    assert path.read_text() == (
        "head\n<!-- bench: begin -->\nnew\n<!-- bench: end -->\n<!-- speed: begin -->\nfast\n<!-- speed: end -->\n"
    )
    with pytest.raises(ValueError, match="no section"):
        write_section(path, "other", "")
