"""The palette against published numbers: OKLab, WCAG 2.2, and a simulation of colour-blind eyes."""

import pytest

from replank.dashboard import colour
from replank.dashboard.colour import contrast, decode, difference, oklch
from replank.dashboard.ink import DAY, NIGHT, Ground, pitch_colour, rest_colour, shade_colour

GROUNDS = [pytest.param(NIGHT, True, id="dark"), pytest.param(DAY, False, id="light")]

# G. M. Machado, M. M. Oliveira, L. A. F. Fernandes, "A Physiologically-based Model for Simulation of Color
# Vision Deficiency", IEEE TVCG 15(6), 2009: the matrices of severity 1.0, applied to linear RGB.
# From the authors' web page, from memory; each row sums to 1, which the test below checks.
MACHADO = {
    "protanomaly": ((0.152286, 1.052583, -0.204868), (0.114503, 0.786281, 0.099216), (-0.003882, -0.048116, 1.051998)),
    "deuteranomaly": ((0.367322, 0.860646, -0.227968), (0.280085, 0.672501, 0.047413), (-0.01182, 0.04294, 0.968881)),
    "tritanomaly": ((1.255528, -0.076749, -0.178779), (-0.078411, 0.930809, 0.147602), (0.004733, 0.691367, 0.3039)),
}
APART = 0.06
"""OKLab distance at which two colours are plainly two; a just noticeable one is about 0.02 (common practice)."""


def seen(matrix, linear):
    return tuple(min(1.0, max(0.0, sum(a * b for a, b in zip(row, linear, strict=True)))) for row in matrix)


def nearest(colours, matrix, by):
    """Return the smallest distance of two colours whose pitch classes are `by` semitones apart."""
    eyes = [seen(matrix, decode(c)) if matrix else decode(c) for c in colours]
    return min(difference(eyes[i], eyes[(i + by) % 12]) for i in range(12))


# Ottosson 2020, the table of test values (XYZ given there; here as linear sRGB by the inverse of his matrices):
# CSS Color Module Level 4 gives red as oklch(62.8% 0.2577 29.23), lime, blue alike (sample values, W3C).
@pytest.mark.parametrize(
    ("text", "lightness", "chroma", "hue"),
    [("#ff0000", 0.62796, 0.25768, 29.234), ("#00ff00", 0.86644, 0.29483, 142.495),
     ("#0000ff", 0.45201, 0.31321, 264.052), ("#008000", 0.51975, 0.17686, 142.495), ("#ffffff", 1.0, 0.0, 0.0)],
)  # fmt: skip
def test_oklch_agrees_with_css_color_4(text, lightness, chroma, hue):
    found_l, a, b = colour.linear_to_oklab(decode(text))
    assert found_l == pytest.approx(lightness, abs=2e-4)
    assert (a * a + b * b) ** 0.5 == pytest.approx(chroma, abs=2e-4)
    # the way there; a chroma at the gamut's very edge may lose a rounding step
    back = decode(oklch(lightness, chroma, hue))
    assert difference(back, decode(text)) < 0.01


def test_every_colour_goes_to_oklab_and_back():
    for red in range(0, 256, 51):
        for green in range(0, 256, 51):
            for blue in range(0, 256, 51):
                linear = decode(f"#{red:02x}{green:02x}{blue:02x}")
                assert colour.oklab_to_linear(*colour.linear_to_oklab(linear)) == pytest.approx(linear, abs=1e-5)


def test_contrast_agrees_with_wcag():
    # WCAG 2.2: black on white is 21:1; #767676 on white is the lightest grey that reaches 4.5:1 (W3C, technique G18)
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0)
    assert contrast("#767676", "#ffffff") >= 4.5 > contrast("#777777", "#ffffff")


def weak_texts(ground: Ground):
    """Return the text colours of a ground that fall short of WCAG 2.2, 1.4.3 (4.5:1), on either of its papers."""
    texts = ("text", "strong", "faint", "hand", "good", "warn", "bad")
    return [
        (name, paper) for name in texts for paper in ("paper", "raised")
        if contrast(getattr(ground, name), getattr(ground, paper)) < 4.5
    ]  # fmt: skip


@pytest.mark.parametrize(("ground", "dark"), GROUNDS)
def test_text_can_be_read(ground, dark):
    assert weak_texts(ground) == []
    for pitch_class in range(12):  # note names are text too
        assert contrast(pitch_colour(pitch_class, dark), ground.paper) >= 4.5
    # what is chosen is written in paper on the hand's colour; the playhead's number in paper on strong
    assert contrast(ground.paper, ground.hand) >= 4.5
    assert contrast(ground.paper, ground.strong) >= 4.5
    # a changed cell of the history is written in paper on its pitch
    assert min(contrast(ground.paper, pitch_colour(pc, dark)) for pc in range(12)) >= 4.5


def test_a_faint_palette_is_refused():
    assert weak_texts(NIGHT._replace(faint="#505050")) == [("faint", "paper"), ("faint", "raised")]


@pytest.mark.parametrize(("ground", "dark"), GROUNDS)
def test_shapes_stand_out(ground, dark):
    """WCAG 2.2, 1.4.11: 3:1 for what is needed to understand a picture."""
    for pc in range(12):
        head = pitch_colour(pc, dark)
        assert contrast(head, ground.paper) >= 3
        assert contrast(head, shade_colour(pc, dark, False)) >= 3, "the head over its tower"
        assert contrast(head, shade_colour(pc, dark, True)) >= 3, "the head over its tower under the playhead"
        assert contrast(rest_colour(pc, dark), shade_colour(pc, dark, False)) >= 3, "a cell that persists"
    assert contrast(ground.rule, ground.paper) >= 3


@pytest.mark.parametrize(("ground", "dark"), GROUNDS)
def test_the_wheel_is_even(ground, dark):
    """Hues are 30 degrees of OKLCH apart in the order of fifths, at one chroma where the gamut allows."""
    from math import atan2, degrees

    hues = []
    for pc in range(12):
        _, a, b = colour.linear_to_oklab(decode(pitch_colour(pc, dark)))
        hues.append(degrees(atan2(b, a)) % 360)
        assert (a * a + b * b) ** 0.5 > 0.05
    for pc in range(12):
        turn = (hues[(pc + 7) % 12] - hues[pc]) % 360
        assert turn == pytest.approx(30, abs=2.5)


def test_matrices_leave_grey_alone():
    for matrix in MACHADO.values():
        for row in matrix:
            assert sum(row) == pytest.approx(1.0, abs=2e-6)


@pytest.mark.parametrize("eyes", [None, *MACHADO])
@pytest.mark.parametrize("dark", [True, False])
def test_neighbouring_pitches_stay_apart(eyes, dark):
    """A semitone and a whole tone apart: by colour alone, for every eye."""
    colours = [pitch_colour(pc, dark) for pc in range(12)]
    matrix = MACHADO[eyes] if eyes else None
    assert nearest(colours, matrix, 1) >= APART
    assert nearest(colours, matrix, 2) >= APART


@pytest.mark.parametrize("eyes", MACHADO)
def test_a_plain_hue_circle_is_refused(eyes):
    """The usual circle, one lightness and a semitone for each 30 degrees, does not hold."""
    colours = [oklch(0.78, 0.13, pc * 30) for pc in range(12)]
    assert nearest(colours, MACHADO[eyes], 1) < APART
