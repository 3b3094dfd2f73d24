"""The vectors of an image: whether each points at a routine, and which of them matter in this machine."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from simkit.backplane.seat import Seat
from simkit.backplane.vectors import VECTORS
from simkit.check.image.codemap import ENDS, reached
from simkit.check.image.ground import program_bytes
from simkit.check.result.notes import Noted
from simkit.cpu.isa.effects import effects
from simkit.cpu.isa.opcodes import OPCODES
from simkit.machine.machine import Machine
from simkit.rom.listing import Listing

UNSEEN = -1
"""Cycle of a finding that needed no run."""

HANDLER_INSTRUCTIONS = 64
"""A handler without a call or jump is no longer than this."""

_FIRST_VECTOR = min(VECTORS.values())


def vector_findings(machine: Machine, listing: Listing | None) -> Iterator[Noted]:
    """Vectors that do not point at code and that something in the machine, or a BRK of the program, can take."""
    targets = machine.vectors()
    for name, at in VECTORS.items():
        wired = bool(machine.lines[name].pins)
        if name == "IRQ" and not (wired or _breaks(machine)):
            continue  # nobody can pull the line, and no BRK comes: what stands there does not matter
        if name == "NMI" and not wired:
            continue
        if name == "RESET" and machine.cpu.start is not None:
            continue  # fetched and not followed
        if name not in targets:
            yield Noted("vector-astray", f"No card answers at ${at:04X}, the {name} vector.", None, at, None, UNSEEN)
            continue
        target = targets[name]
        problem = _target_problem(machine, target, listing, may_be_ram=name != "RESET")
        if problem is None and (name == "NMI" or (name == "IRQ" and (_breaks(machine) or _allows(machine)))):
            problem = _forgotten(machine, target)
        if problem is None and name == "RESET" and _ends_like_a_handler(machine, target):
            problem = "the code there ends with RTI, as a handler does: are two of the vectors exchanged?"
        if problem:
            label = machine.place(target).name
            shown = f"${target:04X}{f' ({label})' if label else ''}"
            yield Noted(
                "vector-astray",
                f"The {name} vector at ${at:04X} says {shown}: {problem}.",
                None,
                at,
                machine.bus.where(at)[0][0].slot,
                UNSEEN,
            )


def entries(machine: Machine, names: Iterable[str] = VECTORS) -> Iterator[int]:
    """Where the vectors of these names lead, as far as something stands there."""
    starts = machine.vectors()
    if machine.cpu.start is not None:
        starts["RESET"] = machine.cpu.start
    for name, target in starts.items():
        if name not in names or not 0 < target < _FIRST_VECTOR:
            continue
        if _target_problem(machine, target, None, may_be_ram=True) is None:
            yield target


def _breaks(machine: Machine) -> bool:
    """Whether the program surely comes to a BRK, which takes the IRQ vector; zeros behind a JSR may end a text."""
    return _has(machine, "BRK", behind_calls=False)


def _allows(machine: Machine) -> bool:
    """Whether the program allows interrupts somewhere on its way from RESET."""
    return _has(machine, "CLI", behind_calls=True)


def _has(machine: Machine, mnemonic: str, *, behind_calls: bool) -> bool:
    table = OPCODES[machine.description.cpu]
    found = reached(machine, entries(machine, ("RESET",)), behind_calls=behind_calls)
    return any(table[machine.peek(pc)].mnemonic == mnemonic for pc in found)


def _forgotten(machine: Machine, target: int) -> str | None:
    """Why a word is none that anybody would have written as a vector, or None."""
    if target >= _FIRST_VECTOR:
        return "the vectors themselves lie there" + (", so the word was left erased" if target == 0xFFFF else "")
    if target == 0 and not machine.loaded and not _may_write_cell_0(machine):
        return "no store of the program puts a handler there, so the word was left at zero"
    return None


def _may_write_cell_0(machine: Machine) -> bool:
    """Whether a store of the program could put a handler to $0000: by its address, an index or a pointer."""
    part = effects(machine.description.cpu)
    for pc in reached(machine, entries(machine)):
        effect = part[machine.peek(pc)]
        if not (effect.stores or effect.modifies):
            continue
        operand = machine.peek(pc + 1 & 0xFFFF)
        if effect.length == 3:
            operand |= machine.peek(pc + 2 & 0xFFFF) << 8
        if operand == 0 or effect.indirect or (operand < 0x100 and effect.opcode.mode.endswith(("x", "y"))):
            return True
    return False


def _ends_like_a_handler(machine: Machine, address: int) -> bool:
    """Whether straight on from there the first end is an RTI."""
    table = OPCODES[machine.description.cpu]
    for _ in range(HANDLER_INSTRUCTIONS):
        opcode = table[machine.peek(address)]
        if opcode.mnemonic == "RTI":
            return True
        if opcode.mnemonic in ENDS or opcode.mnemonic in ("JSR", "TXS") or not opcode.documented:
            return False
        address = address + opcode.length & 0xFFFF
    return False


def _target_problem(machine: Machine, target: int, listing: Listing | None, *, may_be_ram: bool) -> str | None:
    reached_by = machine.bus.where(target)
    if not reached_by:
        return "no card answers there"
    seat, offset = reached_by[0]
    if seat.rom() is not None:
        content = content_of(seat)
        if not program_bytes(content)[offset]:
            return f"filler of {seat.name} (${content[offset]:02X})"
        row = listing.row(target) if listing is not None else None
        if row is not None and (not row.code or row.address != target):
            return f"no instruction begins there ({row.place})"
        return None
    if seat.plain is not None and seat.plain.read is not None:
        return None if may_be_ram else f"{seat.name} holds noise there at power-up"
    return None if seat.holds_program(offset) else f"registers of {seat.name}"


def content_of(seat: Seat) -> bytes:
    """Bytes of a ROM card."""
    content = seat.rom()
    assert content is not None
    return bytes(content)
