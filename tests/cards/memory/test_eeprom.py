"""EEPROM written in circuit.

[AT] Microchip (Atmel), AT28C256 data sheet 0006: Byte Write, Page Write, DATA Polling, Toggle Bit, Software Data
Protection with the notes of its two figures, table Page Mode Characteristics. [B] the same of AT28C64B.
"""

from fractions import Fraction

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from simkit_cards.memory.eeprom import DISABLE, EEPROMS, ENABLE
from simkit_cards.memory.rom import Rom

from simkit.contract import SimkitError
from simkit.testing.bench import Bench

LOAD, WRITE = 150, 10_000  # cycles at 1 MHz: t_BLC, t_WC [AT]


def fitted(part="28C256", *, mhz=1, **more):
    return Bench(Rom, {"part": part, **more}, clock_hz=Fraction(mhz * 1_000_000))


def write(bench, *pairs):
    for offset, value in pairs:
        bench.write(offset, value)


def let_it_finish(bench):
    bench.run(LOAD + WRITE + 1)


def rules(bench):
    return {finding.rule for finding in bench.findings}


@pytest.mark.parametrize(("mhz", "load", "busy"), [(1, 150, 10_000), (2, 300, 20_000), (4, 600, 40_000)])
def test_the_write_ends_t_blc_and_t_wc_after_its_last_byte(mhz, load, busy):
    """t_BLC 150 us, t_WC 10 ms. [AT] Page Mode Characteristics."""
    bench = fitted(mhz=mhz)
    at = bench.cycle
    bench.write(0x100, 0x5A)
    bench.run_to(at + load + busy - 1)
    assert bench.card._part.busy
    assert bench.read(0x100) & 0x80 == 0x80
    bench.run(1)
    assert not bench.card._part.busy
    assert bench.read(0x100) == 0x5A
    assert not rules(bench)


def test_bytes_of_a_page_may_come_150_us_apart_and_no_later():
    """[AT] t_BLC. The byte that is late is lost (from memory), and told."""
    bench = fitted()
    bench.write(0x100, 1)
    bench.run(LOAD - 1)
    bench.write(0x101, 2)
    assert not rules(bench)
    bench.run(LOAD)
    bench.write(0x102, 3)
    assert rules(bench) == {"page-byte-too-late"}
    let_it_finish(bench)
    assert [bench.peek(at) for at in (0x100, 0x101, 0x102)] == [1, 2, 0x02]  # the image counts up


def test_while_it_writes_bit_7_is_inverted_and_bit_6_changes_with_each_read():
    """[AT] DATA Polling, Toggle Bit; the other bits are indeterminate."""
    bench = fitted()
    bench.write(0x200, 0x5A)
    seen = [bench.read(0x200) for _ in range(40)]
    assert {byte & 0x80 for byte in seen} == {0x80}
    assert [byte & 0x40 for byte in seen] == [0x40, 0] * 20
    assert len({byte & 0x3F for byte in seen}) > 10
    other = fitted()
    other.write(0x200, 0xDA)
    assert other.read(0x7FF) & 0x80 == 0  # wherever it is read


def test_a_page_of_64_goes_in_together_in_any_order_and_the_last_value_of_a_byte_counts():
    """[AT] Page Write."""
    bench = fitted()
    write(bench, *((0x1000 + n * 7 % 64, 0x80 + n * 7 % 64) for n in range(64)), (0x1005, 0x77))
    let_it_finish(bench)
    expected = [0x80 + n for n in range(64)]
    expected[5] = 0x77
    assert [bench.peek(0x1000 + n) for n in range(64)] == expected
    assert not rules(bench)


def test_protection_stores_what_comes_behind_its_sequence_and_nothing_else():
    """[AT] Software Data Protection: the timers run, nothing is stored; the sequence's own bytes never are."""
    bench = fitted()
    before = bytes(bench.card.rom())
    write(bench, *ENABLE, (0x42, 0x12))
    let_it_finish(bench)
    assert bench.peek(0x42) == 0x12
    assert [bench.peek(at) for at in (0x5555, 0x2AAA)] == [before[0x5555], before[0x2AAA]]
    assert not rules(bench)
    bench.write(0x42, 0x34)
    assert rules(bench) == {"write-to-protected"}
    assert bench.read(0x42) & 0x80 == 0x80  # bit 7 of $34, inverted
    let_it_finish(bench)
    assert bench.peek(0x42) == 0x12
    write(bench, *DISABLE)
    let_it_finish(bench)
    bench.write(0x42, 0x34)
    let_it_finish(bench)
    assert bench.peek(0x42) == 0x34


