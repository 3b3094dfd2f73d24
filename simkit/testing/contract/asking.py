"""Lazy equals asked: whoever looks at a card, and however often, it stays as it is."""

from __future__ import annotations

import marshal
import random
from collections.abc import Callable
from typing import Any

from simkit.backplane.decode import driven_masks
from simkit.testing.contract.ledger import Ledger
from simkit.testing.contract.plain import difference
from simkit.testing.contract.script import Step, do, run_out
from simkit.testing.contract.seen import Seen
from simkit.testing.contract.witness import WitnessBench

EVERY_CYCLE = 64
"""Gaps up to this length are gone through cycle by cycle."""
ASKED = 0.1
"""Share of the cycles gone through in which everything is asked; the card is brought up to date in all."""
SCREENS_IN = 40
"""One question in so many is for the picture as well, which takes long."""


class Asker:
    """Asks a card everything, again and again.

    Args:
        bench: the card's.
        ledger: where findings go.
        rng: chance.
    """

    def __init__(self, bench: WitnessBench, ledger: Ledger, rng: random.Random) -> None:
        self._bench = bench
        self._ledger = ledger
        self._rng = rng
        registers = bench.registers
        self._names = {register.offset: register.name for register in registers if "r" in register.access}
        self._masks = driven_masks(registers)
        self._undriven: dict[int, set[int]] = {}

    def run(self, script: list[Step]) -> None:
        """Run a script to its end and the card's last event, asking in between."""
        bench = self._bench
        for step in script:
            self._pass(step.cycle)
            expected = None
            if step.action == "read":
                bench.begin()
                expected = bench.peek(step.where)
            logged = len(bench.log)
            do(bench, step)
            if expected is not None:
                self._compare_read(expected, bench.log[logged:])
        run_out(bench, self._pass)
        self._look_at_undriven_bits()

    def _compare_read(self, expected: int, log: list[Seen]) -> None:
        if any(seen[0] == "waits" and seen[3] for seen in log):
            return  # the read came later than the peek
        _, cycle, offset, got = next(seen for seen in log if seen[0] == "read")
        if not self._ledger.holds("peek", got == expected):
            self._ledger.breaks(
                "peek", f"peek said ${expected:02X}, but the read of offset {offset} in cycle {cycle} gave ${got:02X}."
            )

    def _pass(self, cycle: int) -> None:
        """Let time pass up to a cycle: through every cycle of short gaps, in leaps through long ones."""
        bench, rng = self._bench, self._rng
        while bench.cycle < cycle:
            bench.begin()
            bench.question("advance", bench.card.advance, bench.cycle)
            if rng.random() < ASKED:
                self.ask()
            gap = cycle - bench.cycle
            bench.run(1 if gap < EVERY_CYCLE else rng.randrange(1, gap))

    def ask(self) -> None:
        """Ask everything twice in the current cycle; the answers and the state must be the same."""
        bench, ledger = self._bench, self._ledger
        questions = self._questions(screens=self._rng.randrange(SCREENS_IN) == 0)
        state = bench.snapshot()
        first: dict[str, Any] = {}
        for name, question in questions.items():
            first[name] = question()
            after = bench.snapshot()
            if not ledger.holds("lazy", after == state):
                found = difference(marshal.loads(state), marshal.loads(after))
                ledger.breaks("changed", f"{name} changed the state in cycle {bench.cycle}: {found}.")
            state = after
        for name, question in questions.items():
            answer = question()
            if not ledger.holds("peek" if name == "peek" else "lazy", answer == first[name]):
                ledger.breaks(name, f"Asked twice in cycle {bench.cycle}: {difference(first[name], answer, name)}.")
        for offset, byte in first["peek"].items():
            if self._masks.get(offset):
                self._undriven.setdefault(offset, set()).add(byte & ~self._masks[offset])
        self._look_at_plain_memory(first["peek"])

    def _questions(self, *, screens: bool) -> dict[str, Callable[[], Any]]:
        bench = self._bench
        return {
            "advance": lambda: bench.question("advance", bench.card.advance, bench.cycle),
            "peek": lambda: {offset: bench.raw_peek(offset) for offset in bench.some_offsets()},
            "words": bench.words,
            "the program in it": bench.tell_program,
            "steady_until": lambda: {offset: bench.steady_until(offset) for offset in bench.some_offsets()},
            "wait_cycles": bench.waits,
            "unfinished": bench.unfinished,
            "standstill": bench.standstills,
            "left_undone": lambda: bench.question("left_undone", bench.left_undone, bench.cycle),
            "what leaves a port": lambda: bench.ports(screens=screens),
            "the level of a pin": bench.pin_levels,
            "save": bench.state,
        }

    def _look_at_plain_memory(self, peeked: dict[int, int]) -> None:
        bench, ledger = self._bench, self._ledger
        if not bench.keeps_buffers():
            ledger.breaks("plain", "plain_memory gives another buffer than before; engines go on with the first one.")
        memory = bench.readable_memory or b""
        for offset, byte in peeked.items():
            if offset < len(memory) and not ledger.holds("plain", memory[offset] == byte):
                ledger.breaks(
                    "plain", f"Plain memory holds ${memory[offset]:02X} at offset {offset}, peek gives ${byte:02X}."
                )

    def _look_at_undriven_bits(self) -> None:
        """Bits that the register table says the card leaves alone, and that move all the same."""
        for offset, found in self._undriven.items():
            moving = 0
            for byte in found:
                moving |= byte ^ min(found)
            if not self._ledger.holds("driven", moving == 0):
                bits = ", ".join(str(bit) for bit in range(8) if moving >> bit & 1)
                self._ledger.breaks(
                    "driven",
                    f"Register {self._names[offset]!r}: bit {bits} moves in peek, but by its `driven` mask the card "
                    "leaves it to the bus.",
                )
