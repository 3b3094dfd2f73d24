"""Bus lines, as a bus monitor of one's own prints them; and lists in hex."""

from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from simkit.capture.buslines import BusLinesReader
from simkit.capture.channels import Assignment, Reading
from simkit.capture.cycles import bus_cycles
from simkit.capture.read import Picker, reader_for
from simkit.contract.errors import SimkitError
from tests.capture.bench import read_text, rows


def read(text, notes=None, pieces=None, reading=None):
    """Bus cycles of bus lines."""
    reading, notes = reading or Reading(), [] if notes is None else notes
    picker = Picker(reading, "a")
    data = text if isinstance(text, bytes) else text.encode()
    reader = reader_for(data, "a", picker, reading, notes)
    at = 0
    for size in pieces or []:
        reader.feed(data[at : at + size])
        at += size
    reader.feed(data[at:])
    return bus_cycles(reader.finish(), picker.assigned, reading, file="a", notes=notes)


def test_a_line_is_a_bus_cycle():
    captured = read(
        "# my monitor\nbus-lines 1 cycles rate=1MHz address data RW SYNC 4.select\n"
        "C000 A9 1 1 1\nC001 41 r 0 1 # here\n\n0200 41 W 0 0\n"
    )
    assert captured.address[0].tolist() == [0xC000, 0xC001, 0x0200]
    assert captured.data[0].tolist() == [0xA9, 0x41, 0x41]
    assert captured.is_write[0].tolist() == [False, False, True]
    assert captured.gathered(["4.select"])[0].tolist() == [1, 1, 0]
    assert captured.time.tolist() == pytest.approx([0, 1e-6, 2e-6])
    assert not captured.lost.any()


def test_what_is_not_known_is_x_for_a_level_or_four_bits():
    captured = read("bus-lines 1 cycles address data RW D8..D9\nCxx0 x 1 x\nC000 - x 3\n".replace("D8..D9", "X0..X1"))
    assert captured.address[1].tolist() == [0xF00F, 0xFFFF]
    assert captured.data[1].tolist() == [0, 0]
    assert captured.gathered(["RW"])[1].tolist() == [1, 0]
    assert captured.gathered(["X0", "X1"])[1].tolist() == [0, 3]


def test_a_line_lost_and_a_line_that_cannot_be_read_are_lost_before_the_next():
    notes = []
    header = "bus-lines 1 cycles address data\n"
    captured = read(f"{header}0 AA\n1 AB\nlost\n5 AC\n6 A?\n7 AE\n8\n9 AF\n{header}A B0\n", notes)
    assert captured.address[0].tolist() == [0, 1, 5, 7, 9, 10]
    assert captured.lost.tolist() == [False, False, True, True, True, True]
    assert (
        notes == ["2 of 8 lines could not be read and count as lost; the first is line 6, '6 A\\xff'."]
        or "2 of 8" in notes[0]
    )


@pytest.mark.parametrize(("around", "top"), [(255, 256), (65535, 65536)])
def test_a_running_number_tells_lines_that_are_missing_and_begins_again(around, top):
    counts = [around - 1, around, 0, 1, 4, 5]
    captured = read("bus-lines 1 cycles count data\n" + "".join(f"{count} {count & 255:02X}\n" for count in counts))
    assert captured.lost.tolist() == [False] * 4 + [True, False]
    assert captured.data[0].tolist() == [count & 255 for count in counts]


def test_times_are_in_their_unit_and_go_on_where_a_32_bit_counter_begins_again():
    captured = read(f"bus-lines 1 cycles time:us data\n{2**32 - 2} 01\n{2**32 - 1} 02\n0 03\n1 03\n1 03\n")
    assert captured.time.tolist() == pytest.approx([0, 1e-6, 2e-6, 3e-6, 3e-6])
    assert len(captured) == 5


def test_times_that_were_misread_stand_still():
    captured = read("bus-lines 1 cycles time:us data\n5 01\n9 02\n6 03\nlost\n2 04\n11 05\n")
    assert captured.time.tolist() == pytest.approx([0, 4e-6, 4e-6, 4e-6, 6e-6])
    assert captured.lost.tolist() == [False, False, False, True, False]


def test_samples_with_a_rate_have_phi2_among_them():
    bus = "".join(f"{int(n % 8 >= 4)} {n // 8 + 16:X} {n // 8:02X}\n" for n in range(160))
    captured = read("bus-lines 1 samples rate=8MHz PHI2 address data\n" + bus)
    assert captured.address[0].tolist() == list(range(16, 16 + 19))
    assert captured.data[0].tolist() == list(range(19))


