"""Very large letters, drawn for this dashboard on a grid of three by five."""

from __future__ import annotations

from functools import lru_cache

_GLYPHS = {
    "0": "### #.# #.# #.# ###", "1": ".#. ##. .#. .#. ###", "2": "### ..# ### #.. ###", "3": "### ..# .## ..# ###",
    "4": "#.# #.# ### ..# ..#", "5": "### #.. ### ..# ###", "6": "### #.. ### #.# ###", "7": "### ..# .#. .#. .#.",
    "8": "### #.# ### #.# ###", "9": "### #.# ### ..# ###", "A": "### #.# ### #.# #.#", "B": "##. #.# ##. #.# ##.",
    "C": "### #.. #.. #.. ###", "D": "##. #.# #.# #.# ##.", "E": "### #.. ##. #.. ###", "F": "### #.. ##. #.. #..",
    "G": "### #.. #.# #.# ###", "H": "#.# #.# ### #.# #.#", "I": "### .#. .#. .#. ###", "J": "..# ..# ..# #.# ###",
    "K": "#.# #.# ##. #.# #.#", "L": "#.. #.. #.. #.. ###", "M": "#.# ### ### #.# #.#", "N": "### #.# #.# #.# #.#",
    "O": "### #.# #.# #.# ###", "P": "### #.# ### #.. #..", "Q": "### #.# #.# ### ..#", "R": "##. #.# ##. #.# #.#",
    "S": "### #.. ### ..# ###", "T": "### .#. .#. .#. .#.", "U": "#.# #.# #.# #.# ###", "V": "#.# #.# #.# #.# .#.",
    "W": "#.# #.# ### ### #.#", "X": "#.# #.# .#. #.# #.#", "Y": "#.# #.# .#. .#. .#.", "Z": "### ..# .#. #.. ###",
    "b": "#.. #.. ##. #.# ##.", "#": "#.# ### #.# ### #.#", ".": "... ... ... ... .#.", ":": "... .#. ... .#. ...",
    "-": "... ... ### ... ...", "+": "... .#. ### .#. ...", "/": "..# ..# .#. #.. #..", "%": "#.# ..# .#. #.. #.#",
    "→": "... ..# ### ..# ...", " ": "... ... ... ... ...",
    "·": "... ... .#. ... ...", "'": ".#. .#. ... ... ...", ",": "... ... ... .#. #..",
}  # fmt: skip
_UNKNOWN = "### ..# .#. ... .#."


def cells_of(text: str, scale: int) -> int:
    """Return the cells that a text takes at a scale: 4 for each letter and scale, without the last gap."""
    return max(0, len(text) * 4 - 1) * scale


def rows_of(scale: int) -> int:
    """Return the rows of a text at a scale: five half rows for each scale, rounded up."""
    return (5 * scale + 1) // 2


@lru_cache(256)
def big(text: str, scale: int = 1) -> tuple[str, ...]:
    """Return the rows of a text in large letters, drawn with half blocks.

    Args:
        text: Anything; a letter that has no glyph becomes a question mark.
        scale: Cells for one point of the grid across; a point is half a row high times this.
    """
    if scale < 1 or not text:
        return ()
    bits: list[str] = [""] * 5
    for at, letter in enumerate(text):
        glyph = (_GLYPHS.get(letter) or _GLYPHS.get(letter.upper()) or _UNKNOWN).split(" ")
        for row in range(5):
            bits[row] += "".join(point * scale for point in glyph[row]) + ("." * scale if at < len(text) - 1 else "")
    halves = [row for row in bits for _ in range(scale)]
    if len(halves) % 2:
        halves.append("." * len(halves[0]))
    pairs = zip(halves[::2], halves[1::2], strict=True)
    look = {("#", "#"): "█", ("#", "."): "▀", (".", "#"): "▄", (".", "."): " "}
    return tuple("".join(look[top, low] for top, low in zip(a, b, strict=True)) for a, b in pairs)


def best_scale(text: str, cells: int, rows: int, most: int = 4) -> int:
    """Return the largest scale at which a text fits, or 0."""
    for scale in range(most, 0, -1):
        if cells_of(text, scale) <= cells and rows_of(scale) <= rows:
            return scale
    return 0
