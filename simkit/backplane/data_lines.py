"""What the data lines carry: when nobody drives them, when one card does, and when several fight."""

from __future__ import annotations

import hashlib
import re

from simkit.backplane.conductors import CpuData, open_bus_levels
from simkit.backplane.decode import Plan
from simkit.backplane.transceiver import KIND as TRANSCEIVER
from simkit.backplane.wiring import Wiring
from simkit.contract.findings import Findings

CONTENTION = "contention"
"""Rule of a fight."""


class DataLines:
    """The eight data lines of a backplane.

    Args:
        findings: where fights are told.
        wiring: what is done to lines for all.
        open_bus: what an undriven read gives, "last", "pull-up" or "pull-down".
        contention: "and", or "mix": on each line a driver wins, by seed and cycle.
        seed: of that.

    Attributes:
        cpu: the way of data between the lines and the CPU; None: straight.
        keeps: bits that stay as they were while nobody drives them.
        pulled: those of the others that are pulled high.
        on_lines: byte on the backplane in the access that was last made by a card, where the CPU's is another.
    """

    __slots__ = ("_findings", "_mix", "_seed", "cpu", "keeps", "on_lines", "pulled")

    def __init__(self, findings: Findings, wiring: Wiring, *, open_bus: str, contention: str, seed: int) -> None:
        self._findings = findings
        self._mix = contention == "mix"
        self._seed = seed
        self.keeps, self.pulled = open_bus_levels(open_bus, wiring)
        self.cpu = CpuData.of(wiring, self.pulled)
        self.on_lines = 0

    def released(self, last: int) -> int:
        """Byte on the lines while nobody drives them; `last` was it in the cycle before."""
        return (last if self.cpu is None else self.cpu.gives[last]) & self.keeps | self.pulled

    def together(self, plan: Plan, value: int, cycle: int, given: list[int]) -> int:
        """Byte on the lines when the drivers of a plan give theirs; `value` stays where none of them drives."""
        if self._mix and len(given) > 1:
            driving = [
                (seat.on_the_lines(byte, offset), mask)
                for (seat, offset, mask), byte in zip(plan.drivers, given, strict=True)
            ]
            return self._mixed(driving, value, cycle)
        result, driven = 0xFF, 0
        for (seat, offset, mask), byte in zip(plan.drivers, given, strict=True):
            result &= (byte if seat.data is None else seat.on_the_lines(byte, offset)) | ~mask
            driven |= mask
        return result & driven | value & ~driven

    def _mixed(self, driving: list[tuple[int, int]], value: int, cycle: int) -> int:
        """On each data line one of those that drive it wins, seeded."""
        digest = hashlib.blake2b(f"{self._seed}/contention/{cycle}".encode(), digest_size=8).digest()
        for bit in range(8):
            levels = [byte & 1 << bit for byte, mask in driving if mask >> bit & 1]
            if levels:
                value = value & ~(1 << bit) | levels[digest[bit] % len(levels)]
        return value

    def contend(self, plan: Plan, value: int, address: int, cycle: int) -> int:
        """Have all drivers of a read drive; gives the byte on the lines, `value` where none does."""
        value = self.together(plan, value, cycle, [seat.read(offset, cycle) for seat, offset, _ in plan.drivers])
        taken = twice = 0
        for _, _, mask in plan.drivers:
            twice |= taken & mask
            taken |= mask
        if twice and not self._counted(None):
            names = " and ".join([seat.name for seat, _, mask in plan.drivers if mask & twice])
            self._findings.add(
                CONTENTION, cycle, f"{names} drive the data lines together at ${address:04X}.", address=address
            )
        return value

    def _counted(self, slot: int | None) -> bool:
        """Whether of a fight nothing is left but its number, which is counted here: a machine astray has thousands."""
        if not self._findings.counts_only(CONTENTION, slot):
            return False
        self._findings.count_more(CONTENTION, slot, 1)
        return True

    def fight_cpu(self, plan: Plan, value: int, address: int, cycle: int) -> int:
        """Have all drivers of a write drive against the CPU, which gives `value`; gives the byte on the lines."""
        for seat, offset, mask in plan.drivers:
            byte = seat.on_the_lines(seat.read(offset, cycle), offset)
            value &= byte | ~mask & 0xFF
            if not mask or self._counted(seat.slot):
                continue
            strobe = seat.output_enable
            why = f"its output enable {strobe.text!r} is true then"
            if not re.search(r"\bRW\b", strobe.text):
                why = "its output enable ignores RW"
            if seat.kind == TRANSCEIVER:
                why = "it drives towards the bus"
            self._findings.add(
                CONTENTION,
                cycle,
                f"{seat.name} drives the data lines while the CPU writes ${address:04X}: {why}.",
                address=address,
                slot=seat.slot,
            )
        return value
