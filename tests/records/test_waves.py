"""Pictures of waves show each value where it stands, and where two views part."""

import re
import xml.etree.ElementTree as ET

import numpy as np
import pytest

from simkit import Machine
from simkit.contract.errors import SimkitError
from simkit.looks.drawing import Area, Stroke, Words, svg
from simkit.records.observed import observe
from simkit.records.waves import MOST_COLUMNS, Span, View, WaveRow, rows_of, waves

NAMES = ("RW", "IRQ", *(f"D{n}" for n in range(8)))


def view(values, irq=None, known=None, **more):
    """A view of bytes, with R/W high and IRQ as said."""
    levels = [1 | (irq[n] if irq else 1) << 1 | value << 2 for n, value in enumerate(values)]
    return View("run", NAMES, np.array(levels, np.uint64), known, **more)


def words(drawing):
    return [thing.text for thing in drawing.things if isinstance(thing, Words)]


def frames(drawing):
    return [thing for thing in drawing.things if isinstance(thing, Stroke) and thing.width == 2.5]


def test_rows_are_the_buses_and_the_lines_in_the_order_of_the_bus():
    machine = Machine.load("demo:marlpit")
    names = observe(machine, 5).names
    rows = rows_of(names)
    assert [row.name for row in rows][:4] == ["R/W", "SYNC", "address", "data"]
    assert [row.name for row in rows][-5:] == [f"slot {slot} select" for slot in range(1, 6)]
    assert {line for row in rows for line in row.lines} == set(names)
    assert [row.late for row in rows if row.name in ("address", "data")] == [False, True]
    assert [row.name for row in rows_of(("D0", "D3", "RW"))] == ["R/W", "D0", "D3"]


def test_each_value_is_written_once_where_it_stands():
    drawing = waves([view([0x00, 0xA5, 0xA5, 0xFF])], rows_of(NAMES))
    assert [text for text in words(drawing) if re.fullmatch("[0-9A-F]{2}", text)] == ["00", "A5", "FF"]


def test_what_is_not_known_has_no_value_and_no_level():
    known = np.array([2**10 - 1, 2**10 - 1 - 4, 2**10 - 1], np.uint64)  # D0 is not known in the second
    drawing = waves([view([0x11, 0x22, 0x33], known=known)], rows_of(NAMES))
    assert [text for text in words(drawing) if re.fullmatch("[0-9A-F]{2}", text)] == ["11", "33"]
    missing = waves([view([1, 2])], [WaveRow("NMI", ("NMI",))])
    (name,) = [thing for thing in missing.things if isinstance(thing, Words) and thing.text == "NMI"]
    level = [
        t for t in missing.things if isinstance(t, Stroke) and len(t.points) > 2 and t.points[0][1] > name.at[1] - 20
    ]
    assert level == []


def test_a_line_falls_where_it_falls():
    drawing = waves([view([0] * 4, irq=[1, 1, 0, 1])], [WaveRow("IRQ", ("IRQ",))])
    clock, wave = (t for t in drawing.things if isinstance(t, Stroke) and len(t.points) > 2)
    columns = [x for x, _ in clock.points[::4]]
    high, low = min(y for _, y in wave.points), max(y for _, y in wave.points)
    down = next(x for x, y in wave.points if y == low)
    up = [x for x, y in wave.points if y == low][-1]
    width = columns[1] - columns[0]
    assert 0 < down - columns[2] < width / 4
    assert 0 < up - columns[3] < width / 4
    assert wave.points[0][1] == high


def test_two_views_have_a_mark_where_they_part_and_frames_where_they_differ():
    first, second = view([1, 2, 3, 4, 5, 6]), view([1, 2, 9, 9, 5, 7])
    drawing = waves([first, second], rows_of(NAMES), parted=2, words="D1 and D3 differ", title="Marlpit")
    assert len(frames(drawing)) == 4  # two places in each
    (mark,) = [thing for thing in drawing.things if isinstance(thing, Stroke) and thing.dashed]
    assert mark.points[0][0] == mark.points[1][0]
    assert "D1 and D3 differ" in words(drawing)
    unknown = view([1, 2, 9, 9, 5, 7], known=np.zeros(6, np.uint64))
    assert frames(waves([first, unknown], rows_of(NAMES))) == []


def test_a_picture_has_room_for_all_that_is_written_in_it():
    spans = [Span(0, 1, "a label as long as any: JSR somewhere"), Span(1, 8, "INX")]
    labels = [str(n) for n in range(8)]
    one = view([n * 30 for n in range(8)], labels=labels, spans=spans)
    for drawing in (
        waves([one], rows_of(NAMES)),
        waves([one, one], rows_of(NAMES), title="T" * 300, parted=0, words="W" * 90),
    ):
        for thing in drawing.things:
            points = (
                [(thing.left, thing.at[1]), (thing.left + thing.width, thing.at[1])]
                if isinstance(thing, Words)
                else thing.points
            )
            assert all(0 <= x <= drawing.width + 1 and 0 <= y <= drawing.height for x, y in points), thing
        bars = [thing for thing in drawing.things if isinstance(thing, Area)]
        assert bars


@pytest.mark.parametrize("columns", [0, MOST_COLUMNS + 1])
def test_too_many_columns_or_none_are_refused(columns):
    with pytest.raises(SimkitError, match="a picture has 1 to 256"):
        waves([view([0] * columns)], rows_of(NAMES))


def test_svg_is_well_formed_whatever_a_name_holds():
    evil = '</svg><script>"\x1b[2J\u202e&'
    one = View(evil, ("RW",), np.array([1, 0], np.uint64), None, [evil, ""], [Span(0, 2, evil)])
    text = svg(waves([one, one], [WaveRow(evil, ("RW",))], title=evil, parted=1, words=evil))
    root = ET.fromstring(text)
    assert {element.tag.rpartition("}")[2] for element in root.iter()} == {
        "svg",
        "title",
        "rect",
        "text",
        "polyline",
        "polygon",
    }
    assert "\x1b" not in text
    assert "\u202e" not in text


def test_the_same_drawing_becomes_a_picture_of_dots():
    from simkit.window.drawn import TWICE, png

    drawing = waves([view([1, 2, 3])], rows_of(NAMES), parted=1)
    data = png(drawing)
    assert data.startswith(b"\x89PNG")
    assert int.from_bytes(data[16:20], "big") == drawing.width * TWICE
    assert int.from_bytes(data[20:24], "big") == drawing.height * TWICE
