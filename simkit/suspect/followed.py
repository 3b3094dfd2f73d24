"""Whether a candidate explains a capture of the whole bus: the CPU model runs on the captured bytes.

What runs of a candidate show is a sample; the machine with the fault itself says of each captured cycle whether it can
be (`simkit.compare`), wherever in a run it was taken and wherever the CPU has run astray. A candidate that leaves
cycles which noise does not explain is no explanation, however much else it explains.
"""

from __future__ import annotations

from collections.abc import Sequence

import attrs
import numpy as np
from numpy.typing import NDArray

from simkit.backplane.select import ADDRESS_LINES
from simkit.capture.captured import Captured
from simkit.compare.cells import Cells
from simkit.compare.followed import Difference
from simkit.compare.judged import Led, led
from simkit.contract.errors import SimkitError
from simkit.machine.machine import Machine
from simkit.suspect.at_reset import AMONG, fetched_elsewhere, vector_row
from simkit.suspect.equal import decoded
from simkit.suspect.exercised import Exercised, exercised_by
from simkit.suspect.floating import LONGEST, Floating, but_for_misread
from simkit.suspect.given import Given, apart_on_the_lines
from simkit.suspect.held import impossible_on_the_lines
from simkit.suspect.in_memory import is_enough, left_in_memory, reads_of_memory, remembers_as
from simkit.suspect.left_over import LeftOver, astray, in_step_of, is_much, most_untold, told, told_of
from simkit.suspect.letting_go import left_by_letting_go, lets_go
from simkit.suspect.parts import FIRST_ROWS, Parts
from simkit.suspect.trial import Trial

GOES_ON = 32
"""Rows with another address than the one before with which some must be in step. Ours."""


