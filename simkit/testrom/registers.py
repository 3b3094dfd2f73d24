"""Checks of a card by its register table: which registers give back what was written, and what to do with them."""

from __future__ import annotations

from collections.abc import Mapping

import attrs

from simkit.contract.registers import Register
from simkit.testrom.checks import Check, Failing, Plan, lines_text, mirrors
from simkit.testrom.code import Code
from simkit.testrom.memory import mirror_check
from simkit.testrom.survey import Survey

HARMLESS: Mapping[str, Mapping[str, str]] = {
    "ports-6522": {
        "DDRB": "pins become outputs for a moment",
        "DDRA": "pins become outputs for a moment",
        "T1LH": "clears a flag that nobody waits for",
        "ACR": "timers and shift register are not under way yet",
        "PCR": "control lines move",
    },
    "serial-6551": {"command": "lines of the plug move", "control": "nothing is being sent"},
}
"""By kind: registers that give back what was written although a write does more, with what it does.

MOS Technology, MCS6522 data sheet, and Synertek, SY6551 data sheet: these registers read as they were written.
"""


@attrs.frozen
class Cell:
    """A register that gives back what was written.

    Attributes:
        register: of the card's table.
        address: the lowest of its addresses.
        mask: bits that come back.
    """

    register: Register
    address: int
    mask: int


def sound_registers(survey: Survey) -> tuple[list[Cell], list[str]]:
    """Registers whose read-back is sound by the card's table, and why the others are left out."""
    seat = survey.seat
    harmless = HARMLESS.get(type(seat.card).kind, {})
    cells, left_out = [], []
    for register in seat.registers:
        why = _why_not(register, harmless)
        read, write = survey.address_of(seat.slot, register), survey.address_of(seat.slot, register, is_write=True)
        if why is None and (read is None or read != write):
            why = "the machine file gives it no address of its own"
        if why is None and read is not None:
            cells.append(Cell(register, read, register.driven))
        else:
            left_out.append(f"Register {register.name} is not read back: {why}.")
    return cells, left_out


def _why_not(register: Register, harmless: Mapping[str, str]) -> str | None:
    if "r" not in register.access:
        return "it can be written alone"
    if "w" not in register.access:
        return "it can be read alone"
    if not register.driven:
        return "the card drives none of its bits"
    if register.read_effect:
        return f"a read {register.read_effect}"
    if register.write_effect and register.name not in harmless:
        return f"a write {register.write_effect}"
    return None


def register_checks(survey: Survey, cells: list[Cell]) -> Plan:
    """Data walk in each register, registers told apart, neighbours."""
    names = ", ".join(cell.register.name for cell in cells)

    def data(code: Code, failing: Failing) -> None:
        for cell in cells:
            more = code.new_label()
            code.remark(f"{cell.register.name}, ${cell.address:04X}")
            code.add(f"ldx #$11\n{more}:\nlda patterns,x\nsta ${cell.address:04X}\neor ${cell.address:04X}")
            if cell.mask != 0xFF:
                code.add(f"and #${cell.mask:02X}")
            failing.unless_zero()
            code.add(f"dex\nbpl {more}\nlda #$00\nsta ${cell.address:04X}")

    def apart(code: Code, failing: Failing) -> None:
        for number, cell in enumerate(cells):
            code.add(f"lda #${_own(number):02X}\nsta ${cell.address:04X}")
        for number, cell in enumerate(cells):
            code.add(f"lda ${cell.address:04X}")
            failing.unless_equal(_own(number), cell.mask)
        for cell in cells:
            code.add(f"lda #$00\nsta ${cell.address:04X}")

    plan = Plan(
        (
            Check(
                title="REGISTERS, DATA",
                emit=data,
                proves=f"{names}: a walking 1, a walking 0 and both checkerboards come back",
                probe="Probe the data line of each bit shown at the card, then its select, R/W and PHI2.",
            ),
        )
    )
    if len(cells) > 1:
        plan += Plan(
            (
                Check(
                    title="REGISTERS, ADDRESSES",
                    emit=apart,
                    proves=f"{names} hold different bytes at one time: the register select lines are as they should be",
                    probe="Probe the card's register select pins (A0 and up) one by one.",
                ),
            )
        )
    return plan + neighbour_checks(survey, cells[0])


def _own(number: int) -> int:
    """A byte for a register that differs from that of any other in both halves."""
    return ((number + 1) * 0x11 ^ 0x20) & 0xFF


def neighbour_checks(survey: Survey, cell: Cell) -> Plan:
    """A register is not reached by writes to neighbours of its addresses."""
    addresses = list(survey.addresses_of(survey.slot, cell.register.offset, is_write=True))
    near, without = mirrors(survey, addresses, survey.may_be_written)

    def emit(code: Code, failing: Failing) -> None:
        for mirror in near:
            code.add(f"lda #$55\nsta ${mirror.own:04X}\nlda #$AA\nsta ${mirror.address:04X}\nlda ${mirror.own:04X}")
            failing.unless_equal(0x55, cell.mask, tells=mirror.line)
        code.add(f"lda #$00\nsta ${cell.address:04X}")

    left_out = (f"Whether the decoder hears {lines_text(without)}: registers of other cards stand at the neighbours.",)
    return Plan((mirror_check([mirror.line for mirror in near], emit),), left_out if without else ())
