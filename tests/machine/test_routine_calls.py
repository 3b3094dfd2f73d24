"""Calls of one routine: registers and memory go in and come out, the program stays where it stood."""

from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from simkit import Machine
from simkit.contract.errors import SimkitError
from simkit.machine.routine import RoutineError
from tests.shed import SHED

ROUTINE = 0x8100
BYTES = st.integers(0, 255)


@pytest.fixture(scope="session")  # for property tests; each call builds a machine of its own
def with_routine(tmp_path_factory):
    """A machine whose program runs on the spot at $8000 (or is `main`) and whose routine "doing" is the code given."""
    path = tmp_path_factory.mktemp("shed") / "machine.toml"

    def build(code, main="4C 00 80", select="0xxx xxxx xxxx xxxx", **options):
        path.write_text(SHED.replace("0xxx xxxx xxxx xxxx", select))
        rom = bytearray(b"\xea" * 0x8000)
        for at, text in ((0, main), (ROUTINE - 0x8000, code)):
            rom[at : at + len(bytes.fromhex(text))] = bytes.fromhex(text)
        rom[0x7FFA:] = b"\x00\x80" * 3
        machine = Machine.load(path, images={2: bytes(rom)}, **options)
        machine.labels.add("doing", ROUTINE)
        return machine

    return build


@given(BYTES, BYTES, BYTES, BYTES, BYTES)
def test_what_is_not_given_stays_and_what_is_left_comes_back(with_routine, a, x, y, p, sp):
    """A routine of one RTS changes nothing: six cycles (W65C02S data sheet, table 5-1)."""
    machine = with_routine("60")
    machine.step()
    cpu = machine.cpu
    cpu.a, cpu.x, cpu.y, cpu.p, cpu.sp = a, x, y, p, sp
    cycle = machine.cycle
    result = machine.call("doing")
    assert (result.a, result.x, result.y, result.cycles, machine.cycle) == (a, x, y, 6, cycle + 6)
    flags = (result.negative, result.overflow, result.decimal, result.interrupts_off, result.zero, result.carry)
    assert flags == (p >> 7 == 1, p >> 6 & 1 == 1, False, p >> 2 & 1 == 1, p >> 1 & 1 == 1, p & 1 == 1)
    assert (cpu.pc, cpu.sp, result.written, result.writes) == (0x8000, sp, {}, ())


@given(BYTES, BYTES, BYTES, st.booleans(), st.booleans())
def test_what_is_given_is_there_when_the_routine_begins(with_routine, a, x, y, carry, decimal):
    """STA $40; STX $41; STY $42; ADC #0 in the mode given: PHP; PLA; STA $43; RTS."""
    machine = with_routine("85 40 86 41 84 42 08 68 85 43 60")
    result = machine.call(ROUTINE, a=a, x=x, y=y, carry=carry, decimal=decimal)
    assert list(result.written) == [0x40, 0x41, 0x42, 0x43]
    assert [result.written[at] for at in (0x40, 0x41, 0x42)] == [a, x, y]
    assert result.written[0x43] & 0x09 == carry + 8 * decimal
    assert (result.carry, result.decimal) == (carry, decimal)


def test_memory_is_filled_by_address_or_label_a_byte_or_several_and_stays_written(with_routine):
    machine = with_routine("E6 10 E6 10 E6 81 60")  # INC $10 twice, INC $81
    machine.labels.add("CELLS", 0x80)
    result = machine.call("doing", memory={0x10: 7, "CELLS": b"\x01\x02\x03", 0x83: b""})
    assert result.written == {0x10: 9, 0x81: 3}
    assert machine.peek(0x80, 3) == b"\x01\x03\x03"
    assert [(address, byte) for _, address, byte in result.writes if byte != 7][-1] == (0x81, 3)
    assert [address for _, address, _ in result.writes].count(0x10) == 2, "a 65C02 writes once (read twice)"
    assert all(first[0] < second[0] for first, second in zip(result.writes, result.writes[1:], strict=False))


def test_what_lies_on_the_stack_below_the_return_address_is_no_result(with_routine):
    """PHA; PLA; STA $0181; STA $0182; STA $00FF; STA $0100; RTS from a stack at $80, which ends at $0100."""
    machine = with_routine("48 68 8D 81 01 8D 82 01 8D FF 00 8D 00 01 60")
    machine.step()
    machine.cpu.sp = 0x80
    result = machine.call("doing", a=5)
    assert result.written == {0x0181: 5, 0x0182: 5, 0x00FF: 5}
    assert [address for _, address, _ in result.writes] == [0x017E, 0x0181, 0x0182, 0x00FF, 0x0100]


@pytest.mark.parametrize("sp", [0x00, 0x01, 0x02, 0xFF])
@pytest.mark.parametrize("pc", [0x8000, 0x8100, 0x0000, 0x0001])
def test_the_address_pushed_leads_back_wherever_the_program_and_its_stack_stand(with_routine, sp, pc):
    machine = with_routine("EA 60")
    machine.step()
    machine.cpu.sp, machine.cpu.pc = sp, pc
    assert machine.call(ROUTINE + 1 if pc == ROUTINE else ROUTINE).cycles in (6, 8)
    assert (machine.cpu.pc, machine.cpu.sp) == (pc, sp)
    pushed = machine.peek(0x100 | sp) << 8 | machine.peek(0x100 | sp - 1 & 0xFF)
    assert pushed == pc - 1 & 0xFFFF