class Following:
    """Holds one capture of the whole bus against machines with faults.

    Args:
        captured: the capture; `rows.full` says so.
        trial: that candidates were put through.

    Attributes:
        rows: that the CPU model was led by, all machines together, or that would have taken as long.
    """

    def __init__(self, captured: Captured, trial: Trial) -> None:
        self._captured, self._trial = captured, trial
        sound = trial.machine(trial.seeds[0])
        banked = bool(sound.bus.reach.banks.lines)
        self._exercised = exercised_by(decoded(sound), _accesses(captured), 0, banked=banked)
        self._roms = Given(sound)
        self._vector: int | None = None  # row of RESET's, known as soon as a candidate is asked
        self._sound: LeftOver | None = None
        self._where_told: tuple[LeftOver, Exercised] | None = None  # of a sound machine, where it leaves something
        self._reads: list[Difference] = []  # of memory, which it leaves there
        self._remembered: tuple[list[Difference], Machine, Cells] | None = None  # of these no noise; who says so
        self._found: dict[str, LeftOver | None] = {}
        self._parts = Parts(captured)
        self.rows = 0

    def left_over(self, name: str) -> LeftOver | None:
        """What a candidate leaves; None where that cannot be said."""
        if name not in self._found:
            self._found[name] = self._left_over(name)
        return self._found[name]

    def _left_over(self, name: str) -> LeftOver | None:
        try:
            machine = self._trial.machine(self._trial.seeds[0], name)
            if not can_be_followed(machine):
                return None
            if self._sound is None:
                self._vector = vector_row(self._trial.machine(self._trial.seeds[0]), self._captured)
                self.rows += min(AMONG, len(self._captured))
                self._sound = self._left_by(self._trial.machine(self._trial.seeds[0]))
                self._where_told = self._left_where_told() if self._sound.cycles else None
            if lets_go(machine):
                self.rows += len(self._captured)
                bare = self._trial.machine(self._trial.seeds[0])
                return left_by_letting_go(bare, self._captured, self._roms, self._sound)
            # One for all that do what a sound machine does where the capture is. Where that leaves something, a fault
            # may have made the very bytes by which it seems to do nothing: with a line low all of them have it low.
            if not self._sound.cycles:
                return self._left_by(machine) if self._exercised.is_shown(machine) else self._sound
            if self._where_told is not None:
                left, exercised = self._where_told
                if not exercised.is_shown(machine):
                    return left
            return self._left_by(machine)
        except SimkitError:  # a card fails with what the real machine did: that tells nothing of the candidate
            return None

    def _left_where_told(self) -> tuple[LeftOver, Exercised] | None:
        """What a sound machine leaves of the first rows that tell, with where it was asked; None where none do.

        All that would answer the same there, whatever is on the lines, leave the same.
        """
        telling = [part for _, part in self._parts.telling]
        for part in (*self._parts.first, *telling, slice(0, len(self._captured))):
            machine = self._trial.machine(self._trial.seeds[0])
            sound, banked = decoded(machine), bool(machine.bus.reach.banks.lines)
            found = self._led(machine, self._captured[part])
            reads = reads_of_memory(machine, found, part.start)
            remembered = self._remembered_in(machine, found, part.start)
            if left := self._left_of(machine, found, part.start):
                self._remembered = (remembered, machine, found.cells) if remembered else None
                if part.stop > FIRST_ROWS[0]:  # by so few rows others are led as soon as asked without it
                    self._reads = reads if is_enough(reads) else self._reads_of_all()
                pairs = np.zeros((2, 0x1_0000, 256), bool)
                for way, asked in enumerate(found.cells.asked):
                    pairs[way, sorted(asked)] = True
                return left, exercised_by(sound, pairs, 0, banked=banked)
        return None

    def _remembered_in(self, machine: Machine, found: Led, start: int) -> list[Difference]:
        """Reads of memory that a machine leaves in the rows from one on; none where noise may be why."""
        own = reads_of_memory(machine, found, 0)
        own = but_for_misread(machine, found, own, self._roms) if is_much(own) else []
        return [attrs.evolve(one, row=start + one.row) for one in own] if is_much(own) else []

    def _reads_of_all(self) -> list[Difference]:
        """Reads of memory that a sound machine leaves of the whole capture."""
        machine = self._trial.machine(self._trial.seeds[0])
        return reads_of_memory(machine, self._led(machine, self._captured), 0)

    def _left_by(self, machine: Machine) -> LeftOver:
        impossible, words = impossible_on_the_lines(machine, self._captured)
        if impossible:
            return LeftOver(len(impossible), words, impossible[0], 0.0)
        if self._vector is not None:
            elsewhere, words = fetched_elsewhere(machine, self._captured, self._vector)
            if elsewhere:
                return LeftOver(len(elsewhere), words, elsewhere[0], 0.0)
        if self._remembered is not None:
            reads, sound, cells = self._remembered
            if remembers_as(machine, sound, cells):
                return LeftOver(len(reads), told(machine, reads), 0, 0.0)
        if self._reads:
            self.rows += FIRST_ROWS[0]  # which take about as long
        if in_memory := left_in_memory(machine, self._captured, self._reads):
            return LeftOver(len(in_memory), told(machine, in_memory), 0, 0.0)
        first, *more = self._parts.first or [slice(0, len(self._captured))]
        if left := self._left_in_one(machine, (first,)) or self._left_where_others(machine):
            return left
        on_lines, words = apart_on_the_lines(machine, self._captured)
        if on_lines and self._sound is not None:  # how far one without a fault goes along is the measure for others
            return LeftOver(len(on_lines), words, 0, 0.0)
        if left := self._left_in_one(machine, more):
            return left
        found = self._led(machine, self._captured)
        if left := self._left_of(machine, found, 0):
            return left
        if on_lines:
            return LeftOver(len(on_lines), words, int(in_step_of(found)[: on_lines[0]].sum()), told_of(found))
        if found.stopped is not None or not (found.parts or self._stands_still()):
            return astray(found)
        floating = Floating.of(machine, found, self._roms)
        if driven := floating.driven:
            return LeftOver(len(driven), floating.words, int(in_step_of(found)[: driven[0]].sum()), told_of(found))
        return LeftOver(0, "", int(in_step_of(found).sum()), told_of(found) + floating.told, floating.words)

    def _stands_still(self) -> bool:
        """Whether the CPU goes on for so few cycles that it need not have been in step in any."""
        address, known = self._captured.address
        return int(((address[1:] ^ address[:-1]) & known[1:] & known[:-1] != 0).sum()) < GOES_ON

    def _led(self, machine: Machine, captured: Captured) -> Led:
        self.rows += len(captured)
        return led(machine, captured, most_untold=most_untold(captured))

    def _left_in_one(self, machine: Machine, parts: Sequence[slice]) -> LeftOver | None:
        """What is left in the first of some parts in which anything is."""
        found = (self._left_of(machine, self._led(machine, self._captured[part]), part.start) for part in parts)
        return next((left for left in found if left), None)

    def _left_where_others(self, machine: Machine) -> LeftOver | None:
        """What is left in the rows in which others left something, in one part of them or in all together."""
        together: list[Difference] = []
        for row, part in self._parts.telling:
            found = self._led(machine, self._captured[part])
            if left := self._left_of(machine, found, part.start):
                return left
            near = [one for one in self._own(machine, found) if abs(part.start + one.row - row) <= LONGEST]
            for one in but_for_misread(machine, found, near, self._roms):
                one.row += part.start
                together.append(one)
            if is_much(together):
                return LeftOver(len(together), told(machine, together), 0, told_of(found))
        return None

    def _own(self, machine: Machine, found: Led) -> list[Difference]:
        """Disagreements, but for those that the machine's wiring makes look so."""
        if _is_readdressed(machine):  # selects are compared by the address that the probe sees
            return [one for one in found.disagreements if not one.signal]
        return found.disagreements

    def _left_of(self, machine: Machine, found: Led, start: int) -> LeftOver | None:
        """What is left of the rows from one on; None where noise may be why, or nothing is."""
        left = self._own(machine, found)
        if is_much(left):
            left = but_for_misread(machine, found, left, self._roms)
        if is_much(left):
            followed = 0 if start else int(in_step_of(found)[: left[0].row].sum())
            for one in left:
                one.row += start
            self._parts.note(left)
            return LeftOver(len(left), told(machine, left), followed, told_of(found))
        is_long = len(found) >= min(FIRST_ROWS)  # so few rows may be those of one misread byte
        return astray(found) if found.stopped is not None and is_long else None


def _is_readdressed(machine: Machine) -> bool:
    """Whether the address on the backplane is another than the CPU puts out."""
    wired = {name for entry in machine.description.wiring.entries for name in (entry.name, entry.other)}
    return not wired.isdisjoint(ADDRESS_LINES)


def _accesses(captured: Captured) -> NDArray[np.bool_]:
    """Flags of shape (2, 65536, 256): which bytes were read, and written, at which addresses."""
    control, control_known = captured.gathered((*ADDRESS_LINES, "RW"))
    data, data_known = captured.data
    whole = (control_known == np.uint64((1 << len(ADDRESS_LINES) + 1) - 1)) & (data_known == 0xFF)
    address, is_read = control[whole] & np.uint64(0xFFFF), control[whole] >> np.uint64(len(ADDRESS_LINES))
    pairs = np.zeros((2, 0x1_0000, 256), bool)
    pairs[1 - is_read.astype(np.int64), address.astype(np.int64), data[whole]] = True
    return pairs


def can_be_followed(machine: Machine) -> bool:
    """Whether the CPU model can say of each cycle what this machine does: not of faults that come and go."""
    return all(fault.is_static for fault in machine.description.faults)
