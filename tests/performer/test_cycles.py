"""Reading what is heard out of an offline performance."""

import pytest

from replank.control.setup import Setup
from replank.midi.offline import play_cycles, sounding_notes
from tests.performer.cycles import cycles_of, heard_cycles


def test_every_note_is_read_once_with_its_place():
    take = play_cycles(Setup(), 3, 20, 96.0)
    cycles = cycles_of(take)
    assert [len(cycle.places) for cycle in cycles] == [16] * 20
    assert sum(len(cycle.notes) for cycle in cycles) == sounding_notes(take.messages)
    for number, cycle in enumerate(cycles):
        begins = [beat for beat, struck in cycle.places if struck]
        assert cycle.onsets == begins
        assert [beat for beat, _ in cycle.places] == pytest.approx(
            [4 * number + step / 4 for step in range(16)], abs=1e-6
        )
        assert len(cycle.notes) == len(cycle.lengths) == len(begins)
    # What the step notices say, where nothing is tied on.
    said = [one.data["note"] for one in take.notices if one.kind == "step" and one.data["note"] >= 0]
    plain = heard_cycles(3, 20, slide_chance=0.0)
    assert [note for cycle in plain for note in cycle.notes] == said


@pytest.mark.parametrize(("division", "gate"), [("1/16", 0.5), ("1/8", 0.25), ("1/4", 0.75)])
def test_lengths_are_in_steps(division: str, gate: float):
    (cycle,) = heard_cycles(3, 1, division=division, gate=gate, slide_chance=0.0, rest_chance=0.0)
    assert cycle.lengths == pytest.approx([gate] * 16, abs=1e-6)


def test_a_slide_lasts_into_the_next_step():
    cycles = heard_cycles(3, 2, slide_chance=1.0, rest_chance=0.0)
    assert all(length >= 1 for length in cycles[0].lengths)
    assert len(cycles[0].notes) < 16, "a slide to the same pitch is a tie"
