"""What a profile file may say: its keys, declared once, read by compiler and docs."""

from __future__ import annotations

from replank.control.curves import CURVES
from replank.control.profiles import MOST_TARGETS, RELATIVE, TAKEOVER

FORMAT = 1

TOP_KEYS = {
    "profile": f"The format of this file: {FORMAT}.",
    "title": "What the box is called, for people.",
    "about": "A sentence or two for people.",
    "channel": "The MIDI channel of every control that names none, 1 to 16, or any (the default).",
    "shared": "Functions that may be on several controls, and messages that may serve several controls.",
    "feedback": "What is sent back to the box, so that its lights and rings follow.",
    "controls": "The controls, one by one.",
    "steps": "Rows of controls that edit the steps of the line, a row a line.",
}
FEEDBACK_KEYS = {
    "send": "same: each control is shown its state by the message that it sends; none (the default).",
    "sends_back": "no: the box never sends back what it is shown; yes (the default) guards against those that do.",
    "every_ms": "A control is sent feedback at most so often, 1 to 1000 ms; 20 by default.",
}
TARGET_KEYS = {
    "parameter": "The parameter that it moves.",
    "from": "Value at the left end; may be the larger one.",
    "to": "Value at the right end.",
    "curve": f"How the range is spread over the turn: {', '.join(CURVES)}.",
    "inverted": "yes: the other way round.",
    "values": "The short list that it walks, instead of the piece's.",
    "takeover": f"How it meets a parameter that moved without it: {', '.join(TAKEOVER)}.",
    "raw": "yes: the number that arrives is the value itself.",
    "detents": "Clicks of an encoder over the whole range.",
}
CONTROL_KEYS = {
    "label": "As on the box, for people.",
    "sends": "Its message: cc 16, cc 16/48 (14 bits), nrpn 1/20, rpn 0/2, note 36, program, program 5, bend, pressure.",
    "channel": "Its MIDI channel, 1 to 16, or any.",
    "moves": f"The parameter that its position moves, or a list of up to {MOST_TARGETS} with a range each.",
    "toggles": "The on-off parameter that a press turns.",
    "while_held": "The on-off parameter that is on while it is held.",
    "chooses": "The parameter that a press sets, to the next of `values`.",
    "does": "The action of a press, as `replank send` takes it: keep_last, recall:blue@now. For program: piece:*.",
    "on_release": "The action of letting go.",
    "turn": "The action of a turn, * for the clicks: rotate:*, gate+=*.",
    "amount": "What a click is worth in `turn`; 1 by default.",
    "relative": f"Encoding of an endless encoder: {', '.join(RELATIVE)}.",
    "acceleration": "How many more clicks a fast turn counts, 0 to 15.",
    "bits": "14 (the default) or 7, of nrpn and rpn: 7 where only the upper part is sent.",
    "latching": "yes: the box itself turns the button on and off, so that each message is a press.",
    "feedback": "How it is shown its state: same, none, or another message such as note 36.",
    "lit": "Value sent for on, 0 to 127; 127 by default.",
    "unlit": "Value sent for off; 0 by default.",
    "row": "Where it stands in the drawing of `replank check --draw`.",
    **{key: text for key, text in TARGET_KEYS.items() if key != "parameter"},
}
STEPS_KEYS = {
    "encoders": "The message of the first encoder: cc 32. The next ones count up.",
    "knobs": "The same for knobs with ends.",
    "pushes": "The message of the first push: note 48.",
    "first": "The first step, 1 by default.",
    "count": "How many steps, 16 by default.",
    "edit": "What a turn edits: pitch (by scale degrees, the default), semitone or velocity.",
    "push": "What a push does: flip (note to rest and back, the default), accent, link, pin, select, to_chance.",
    "channel": CONTROL_KEYS["channel"],
    "relative": CONTROL_KEYS["relative"],
    "acceleration": CONTROL_KEYS["acceleration"],
    "feedback": "same or none, of the pushes: lit where the step sounds.",
    "lit": CONTROL_KEYS["lit"],
    "unlit": CONTROL_KEYS["unlit"],
    "lit_accent": "Value sent where the step sounds with an accent, 0 to 127; that of `lit` by default.",
}
