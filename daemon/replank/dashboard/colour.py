"""Colour arithmetic: OKLCH to sRGB and contrast.

OKLab and OKLCH: Björn Ottosson, "A perceptual color space for image
processing", 2020, whose matrices stand here.  Relative luminance and contrast
ratio: W3C, Web Content Accessibility Guidelines 2.2.
"""

from __future__ import annotations

from math import cos, radians, sin

Linear = tuple[float, float, float]
"""Linear-light sRGB, each part in [0, 1] when inside the gamut."""


def oklab_to_linear(lightness: float, a: float, b: float) -> Linear:
    """Return linear sRGB of an OKLab colour; parts may lie outside [0, 1]."""
    long = (lightness + 0.3963377774 * a + 0.2158037573 * b) ** 3
    medium = (lightness - 0.1055613458 * a - 0.0638541728 * b) ** 3
    short = (lightness - 0.0894841775 * a - 1.2914855480 * b) ** 3
    return (
        4.0767416621 * long - 3.3077115913 * medium + 0.2309699292 * short,
        -1.2684380046 * long + 2.6097574011 * medium - 0.3413193965 * short,
        -0.0041960863 * long - 0.7034186147 * medium + 1.7076147010 * short,
    )


def linear_to_oklab(colour: Linear) -> tuple[float, float, float]:
    """Return OKLab lightness, a and b of a linear sRGB colour."""
    red, green, blue = colour
    long = _root(0.4122214708 * red + 0.5363325363 * green + 0.0514459929 * blue)
    medium = _root(0.2119034982 * red + 0.6806995451 * green + 0.1073969566 * blue)
    short = _root(0.0883024619 * red + 0.2817188376 * green + 0.6299787005 * blue)
    return (
        0.2104542553 * long + 0.7936177850 * medium - 0.0040720468 * short,
        1.9779984951 * long - 2.4285922050 * medium + 0.4505937099 * short,
        0.0259040371 * long + 0.7827717662 * medium - 0.8086757660 * short,
    )


def _root(value: float) -> float:
    return float(value ** (1 / 3)) if value >= 0 else -float((-value) ** (1 / 3))


def oklch(lightness: float, chroma: float, hue: float) -> str:
    """Return ``#rrggbb`` of an OKLCH colour.

    A colour outside sRGB keeps lightness and hue and loses chroma until it fits.

    Args:
        lightness: 0 (black) to 1 (white).
        chroma: 0 (grey) to about 0.37.
        hue: Degrees.
    """
    turn = radians(hue)
    low, high = 0.0, chroma
    linear = oklab_to_linear(lightness, chroma * cos(turn), chroma * sin(turn))
    if not _fits(linear):
        for _ in range(20):
            middle = (low + high) / 2
            linear = oklab_to_linear(lightness, middle * cos(turn), middle * sin(turn))
            low, high = (middle, high) if _fits(linear) else (low, middle)
        linear = oklab_to_linear(lightness, low * cos(turn), low * sin(turn))
    return "#" + "".join(f"{round(encode(part) * 255):02x}" for part in linear)


def _fits(colour: Linear) -> bool:
    return all(-0.0005 <= part <= 1.0005 for part in colour)


def encode(part: float) -> float:
    """Return the sRGB value of one linear part, both in [0, 1] (IEC 61966-2-1)."""
    part = min(1.0, max(0.0, part))
    return 12.92 * part if part <= 0.0031308 else float(1.055 * part ** (1 / 2.4) - 0.055)


def decode(text: str) -> Linear:
    """Return the linear parts of ``#rrggbb``."""
    parts = (int(text[at : at + 2], 16) / 255 for at in (1, 3, 5))
    red, green, blue = (p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts)
    return red, green, blue


def luminance(text: str) -> float:
    """Return the relative luminance of ``#rrggbb``, 0 to 1 (WCAG 2.2)."""
    red, green, blue = decode(text)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(one: str, other: str) -> float:
    """Return the contrast ratio of two colours, 1 to 21 (WCAG 2.2)."""
    high, low = sorted((luminance(one), luminance(other)), reverse=True)
    return (high + 0.05) / (low + 0.05)


def difference(one: Linear, other: Linear) -> float:
    """Return the distance of two linear colours in OKLab (black to white is 1)."""
    a, b = linear_to_oklab(one), linear_to_oklab(other)
    return float(sum((x - y) ** 2 for x, y in zip(a, b, strict=True)) ** 0.5)