def test_one_hex_word_may_hold_any_range_of_lines():
    captured = read("bus-lines 1 cycles A0..A3 D7..D4 IRQ\nA 1 1\n5 8 0\n")
    assert captured.address[0].tolist() == [10, 5]
    assert captured.data[0].tolist() == [0x80, 0x10]


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("bus-lines 2 cycles data\n1\n", r"a:1: The header says bus-lines, 1, cycles or samples"),
        ("\n#\nbus-lines 1 cycle data\n1\n", r"a:3: The header says"),
        ("bus-lines 1 cycles time:min data\n", "has no unit"),
        ("bus-lines 1 cycles rate=fast data\n", "'fast' is not a clock"),
        ("bus-lines 1 cycles data D3\n", "D3 stands in two columns"),
        ("bus-lines 1 cycles count count data\n", "two columns of count"),
        ("bus-lines 1 cycles count -\n", "No column is a line of the bus"),
        ("bus-lines 1 samples PHI2 data\n", "Samples need a rate or a column of times"),
        ("bus-lines 1 cycles X0..X70\n", "71 lines in one word"),
        ("bus-lines 1 cycles data\n", "holds no samples"),
    ],
)
def test_a_header_that_cannot_be_is_told(text, message):
    with pytest.raises(SimkitError, match=message):
        read(text)


def test_lines_that_are_not_as_the_header_says_are_refused_when_they_are_many():
    with pytest.raises(SimkitError, match=r"a:2: 40 of 40 lines are not as the header says; the first is '1 2 3'"):
        read("bus-lines 1 cycles address data\n" + "1 2 3\n" * 40)


@given(
    st.lists(st.tuples(st.integers(0, 0xFFFF), st.integers(0, 255), st.booleans()), min_size=1, max_size=30),
    st.lists(st.integers(1, 30), max_size=12),
)
def test_bus_lines_are_read_the_same_in_any_pieces(cycles, pieces):
    text = "bus-lines 1 cycles address data RW\n" + "".join(f"{a:X} {d:02x} {w:d}\n" for a, d, w in cycles)
    captured = read(text, pieces=pieces)
    assert captured.address[0].tolist() == [a for a, _, _ in cycles]
    assert captured.data[0].tolist() == [d for _, d, _ in cycles]
    assert captured.gathered(["RW"])[0].tolist() == [int(w) for _, _, w in cycles]


def test_a_line_without_end_is_lost_and_does_not_fill_the_memory():
    reader = BusLinesReader("a", lambda names: range(len(names)), Reading(), [])
    reader.feed(b"bus-lines 1 cycles data\n01\n")
    for _ in range(10):
        reader.feed(b"\xff" * 5000)
    reader.feed(b"\n02\n")
    assert reader.finish().unknown.tolist() == [0, 255, 0]


LIST = ";Rate: 1000000\n;Channels: 5\n;EnabledChannels: {mask}\n;Compressed: true\n;CursorEnabled: false\n"


@pytest.mark.parametrize("pieces", [None, [3, 70, 40, 9, 1, 1]])
def test_a_list_in_hex_holds_what_it_leaves_out(pieces):
    reading = Reading(assigned=tuple(Assignment(str(bit), f"A{bit}") for bit in (0, 4)))
    samples = read_text(LIST.format(mask=-1) + "0019@0\n0016@1\n000D@4\r\n000D@9\n", reading, pieces=pieces)
    assert rows(samples) == [(0, 3, 0), (1, 2, 0), (4, 1, 0)]
    assert (samples.tick, samples.end, samples.complete) == (Fraction(1, 10**6), 10, True)


def test_a_list_names_enabled_channels_alone_and_wrong_lines_are_told():
    reading = Reading(assigned=(Assignment("1", "A1"),))
    with pytest.raises(SimkitError, match="has no channel '1'"):
        read_text(LIST.format(mask=0b10101) + "19@0\n", reading)
    with pytest.raises(SimkitError, match=r"a:7: '16@' is no sample"):
        read_text(LIST.format(mask=-1) + "19@0\n16@\n", reading)
    with pytest.raises(SimkitError, match=r"a:7: '16@0' is no sample later"):
        read_text(LIST.format(mask=-1) + "19@0\n16@0\n", reading)


@given(st.lists(st.tuples(st.integers(1, 5), st.integers(0, 2**64 - 1)), min_size=1, max_size=20))
def test_lists_hold_up_to_64_channels(given_rows):
    reading = Reading(assigned=tuple(Assignment(str(bit), f"X{bit}") for bit in range(64)))
    times = np.cumsum([step for step, _ in given_rows])
    text = ";Rate: 5\n;Channels: 64\n" + "".join(f"{v:x}@{t}\n" for t, (_, v) in zip(times, given_rows, strict=True))
    samples = read_text(text, reading)
    at = np.searchsorted(samples.time, times, side="right") - 1
    assert samples.levels[at].tolist() == [value for _, value in given_rows]