def test_a_sequence_that_is_too_slow_leaves_the_part_unprotected():
    """A third pulse 160 us after the second closes the load; AA and 55 are data then, of different pages."""
    bench = fitted()
    write(bench, *ENABLE[:2])
    bench.run(160)
    write(bench, *ENABLE[2:])
    let_it_finish(bench)
    assert not bench.card._part.protected
    assert rules(bench) == {"page-byte-too-late", "page-write-leaves-page"}


def test_the_8k_part_compares_thirteen_address_lines():
    """[B]: 1555 and 0AAA, which are 5555 and 2AAA without A13 and A14."""
    bench = fitted("28C64B", protected=True)
    write(bench, (0x1555, 0xAA), (0x0AAA, 0x55), (0x1555, 0xA0), (3, 0x99))
    let_it_finish(bench)
    assert bench.peek(3) == 0x99


def test_a_part_without_pages_writes_each_byte_alone_and_takes_sequences_for_data():
    """Microchip (Atmel), AT28C64 data sheet, Byte Write; 1 ms from memory."""
    bench = fitted("28C64")
    write(bench, (0x1555, 0xAA))
    assert bench.read(0) & 0x80 == 0
    bench.write(0x0AAA, 0x55)
    assert rules(bench) == {"write-while-busy"}
    bench.run(1_000)
    assert bench.peek(0x1555) == 0xAA
    assert bench.peek(0x0AAA) != 0x55


@pytest.mark.parametrize("part", EEPROMS)
def test_the_part_that_writes_bytes_alone_has_bit_7_to_poll_and_no_toggle_bit(part):
    """Microchip (Atmel), AT28C64 data sheet: DATA Polling; AT28C64B, AT28C256 and the others: Toggle Bit, too."""
    bench = fitted(part)
    bench.write(0x200, 0x5A)
    seen = [bench.read(0x200) for _ in range(40)]
    assert {byte & 0x80 for byte in seen} == {0x80}
    toggles = [byte & 0x40 for byte in seen] == [0x40, 0] * 20
    assert toggles is (part not in ("28C64", "28C64E"))
    assert {byte & 0x40 for byte in seen} == {0, 0x40}


def test_faster_parts_and_the_part_in_hand_write_for_their_own_time():
    """[AT] AT28C256F 3 ms; a part that takes 2 ms is said by `write_us`."""
    for settings_, cycles in (({"part": "28C256F"}, 3_000), ({"part": "28C256", "write_us": 2_000}, 2_000)):
        bench = Bench(Rom, settings_)
        bench.write(0, 0x80)
        bench.run(LOAD + cycles - 2)
        assert bench.card._part.busy
        bench.run(2)
        assert not bench.card._part.busy


@pytest.mark.parametrize(
    ("given_", "says"),
    [
        ({"part": "28C64B", "size": 65_536}, "has 8192 bytes"),
        ({"part": "28C64", "protected": True}, "no software data protection"),
        ({"part": "39SF010A", "protected": True}, "no software data protection"),
        ({"part": "39SF040", "write_us": 5}, "28C part"),
    ],
)
def test_settings_that_the_part_has_not_are_refused(given_, says):
    with pytest.raises(SimkitError, match=says):
        Bench(Rom, given_)


OFFSETS = st.one_of(st.sampled_from((0x5555, 0x2AAA, 0x5554, 0x2AAB, 0x40, 0x41, 0x7F, 0x80)), st.integers(0, 0x7FFF))
VALUES = st.one_of(st.sampled_from((0xAA, 0x55, 0xA0, 0x80, 0x20)), st.integers(0, 255))
PIECES = st.one_of(
    st.sampled_from((ENABLE, DISABLE, ENABLE[:2], DISABLE[:5], DISABLE[3:])),
    st.lists(st.tuples(OFFSETS, VALUES), min_size=1, max_size=3).map(tuple),
)
GAPS = st.sampled_from((1, 1, 1, 1, 150, 151, LOAD + WRITE + 1))


