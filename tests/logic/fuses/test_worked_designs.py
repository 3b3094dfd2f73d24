"""Designs whose fuses an open assembler made: checksums as it wrote them, and what the part then does.

The checksums, and which fuses a design gets, are those of galasm (revision 3aee938, 2013), run on these five designs.
What the parts do follows from C. Habermann's GAL descriptions (`gal16_20v8.html`, `gal22v10.html`, 1991 to 1996),
worked out apart from the kit. What is from data sheets alone (power-up, feedback of registers, AR) is from memory.
"""

from itertools import product

import pytest

from simkit.logic.drive import Drive
from simkit.logic.fuses.jedec import read_fuse_map
from simkit.logic.fuses.program import programmed
from simkit.logic.fuses.settling import settle
from tests.logic.fuses.written import QP, design, jedec


def row(columns, *zeros):
    return "".join("0" if column in zeros else "1" for column in range(columns))


def signature(first, text):
    return (first, "".join(f"{byte:08b}" for byte in text.encode("ascii").ljust(8, b"\0")))


DECODER = (
    "16V8",
    [
        (0, "11111111111111111111101101111111"),  # /RWB and PHI2
        (256, "10011011101111111111111111111111"),  # A15 /A14 /A13 /A12
        (512, "11101111111111111111111111111111"),  # /A15
        (768, "01011111111111111111111111111111"),  # A15 A14
        (2192, "10"),
    ],
)
BUFFER = (
    "16V8",
    [
        (256, "10011111011111111111111111111111"),  # enable: A15 /A14 RWB
        (288, "11111111111111110111111111111111"),  # D0
        (2048, "01000000"),
        (2120, "01000000"),
        (2192, "11"),
    ],
)
COUNTER = (
    "16V8",
    [
        (1280, "1" * 32),  # enable of pin 14
        (1312, "11111111111111111111111111011101"),  # Q1 and Q0
        (1536, "10111111111111111111111111011110"),  # /RES and Q1 and /Q0
        (1568, "10111111111111111111111111101101"),  # /RES and /Q1 and Q0
        (1792, "10111111111111111111111111111110"),  # /RES and /Q0
        (2048, "00000011"),
        (2120, "00000100"),
        (2192, "01"),
    ],
)
BANK = (
    "22V10",
    [
        (0, "11111111111111111111111101111111111111111111"),  # AR = RES
        (3696, "11111111111110111111111111111111111111111111"),  # /A15
        (4356, "11111111111101110111111111111111111111111111"),  # A15 A14
        (4400, "11111111111101111111011111111111111111101111"),  # A15 A13 Q0
        (4928, "11110111011111111111111111111111111111111111"),  # D0 LD
        (4972, "11111111101111111111111111111111110111111111"),  # /LD and what column 34 has
        *((first, "1" * 44) for first in (3652, 4312, 4884, 5368)),
        (5412, "11110111011111111111111111111111111111111111"),  # D0 LD
        (5456, "11111111101111111111111111111111111111101111"),  # /LD and Q0
        (5808, "00000000000001010010"),
    ],
)
SMALL = (
    "20V8",
    [
        (0, row(40, 29, 32)),  # /RWB PHI2
        (320, row(40, 2)),  # A15
        (640, row(40, 1, 3)),  # /A14 /A15
        (960, row(40, 0, 3, 4)),  # A14 /A15 A13
        (2704, "10"),
    ],
)
SIGNATURE = {"16V8": 2056, "20V8": 2568, "22V10": 5828}


def part(which, *changes):
    kind, lists = which
    return programmed(kind, read_fuse_map(jedec(design(kind, [*lists, *changes]), pins=QP[kind]), "d.jed"))


def levels(program, inputs, registers=None, ones=1):
    """Levels at the pins, Z where nobody drives, of one case."""
    outside = {pin: Drive(ones, level) for pin, level in inputs.items()}
    found = settle(program, outside, program.power_up() | (registers or {}), ones)
    assert not found.restless
    assert not found.conflicts
    return {pin: drive.level if drive.driven else "Z" for pin, drive in found.drives.items()} | {"open": found.open}


@pytest.mark.parametrize(
    ("which", "text", "signed", "unsigned"),
    [
        (DECODER, "DECODER1", 0x1BA5, 0x1793),
        (BUFFER, "OEBUF", 0x12D1, 0x0FEF),
        (COUNTER, "CNT2", 0x1CDA, 0x1B30),
        (BANK, "BANK", 0x404B, 0x3FAB),
        (SMALL, "MINI20", 0x1E3D, 0x1B9D),
    ],
)
def test_a_design_has_the_checksum_that_the_assembler_gave_it(which, text, signed, unsigned):
    kind, lists = which
    for extra, said, name in (([signature(SIGNATURE[kind], text)], signed, text), ([], unsigned, "")):
        fuses = design(kind, [*lists, *extra])
        found = read_fuse_map(jedec(fuses, checksum=said), "d.jed")
        assert (found.fuses, found.checksum) == (fuses, said)
        assert programmed(kind, found).signature == name


