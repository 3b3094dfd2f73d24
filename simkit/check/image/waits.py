"""What a loop that waits looks at: registers, and the bits of them by which it decides."""

from __future__ import annotations

from collections.abc import Collection, Iterator

from simkit.check.image.named import word
from simkit.check.result.notes import Noted
from simkit.cpu.isa.effects import effects
from simkit.machine.machine import Machine
from simkit.machine.registers import Placed, placed_registers

_SHIFTED_OUT = {"LSR": 0x01, "ROR": 0x01, "ASL": 0x80, "ROL": 0x80}
_OF_FLAG = {"n": 0x80, "v": 0x40}


def looked_at(machine: Machine, loop: Collection[int]) -> Iterator[tuple[int, int, int]]:
    """Reads of a loop whose bits decide: instruction, address read, mask of the bits.

    Told are the usual forms: a load or BIT and a branch by N or V, a load, AND with a number and a branch by Z, a
    load, a shift and a branch by C, BIT with a number loaded in the loop and a branch by Z.
    """
    part = effects(machine.description.cpu)
    code = sorted(loop)
    immediate: int | None = None  # in A
    for pc, second, third in zip(code, [*code[1:], -1], [*code[2:], -1, -1], strict=False):
        effect = part[machine.peek(pc)]
        name, mode = effect.opcode.mnemonic, effect.opcode.mode
        if mode != "abs" or (name != "BIT" and not effect.sets) or second < 0:
            immediate = machine.peek(pc + 1 & 0xFFFF) if name == "LDA" and mode == "imm" else None
            continue
        following = part[machine.peek(second)]
        by = next(iter(following.reads), "") if following.conditional else ""
        last = part[machine.peek(third)] if third >= 0 else None
        decides = last is not None and last.conditional
        mask = 0
        if by in _OF_FLAG and (by == "n" or name == "BIT"):
            mask = _OF_FLAG[by]
        elif by == "z" and name == "BIT" and immediate is not None:
            mask = immediate
        elif following.opcode.mnemonic == "AND" and following.opcode.mode == "imm" and decides:
            mask = machine.peek(second + 1 & 0xFFFF)
        elif following.opcode.mnemonic in _SHIFTED_OUT and following.opcode.mode == "acc" and decides:
            mask = _SHIFTED_OUT[following.opcode.mnemonic] if last is not None and "c" in last.reads else 0
        if mask:
            yield pc, word(machine, pc + 1), mask
        immediate = None


def waits_in_vain(machine: Machine, loop: Collection[int], cycle: int) -> list[Noted]:
    """What a loop waits for that cannot come before the program writes to a card, by the card's word."""
    looks = list(looked_at(machine, loop))
    if not looks:
        return []
    placed = [one for one in placed_registers(machine.bus.reach.table) if one.reads]
    found = []
    for pc, address, mask in looks:
        register = next((one for one in placed if one.reads >> address & 1), None)
        reasons = [] if register is None else _reasons(machine, register, mask)
        if register is None or not reasons or not all(why for _, why in reasons):
            return []  # something may still end the loop
        bits = " and ".join(f"bit {number} ({name})" for (number, name), _ in reasons)
        found.append(
            Noted(
                "wait-in-vain",
                f"The program waits for {bits} of {register.register.name} of {register.seat.name} at ${address:04X}: "
                f"{'; '.join(why for _, why in reasons)}.{_instead(machine, register, mask)}",
                pc,
                address,
                register.seat.slot,
                cycle,
            )
        )
    return found


def _reasons(machine: Machine, register: Placed, mask: int) -> list[tuple[tuple[int, str], str]]:
    """Each bit of the mask with its name, and why it does not change."""
    found = []
    for number in range(8):
        if mask >> number & 1:
            names = [bit.name for bit in register.bits if bit.seen >> number & 1]
            why = [register.seat.standstill(name, machine.cycle) for name in names]
            found.append(((number, "+".join(names)), "; ".join(why) if why and all(why) else ""))
    return found


def _instead(machine: Machine, register: Placed, mask: int) -> str:
    """The bits that are set beside those of the mask, as a sentence."""
    value = int(machine.peek(next(register.addresses())))
    others = [
        f"{bit.name} (bit {number}, mask ${1 << number:02X})"
        for bit in register.bits
        for number in range(8)
        if (bit.seen & value) >> number & 1 and not mask >> number & 1
    ]
    return f" Set, and not looked at: {', '.join(others)}." if others else ""
