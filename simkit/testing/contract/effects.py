"""What the register table says of reads and writes is all they do: the pre-burn check and the map believe it."""

from __future__ import annotations

import random

from simkit.contract.registers import Register
from simkit.testing.contract.copies import Fresh
from simkit.testing.contract.ledger import Ledger
from simkit.testing.contract.plain import difference
from simkit.testing.contract.seen import Save
from simkit.testing.contract.witness import WitnessBench

PROMISE = "effect"
TRIED = 4
"""Accesses tried from one state on."""


class EffectCheck:
    """Two cards in the same state: a register without an effect is accessed on one of them.

    Args:
        ledger: where findings go.
        fresh: makes a bench.
        rng: chance.
    """

    def __init__(self, ledger: Ledger, fresh: Fresh, rng: random.Random) -> None:
        self._ledger = ledger
        self._rng = rng
        self._bench, self._twin = fresh(), fresh()
        registers = self._bench.registers
        self._silent = [
            (register, False) for register in registers if "r" in register.access and not register.read_effect
        ]
        self._silent += [
            (register, True) for register in registers if register.access == "rw" and not register.write_effect
        ]

    def run(self, save: Save) -> None:
        """Try some accesses from one state on: a read, and a write of the byte that a register holds already."""
        for register, is_write in self._rng.sample(self._silent, min(TRIED, len(self._silent))):
            self._bench.resume(save)
            self._twin.resume(save)
            self._try(register, is_write=is_write)

    def _try(self, register: Register, *, is_write: bool) -> None:
        bench, twin = self._bench, self._twin
        bench.begin()
        cycle, offset = bench.cycle, register.offset
        if is_write:
            bench.write(offset, bench.raw_peek(offset))
        else:
            bench.read(offset)
        twin.run(1)
        if any(seen[0] == "finding" for seen in bench.log):
            return  # a mistake of the program, told and remembered; the board knows nothing of it
        state, without = _see(bench), _see(twin)
        if not self._ledger.holds(PROMISE, state == without):
            what, field = ("a write of the byte it holds", "write") if is_write else ("a read", "read")
            self._ledger.breaks(
                PROMISE,
                f"Register {register.name!r} has no {field}_effect, but {what} in cycle {cycle} changes something: "
                f"{difference(without, state)}.",
            )


def _see(bench: WitnessBench) -> dict[str, object]:
    return {"card": bench.state(), "events": bench.armed_now, "log": [list(seen) for seen in bench.log]}