@pytest.mark.parametrize("high", range(16))
@pytest.mark.parametrize("rwb", [0, 1])
def test_the_address_decoder_selects_by_the_upper_address_lines(high, rwb):
    """Also that cells of no use drive a constant 1, as all their rows are false and their fuses for polarity 0."""
    program = part(DECODER)
    a15, a14, a13, a12 = (high >> n & 1 for n in (3, 2, 1, 0))
    for phi2 in (0, 1):
        found = levels(program, {1: a15, 2: a14, 3: a13, 4: a12, 7: rwb, 8: phi2})
        ram, via, rom = {"ram": (0, 1, 1), "via": (1, 0, 1), "none": (1, 1, 1), "rom": (1, 1, 0)}[
            "ram" if high < 8 else "via" if high == 8 else "none" if high < 12 else "rom"
        ]
        assert (found[17], found[18], found[16]) == (ram, via, rom)
        assert found[19] == (0 if (rwb, phi2) == (0, 1) else 1)
        assert [found[pin] for pin in (15, 14, 13, 12)] == [1, 1, 1, 1]
        assert found["open"] == ()


def test_a_row_that_is_taken_out_is_never_true():
    program = part(DECODER, (2128 + 16, "0"))
    assert {levels(program, {1: a15, 2: 1, 3: 1, 4: 1, 7: 1, 8: 1})[17] for a15 in (0, 1)} == {1}


def test_an_enable_term_lets_go_of_its_pin():
    program = part(BUFFER)
    cases = {(1, 0, 1, 0): 0, (1, 0, 1, 1): 1, (1, 1, 1, 1): "Z", (0, 0, 1, 1): "Z", (1, 0, 0, 1): "Z"}
    for (a15, a14, rwb, d0), q in cases.items():
        assert levels(program, {1: a15, 2: a14, 4: rwb, 6: d0})[18] == q


def test_a_counter_counts_from_its_level_at_power_up():
    program = part(COUNTER)
    registers, seen = program.power_up(), []
    for res in (None, 1, 0, 0, 0, 0, 0):
        if res is not None:
            at = settle(program, {1: Drive(1, 0), 2: Drive(1, res), 11: Drive(1, 0)}, registers, 1)
            registers = program.clocked(at.levels, registers, 1)
        found = levels(program, {1: 0, 2: 0, 11: 0}, registers)
        seen.append((found[12], found[13], found[14]))
    assert seen == [(1, 1, 0), (0, 0, 1), (1, 0, 1), (0, 1, 1), (1, 1, 0), (0, 0, 1), (1, 0, 1)]


def test_registers_feed_back_when_their_pins_are_not_driven():
    program = part(COUNTER)
    found = levels(program, {1: 0, 2: 0, 11: 1}, {12: 0, 13: 0})
    assert (found[12], found[13], found[14]) == ("Z", "Z", 0)
    assert program.asked() == (1, 2, 11)


def bank_pins(program, registers, **lines):
    pins = {"A15": 4, "A14": 5, "A13": 6, "D0": 2, "LD": 3, "RES": 7}
    inputs = {1: 0, **{pin: lines.get(name, 0) for name, pin in pins.items()}}
    return settle(program, {pin: Drive(1, level) for pin, level in inputs.items()}, program.power_up() | registers, 1)


def test_a_bank_bit_stands_in_the_select_of_the_rom():
    program = part(BANK)
    for (a15, a14, a13), q0 in product(product((0, 1), repeat=3), (0, 1)):
        drives = bank_pins(program, {14: q0, 15: 0}, A15=a15, A14=a14, A13=a13).drives
        rom = 0 if a15 and (a14 or (a13 and q0)) else 1
        assert (drives[17].level, drives[16].level, drives[14].level) == (a15, rom, q0)
        assert [drives[pin].driven for pin in range(23, 17, -1)] == [0] * 6


def test_a_22v10_feeds_the_inverse_of_q_back_whatever_its_polarity():
    """The second flip-flop, which an older assembler wrote with the inverse of its own level, toggles on the part."""
    program = part(BANK)
    registers = {14: 1, 15: 0}
    seen = []
    for _ in range(4):
        at = bank_pins(program, registers)
        seen.append((at.drives[14].level, at.drives[15].level))
        registers = program.clocked(at.levels, at.registers, 1)
    assert seen == [(1, 1), (1, 0), (1, 1), (1, 0)]
    loaded = program.clocked(bank_pins(program, registers, D0=1, LD=1).levels, registers, 1)
    assert (loaded[14], loaded[15]) == (1, 1)


def test_the_reset_of_a_22v10_acts_at_once_and_wins():
    program = part(BANK, (131 * 44, "1" * 44))  # the preset is always true
    high, low = dict.fromkeys(program.registers, 1), program.power_up()
    assert set(low.values()) == {0}
    assert bank_pins(program, high, RES=1).registers == low
    assert program.clocked(bank_pins(program, low).levels, low, 1) == high
    assert program.clocked(bank_pins(program, low, RES=1).levels, low, 1) == low


def test_the_small_decoder_of_24_pins():
    program = part(SMALL)
    for a15, a14, a13, rwb, phi2 in product((0, 1), repeat=5):
        found = levels(program, {1: a15, 2: a14, 3: a13, 9: rwb, 10: phi2})
        assert found[22] == (0 if not rwb and phi2 else 1)
        assert found[21] == 1 - a15
        assert found[20] == (0 if not a14 and not a15 else 1)
        assert found[19] == (0 if a14 and not a15 and a13 else 1)


@pytest.mark.parametrize("count", [5828, 5893])
def test_a_22v10_may_have_no_signature_or_a_fuse_more(count):
    kind, lists = BANK
    fuses = (design(kind, lists) + b"\1")[:count]
    program = programmed("ATF22V10C", read_fuse_map(jedec(fuses), "d.jed"))
    assert (program.outputs.keys(), program.signature) == (set(range(14, 24)), "")
    whole = programmed("ATF22V10C", read_fuse_map(jedec(design(kind, [*lists, signature(5828, "A\x01")])), "d.jed"))
    assert whole.signature == "41 01"
