"""Promise 4: the record replays to the same notes, and a record that was tampered with does not.

Each control changes a recorded show in one place, with its checksums made
right again, and asks that the place is found.
"""

import sqlite3
import zlib
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from replank.control.setup import Clock
from replank.host.shows import comparing, lasting, schema
from replank.host.shows.comparing import check
from replank.host.shows.reading import Archive
from replank.host.shows.recorder import Recorder
from replank.performer import Performer
from replank.performer.events import Act, Assign
from tests.faults.flipping import rewrite
from tests.performer.sequences import performances
from tests.shows.stage import BUSY, CLOCK, SETUP, START, ShowStage, record
from tests.shows.streams import SECOND, wait_until


def report(path: Path) -> comparing.Report:
    with Archive(path) as archive:
        return check(archive, archive.find("last"))


@settings(max_examples=40, deadline=None, derandomize=True, suppress_health_check=list(HealthCheck))
@given(performances(), st.integers(0, 2_000_000), st.booleans())
def test_whatever_happens_replays_to_the_same_notes(tmp_path_factory, case, late, is_released_first):
    path = tmp_path_factory.mktemp("shows") / "shows.db"
    setup, seed, events = case
    stage = ShowStage(Recorder(path, engine=1), setup, seed, late)
    stage.happen(*events[: len(events) // 2])
    stage.checkpoint()
    stage.happen(*events[len(events) // 2 :])
    stage.end(is_released_first)
    found = report(path)
    assert found.differences == []
    assert (found.inputs, found.unkept, found.states) == (len(events), 0, 2)
    assert 0 <= len(stage.sent) - found.messages < 20, "what was due at the very end is laid beside the record apart"


def played(path: Path, dropouts: str = "heal") -> Path:
    setup = replace(SETUP, clock=Clock(dropouts=dropouts))
    record(path, [START, *[CLOCK] * 600], [(0, Assign({"rest_chance": 0.0})), *[CLOCK] * 600], setup=setup)
    return path


def test_the_play_of_the_controls_replays(tmp_path):
    found = report(played(tmp_path / "shows.db"))
    assert found.differences == [] and found.notes > 150


def test_a_dropped_clock_is_found_within_a_step(tmp_path):
    path = played(tmp_path / "shows.db", "wait")
    rewrite(path, "inputs", lambda items: items[:400] + items[401:])
    found = report(path)
    assert found.total and 400 <= found.differences[0].input < 400 + 7


def test_a_dropped_clock_that_is_healed_is_found_in_the_next_state(tmp_path):
    path = played(tmp_path / "shows.db")
    rewrite(path, "inputs", lambda items: items[:400] + items[401:])
    found = report(path)
    assert found.total and found.differences[0].kind == "state"


def test_a_flipped_input_is_found_where_it_is_first_heard(tmp_path):
    path = played(tmp_path / "shows.db")

    def flip(items: list[tuple[int, Any]]) -> list[tuple[int, Any]]:
        now, what = items[300]
        return [*items[:300], (now, ["m", 0, bytes((what[2][0] ^ 0x04,))]), *items[301:]]  # clock to Stop

    rewrite(path, "inputs", flip)
    found = report(path)
    assert found.total and 300 <= found.differences[0].input < 307


def test_an_input_at_another_time_is_found(tmp_path):
    path = played(tmp_path / "shows.db")
    with Archive(path) as archive:
        show = archive.find("last")
        notes = [o.now for o in archive.stream(show, "outputs") if comparing.is_note_on(o.what[1])]
        at = next(i.number for i in archive.stream(show, "inputs", 400) if i.now in notes)

    rewrite(path, "inputs", lambda items: [*items[:at], (items[at][0] + 1, items[at][1]), *items[at + 1 :]])
    found = report(path)
    assert found.total and found.differences[0].kind == "time" and found.differences[0].input == at


def test_an_input_that_no_note_tells_of_is_found_by_the_next_state(tmp_path):
    path = tmp_path / "shows.db"
    record(path, [START, *[CLOCK] * 100, (0, Assign({"mutation_count": 9})), *[CLOCK] * 4], [CLOCK] * 4)
    rewrite(path, "inputs", lambda items: [(now, ["a", {}, ""] if what[0] == "a" else what) for now, what in items])
    found = report(path)
    assert found.total and found.differences[0].kind == "state"
    assert "mutation_count (9, replayed 1)" in found.differences[0].text


@pytest.mark.parametrize("at", [0, 101, -1])
def test_a_dropped_or_changed_output_is_found(tmp_path, at):
    path = played(tmp_path / "shows.db")
    with Archive(path) as archive:
        sounded = [o for o in archive.stream(archive.find("last"), "outputs") if comparing.is_note_on(o.what[1])]
    number = sounded[at].number
    whole = path.read_bytes()
    rewrite(path, "outputs", lambda items: items[:number] + items[number + 1 :])
    found = report(path)
    assert found.total and found.differences[0].now == sounded[at].now
    path.write_bytes(whole)
    status, note, velocity = sounded[at].what[1]
    higher = [sounded[at].what[0], bytes((status, note ^ 1, velocity))]
    rewrite(path, "outputs", lambda items: [*items[:number], (items[number][0], higher), *items[number + 1 :]])
    found = report(path)
    assert (found.total, found.differences[0].kind, found.differences[0].now) == (1, "message", sounded[at].now)


def test_a_second_that_was_changed_without_its_checksum_is_damage(tmp_path):
    path = played(tmp_path / "shows.db")
    with closing(sqlite3.connect(path)) as sql:
        key, blob = sql.execute("SELECT key, blob FROM inputs ORDER BY key LIMIT 1 OFFSET 3").fetchone()
        payload = bytearray(zlib.decompress(blob))
        payload[12] ^= 1
        sql.execute("UPDATE inputs SET blob = ? WHERE key = ?", (zlib.compress(bytes(payload)), key))
        sql.commit()
    found = report(path)
    assert found.total and {"damage"} == {difference.kind for difference in found.differences}
    assert "0:00:03" in found.differences[-1].text


def test_a_performer_that_plays_otherwise_is_found(tmp_path, monkeypatch):
    """The broken build: an engine in which a mutation moves a step by other numbers."""
    path = tmp_path / "shows.db"
    record(path, [START, (0, Assign({"mutation_chance": 1.0, "homing": 0.0})), *[CLOCK] * 2000])
    assert report(path).differences == []
    from replank.performer import melody

    monkeypatch.setattr(melody, "MUTATE", 77)
    found = report(path)
    assert found.total and found.differences[0].cycle > 1


def test_a_gap_is_shown_and_what_stands_around_it_replays(tmp_path):
    path = tmp_path / "shows.db"
    recorder = Recorder(path, engine=1)
    stage = ShowStage(recorder)
    stage.happen(START, BUSY, *[CLOCK] * 300)
    kept, stage.recorder = stage.recorder, None
    stage.happen(BUSY, *[CLOCK] * 50)  # lost on the way
    stage.recorder = kept
    stage.gap(50)
    stage.happen(BUSY, *[CLOCK] * 40)  # kept, but nothing says from which state
    stage.checkpoint()
    stage.happen(BUSY, *[CLOCK] * 300)
    stage.end()
    found = report(path)
    assert found.differences == [] and found.stretches == 2
    assert [gap.text for gap in found.gaps] == ["50 lost"]


def test_without_the_gap_the_same_loss_is_a_difference(tmp_path):
    path = tmp_path / "shows.db"
    recorder = Recorder(path, engine=1)
    stage = ShowStage(recorder)
    stage.happen(START, *[CLOCK] * 300)
    kept, stage.recorder = stage.recorder, None
    stage.happen(*[CLOCK] * 50)
    stage.recorder = kept
    stage.happen(*[CLOCK] * 50)
    stage.end()
    assert report(path).total


def test_a_show_cut_off_by_a_kill_replays_up_to_there(tmp_path):
    path = tmp_path / "shows.db"
    recorder = Recorder(path, engine=1)
    stage = ShowStage(recorder)
    stage.happen(START, *[CLOCK] * 500)
    wait_until(lambda: recorder.health()["queued"] == 0 and recorder.health()["commits"] > 0)
    recorder._writer.finish = lambda: None
    recorder.close()
    # the last messages were on their way: the player's pipe had the inputs, the outputs not yet
    rewrite(path, "outputs", lambda items: items[:-3])
    found = report(path)
    assert found.differences == [] and found.unkept == 3
    last = lasting.last_state(path)
    assert last is not None and not last.in_order
    assert Performer.restore(last.saved).save() == stage.performer.save()
    assert set(stage.performer.sounding()) <= set(last.sounding)


def test_what_is_left_sounding_is_known_also_where_states_cannot_be_recomputed(tmp_path):
    path = tmp_path / "shows.db"
    recorder = Recorder(path, engine=1)
    stage = ShowStage(recorder, late=0)
    stage.happen(START, (0, Assign({"rest_chance": 0.0, "gate": 1.0})), *[CLOCK] * 97)
    sounding = stage.performer.sounding()
    assert sounding
    wait_until(lambda: recorder.health()["queued"] == 0 and recorder.health()["commits"] > 0)
    recorder._writer.finish = lambda: None
    recorder.close()
    with closing(sqlite3.connect(path)) as sql:  # the inputs are gone
        sql.execute("UPDATE inputs SET blob = x'00'")
        sql.commit()
    last = lasting.last_state(path)
    assert last is not None and set(sounding) <= set(last.sounding)


def test_a_show_that_ended_in_order_leaves_nothing_sounding(tmp_path):
    path = tmp_path / "shows.db"
    stage = record(path, [START, *[CLOCK] * 97])
    last = lasting.last_state(path)
    assert last is not None and last.sounding == [] and last.in_order
    assert Performer.restore(last.saved).melody.form(16) == stage.performer.melody.form(16)


def test_there_is_no_last_state_where_there_is_no_show(tmp_path):
    assert lasting.last_state(tmp_path / "none.db") is None
    (tmp_path / "bad.db").write_bytes(b"not a database, but long enough to be looked at " * 40)
    assert lasting.last_state(tmp_path / "bad.db") is None


def test_the_form_of_any_cycle_comes_back(tmp_path):
    path = tmp_path / "shows.db"
    recorder = Recorder(path, engine=1)
    stage = ShowStage(recorder)
    forms: dict[int, Any] = {}
    stage.happen(START, (0, Assign({"mutation_chance": 1.0, "settle_new": 0, "length": 8, "mutation_count": 3})))
    for n in range(1500):
        stage.happen(CLOCK)
        if n % 400 == 399:
            stage.checkpoint()
        if (last := stage.performer.melody.last) is not None:
            forms[last.cycle] = last.save()
    stage.end()
    assert len(forms) > 25 and len({str(form[2]) for form in forms.values()}) > 20
    for cycle in sorted(forms)[::4]:
        assert lasting.form_at(path, "last", cycle) == {"kept": forms[cycle]}
    now = stage.performer.melody.cycle
    unfinished = lasting.form_at(path, "last", now)
    assert unfinished is not None and unfinished["kept"][1] == now
    assert lasting.form_at(path, "last", now + 5) is None


def test_snapshots_outlive_the_list_that_they_were_on(tmp_path):
    path = tmp_path / "shows.db"
    record(path, [START, *[CLOCK] * 100, (0, Act("keep", ("blue",))), *[CLOCK] * 3],
           [(0, Act("forget", ("blue",))), *[CLOCK] * 100, (0, Act("keep", ("red",)))])  # fmt: skip
    found = lasting.snapshot_forms(path, "last")
    assert set(found) == {"blue", "red"} and found["blue"]["kept"][0] == "blue"


def test_notices_of_the_performer_stand_in_the_record(tmp_path):
    path = tmp_path / "shows.db"
    acts = [(0, Act("star", ("here",))), (0, Act("name_show", ("Long Exposure",)))]
    record(path, [START, *[CLOCK] * 10, *acts, *[CLOCK] * 10])
    with Archive(path) as archive:
        show = archive.find("long exposure")
        assert show.stars == 1
        assert [mark.text for mark in archive.marks(show, schema.STAR, schema.NAME)] == ["here", "Long Exposure"]
        assert show.last - show.base < 2 * SECOND
