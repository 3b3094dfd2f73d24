"""Routines and handlers that end with another depth of the stack than they began with, whichever way they take.

Each way through a routine is followed with the bytes that it has pushed and not pulled. A routine may push an address
and go there by RTS, or drop the address that it was called from: these are two bytes. An odd number is a byte that was
forgotten, when every way that comes to the RTS has one: where only some have, one condition may push and the same pull.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Iterator, Sequence

import attrs

from simkit.cpu.isa.effects import Effect, branch_target

DEEPEST = 32
"""Bytes by which a way may be off; one that is farther pushes in a loop, and is not followed."""

_MOVES_STACK = ("TXS", "TSX")
"""Who uses these knows more of the stack than can be read here."""


@attrs.frozen
class Uneven:
    """An end of a routine or handler.

    Attributes:
        entry: where it begins.
        end: the RTS or RTI.
        depths: bytes that are left there, by the ways that come there; below 0: too many were pulled.
        is_handler: it ends by RTI.
    """

    entry: int
    end: int
    depths: frozenset[int]
    is_handler: bool


def uneven(
    known: Collection[int],
    handlers: Iterable[int],
    code: Callable[[int], int],
    effects: Sequence[Effect],
) -> Iterator[Uneven]:
    """Ends that are uneven, each once.

    Args:
        known: addresses that surely are instructions.
        handlers: where handlers of interrupts begin.
        code: gives the byte at an address.
        effects: of the part's opcodes.
    """
    pcs = frozenset(known)
    called = {code(pc + 1) | code(pc + 2) << 8 for pc in pcs if effects[code(pc)].opcode.mnemonic == "JSR"}
    told = set()
    for entry in sorted(called & pcs):
        for end, depths in _ends(entry, pcs, code, effects, "RTS").items():
            if end not in told and all(depth % 2 for depth in depths):
                told.add(end)
                yield Uneven(entry, end, depths, False)
    for entry in sorted(set(handlers) & pcs - called):
        for end, depths in _ends(entry, pcs, code, effects, "RTI").items():
            if end not in told and 0 not in depths:
                told.add(end)
                yield Uneven(entry, end, depths, True)


def _ends(
    entry: int, pcs: frozenset[int], code: Callable[[int], int], effects: Sequence[Effect], ends_by: str
) -> dict[int, frozenset[int]]:
    """Depths at each end of a routine; nothing where it cannot be followed."""
    seen: set[tuple[int, int]] = set()
    left = [(entry, 0)]
    found: dict[int, set[int]] = {}
    while left:
        pc, depth = left.pop()
        if (pc, depth) in seen:
            continue
        seen.add((pc, depth))
        if pc not in pcs:
            continue
        effect = effects[code(pc)]
        name = effect.opcode.mnemonic
        if name in _MOVES_STACK or abs(depth) > DEEPEST:
            return {}
        if name in ("RTS", "RTI"):
            if name == ends_by:
                found.setdefault(pc, set()).add(depth)
            continue
        behind = pc + effect.length & 0xFFFF
        if name == "JMP":
            if effect.opcode.mode == "abs":
                left.append((code(pc + 1 & 0xFFFF) | code(pc + 2 & 0xFFFF) << 8, depth))
            continue
        if name in ("BRK", "STP", "JAM"):
            continue
        if effect.branches:
            left.append((branch_target(behind, code(behind - 1 & 0xFFFF)), depth))
            if not effect.conditional:
                continue
        left.append((behind, depth + (0 if name == "JSR" else effect.depth)))
    return {end: frozenset(depths) for end, depths in found.items()}
