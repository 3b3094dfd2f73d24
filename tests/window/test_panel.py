"""Lamps and buttons below the picture: how the names of their cards stand."""

from simkit import Machine
from simkit.window.panel import CAPTION_LINE_PX, LINE_PX, Panel


def test_a_cards_name_of_two_lines_reads_as_one_name_and_takes_no_second_row():
    """Eight lamps, two buttons; in a narrow window the lamps take three rows and "(slot 8)" a line of its own."""
    panel = Panel(Machine.load("demo:monitor"))

    def text_width(text: str) -> int:
        return 8 * len(text)

    assert panel.height(2000, text_width) == 2 * LINE_PX
    assert panel.height(420, text_width) == 4 * LINE_PX + CAPTION_LINE_PX
    assert CAPTION_LINE_PX < 3 * LINE_PX // 4
