"""What the run without a fault exercises, and which candidates it therefore cannot show.

A candidate whose decoding and bytes are the same in every access that the run without a fault makes answers the first
of them as before, so the CPU goes on as before, and so on to the end: its runs are those without a fault. Only what is
in tables is decided so (`simkit.suspect.equal`); all else is run.
"""

from __future__ import annotations

import attrs
import numpy as np

from simkit.backplane.decode import Pins
from simkit.machine.machine import Machine
from simkit.records.recorder import Recorder
from simkit.suspect.equal import Decoded, decoded, straight
from simkit.suspect.trial import Trial

_STRAIGHT = bytes(range(256))


@attrs.frozen
class Exercised:
    """What runs without a fault did, all power-ups together.

    Attributes:
        accessed: truth tables of the addresses that were read, and that were written.
        seen: by slot the bytes that were read from it, and that were written to it.
        sound: the decoding without a fault.
        card_accesses: accesses that a run asked cards for, one by one.
        banked: whether the decoding moves, so that nothing can be said of accesses.
    """

    accessed: tuple[int, int]
    seen: dict[int, tuple[frozenset[int], frozenset[int]]]
    sound: Decoded
    card_accesses: int
    banked: bool

    def is_shown(self, machine: Machine) -> bool:
        """Whether a machine, just switched on, may run otherwise than the one without a fault."""
        other = decoded(machine)
        if other.key == self.sound.key:
            return False
        if self.banked or other.rest != self.sound.rest or set(other.tables) != set(self.sound.tables):
            return True
        return any(self._differs(slot, other) for slot in other.tables)

    def _differs(self, slot: int, other: Decoded) -> bool:
        for way, accessed in enumerate(self.accessed):
            mine, its = self.sound.tables[slot][way], other.tables[slot][way]
            if any((one ^ two) & accessed for one, two in zip(mine, its, strict=True)):
                return True
            reached = (mine[0] | mine[1]) & accessed
            if _pins_differ(self.sound.pins[slot][way], other.pins[slot][way], reached):
                return True
        if self.sound.data[slot] == other.data[slot]:
            return False
        _, takes, gives, given = other.data[slot]
        its = self.sound.data[slot][3]
        if self.sound.data[slot][0] is not None or given is None or given.keeps or its is None:
            return any(self.seen[slot])
        read, written = self.seen[slot]
        to_cpu, sound = given.gives or _STRAIGHT, its.gives or _STRAIGHT  # a late pin gives the level of a pulled line
        return any((gives or _STRAIGHT)[byte] != byte or to_cpu[byte] != sound[byte] for byte in read) or any(
            (takes or _STRAIGHT)[byte] != byte for byte in written
        )


def exercised(trial: Trial) -> Exercised:
    """Run without a fault under each power-up and see what is exercised."""
    pairs = np.zeros((2, 0x1_0000, 256), bool)
    for seed in trial.seeds:
        machine = trial.machine(seed)
        sound, banked = decoded(machine), bool(machine.bus.reach.banks.lines)
        kept = trial.prepared(machine, seed)
        with Recorder(machine) as recorder:
            machine.run_to(trial.cycles)
        del kept
        cycles = recorder.cycles
        pairs[cycles.is_write.astype(np.uint8), cycles.address, cycles.data] = True
    machine = trial.machine(trial.seeds[0])  # unrecorded: rounds of waiting loops are not made
    kept = trial.prepared(machine, trial.seeds[0])
    machine.run_to(trial.cycles)
    del kept
    return exercised_by(sound, pairs, machine.bus.accesses.made, banked=banked)


def exercised_by(
    sound: Decoded, pairs: np.ndarray[tuple[int, ...], np.dtype[np.bool_]], card_accesses: int, *, banked: bool
) -> Exercised:
    """What accesses exercise.

    Args:
        sound: the decoding without a fault.
        pairs: flags of shape (2, 65536, 256): which bytes were read, and written, at which addresses.
        card_accesses: that a run asked cards for.
        banked: whether the decoding moves.
    """
    accessed = _table(pairs[0].any(axis=1)), _table(pairs[1].any(axis=1))
    seen = {
        slot: (
            _bytes(pairs[0], on_read[0] & accessed[0]),
            _bytes(pairs[1], on_write[0] & accessed[1]),
        )
        for slot, (on_read, on_write) in sound.tables.items()
    }
    return Exercised(accessed, seen, sound, card_accesses, banked)


def _pins_differ(some: Pins, others: Pins, reached: int) -> bool:
    """Whether address pins carry something else at addresses that reach the card."""
    if some == others or not reached:
        return False
    count = len(some or others or ())
    pairs = zip(some or straight(count), others or straight(count), strict=True)
    return any((int.from_bytes(one, "little") ^ int.from_bytes(two, "little")) & reached for one, two in pairs)


def _table(accessed: np.ndarray[tuple[int], np.dtype[np.bool_]]) -> int:
    return int.from_bytes(np.packbits(accessed, bitorder="little").tobytes(), "little")


def _bytes(pairs: np.ndarray[tuple[int, ...], np.dtype[np.bool_]], reached: int) -> frozenset[int]:
    """Bytes that were on the lines at some addresses."""
    where = np.unpackbits(np.frombuffer(reached.to_bytes(1 << 13, "little"), np.uint8), bitorder="little") != 0
    return frozenset(np.flatnonzero(pairs[where].any(axis=0)).tolist())
