"""The map beside what each single address does: every area, every register, every bit, whatever the wiring."""

import random
from bisect import bisect_right
from itertools import pairwise

import pytest

from simkit import Machine
from simkit.address_map.areas import areas_of
from simkit.address_map.whole import address_map
from simkit.backplane.areas import area, areas, first_of, whole
from simkit.backplane.covers import pattern_of
from simkit.machine.registers import placed_registers
from tests.address_map.machines import made

SHIPPED = ["marlpit", "monitor", "bench", "banks-test", "keyboard-on-ports", "lamps-and-buttons"]


def test_patterns_are_those_of_their_addresses_and_of_no_others():
    chance = random.Random(1)
    for _ in range(200):
        free = chance.sample(range(16), chance.randint(0, 7))
        value = chance.getrandbits(16) & ~sum(1 << bit for bit in free)
        addresses = [0]
        for bit in free:
            addresses += [one | 1 << bit for one in addresses]
        table = sum(1 << (value | one) for one in addresses)
        bits = "".join("x" if bit in free else str(value >> bit & 1) for bit in reversed(range(16)))
        assert pattern_of(table).replace(" ", "") == bits
        assert first_of(table) == value
        if len(addresses) > 2:
            assert pattern_of(table ^ 1 << (value | chance.choice(addresses))) is None


@pytest.mark.parametrize(
    ("addresses", "text"),
    [((), None), ((3,), "0000 0000 0000 0011"), ((0, 3), None), ((0, 1, 2), None), ((1, 2, 4, 7), None)],
)
def test_what_is_no_cube_has_no_pattern(addresses, text):
    assert pattern_of(sum(1 << a for a in addresses)) == text


def test_areas_in_words():
    assert area(0x7F10, 0x7F10) == "$7F10"
    assert areas(whole(0, 9) | whole(20, 20)) == "$0000-$0009, $0014"
    assert areas(sum(1 << n for n in range(0, 20, 2)), 2) == "$0000, $0002 and 8 more"
    assert areas(0) == "nowhere"


def places(found, seed=0):
    """Addresses to look at: both ends of areas, of a hundred at most, and some hundred others."""
    chance = random.Random(seed)
    areas = chance.sample(found.areas, min(100, len(found.areas)))
    ends = {end for one in areas for end in (one.first, one.last)}
    return sorted(ends | {chance.randrange(0x10000) for _ in range(300)})


def same_at(answers, address, first, there):
    """Whether answers of an area hold at an address of it: the same cards, and of memory just that byte."""
    assert [one.slot for one in answers] == [slot for slot, _ in there]
    for one, (_, offset) in zip(answers, there, strict=True):
        if one.size and one.straight:
            size = one.size
            assert offset % size == (one.offset + address - first) % size
            if one.images == 1:
                assert offset == one.offset + address - first


def check_map(machine):
    found = address_map(machine)
    levels = {line.name: line.level for line in machine.bus.reach.banks.lines}
    assert found.areas[0].first == 0
    assert found.areas[-1].last == 0xFFFF
    assert all(after.first == before.last + 1 for before, after in pairwise(found.areas))
    where = machine.bus.where
    firsts = [one.first for one in found.areas]
    for address in places(found):
        one = found.areas[bisect_right(firsts, address) - 1]
        use = one.uses[tuple(levels[name] for name in one.lines)]
        reads, writes = (
            [(seat.slot, offset) for seat, offset in where(address, is_write=is_write)] for is_write in (False, True)
        )
        same_at(use.reads, address, one.first, reads)
        same_at(use.writes, address, one.first, writes)
        for placed in found.registers:
            me, access = (placed.seat.slot, placed.register.offset), placed.register.access
            assert placed.reads >> address & 1 == ("r" in access and me in reads)
            assert placed.writes >> address & 1 == ("w" in access and me in writes)


@pytest.mark.parametrize("name", SHIPPED)
def test_the_map_of_a_shipped_machine_is_what_each_address_does(name):
    check_map(Machine.load(f"demo:{name}"))


@pytest.mark.parametrize("seed", range(12))
def test_the_map_of_a_machine_made_up_is_what_each_address_does(tmp_path, seed):
    chance = random.Random(seed)

    def pattern(fixed):
        bits = [chance.choice("01") if n < fixed else "x" for n in range(16)]
        return "".join(bits)

    cards = [
        f'slot = 1\nkind = "sram"\nselect = "{pattern(1)}"\nsettings = {{ size = {chance.choice((2048, 8192))} }}',
        f'slot = 2\nkind = "ports-6522"\nselect = "{pattern(chance.randint(4, 12))}"',
        f'slot = 3\nkind = "keyboard"\nselect = "{pattern(chance.randint(6, 15))}"',
        f'slot = 4\nkind = "serial-pads"\nselect = ["{pattern(9)}", "A15 and not A3 and (A4 or A0)"]',
    ]
    first, second = chance.sample(range(12), 2)
    if chance.random() < 0.5:
        cards[0] += f'\nwires = {{ A{first} = "A{second}", A{second} = "A{first}" }}'
    if chance.random() < 0.5:
        cards[1] += '\nwires = { A0 = "A3", A3 = "A0" }'
    check_map(made(tmp_path, *cards, more='[backplane]\noverlaps = "run"\n'))


