"""Port names: lists as MIDI systems show them, device names invented.

The forms follow RtMidi 5.0.0 (`getPortName` of each API: ALSA appends
" client:port", WinMM " index" to a name cut to 31 characters), JACK's "-01" for
a second client of one name, and a JACK bridge that puts the ALSA client number
in brackets.
"""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from replank.midi.naming import APIS, PortNameError, clean_name, match, stable_name

ALSA = [
    "Midi Through:Midi Through Port-0 14:0",
    "Fader Plank 8:Fader Plank 8 MIDI 1 20:0",
    "Dome Interface:Dome Interface Port 1 24:0",
    "Dome Interface:Dome Interface Port 2 24:1",
    "replank:out 128:0",
]
ALSA_LATER = [  # the knob box was plugged in last this time
    "Midi Through:Midi Through Port-0 14:0",
    "Dome Interface:Dome Interface Port 1 20:0",
    "Dome Interface:Dome Interface Port 2 20:1",
    "Fader Plank 8:Fader Plank 8 MIDI 1 28:0",
    "replank:out 129:0",
]
JACK = [
    "system:midi_capture_1",
    "bridge:Fader Plank 8 [20] (capture): Fader Plank 8 MIDI 1",
    "bridge:Dome Interface [24] (capture): Dome Interface Port 1",
    "bridge:Dome Interface [24] (capture): Dome Interface Port 2",
    "replank-01:out",
]
JACK_LATER = [
    "system:midi_capture_1",
    "bridge:Dome Interface [20] (capture): Dome Interface Port 1",
    "bridge:Dome Interface [20] (capture): Dome Interface Port 2",
    "bridge:Fader Plank 8 [28] (capture): Fader Plank 8 MIDI 1",
    "replank:out",
]
COREMIDI = ["Fader Plank 8", "Dome Interface Port 1", "Dome Interface Port 2", "Bus 1"]
WINDOWS = ["Fader Plank 8 0", "Dome Interface Port 1 1", "MIDIIN2 (Observatory Dome Bridg 2", "Microtone Table 3"]
WINDOWS_LATER = [
    "Dome Interface Port 1 0",
    "MIDIIN2 (Observatory Dome Bridg 1",
    "Microtone Table 2",
    "Fader Plank 8 3",
]

AGAIN = [("alsa", ALSA, ALSA_LATER), ("jack", JACK, JACK_LATER), ("windows", WINDOWS, WINDOWS_LATER),
         ("coremidi", COREMIDI, COREMIDI[::-1])]  # fmt: skip


def check_found_again(match_name) -> None:
    for api, before, later in AGAIN:
        for name in before:
            found = match_name(name, later, api)
            assert found in later
            assert stable_name(found, api) == stable_name(name, api), f"{api}: {name} became {found}"


def test_every_port_is_found_again_when_numbers_have_changed():
    check_found_again(match)


def test_a_match_by_position_is_rejected():
    def by_number(pattern: str, names: list[str], api: str) -> str:
        return next((name for name in names if name.split()[-1] == pattern.split()[-1]), names[0])

    with pytest.raises(AssertionError, match="became"):
        check_found_again(by_number)


@pytest.mark.parametrize(
    ("api", "names", "pattern", "expected"),
    [
        ("alsa", ALSA, "fader", ALSA[1]),
        ("alsa", ALSA, "interface port 2", ALSA[3]),
        ("alsa", ALSA, "*:fader*midi 1", ALSA[1]),
        ("alsa", ALSA, "Dome Interface:Dome Interface Port 1", ALSA[2]),
        ("jack", JACK, "replank:out", JACK[4]),
        ("jack", JACK, "bridge:fader*[20]*", None),  # the number is no part of the stable name
        ("jack", JACK, "bridge:fader*capture*", JACK[1]),
        ("coremidi", COREMIDI, "Dome Interface Port 2", COREMIDI[2]),
        ("coremidi", COREMIDI, "bus", COREMIDI[3]),
        ("windows", WINDOWS, "Fader Plank 8", WINDOWS[0]),
        ("windows", WINDOWS, "MIDIIN2 (Observatory Dome Bridgng name)", WINDOWS[2]),
    ],
)
def test_what_a_person_writes(api: str, names: list[str], pattern: str, expected: str | None):
    if expected is None:
        with pytest.raises(PortNameError):
            match(pattern, names, api)
    else:
        assert match(pattern, names, api) == expected


def test_a_whole_name_is_preferred_to_a_part_of_another():
    names = ["dome:in", "dome:in left", "dome-01:in"]
    assert match("dome:in", names, "jack") == "dome:in"
    assert match("dome-01:in", names, "jack") == "dome-01:in"


def test_several_are_listed():
    with pytest.raises(PortNameError) as caught:
        match("dome", ALSA, "alsa")
    assert caught.value.candidates == ALSA[2:4]
    assert str(caught.value) == f"'dome' fits 2 ports: {ALSA[2]}, {ALSA[3]}; write more of the name"


def test_two_devices_of_one_name_are_told_apart_only_by_the_whole_name():
    names = ["Fader Plank 8:Fader Plank 8 MIDI 1 20:0", "Fader Plank 8:Fader Plank 8 MIDI 1 24:0"]
    assert match(names[1], names, "alsa") == names[1]
    with pytest.raises(PortNameError, match="fits 2 ports"):
        match("Fader Plank 8:Fader Plank 8 MIDI 1", names, "alsa")


@pytest.mark.parametrize(("names", "words"), [(COREMIDI, "there are: Fader Plank 8, Dome"), ([], "there is none")])
def test_none_says_what_there_is(names: list[str], words: str):
    with pytest.raises(PortNameError, match=words) as caught:
        match("spectrograph", names, "coremidi")
    assert caught.value.candidates == names


def test_an_empty_pattern_fits_nothing():
    with pytest.raises(PortNameError):
        match("", COREMIDI, "coremidi")


def test_control_characters_do_not_reach_a_screen():
    assert clean_name("Fader\x1b[31m\tPlank\n8") == "Fader [31m Plank 8"
    assert match("Fader [31m Plank 8", ["Fader\x1b[31m Plank 8"], "coremidi") == "Fader\x1b[31m Plank 8"


def test_an_unknown_midi_system_is_refused():
    with pytest.raises(ValueError, match="not one of alsa, jack, coremidi, windows"):
        stable_name("x", "pigeon")


@given(st.text(max_size=60), st.sampled_from(APIS))
def test_a_stable_name_never_fails_and_a_port_matches_itself(name: str, api: str):
    assert isinstance(stable_name(name, api), str)
    assert match(name, [name], api) == name if clean_name(name) == name else True
