"""The performer: events in, MIDI messages and notices out.

It reads no clock, opens no file and draws no number that is not addressed.
`receive` first fires every deadline due at or before `now`, in (time, number)
order, then takes the event; so the same events at the same times always give
the same messages, live, in the shadow, rendered or replayed.
"""

from __future__ import annotations

from heapq import heappop, heappush
from typing import Any

from replank.control.asking import NEVER
from replank.control.hands import Hands
from replank.control.keyboard import KeyboardReader
from replank.control.notices import Notice
from replank.control.parameters import DEFAULTS, PIECE_NAMES, SNAPSHOT_NAMES, Value
from replank.control.setup import Setup, from_plain
from replank.line.chance import DIRECTION, Numbers
from replank.line.steps import Step
from replank.performer import (
    acting,
    advancing,
    clock_out,
    clocking,
    counting,
    hearing,
    pieces,
    playing,
    rewiring,
    saving,
    striking,
    viewing,
)
from replank.performer.arguments import Known
from replank.performer.course import Course
from replank.performer.events import (
    Act,
    Assign,
    BoxReturned,
    BringBack,
    Configure,
    Event,
    Heard,
    Midi,
    Outcome,
    Reconnected,
    Resume,
    Rounded,
    Slept,
)
from replank.performer.melody import Melody
from replank.performer.reading import Readings
from replank.performer.settings import Settings
from replank.performer.transport import Transport
from replank.performer.voices import Band, Sound
from replank.timing.divisions import division_clocks

_NOTHING = Outcome([], [])
"""Shared by every event that came to nothing; callers read outcomes, never write them."""

Deadline = tuple[int, int, str, list[Any]]
"""When (ns), number, kind, plain arguments."""