def _expected(before, protected, writes):
    """What a part holds behind writes (cycle, offset, byte), by whole loads; written without a look at the card's."""
    loads = []
    for cycle, offset, value in writes:
        if loads and cycle - loads[-1][-1][0] <= LOAD:
            loads[-1].append((cycle, offset, value))
        elif not loads or cycle >= loads[-1][-1][0] + LOAD + WRITE:
            loads.append([(cycle, offset, value)])
    memory = bytearray(before)
    for load in loads:
        pairs = tuple(pair[1:] for pair in load)
        command = next((steps for steps in (DISABLE, ENABLE) if pairs[: len(steps)] == steps), ())
        data = pairs[len(command) :]
        if command or not protected:
            for offset, value in data:
                memory[data[0][0] & ~63 | offset & 63] = value
        if command:
            protected = command is ENABLE
    return bytes(memory), protected


@settings(max_examples=60, deadline=None)
@given(steps=st.lists(st.tuples(PIECES, GAPS), max_size=6), protected=st.booleans())
def test_of_any_writes_only_the_published_sequences_switch_the_protection(steps, protected):
    bench = fitted(protected=protected)
    before = bytes(bench.card.rom())
    writes = []
    for piece, gap in steps:
        for offset, value in piece:
            writes.append((bench.cycle, offset, value))
            bench.write(offset, value)
        bench.run(gap - 1)
    let_it_finish(bench)
    assert (bytes(bench.card.rom()), bench.card._part.protected) == _expected(before, protected, writes)


SHEETS = {  # bytes, bytes of a page, t_BLC and t_WC in us
    "28C64": (8_192, 1, 0, 1_000),  # AT28C64; 1 ms from memory
    "28C64E": (8_192, 1, 0, 200),  # AT28C64
    "28C64B": (8_192, 64, 150, 10_000),  # [B] Page Mode Characteristics
    "28C64BF": (8_192, 64, 150, 2_000),  # [B]
    "28HC64BF": (8_192, 64, 150, 2_000),  # AT28HC64B, the same table
    "28C65": (8_192, 32, 100, 5_000),  # from memory, but for the 100 us: ON Semiconductor, CAT28LV65 data sheet
    "28C256": (32_768, 64, 150, 10_000),  # [AT]
    "28C256F": (32_768, 64, 150, 3_000),  # [AT]
    "28HC256F": (32_768, 64, 150, 3_000),  # AT28HC256, the same table
    "X28C256": (32_768, 64, 100, 5_000),  # Xicor, X28C256 data sheet: 78 us a byte, 64 bytes
    "X28HC256": (32_768, 128, 100, 3_000),  # Intersil, X28HC256 data sheet, revision 1.1, 2001, pages 3 and 7
    "28C010": (131_072, 128, 150, 10_000),  # AT28C010, the same table
}


@pytest.mark.parametrize("part", EEPROMS)
def test_size_page_and_times_of_each_part_are_those_of_its_sheet(part):
    """At 1 MHz a cycle is a microsecond. A page is what one load may fill; a part without pages loads one byte."""
    size, page, load, busy = SHEETS[part]
    bench = fitted(part)
    assert bench.card._size == size
    start = size - page
    bench.card.write(start, 0x11, bench.cycle)
    if page > 1:
        bench.run(load)
        bench.card.write(size - 1, 0x22, bench.cycle)
    bench.run(load + busy)
    assert bench.card._part.busy
    bench.run(1)  # the cycle in which the write ends is over
    assert not bench.card._part.busy
    assert [bench.card.peek(at, bench.cycle) for at in (start, size - 1)] == [0x11, 0x22 if page > 1 else 0x11]
    assert not rules(bench)
    bench.card.write(start - 1, 0x33, bench.cycle)
    bench.run(1)
    bench.card.write(start, 0x44, bench.cycle)
    assert rules(bench) == {"page-write-leaves-page" if page > 1 else "write-while-busy"}


def test_each_part_of_the_table_is_a_card():
    for name, part in EEPROMS.items():
        bench = Bench(Rom, {"part": name})
        bench.card.write(part.size - 1, 0x42, bench.cycle)
        bench.run(LOAD + WRITE + 1)
        assert bench.card.peek(part.size - 1, bench.cycle) == 0x42
