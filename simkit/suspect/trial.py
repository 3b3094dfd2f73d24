"""What each candidate is put through: the same machine, input and length, under several power-ups."""

from __future__ import annotations

import hashlib
import pickle
import random
from collections.abc import Callable, Mapping
from fractions import Fraction

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
LATE = 5
"""How often it is halved what is left of the run behind the last of them, for another look: people look at the end."""

MOST_ACCESSES = 20_000
WILD = 3
"""A run is wild with so many times the accesses of the one without a fault, and MOST_ACCESSES at least."""

HANDS_VARY = Fraction(15, 1000)
"""Seconds by which hands come earlier or later under another power-up: nobody presses a key in the same moment twice
(from memory)."""
ONE_MOVE = Fraction(40, 1000)
"""Seconds within which keys and buttons are one movement of a hand, which comes earlier or later as a whole."""

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

    def prepared(self, machine: Machine, seed: int) -> object:
        """Queue the input of a machine just switched on; what is given is kept until the run ends.

        Under the first power-up hands come as `prepare` says, under the others a little earlier or later.
        """
        kept = self.prepare(machine) if self.prepare is not None else None
        if seed != self.seeds[0]:
            _move_hands(machine, random.Random(f"hands {seed}"))
        return kept

    @property
    def glances(self) -> list[int]:
        """Cycles in which screens are looked at, and bus cycles are kept."""
        return [self.cycles * number // MOMENTS for number in range(1, MOMENTS)]

    @property
    def moments(self) -> list[int]:
        """Cycles in which screens are looked at before the end."""
        left = self.cycles - self.cycles * (MOMENTS - 1) // MOMENTS
        late = [self.cycles - (left >> halved) for halved in range(1, LATE + 1)]
        return [*self.glances, *(moment for moment in late if moment < self.tail_from)]

    @property
    def tail_from(self) -> int:
        """Cycle from which on the end is kept: half of a short run at most."""
        return self.cycles - min(self.tail, self.cycles // 2)

    @property
    def identity(self) -> str:
        """Hash of all that outcomes depend on."""
        fingerprint = Fingerprint.of(self.description, self.images)
        kept = (self.followed, self.behind, self.glance, self.tail, self.moments)
        said = (fingerprint.to_data(), self.cycles, self.seeds, kept, pickle.dumps(self.prepare))
        return hashlib.sha256(repr(said).encode()).hexdigest()


def _move_hands(machine: Machine, drawn: random.Random) -> None:
    """Have what is queued come earlier or later, movement by movement, in the order in which it is queued."""
    agenda, hertz = machine.bus.agenda, machine.description.clock_hz
    pending = agenda.pending_outside()
    agenda.forget_outside()
    most, together = int(HANDS_VARY * hertz), int(ONE_MOVE * hertz)
    by, latest = 0, 0
    before: int | None = None
    for cycle, _, slot, port, action, arguments in pending:
        if before is None or cycle - before > together:
            by = drawn.randint(-most, most)
        before, latest = cycle, max(latest, cycle + by)
        agenda.schedule(latest, slot, port, action, arguments)
