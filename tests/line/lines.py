"""Lines, lenses and settings for tests, drawn by hand or by hypothesis."""

from __future__ import annotations

from hypothesis import strategies as st

from replank.line.chance import DRAW, Numbers
from replank.line.generate import Shape, draw
from replank.line.kinds import KINDS, Chances
from replank.line.lenses import Lens, lens_for
from replank.line.metre import exchange_weights, place_classes
from replank.line.scales import SCALES, Scale, cents_scale
from replank.line.steps import Step

DEFAULT_WEIGHTS = (3.0, 4.0, 1.0, 0.3, 1.0, 1.0, 1.0)
LENS = lens_for(2, SCALES["minor pentatonic"], 48, 19)


def drawn(seed: int = 1, lens: Lens = LENS) -> tuple[Step, ...]:
    """Return a drawn line of 64 steps."""
    return draw(lens, Shape(3), Numbers(seed, DRAW, 0))


rolls = st.floats(0.0, 1.0, exclude_max=True)
steps = st.builds(
    Step,
    pitch=st.integers(0, 127),
    rest=rolls,
    accent=rolls,
    velocity=rolls,
    link=rolls,
    rhythm=st.integers(0, 2),
    accented=st.integers(0, 2),
    linked=st.integers(0, 3),
    pinned=st.booleans(),
    free=st.booleans(),
    ratchet=st.integers(1, 4),
    twin=st.sampled_from((0, 0, 1, 2)),
)


@st.composite
def scales(draw_from: st.DrawFn) -> Scale:
    """A scale of the table, or one in cents."""
    if draw_from(st.booleans()):
        return draw_from(st.sampled_from(sorted(SCALES.values())))
    offsets = sorted(draw_from(st.sets(st.integers(1, 11), max_size=8)))
    return cents_scale("own", [0.0] + [100.0 * o + draw_from(st.floats(-49.0, 49.0)) for o in offsets])


@st.composite
def lenses(draw_from: st.DrawFn) -> Lens:
    """Any lens that the parameters allow."""
    low = draw_from(st.integers(0, 115))
    return lens_for(draw_from(st.integers(0, 11)), draw_from(scales()), low, draw_from(st.integers(12, 60)))


weights = st.one_of(st.just(0.0), st.floats(0.001, 10.0))
chances = st.builds(
    Chances,
    count=st.integers(0, 16),
    weights=st.tuples(*[weights] * len(KINDS)),
    leap=st.integers(1, 14),
    homing=st.one_of(st.just(0.0), st.floats(0.0, 1.0)),
    rest_chance=st.floats(0.0, 1.0),
    accent_chance=st.floats(0.0, 1.0),
    fit=st.one_of(st.just(0.0), st.floats(0.0, 1.0)),
    motif=st.one_of(st.just(0.0), st.floats(0.0, 1.0)),
    anchor=st.one_of(st.just(0.0), st.floats(0.0, 1.0)),
    metre=st.builds(exchange_weights, st.floats(0.0, 1.0), st.just(place_classes(6, 96, 24))),
)
