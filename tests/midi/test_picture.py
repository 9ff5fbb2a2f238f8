"""The picture of a line's history."""

from xml.etree import ElementTree

from replank.cli.picture import MOST_ROWS, Row, picture, rows_of
from replank.control.notices import Notice

SVG = "{http://www.w3.org/2000/svg}"


def step(cycle: int, index: int, note: int) -> Notice:
    return Notice("step", 0, {"index": index, "note": note, "cycle": cycle})


def marks(text: str) -> list[tuple[int, int, float]]:
    """Return (cycle, step, height of its foot) of every bar, from its title and place."""
    found = []
    for bar in ElementTree.fromstring(text).iter(f"{SVG}rect"):
        title = bar.find(f"{SVG}title")
        if title is not None and title.text:
            cycle, number = title.text.split(":")[0].removeprefix("cycle ").split(", step ")
            found.append((int(cycle), int(number), float(bar.attrib["y"]) + float(bar.attrib["height"])))
    return found


def test_steps_become_rows():
    assert rows_of([step(1, 1, 60), step(1, 2, -1), Notice("cycle", 0, {}), step(2, 1, 62), step(2, 1, 64)]) == [
        Row(1, {1: 60, 2: -1}),
        Row(2, {1: 64}),
    ]


def test_each_sounding_step_is_one_bar_and_height_is_pitch():
    rows = [Row(1, {1: 50, 2: 62, 3: -1}), Row(2, {1: 50, 2: 57, 3: 62})]
    found = marks(picture(rows, "x"))
    assert [(cycle, number) for cycle, number, _ in found] == [(1, 1), (1, 2), (2, 1), (2, 2), (2, 3)]
    foot = {(cycle, number): y for cycle, number, y in found}
    assert foot[1, 1] > foot[1, 2]
    assert foot[2, 1] > foot[2, 2] > foot[2, 3]


def test_a_change_has_a_dot_and_what_persists_has_none():
    def dots(rows: list[Row]) -> int:
        return len(list(ElementTree.fromstring(picture(rows, "x")).iter(f"{SVG}circle")))

    assert dots([Row(1, {1: 50, 2: -1}), Row(2, {1: 50, 2: -1})]) == 0
    assert dots([Row(1, {1: 50, 2: 52}), Row(2, {1: 51, 2: -1})]) == 2


def test_any_title_is_text():
    title = "<script>&\x00\x1b\n\ud800 Ωρίων \"'"
    root = ElementTree.fromstring(picture([Row(1, {1: 60})], title).encode())
    assert "<script>&" in (root.findtext(f"{SVG}title") or "")


def test_a_long_history_shows_its_end_and_says_so():
    text = picture([Row(n, {1: 60}) for n in range(1, MOST_ROWS + 101)], "x")
    assert {cycle for cycle, _, _ in marks(text)} == set(range(101, MOST_ROWS + 101))
    assert f"the last {MOST_ROWS} of {MOST_ROWS + 100} cycles" in text


def test_nothing_but_rests_is_a_picture_too():
    assert marks(picture([Row(1, {1: -1, 2: -1})], "x")) == []
    assert marks(picture([], "x")) == []


def test_everything_lies_inside_the_picture():
    rows = [Row(1, {n: 30 + n for n in range(1, 65)})]
    for shape in (rows, [Row(1, {1: 60})], [Row(n, {1: n % 128, 2: 127 - n % 128}) for n in range(200)]):
        root = ElementTree.fromstring(picture(shape, "x"))
        width, height = float(root.attrib["width"]), float(root.attrib["height"])
        for one in root.iter():
            x, y = float(one.attrib.get("x", 0)), float(one.attrib.get("y", 0))
            assert 0 <= x <= width - float(one.attrib.get("width", 0)) * (one.tag == f"{SVG}rect")
            assert 0 <= y <= height - float(one.attrib.get("height", 0)) * (one.tag == f"{SVG}rect")
