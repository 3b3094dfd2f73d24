"""Flash written in circuit. [SST] SST39SF010A/020A/040 data sheet S71147-02 (May 2001), Table 4 and its note 1."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from simkit_cards.memory.rom import Rom

from simkit.testing.bench import Bench

UNLOCK = ((0x5555, 0xAA), (0x2AAA, 0x55))
PROGRAM = (*UNLOCK, (0x5555, 0xA0))
ERASE = (*UNLOCK, (0x5555, 0x80), *UNLOCK)


def fitted(part="39SF010A"):
    return Bench(Rom, {"part": part})


def write(bench, *pairs):
    """Write pulses at the part's own address pins: it has more of them than the bus has lines."""
    for offset, value in pairs:
        bench.run(1)
        bench.card.write(offset, value, bench.cycle)


def rules(bench):
    return {finding.rule for finding in bench.findings}


def test_a_byte_program_takes_20_us_and_only_clears_bits():
    """[SST] Byte-Program. F0 over 3C gives 30; a read in the fourth cycle still sees the status."""
    bench = fitted()
    write(bench, *PROGRAM)
    at = bench.cycle + 1
    write(bench, (0x3C, 0xF0))  # the bench's image counts up: $3C is there
    bench.run_to(at + 4)
    assert bench.read(0x3C) & 0x80 == 0
    bench.run_to(at + 19)
    assert bench.card._part.busy
    bench.run_to(at + 20)
    assert bench.read(0x3C) == 0x30
    assert rules(bench) == {"program-without-erase"}


def test_the_toggle_bit_changes_while_it_works_and_bit_7_is_inverted():
    """[SST] Data# Polling, Toggle Bit."""
    bench = fitted()
    write(bench, *PROGRAM, (0x1000, 0x85))
    seen = [bench.read(0x1000) for _ in range(8)]
    assert [byte & 0xC0 for byte in seen] == [0x40, 0] * 4
    bench.run(21)
    assert bench.read(0x1000) == bench.read(0x1000) == 0x85


def test_a_sector_erase_takes_25_ms_and_leaves_the_neighbours():
    """39SF040: erase the sector that holds $12345: $12000 to $12FFF read $FF. [SST] Sector-Erase; time from memory."""
    bench = fitted("39SF040")
    for at in (0x11FFF, 0x12000, 0x12FFF, 0x13000):
        write(bench, *PROGRAM, (at, 0x11))
        bench.run(21)
    start = bench.cycle + 6
    write(bench, *ERASE, (0x12345, 0x30))
    assert bench.card.read(0x12000, bench.cycle) & 0x80 == 0
    bench.run_to(start + 24_999)
    assert bench.card._part.busy
    bench.run(2)
    assert [bench.card.peek(at, bench.cycle) for at in (0x11FFF, 0x12000, 0x12FFF, 0x13000)] == [0x11, 0xFF, 0xFF, 0x11]
    assert not rules(bench)


def test_a_chip_erase_sets_all_bits():
    """[SST] Chip-Erase; 100 ms from memory."""
    bench = fitted()
    write(bench, *ERASE, (0x5555, 0x10))
    bench.run(100_001)
    assert bytes(bench.card.rom()) == b"\xff" * 131_072
    assert not rules(bench)


@pytest.mark.parametrize(("part", "code"), [("39SF010A", 0xB5), ("39SF020A", 0xB6), ("39SF040", 0xB7)])
@pytest.mark.parametrize("leave", [((0x1234, 0xF0),), (*UNLOCK, (0x5555, 0xF0))])
def test_identification_is_entered_and_left_by_its_commands(part, code, leave):
    """[SST] Product Identification: BF, then B5, B6 or B7; both ways out."""
    bench = fitted(part)
    before = [bench.read(0), bench.read(1)]
    write(bench, *UNLOCK, (0x5555, 0x90))
    assert [bench.read(0), bench.read(1)] == [0xBF, code]
    write(bench, *leave)
    assert [bench.read(0), bench.read(1)] == before
    assert not rules(bench)


def test_addresses_of_commands_are_compared_up_to_a14():
    """[SST] Table 4, note 1: A15 and up do not matter, so any bank of 32 KiB will do."""
    bench = fitted("39SF040")
    write(bench, (0x1D555, 0xAA), (0x2AAAA, 0x55), (0x7D555, 0xA0), (0x40000, 0x21))
    bench.run(21)
    assert bench.card.peek(0x40000, bench.cycle) == 0x21


def test_what_is_written_while_it_works_is_ignored_and_told():
    """[SST] Byte-Program: commands during the internal operation are ignored."""
    bench = fitted()
    write(bench, *PROGRAM, (0x20, 0x00), *PROGRAM, (0x21, 0x00))
    bench.run(21)
    assert [bench.peek(at) for at in (0x20, 0x21)] == [0x00, 0x21]
    assert bench.findings.count("write-while-busy") == 4
    write(bench, *PROGRAM, (0x21, 0x00))
    bench.run(21)
    assert bench.peek(0x21) == 0x00


def test_any_time_may_pass_between_the_writes_of_a_command_and_reads_do_not_end_it():
    """From memory: the part has no t_BLC."""
    bench = fitted()
    for step in (*PROGRAM, (0x30, 0x00)):
        write(bench, step)
        bench.run(5 if step[0] == 0x30 else 20_000)
        bench.read(0x1234)
    bench.run(21)
    assert bench.peek(0x30) == 0x00


LETTERS = {
    "a": (0x5555, 0xAA), "b": (0x2AAA, 0x55), "p": (0x5555, 0xA0), "e": (0x5555, 0x80), "c": (0x5555, 0x10),
    "s": (0x1234, 0x30), "i": (0x5555, 0x90), "f": (0x0000, 0xF0), "d": (0x1235, 0x00), "w": (0x2AAA, 0xAA),
}  # fmt: skip
WORDS = st.sampled_from((*LETTERS, "ab", "abp", "abeab", "abe", "abeabs", "abpd"))


@settings(max_examples=80, deadline=None)
@given(said=st.lists(WORDS, max_size=10).map("".join))
def test_of_any_writes_only_published_commands_change_a_byte(said):
    """What changes something stands directly behind its whole command."""
    bench = fitted()
    for place, letter in enumerate(said):
        before = bytes(bench.card.rom())
        write(bench, LETTERS[letter])
        busy = bench.card._part.busy
        heard = said[: place + 1]
        assert not busy or heard[-4:-1] == "abp" or heard[-6:] in ("abeabs", "abeabc")
        bench.run(100_001 if busy else 1)
        assert busy or bytes(bench.card.rom()) == before


@settings(max_examples=40, deadline=None)
@given(said=st.lists(WORDS, max_size=6).map("".join))
def test_behind_any_writes_a_reset_makes_the_part_take_a_command(said):
    bench = fitted()
    for letter in said:
        write(bench, LETTERS[letter])
        bench.run(100_001)
    write(bench, (0, 0xF0), (0, 0xF0))  # the first may be the byte of a program
    bench.run(21)
    write(bench, *PROGRAM, (0x1FFFF, 0x5A))
    bench.run(21)
    assert bench.card.read(0x1FFFF, bench.cycle) == 0x5A
