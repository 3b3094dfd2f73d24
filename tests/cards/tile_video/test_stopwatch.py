"""Border colour as a stopwatch, on the bench machine M1: programs that write register 7 while the frame is drawn.

A cycle of f Hz is 10 738 635 / f crystal ticks long, a dot 2 and a line 684 of them: 63.7 cycles a line at 1 MHz, 127.4
at 2 MHz. What a picture must show is worked out from the cycles of the instructions (W65C02S data sheet, table 6-4).
"""

from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest

from simkit import Machine

BENCH = Path(__file__).resolve().parents[3] / "demo" / "bench" / "machine.toml"
CRYSTAL_HZ = 10_738_635
LEFT, RIGHT, TOP, BOTTOM = 13, 15, 27, 24
ACROSS = LEFT + 256 + RIGHT

BARS = """
8000: A9 80 8D 01 70 A9 81 8D 01 70
800A: E8 8E 01 70 A9 87 8D 01 70 A0 7C 88 D0 FD 4C 0A 80
FFFC: 00 80"""
"""Display off. Loop: INX, STX control, LDA #$87, STA control, LDY #124, DEY and BNE, JMP: 2+4+2+4 + 2+5*124-1 + 3."""
BARS_CYCLES = 636

MEASURED = """
8000: A2 FF 9A A9 0D 8D 01 70 A9 87 8D 01 70 A9 A0 8D 01 70 A9 81 8D 01 70 58 4C 18 80
8100: AD 01 70 A9 06 8D 01 70 A9 87 8D 01 70 A0 {passes} 88 D0 FD A9 0D 8D 01 70 A9 87 8D 01 70 40
FFFA: 00 80 00 80 00 81"""
"""Backdrop 13, IE, endless loop. Handler: status read, backdrop 6, the routine measured, backdrop 13, RTI.

From one STA that ends a pair to the other: LDY 2, DEY and BNE 5n - 1, LDA 2, STA 4, LDA 2, STA 4."""


def image(listing):
    content = bytearray(b"\xff") * 0x8000
    for line in listing.strip().splitlines():
        address, data = line.split(":")
        start = int(address, 16) - 0x8000
        content[start : start + len(bytes.fromhex(data))] = bytes.fromhex(data)
    return bytes(content)


@pytest.fixture(params=["exact", "auto"])
def bench(request, tmp_path):
    def build(listing, clock="1 MHz"):
        (tmp_path / "machine.toml").write_text(
            f'base = "{BENCH.as_posix()}"\n[[card]]\nslot = 5\nlines = {{ INT = "IRQ" }}\n'
        )
        return Machine.load(tmp_path, images={2: image(listing)}, engine=request.param, clock=clock)

    return build


def dots_since_top(machine):
    """(dots of the beam's way since the top border began, colour) where the colour changes, in the blanking its end."""
    runs = machine.screen.port.border(machine.cycle)
    return [(position // ACROSS * 342 + position % ACROSS, colour) for position, colour in runs]


@pytest.mark.parametrize(("clock", "lines"), [("1 MHz", 10), ("2 MHz", 5)])
def test_a_counted_loop_paints_bars_of_as_many_lines_as_its_cycles_last(bench, clock, lines):
    """636 cycles are 9.985 lines at 1 MHz, 4.992 at 2 MHz."""
    machine = bench(BARS, clock)
    machine.run(frames=3)
    length = Fraction(BARS_CYCLES * CRYSTAL_HZ, {"1 MHz": 1_000_000, "2 MHz": 2_000_000}[clock] * 2)
    seam = (TOP + 191) * 342 + LEFT + 256  # what stands below was drawn before
    marks = dots_since_top(machine)
    marks = [dots for dots, _ in marks[1:] if dots < seam], [dots for dots, _ in marks if dots > seam]
    assert len(marks[0]) + len(marks[1]) in range(int(242 / (lines + 1)), int(242 / lines) + 2)
    for part in marks:
        for number, dots in enumerate(part):
            wanted = part[0] + number * length
            blanked = 58 if 0 in (dots % 342, part[0] % 342) else 0  # in the blanking it shows from the next line on
            assert abs(dots - wanted) <= 2 + blanked
    shown = machine.screen.pixels_with_border
    assert shown.shape == (TOP + 192 + BOTTOM, ACROSS)
    heights = np.diff(np.flatnonzero(np.diff(shown[: TOP + 191, 0].astype(int))))
    assert set(heights) <= {lines - 1, lines}
    assert abs(heights.mean() - lines) < 0.2
    stripes = shown[TOP : TOP + 191, LEFT : LEFT + 256]
    whole = [row for row in range(191) if len(set(shown[TOP + row])) == 1]
    assert len(whole) > 191 * (lines - 2) // lines, "a line that no change hit has one colour, border and picture alike"
    assert all((np.diff(stripes[row].astype(int)) != 0).sum() <= 1 for row in range(191))


@pytest.mark.parametrize(("passes", "cycles"), [(2, 2 + 9 + 12), (20, 2 + 99 + 12), (200, 2 + 999 + 12)])
def test_a_band_in_the_border_lasts_as_long_as_the_routine_it_marks(bench, passes, cycles):
    """The interrupt comes as line 191 ends, so the band stands at the top of the lower border."""
    machine = bench(MEASURED.format(passes=f"{passes:02X}"))
    machine.run(frames=4)
    assert not [finding for finding in machine.findings if finding.rule.startswith("video")]
    marks = dots_since_top(machine)
    assert [colour for _, colour in marks] == [13, 6, 13]
    (_, _), (begin, _), (end, _) = marks
    wanted = Fraction(cycles * CRYSTAL_HZ, 2_000_000)
    blanked = 58 if 0 in (begin % 342, end % 342) else 0
    assert abs(end - begin - wanted) <= 1 + blanked
    line = begin // 342 - TOP
    assert line in (191, 192), "the handler's first writes come within 40 cycles"
    shown = machine.screen.pixels_with_border
    assert (shown == 6).sum() == sum((shown[row] == 6).sum() for row in range(TOP + 191, TOP + 192 + BOTTOM))
    assert set(shown[: TOP + 191].flat) == {13}


def test_picture_file_and_state_keep_the_bars_of_a_frame(bench, tmp_path):
    """In mid-frame, and in the frame after."""
    machine = bench(BARS)
    machine.run(frames=2)
    machine.run(cycles=7_000)
    pictures = []
    other = bench(BARS)
    other.load_state(machine.save_state())
    for one in (machine, other):
        first = one.screen.png()
        one.run(frames=1)
        pictures.append((first, one.screen.png()))
    assert pictures[0] == pictures[1]
    assert pictures[0][0] != pictures[0][1]


def test_a_border_that_nobody_changes_has_one_colour_and_one_run(bench):
    machine = bench(MEASURED.format(passes="02").replace("A9 06", "A9 0D"))
    machine.run(frames=3)
    assert machine.screen.port.border(machine.cycle) == ((0, 13),)
