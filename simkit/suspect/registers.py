"""What registers answer in a capture, held against all that they ever answer in runs of a candidate.

The CPU model takes what a register answers as it is: a pad that is pressed and a pad whose wire is broken are bytes as
good as others. But a byte that is read from a register again and again, and that no run of the candidate ever shows
there, from power-on to the end and with all that hands do, is not its. Bytes that one run shows and the others do not
say how many new ones one more run may show.
"""

from __future__ import annotations

import math

import attrs
import numpy as np
from numpy.typing import NDArray

from simkit.backplane.select import ADDRESS_LINES
from simkit.backplane.wiring import DATA_LINES
from simkit.capture.captured import Captured
from simkit.compare.cells import Cells
from simkit.machine.machine import Machine
from simkit.records.observed import Observer
from simkit.suspect.steadiness import WRONG_BITS
from simkit.suspect.trial import WILD, Trial

Words = NDArray[np.int64]
LINES = (*DATA_LINES, *ADDRESS_LINES, "RW")
"""Bit i of a word is the level of LINES[i]: a byte, and above it the address."""
CHANCE = 1e-3
"""How often the noise of a capture may make one of its words as often as it comes. Ours."""
AGAIN = 4
"""Times that a byte is read at least, to be what a register gives: a CPU that runs astray reads any register now and
then, with what of the power-up is in it. Ours."""
SLICE_CYCLES = 100_000
_ADDRESS, _BYTE, _READ = 8, 0xFF, 1 << 24


@attrs.define(eq=False)
class Registers:
    """What registers answer, candidate by candidate; kept for the next capture.

    Attributes:
        trial: that candidates are put through.
    """

    trial: Trial
    _shown: dict[tuple[str, int], Words] = attrs.field(factory=dict)
    _is_register: NDArray[np.bool_] | None = None

    def strange(self, captured: Captured, name: str) -> str:
        """What a capture shows at a register that a candidate never does, in a sentence; "" where there is nothing."""
        words, counts = self._reads(captured)
        if not len(words):
            return ""
        odd, runs = words[counts >= AGAIN], list[Words]()
        for seed in self.trial.seeds:  # a run takes seconds: no more of them than tell
            runs.append(self._shown_by(name, seed))
            odd = odd[~np.isin(odd, runs[-1])]
            if len(runs) == 1:
                every, times = np.unique(_words(captured), return_counts=True)
                rate = WRONG_BITS / len(captured.names)
                no_noise = [_is_no_noise(word, every, times, rate, len(words)) for word in odd.tolist()]
                odd = odd[np.array(no_noise, bool)]
            if not len(odd):
                return ""
        new = _new(runs)
        by_address: dict[int, list[int]] = {}
        for word in odd.tolist():
            by_address.setdefault(word >> _ADDRESS & 0xFFFF, []).append(word)
        for address, own in by_address.items():
            if len(own) > new.get(address, 0):
                most = max(own, key=lambda word: int(counts[np.searchsorted(words, word)]))
                often = int(counts[np.searchsorted(words, most)])
                return f"${most & _BYTE:02X} is read from ${address:04X} {often} times, where it never gives that"
        return ""

    def shown(self, name: str) -> list[Words]:
        """Words of reads from registers in runs of a candidate, a power-up each, each word once, in order."""
        return [self._shown_by(name, seed) for seed in self.trial.seeds]

    def _shown_by(self, name: str, seed: int) -> Words:
        if (name, seed) not in self._shown:
            self._shown[name, seed] = self._run(name, seed)
        return self._shown[name, seed]

    def _run(self, name: str, seed: int) -> Words:
        machine = self.trial.machine(seed, name)
        kept = self.trial.prepared(machine, seed)
        found = [np.zeros(0, np.int64)]
        most = WILD * self.trial.most_accesses
        while machine.cycle < self.trial.cycles and not machine.cpu.halted and machine.bus.accesses.made <= most:
            with Observer(machine, LINES) as observer:
                machine.run_to(min(self.trial.cycles, machine.cycle + SLICE_CYCLES))
            found.append(self._of_registers(np.unique(observer.observed.levels.astype(np.int64))))
        del kept
        return np.unique(np.concatenate(found))

    def _reads(self, captured: Captured) -> tuple[Words, Words]:
        """Each different read from a register in a capture, and how often it comes."""
        words, counts = np.unique(_words(captured), return_counts=True)
        own = self._of_registers(words)
        return own, counts[np.searchsorted(words, own)]

    def _of_registers(self, words: Words) -> Words:
        if self._is_register is None:
            self._is_register = _registers(self.trial.machine(self.trial.seeds[0]))
        address = words >> _ADDRESS & 0xFFFF
        found: Words = words[(words & _READ != 0) & self._is_register[address]]
        return found


def _registers(machine: Machine) -> NDArray[np.bool_]:
    """Addresses at which reads reach a card, and no memory that a capture alone tells."""
    cells = Cells(machine)
    found = np.zeros(0x1_0000, bool)
    for address in range(0x1_0000):
        plan = machine.bus.reach.table.read_plan(address) if cells.read_at(address) < 0 else None
        found[address] = plan is not None and any(seat.plain is None for seat, *_ in plan.drivers)
    return found


def _words(captured: Captured) -> Words:
    levels, known = captured.gathered(LINES)
    found: Words = levels[known == np.uint64((1 << len(LINES)) - 1)].astype(np.int64)
    return found


def _is_no_noise(word: int, every: Words, times: Words, rate: float, words: int) -> bool:
    """Whether a word comes oftener than wrong bits make it of those that are one bit from it."""
    near = word ^ (np.int64(1) << np.arange(len(LINES)))
    at = np.minimum(np.searchsorted(every, near), len(every) - 1)
    mean = rate * float(times[at][every[at] == near].sum()) + rate
    count = int(times[np.searchsorted(every, word)])
    term, less = math.exp(-mean), 0.0
    for number in range(count):
        less += term
        term *= mean / (number + 1)
    return 1.0 - less < CHANCE / words


def _new(runs: list[Words]) -> dict[int, int]:
    """By address how many words one run shows that no other does: the most."""
    found: dict[int, int] = {}
    for at, own in enumerate(runs):
        others = np.concatenate([run for other, run in enumerate(runs) if other != at] or [np.zeros(0, np.int64)])
        addresses, counts = np.unique(own[~np.isin(own, others)] >> _ADDRESS & 0xFFFF, return_counts=True)
        for address, count in zip(addresses.tolist(), counts.tolist(), strict=True):
            found[address] = max(found.get(address, 0), count)
    return found
