"""What each candidate is put through: the same machine, input and length, under several power-ups."""

from __future__ import annotations

import hashlib
import pickle
from collections.abc import Callable, Mapping

import attrs

from simkit.machine.fingerprint import Fingerprint
from simkit.machine.machine import Machine
from simkit.machinefile.description import Description

BEHIND_CYCLES = 32_000
"""Bus cycles that are kept of each run from where it parts from the one without a fault: 16 ms at 2 MHz."""
GLANCE_CYCLES = 4_000
"""Bus cycles that are kept at each of the moments at which screens are looked at."""
TAIL_CYCLES = 16_000
"""Bus cycles at the end that are kept."""
FOLLOWED_CYCLES = 4_000_000
"""Bus cycles from power-on in which it is looked for where runs part: what is later is kept in glances alone."""
POWER_UPS = (101, 202, 303, 404)
"""Seeds of the power-ups, far from 1, which machine files have."""
MOMENTS = 4
"""How often, spread evenly over the run, screens and terminals are looked at."""

MOST_ACCESSES = 20_000
WILD = 3
"""A run is wild with so many times the accesses of the one without a fault, and MOST_ACCESSES at least."""

Prepare = Callable[[Machine], object]
"""Queues the input; what it gives is kept until the run ends. A function or object that can be pickled."""


@attrs.frozen(kw_only=True)
class Trial:
    """What each candidate is put through.

    Attributes:
        description: the machine without the fault, whatever else is wrong with it.
        images: by slot, as they are in the sockets.
        cycles: length of each run.
        prepare: queues the input, or None.
        seeds: of the power-ups; noise in memory and the phases of the cards' crystals follow from them.
        most_accesses: to cards, one by one, after which a run has gone wild and is ended.
        followed: cycles in which runs are compared with the one without a fault.
        behind, glance, tail: bus cycles that are kept from where they part, at moments, and up to the end.
    """

    description: Description
    images: Mapping[int, bytes]
    cycles: int
    prepare: Prepare | None = None
    seeds: tuple[int, ...] = POWER_UPS
    most_accesses: int = MOST_ACCESSES
    followed: int = FOLLOWED_CYCLES
    behind: int = BEHIND_CYCLES
    glance: int = GLANCE_CYCLES
    tail: int = TAIL_CYCLES

    @classmethod
    def of(cls, machine: Machine, cycles: int, prepare: Prepare | None = None) -> Trial:
        """With the machine as it is described, and the images in its sockets."""
        return cls(description=machine.description, images=machine.images(), cycles=cycles, prepare=prepare)

    def machine(self, seed: int, fault: str = "") -> Machine:
        """The machine with a fault, just switched on; without one when it is "".

        Raises:
            SimkitError: there can be no such machine.
            CardError: a card fails with it.
        """
        description = self.description.with_faults([fault]) if fault else self.description
        there = {card.slot for card in description.cards}
        images = {slot: image for slot, image in self.images.items() if slot in there}
        return Machine(attrs.evolve(description, seed=seed), images)

    @property
    def tail_from(self) -> int:
        """Cycle from which on the end is kept: half of a short run at most."""
        return self.cycles - min(self.tail, self.cycles // 2)

    @property
    def identity(self) -> str:
        """Hash of all that outcomes depend on."""
        fingerprint = Fingerprint.of(self.description, self.images)
        kept = (self.followed, self.behind, self.glance, self.tail)
        said = (fingerprint.to_data(), self.cycles, self.seeds, kept, pickle.dumps(self.prepare))
        return hashlib.sha256(repr(said).encode()).hexdigest()