def test_a_machine_just_switched_on_goes_through_its_reset_first(with_routine):
    machine = with_routine("60")
    machine.call("doing")
    assert machine.cycle == 7 + 6
    assert machine.cpu.pc == 0x8000


def test_a_program_that_waits_for_an_interrupt_waits_on_afterwards(with_routine):
    machine = with_routine("A9 07 60", main="CB EA")  # WAI
    machine.run(cycles=50)
    assert machine.cpu.waiting
    pc = machine.cpu.pc
    assert machine.call("doing").a == 7
    assert (machine.cpu.waiting, machine.cpu.pc) == (True, pc)
    machine.run(cycles=50)
    assert machine.cpu.pc == pc


@pytest.mark.parametrize(
    ("code", "options", "words"),
    [
        ("4C 00 81", {"timeout": 0.002}, r"doing did not return within 0\.002 s of machine time; \$8100 is next"),
        ("40", {}, r"doing ends with RTI at \$8100, as a handler does"),
        ("68 68 68 60", {}, r"pulls more than it pushed: after the PLA at \$8102 the stack pointer stands 1 above"),
        ("BA E8 E8 E8 9A DB", {}, r"In doing the CPU is"),
        ("EA DB", {}, r"In doing the CPU is"),
    ],
)
def test_a_routine_that_does_not_come_back_says_how(with_routine, code, options, words):
    machine = with_routine(code)
    with pytest.raises(RoutineError, match=words):
        machine.call("doing", **options)
    assert not machine.bus.reach.slow, "nothing watches on"


@pytest.mark.parametrize("engine", ["exact", "auto"])
@pytest.mark.parametrize(
    ("routine", "options", "words"),
    [
        ("doing", {"a": 256}, "a = 256 is not a byte"),
        ("doing", {"x": -1}, "x = -1 is not a byte"),
        ("doing", {"a": 1, "y": 1.5}, "y = 1.5 is not a byte"),
        ("doing", {"a": 1, "memory": {0x10: 256}}, "256 is not a byte"),
        ("doing", {"x": 1, "memory": {"CELL": 1}}, "no label 'CELL'"),
        ("doing", {"y": 1, "memory": {0x7F00: 1}}, "no memory at"),
        ("doing", {"carry": True, "decimal": True, "timeout": -1}, "time does not run backwards"),
        ("doing", {"a": 1, "timeout": "soon"}, "timeout is 'soon', not a number"),
        ("going", {"a": 1}, "no label 'going'"),
        (0x10000, {"a": 1}, "not an address"),
        (1.5, {"a": 1}, "not an address"),
    ],
)
def test_a_call_that_cannot_be_made_changes_nothing(with_routine, routine, options, words, engine):
    machine = with_routine("60", main="CB EA", engine=engine, select="00xx xxxx xxxx xxxx")
    machine.run(cycles=50)
    before = machine.save_state()
    with pytest.raises(SimkitError, match=words):
        machine.call(routine, **options)
    assert machine.save_state() == before


def test_an_address_stands_for_a_routine_without_a_name_in_messages(with_routine):
    with pytest.raises(RoutineError, match=r"\$8100 did not return"):
        with_routine("4C 00 81").call(ROUTINE, timeout=0.001)


@pytest.mark.parametrize(
    ("nops", "seconds", "returns"),
    [(2, 10e-6, True), (3, 6e-6, False), (3, 6.5e-6, True), (3, 7e-6, True), (3, Fraction(6, 10**6), False)],
)
def test_a_routine_may_begin_its_last_instruction_within_the_time_it_is_given(with_routine, nops, seconds, returns):
    """A NOP takes 2 us, RTS 6; part of a cycle is a cycle, and decimal fractions are taken as they are written."""
    machine = with_routine("EA " * nops + "60")
    machine.step()
    if returns:
        assert machine.call("doing", timeout=seconds).cycles == 2 * nops + 6
    else:
        with pytest.raises(RoutineError, match=r"did not return within 6e-06 s"):
            machine.call("doing", timeout=seconds)


def test_the_cpu_is_told_to_be_halted_before_anything_is_changed(with_routine):
    machine = with_routine("60", main="DB")  # STP
    machine.run(cycles=20)
    before = machine.save_state()
    with pytest.raises(RoutineError, match="Nothing can be called"):
        machine.call("doing", a=1, memory={0x10: 1})
    assert machine.save_state() == before


@pytest.mark.parametrize("surplus", [1, 15])
def test_a_routine_with_a_stack_of_its_own_may_leave_it_where_it_likes(with_routine, surplus):
    """TXS first: then the stack pointer says nothing about pulls. It comes back to where it was."""
    machine = with_routine(f"BA 86 40 8A 18 69 {surplus + 2:02X} AA 9A A6 40 9A 60")
    machine.step()
    machine.cpu.sp = 0x80
    assert machine.call("doing").written[0x40] == 0x7E
    assert machine.cpu.sp == 0x80


def test_a_result_reads_in_hexadecimal(with_routine):
    result = with_routine("A9 0F 85 40 60").call("doing", x=0xAB, y=3)
    assert "a=0x0F, x=0xAB, y=0x03, carry=" in repr(result)
    assert "written={0x0040: 0x0F}" in repr(result)