def test_each_combination_of_banks_is_told_as_the_machine_then_is(tmp_path):
    machine = made(
        tmp_path,
        'slot = 1\nkind = "bank-latch"\nselect = "0111 1111 0000 0000"\nlines = { Q0 = "B0", Q1 = "B1", Q2 = "B2" }',
        'slot = 2\nkind = "sram"\nselect = "10xx xxxx xxxx xxxx"\nwires = { A14 = "B0", A15 = "B1" }\n'
        "settings = { size = 65536 }",
        'slot = 3\nkind = "sram"\nselect = "A15 and A14 and B2"\nsettings = { size = 8192 }',
        'slot = 4\nkind = "keyboard"\nselect = "A15 and A14 and not B2"',
    )
    banks = machine.bus.reach.banks
    found = areas_of(banks)
    assert {one.lines for one in found} == {(), ("B1", "B0"), ("B2",)}
    window = next(one for one in found if one.lines == ("B1", "B0"))
    assert (window.first, window.last) == (0x8000, 0xBFFF)
    assert [use.reads[0].offset for use in window.uses.values()] == [0, 0x4000, 0x8000, 0xC000]
    for number in range(8):
        levels = tuple(bool(number >> place & 1) for place in range(3))
        table = banks.at(levels)
        by_name = dict(zip((line.name for line in banks.lines), levels, strict=True))
        for one in found:
            use = one.uses[tuple(by_name[name] for name in one.lines)]
            for address in range(one.first, one.last + 1, 1021):
                plan = table.read_plan(address)
                same_at(use.reads, address, one.first, [(seat.slot, offset) for seat, offset, _ in plan.drivers])


def test_an_eight_kilobyte_part_in_a_larger_window_is_told_as_images(tmp_path):
    machine = made(tmp_path, 'slot = 1\nkind = "sram"\nselect = "0xxx xxxx xxxx xxxx"\nsettings = { size = 8192 }')
    found = [(one.first, one.only.reads[0].offset) for one in areas_of(machine.bus.reach.banks) if one.only.reads]
    assert found == [(0, 0), (0x2000, 0), (0x4000, 0), (0x6000, 0)]


@pytest.mark.parametrize(
    ("wires", "bits"),
    [
        ("", {"ready": (1, False), "overflow": (2, False)}),
        ('wires = { D0 = "D1", D1 = "D0" }', {"ready": (2, False), "overflow": (1, False)}),
        ('wires = { D0 = "D7", D7 = "D0" }', {"ready": (0x80, False), "overflow": (2, False)}),
        ('wires = { D0 = "not D0" }', {"ready": (1, True), "overflow": (2, False)}),
        ('wiring = ["pin D0 open"]', {"ready": (0, False), "overflow": (2, False)}),
    ],
)
def test_a_bit_stands_where_the_cpu_sees_it(tmp_path, wires, bits):
    machine = made(tmp_path, f'slot = 1\nkind = "keyboard"\nselect = "0111 1111 0001 000x"\n{wires}')
    status = placed_registers(machine.bus.reach.table)[0]
    assert {bit.name: (bit.seen, bit.inverted) for bit in status.bits if bit.name in bits} == bits


def test_bits_are_those_that_a_program_reads(tmp_path):
    """The table beside the machine itself: a pressed button moves just the bit that the map names."""
    (tmp_path / "loop.bin").write_bytes(bytes((0x4C, 0x00, 0x80)))
    for number, wires in enumerate(("", 'wires = { D0 = "D5", D5 = "D0", D2 = "not D2" }')):
        machine = made(
            tmp_path,
            f'slot = 4\nkind = "serial-pads"\nselect = "0111 1111 0010 00xx"\n{wires}',
            'slot = 1\nkind = "sram"\nselect = "1xxx xxxx xxxx xxxx"\nimage = "loop.bin"\nat = "$8000"',
            more='start = "$8000"',
            name=f"m{number}.toml",
        )
        port = next(one for one in placed_registers(machine.bus.reach.table) if one.register.name == "port_1")
        machine.run(cycles=200)
        released = machine.peek(0x7F22)
        for bit in port.bits:
            machine.pads[1].press(bit.name)
            machine.run(cycles=200)
            assert machine.peek(0x7F22) ^ released == bit.seen, bit.name
            machine.pads[1].release(bit.name)
            machine.run(cycles=200)
