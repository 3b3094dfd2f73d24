"""What a program owes to luck, in words: what people see, what it hangs on, where it shows first, what to do."""

from __future__ import annotations

from simkit.check.result.notes import Noted
from simkit.cpu.isa.flags import flags_set
from simkit.luck.luck import Cause
from simkit.luck.narrow import Piece
from simkit.luck.parting import Parting
from simkit.luck.sight import LOOKS, PIN, Difference
from simkit.luck.unknown import BUS, CHANCE, FLAGS, MEMORY, PART, REGISTER, RESIDUE, SETTING, Maker, Unknown
from simkit.machine.found import who
from simkit.machine.machine import Machine

RULE = "works-by-luck"

MOST_PIECES = 3
"""Of a cause, that are named."""

_DO = {
    MEMORY: "Store a value there before it is read.",
    CHANCE: "Ask the card for it (a flag, a register) instead of counting on it, or set it first.",
    RESIDUE: "No card answers there: correct the address, or do not use what is read.",
    PART: "Write it so that both parts do the same, or say which part the machine needs.",
    SETTING: "Parts differ in it: write it so that it does not matter.",
}


def noted(maker: Maker, machine: Machine, cause: Cause) -> Noted:
    """A cause as a finding.

    Args:
        maker: of the machines that were run.
        machine: one of them, for names.
        cause: what was found.
    """
    parts, first = cause.parts, cause.hangs_on[0].unknown
    hangs = " and ".join(_piece(maker, machine, piece, cause) for piece in cause.hangs_on[:MOST_PIECES])
    if len(cause.hangs_on) > MOST_PIECES:
        hangs += f" and {len(cause.hangs_on) - MOST_PIECES} more"
    return Noted(
        RULE,
        f"{_seen(machine, cause.seen)} hangs on {hangs}. {_where(machine, parts)}{_do(machine, first, parts)}",
        parts.pc if parts is not None else None,
        _address(machine, cause.hangs_on[0], parts),
        first.slot or None,
        parts.cycle if parts is not None else -1,
    )


def _seen(machine: Machine, seen: Difference) -> str:
    card = who(machine, seen.slot or None)
    when = f"{(seen.look + 1) / LOOKS:.3g} s after power-on"
    if seen.what == "screen":
        return f"The picture of {card} {when}"
    if seen.what == "lamps":
        return f"What the lamps of {card} show {when}"
    if seen.what.startswith(PIN):
        return f"The level of pin {seen.what.removeprefix(PIN)} of {card} {when}"
    if seen.what == "serial":
        return f"What {card} sends {when} ({seen.first} or {seen.second})"
    if seen.what == "end":
        return f"How the run ends ({seen.first}, or {seen.second})"
    return f"Whether {seen.first or seen.second} is found at {card}"


def _piece(maker: Maker, machine: Machine, piece: Piece, cause: Cause) -> str:
    unknown, card = piece.unknown, who(machine, piece.unknown.slot)
    usual, other = maker.usual.values.get(unknown), cause.power_up.values.get(unknown)
    if unknown.kind == MEMORY:
        assert isinstance(usual, bytes)
        assert isinstance(other, bytes)
        place, address = piece.places[0], _address(machine, piece, cause.parts)
        name = f"offset ${place:04X} of {card}" if address is None else machine.place(address).words()
        return f"what {name} holds at power-up (${usual[place]:02X} or ${other[place]:02X})"
    if unknown.kind == REGISTER and unknown.name in FLAGS:
        return f"the {flags_set(FLAGS[unknown.name])[0]} flag at power-up"
    if unknown.kind == REGISTER:
        names = {"sp": "the stack pointer at power-up", BUS: "the byte on the data lines before the first cycle"}
        name = names.get(unknown.name, f"register {unknown.name.upper()} at power-up")
        return f"{name} (${usual:02X} or ${other:02X})"
    if unknown.kind == CHANCE:
        return f"what {card} leaves to chance at power-up ({unknown.name})"
    if unknown.kind == RESIDUE:
        return f"what the data lines hold while nobody drives them ({usual} or {other})"
    if unknown.kind == PART:
        return f"the part of the CPU ({machine.description.cpu} or {other})"
    described = machine.description
    settings = next((one.settings for one in described.cards if one.slot == unknown.slot), described.cpu_options)
    values = f"{getattr(settings, unknown.name)!r} or {other!r}"
    part = f"the part of {card}" if unknown.slot else "the CPU"
    return f"how {part} is made ({unknown.name}: {values}; sources leave it open)"


def _address(machine: Machine, piece: Piece, parts: Parting | None) -> int | None:
    """Address of a byte of memory; of others that of the access at which it shows."""
    address: int
    if piece.unknown.kind != MEMORY:
        return parts.address if parts is not None else None
    table = machine.bus.reach.table
    near = (parts.address, parts.other_address) if parts is not None else ()
    for seat, read, *_ in table.selects:
        if seat.slot == piece.unknown.slot:
            for address in (*near, *range(0x10000)):
                if read >> address & 1 and table.offset(seat, address) == piece.places[0]:
                    return address
    return None


def _where(machine: Machine, parts: Parting | None) -> str:
    if parts is None:
        return ""
    if parts.pc is None:
        return "It shows first in an interrupt sequence. "
    instruction = machine.disassemble(parts.pc, 1)[0].text
    return f"It shows first at {instruction} at {machine.place(parts.pc).words()}. "


def _do(machine: Machine, first: Unknown, parts: Parting | None) -> str:
    if first.kind == RESIDUE and parts is not None and not parts.is_write:
        drivers = machine.bus.reach.table.read_plan(parts.address).drivers
        if drivers:
            mask = drivers[0][2]
            return f"Only some bits are driven there: mask the others out (AND #%{mask:08b})."
    if first.kind != REGISTER:
        return _DO[first.kind]
    if first.name == "sp":
        return "LDX #$FF and TXS come before the stack is used."
    if first.name == "d":
        return "CLD comes before the first ADC or SBC."
    return "Set it before it is used."