class Performer:
    """One line, performed.

    Attributes:
        setup: Rig, set and profiles.
        now: The performer's clock, ns; never falls.
        values: Every parameter's value.
        settings: What follows from the values.
        melody, transport, band, hands: The line's memory, time, the voices, the boxes.
        course: Where the present piece is in its time, arcs and plan.
        due: Actions and values that wait.
        ramps: name -> [from value, target, bars in all, bars gone].
    """

    # Python finds the attributes of an object that has more than 30 of them the slow way, unless they are slots.
    __slots__ = (
        "_role", "_ticks", "answer", "as_left", "band", "by_pulses", "clock_outputs", "counts", "course", "deadlines",
        "due", "ending", "generate_outputs", "given_seed", "hands", "hands_due", "keyboard", "last_control",
        "malformed", "melody", "messages", "notes", "notices", "now", "number", "panics", "piece", "piece_since",
        "presses", "ramps", "readings", "received", "selected", "sent", "settings", "setup", "show_name", "taps",
        "thru_outputs", "transport", "tuning", "values",
    )  # fmt: skip

    def __init__(self, setup: Setup, seed: int, now: int = 0) -> None:
        self.setup = setup
        self.now = now
        self.given_seed = seed
        self.messages: list[tuple[int, bytes]] = []
        self.notices: list[Notice] = []
        self.deadlines: list[Deadline] = []
        self.hands_due = NEVER  # the first of them that asks the boxes' decoder
        self.number = 0
        self.values: dict[str, Any] = {**DEFAULTS, **setup.values}
        self.readings = Readings()
        self.settings = Settings(self.values, setup)
        self.melody = Melody(seed)
        self.transport = Transport(self.settings, self.direction_roll)
        self.band = Band(setup)
        self.hands = Hands(rewiring.profiles(setup), setup.inputs)
        self.keyboard = KeyboardReader(setup.keyboard)
        self.due: list[list[Any]] = []
        self.ramps: dict[str, list[Any]] = {}
        self.piece = 0
        self.piece_since = now
        self.course = Course(1 if setup.clock.mode == "pulses" else 0)
        self.as_left: dict[str, list[Any]] = {}
        self.show_name = ""
        self.answer: list[int] = []  # [sounding bars, silent bars, bar index of the beginning]
        self.ending = 0  # 0 no, 1 the cycle plays out, 2 waits for the beat, 3 the root is held
        self.tuning: list[int] = []  # note held for tuning, and the voice if it is only one
        self.taps: list[int] = []
        self.presses: list[list[int]] = []  # of downbeat: when, and how late after its beat, ns
        self.selected = 0
        self.panics: list[int] = []  # time of the last panic
        self.notes = 0
        self.counts = {"late": 0, "realtime_elsewhere": 0}
        self.received = [0] * len(setup.inputs)
        self.malformed = [0] * len(setup.inputs)
        self.sent = [0] * len(setup.outputs)
        self.last_control: list[Any] = []
        self.wire()
        pieces.first(self)
        self.hands.begin(now, self.values, self.lists())
        self.schedule_sensing()
        self._take()

    def wire(self) -> None:
        """Look up once what the setup says of each input and output."""
        setup = self.setup
        self._role = [one.role for one in setup.inputs]
        self.by_pulses = setup.clock.mode == "pulses"
        self.transport.judge.dropouts = setup.clock.dropouts
        by_clock = setup.clock.mode == "midi" and setup.clock.source != "internal"
        self._ticks = [one.role == "clock" and by_clock for one in setup.inputs]
        own = setup.clock.source == "internal"  # nothing arrives that could be passed on
        wants = list(enumerate(output.send_clock for output in setup.outputs))
        self.clock_outputs = [i for i, clock in wants if clock != "none"]
        self.generate_outputs = [i for i, clock in wants if clock == "generate" or (clock == "thru" and own)]
        self.thru_outputs = [i for i, clock in wants if clock == "thru" and not own]

    # -- the two entries -------------------------------------------------------

    def receive(self, event: Event, now: int) -> Outcome:
        """Take an event at `now` (ns; an earlier time counts as the present one)."""
        if self.deadlines and self.deadlines[0][0] <= now:
            self._fire(now)
        if now > self.now:
            self.now = now
        if type(event) is Midi:
            port, data = event
            self.received[port] += 1
            if data == b"\xf8" and self._ticks[port]:
                clocking.tick(self)
                if not self.messages and not self.notices:
                    return _NOTHING
                if self.notices and self.hands.watches_steps:
                    hearing.watch_steps(self)
                return self._take()
            hearing.heard(self, port, data)
        else:
            self._take_other(event)
        if self.notices and self.hands.watches_steps:
            hearing.watch_steps(self)
        self.schedule_hands()
        return self._take()

    def advance(self, now: int) -> Outcome:
        """Fire every deadline due at or before `now`."""
        if self.deadlines and self.deadlines[0][0] <= now:
            self._fire(now)
        return self._take()

    def next_deadline(self) -> int | None:
        """Return when the next deadline is due, ns, or None."""
        return self.deadlines[0][0] if self.deadlines else None

    def _take(self) -> Outcome:
        if not self.messages and not self.notices:
            return _NOTHING
        outcome = Outcome(self.messages, self.notices)
        sent = self.sent
        for output, _ in outcome.messages:
            sent[output] += 1
        self.messages, self.notices = [], []
        return outcome

    def _take_other(self, event: Event) -> None:
        match event:
            case Assign():
                acting.assign(self, event.values, event.origin)
            case Act():
                acting.act(self, event.name, event.args, event.due, event.origin)
            case Configure():
                acting.enqueue(self, "step", ["configure", event.setup])
            case Reconnected():
                self.reconnected(event.output)
            case BoxReturned():
                self.hands.forget_positions(event.input, self.now)
            case BringBack():
                pieces.bring_back(self, event)
            case Resume():
                counting.resume(self, event.stamps)
            case Heard():
                counting.heard(self, event.stamps)
            case Rounded():
                self.transport.judge.grain = event.ns
            case Slept():
                counting.slept(self, event.ns)
            case _:
                raise TypeError(f"not an event: {event!r}")

    # -- deadlines -------------------------------------------------------------

    def schedule(self, when: int, kind: str, args: list[Any]) -> None:
        """Let `kind` happen at `when` (ns), never before the present."""
        self.number += 1
        heappush(self.deadlines, (when if when > self.now else self.now, self.number, kind, args))

    def unschedule(self, *kinds: str) -> None:
        """Drop every deadline of these kinds."""
        self.deadlines = [d for d in self.deadlines if d[2] not in kinds]
        self.deadlines.sort()

    def _fire(self, now: int) -> None:
        while self.deadlines and self.deadlines[0][0] <= now:
            when, _, kind, args = heappop(self.deadlines)
            if when > self.now:
                self.now = when
            _FIRE[kind](self, args)
            if self.notices and self.hands.watches_steps:
                hearing.watch_steps(self)

    def schedule_sensing(self) -> None:
        """Begin active sensing on the outputs that want it."""
        for i, output in enumerate(self.setup.outputs):
            if output.active_sensing:
                self.schedule(self.now, "sense", [i])

    def schedule_hands(self) -> None:
        """Let the boxes' decoder be asked again when it wants to."""
        due = self.hands.next_deadline()
        if due is not None and (due := max(due, self.now)) < self.hands_due:
            self.hands_due = due
            self.schedule(due, "hands", [])

    def find_hands_due(self) -> None:
        """Look up when the boxes' decoder is asked next, after deadlines have gone or come."""
        self.hands_due = min((d[0] for d in self.deadlines if d[2] == "hands"), default=NEVER)

    # -- what other modules use ------------------------------------------------

    def send(self, output: int, message: bytes) -> None:
        """Send a message."""
        self.messages.append((output, message))

    def notice(self, kind: str, **data: Any) -> None:
        """Say that something happened."""
        self.notices.append(Notice(kind, self.now, data))

    def changed(self) -> None:
        """Work out anew what follows from the values, and fit the playhead to them."""
        self.settings = Settings(self.values, self.setup)
        self.transport.fit(self.settings)

    def set_value(self, name: str, value: Value) -> Any:
        """Store a value and log it for `back`; return the one before.  Call `changed` after."""
        before = self.values[name]
        if before != value:
            self.values[name] = value
            self.melody.trail.log_value(self.melody.cycle, name, before, value)
        return before

    def begin_chances(self, seed: int) -> None:
        """Begin all chance of a piece at its seed."""
        self.melody.begin_piece(seed)
        self.transport.playhead.advances = 0

    def snapshot_values(self) -> dict[str, Any]:
        """Return the parameters that snapshots keep."""
        return {name: self.values[name] for name in SNAPSHOT_NAMES}

    def piece_values(self) -> dict[str, Any]:
        """Return the parameters that pieces keep."""
        return {name: self.values[name] for name in PIECE_NAMES}

    def lists(self) -> dict[str, tuple[str, ...]]:
        """Return the short lists of the present piece."""
        if not 0 < self.piece <= len(self.setup.pieces):
            return {}
        piece = self.setup.pieces[self.piece - 1]
        named = {"scale": piece.scales, "division": piece.divisions}
        return {name: words for name, words in named.items() if words}

    def division_of(self, text: str) -> int:
        """Return the clocks of a division in the present meter; ValueError where it does not fit."""
        return division_clocks(text, self.settings.meter)

    def clock_is_present(self) -> bool:
        """Tell whether clocks have been coming until now."""
        judge = self.transport.judge
        return judge.received > 0 and self.transport.watching and self.now < judge.lost_after()

    def role(self, port: int) -> str:
        """Return the role of an input: clock, knobs or keyboard."""
        return self._role[port]

    def moved_by_degrees(self, sound: Sound, degrees: int) -> int:
        """Return a sound's note for a voice so many degrees up."""
        s = self.settings
        step = Step(pitch=sound.base, free=s.lens.table[sound.base] != sound.base)
        return s.lens.sound(step, s.degrees + degrees, s.semitones)

    def direction_roll(self, advance: int) -> float:
        """Return the number of an advance in random direction."""
        return Numbers(self.melody.seed, DIRECTION, advance).at(0)

    def reconnected(self, output: int) -> None:
        """An output was patched again: release what it may still hold, tell it the controllers."""
        if 0 <= output < len(self.setup.outputs):
            self.band.release_all(self, output)
            for out, channel in self.band.channels():
                if out == output:
                    self.send(out, bytes((0xB0 | (channel - 1), 123, 0)))
            self.band.refresh_all(self, output)
            self.notice("output", output=self.setup.outputs[output].name, text="patched; controllers sent again")

    # -- state -----------------------------------------------------------------

    def save(self) -> dict[str, Any]:
        """Return everything that a continuation needs, as plain data."""
        return saving.save(self)

    @classmethod
    def restore(cls, plain: dict[str, Any]) -> Performer:
        """Rebuild a performer; it goes on exactly where the saved one was."""
        made = cls(from_plain(plain["setup"]), plain["given_seed"], plain["now"])
        saving.load(made, plain)
        return made

    def carry_over(self, plain: dict[str, Any], whole: bool) -> None:
        """Take over what is timeless of a saved state; see `saving.carry_over`."""
        saving.carry_over(self, plain, whole)

    def known(self) -> Known:
        """Return what an action's arguments may name just now."""
        return Known(self.setup, self.melody.snapshots, self.melody.cycle)

    def view(self) -> dict[str, Any]:
        """Return the whole state for people, as JSON-able data."""
        return viewing.view(self)

    def releases(self) -> list[tuple[int, bytes]]:
        """Release everything that sounds and send controllers to rest; return the messages."""
        self.band.release_all(self)
        playing.end_tuning(self)
        self.band.rest_values(self)
        return self._take().messages

    def sounding(self) -> list[tuple[int, int, int]]:
        """Return (output, channel 1 to 16, note) of everything that sounds."""
        return [*self.band.sounding(), *((v.output, v.channel, n) for v, n in playing.tuning_notes(self))]

    def end_tuning(self, note: int) -> None:
        """A note is about to be struck: where it is the one held for tuning, that ends, or it would sound twice."""
        if self.tuning[0] == note:
            playing.end_tuning(self)

    def configure(self, plain: dict[str, Any]) -> None:
        """Swap the setup, between two steps; see `rewiring.configure`."""
        rewiring.configure(self, from_plain(plain))


_FIRE: dict[str, Any] = {
    "off": lambda p, a: p.band.off(p, *a),
    "late": lambda p, a: striking.late(p, a[0], Sound(*a[1:])),
    "again": lambda p, a: p.band.again(p, Sound(*a), is_repeat=True),
    "early": lambda p, a: advancing.speak(p, *a),
    "pulse": lambda p, a: p.band.end_pulse(p, a[0]),
    "trigger": lambda p, a: p.band.end_trigger(p, a[0]),
    "strike": lambda p, a: striking.strike(p, *a),
    "ahead": lambda p, a: striking.go_ahead(p, a[0]),
    "lost": lambda p, a: clocking.check_lost(p),
    "clock": lambda p, a: clocking.internal_clock(p),
    "filled": lambda p, a: clock_out.filled(p),
    "coast": lambda p, a: counting.coast(p),
    "made": lambda p, a: clock_out.made_clock(p),
    "sense": lambda p, a: clock_out.sense(p, a[0]),
    "sweep": lambda p, a: playing.sweep(p, a),
    "hands": lambda p, a: hearing.hands_fire(p),
    "mute": lambda p, a: playing.after_final(p),
}
"""What each kind of deadline does."""
