"""A part that is named and asked for more than its sheet promises is a finding before the first cycle; no other is.

Each part of the table stands once in a machine whose clock it cannot follow, and once in one that it can. The times are
worked out here, from the figures alone, and not by the kit's sums.
"""

from fractions import Fraction

import pytest

from simkit import Machine
from simkit.machinefile.figures import CPU, LOGIC, PERIPHERAL, known_parts
from simkit.machinefile.timing import NOBODY
from simkit.timing.limits import RULE

HEAD = 'name = "Shed"\nclock = "{clock} MHz"\n'
SRAM = '[[card]]\nslot = 1\nkind = "sram"\nselect = "not A15"\n'
LED = '[[card]]\nslot = 3\nkind = "led-row"\nselect = "1000 0000 0000 0000"\n'
LATCH = '[[card]]\nslot = 3\nkind = "bank-latch"\nselect = "1000 0000 0000 0000"\n'
PADS = '[[card]]\nslot = 3\nkind = "serial-pads"\nselect = "1000 0000 0000 00xx"\n'
SOCKET = """
import attrs
from simkit.contract import Card, Register


class Socket(Card):
    kind = "socket"
    own_phi2 = True

    @attrs.frozen
    class Settings:
        pass

    @classmethod
    def registers(cls, settings):
        return (Register(0, "port", "rw"),)
"""
WITHOUT_LIMIT = {"74HC688"}  # Philips, 74HC/HCT688 data sheet, December 1990: typical figures alone were read
PARTS = {part.title: part for part in known_parts().parts if part.title not in WITHOUT_LIMIT}


@pytest.fixture
def found(tmp_path):
    """Messages of the rule in a machine."""

    def messages(text, mhz, **given):
        (tmp_path / "rom.bin").write_bytes(bytes(256))
        (tmp_path / "socket.py").write_text(SOCKET)
        (tmp_path / "machine.toml").write_text(HEAD.format(clock=f"{mhz:.6f}") + text)
        machine = Machine.load(tmp_path, **given)
        return [finding.message for finding in machine.findings if finding.rule == RULE]

    return messages


def limit(part, *names):
    """The first of these figures that the sheet has."""
    return next(value.number for name in names if (value := part.figure(name, "worst")) is not None)


def machine_of(part):
    """Machine file with the part, and a time that the clock must leave, as a share of the period: (text, ns, share)."""
    name, grade = f'part = "{part.name}"\n', f'grade = "{part.grade}"\n' if part.grade else ""
    if part.kind == CPU:
        return f'[cpu]\nkind = "{part.fits[0]}"\n{name}{grade}{SRAM}', limit(part, "cycle"), 1
    if part.kind == PERIPHERAL:
        kind = part.fits[0] if part.fits else "file:socket.py:Socket"
        card = f'[[card]]\nslot = 3\nkind = "{kind}"\nselect = "1000 0000 0000 xxxx"\n{name}{grade}'
        return SRAM + card, limit(part, "cycle"), 1
    if part.kind != LOGIC:
        select = "A15" if part.fits == ("rom",) else "not A15"
        card = f'[[card]]\nslot = 1\nkind = "{part.fits[0]}"\nselect = "{select}"\n{name}{grade}'
        if part.fits == ("rom",):
            card += f'image = "rom.bin"\nsettings.size = {part.size}\n'
        return card, limit(part, "address"), 1
    if "clock_mhz" in part.figures:
        key, ticks = ("counter", 1) if "carry" in part.figures else ("collector", 2)
        card = PADS + f'timing.{key} = "{part.name}"\n'
        return SRAM + card, 1000 / limit(part, "clock_mhz"), ticks
    if "pulse" in part.figures:
        return SRAM + LATCH + name, limit(part, "pulse"), 0.5
    if "compare" in part.figures or "select" in part.figures or "input" in part.figures:
        figure = next(one for one in ("compare", "select", "input") if one in part.figures)
        return SRAM + f'timing.decode = ["{part.name} {figure}"]\n', limit(part, figure), 1
    key = "buffer" if part.name.endswith("245") else "port"
    return (SRAM if key == "buffer" else SRAM + LED) + f'timing.{key} = "{part.name}"\n', limit(part, "enable"), 1


@pytest.mark.parametrize("title", PARTS)
def test_each_part_beyond_its_limit_is_found_and_within_it_is_not(title, found):
    part = PARTS[title]
    text, ns, share = machine_of(part)
    told = found(text, share / (ns - 1) * 1000)  # a ns too short; sheets round to whole ones
    assert len(told) == 1, told
    assert part.name in told[0]
    within = share / ns * 1000 if part.kind == CPU else share / ns * 1000 / 8  # of others several sums count
    assert found(text, within) == []


def test_only_parts_without_a_published_limit_are_left_out():
    left_out = [part for part in known_parts().parts if part.title in WITHOUT_LIMIT]
    assert {column for part in left_out for one in part.figures.values() for column in one.values} == {"typical"}


def test_a_cpus_grade_is_held_to_the_clock_whoever_made_it(found):
    text = 'cpu = {{ kind = "6502"{} }}\n' + SRAM
    assert found(text.format(""), 14) == []  # nothing is named: the budget shows the slack for each
    (told,) = found(text.format(', grade = "1 MHz"'), 14)
    assert "period of PHI2" in told
    assert "From memory, not looked up" in told
    assert found(text.format(', grade = "2 MHz"'), 2) == []


def test_dynamic_logic_stops_keeping_its_state_at_a_slow_clock(found):
    (told,) = found('cpu = { kind = "6502", part = "MCS6502", grade = "1 MHz" }\n' + SRAM, 0.05)
    assert "longest period" in told
    assert found('cpu = { kind = "65C02", part = "W65C02S", grade = "14 MHz" }\n' + SRAM, 0.05) == []


WAY = 'part = "AT28C256-15"\nimage = "rom.bin"\ntiming.decode = ["CD74HC688", "CD74HC138 enable"]\n'
ROM = '[[card]]\nslot = 2\nkind = "rom"\nselect = "A15"\n' + WAY + 'timing.buffer = "CD74HC245"\n'
CPU_14 = 'cpu = { part = "W65C02S", grade = "14 MHz" }\n'


def test_the_sum_of_a_decoder_a_memory_and_a_transceiver_is_held_to_the_clock(found):
    """W65C02S at 5 V, AT28C256-15 behind HC logic: 30 + 42 + 38 + 150 + 28 + 10 = 298 ns, 3.356 MHz. Arithmetic."""
    assert found(CPU_14 + SRAM + ROM, 3.35) == []
    (told,) = found(CPU_14 + SRAM + ROM, 4)
    assert "slot 2 (rom): select to data: it takes 298 ns" in told
    assert "the clock leaves 250: 48 too few" in told
    assert "follow 3.356 MHz" in told


def test_what_is_left_open_gets_the_benefit_of_the_doubt(found):
    """CD74HC138 and SN74HC138 go by 74HC138, and the quicker one, 38 ns, decides."""
    text = SRAM + 'part = "62256"\ntiming.decode = ["74HC138 enable"]\n'
    assert found(text, 1000 / (38 + 55) * 0.99) == []
    assert len(found(text, 1000 / (38 + 55) * 1.01)) == 1


def test_hold_on_paper_is_no_finding(found):
    assert found(CPU_14 + SRAM + 'part = "AS6C1008-55"\ntiming.write_gate = "74HC00"\n', 1) == []


def test_a_shorter_phi2_is_held_against_strobes(found):
    text = '[cpu]\npart = "W65C02S"\ngrade = "14 MHz"\n{}' + SRAM + 'part = "AS6C1008-55"\n'
    assert found(text.format(""), 8) == []
    (told,) = found(text.format('phi2_high = "30 %"\n'), 8)
    assert "output enable with PHI2" in told or "write" in told


def test_a_clock_on_the_command_line_counts(found):
    assert len(found('cpu = { part = "W65C02S", grade = "2 MHz" }\n' + SRAM, 1, clock="4 MHz")) == 1


def test_waits_are_counted_where_they_help(found, tmp_path):
    slow = SOCKET.replace(
        "    own_phi2 = True\n",
        "\n    def wait_cycles(self, offset, is_write):\n        return 1\n",
    )
    card = '[[card]]\nslot = 3\nkind = "file:slow.py:Socket"\nselect = "1000 0000 0000 0000"\npart = "27C256-150"\n'
    (tmp_path / "slow.py").write_text(slow)
    text = CPU_14 + SRAM + card + 'output_enable = "RW"\n'
    assert found(text, 8) == []
    (tmp_path / "slow.py").write_text(slow.replace("return 1", "return 0"))
    assert len(found(text, 8)) == 1


def test_machines_that_come_with_the_kit_name_nothing_that_is_too_slow():
    for demo in ("marlpit", "monitor", "bench"):
        assert not [one for one in Machine.load(f"demo:{demo}").findings if one.rule == RULE]


def test_the_finding_is_there_before_the_first_cycle_and_stays_through_a_power_cycle(tmp_path):
    (tmp_path / "machine.toml").write_text(HEAD.format(clock="8") + 'cpu = { grade = "2 MHz" }\n' + SRAM)
    machine = Machine.load(tmp_path)
    assert [(one.rule, one.cycle, one.slot) for one in machine.findings] == [(RULE, 0, None)]
    machine.power_cycle()
    assert [one.rule for one in machine.findings].count(RULE) >= 1
    assert machine.description.clock_hz == Fraction(8_000_000)
    assert machine.description.cards[0].part is NOBODY
