"""Whether a candidate explains a capture of the whole bus: the CPU model runs on the captured bytes.

What runs of a candidate show is a sample; the machine with the fault itself says of each captured cycle whether it can
be (`simkit.compare`), wherever in a run it was taken and wherever the CPU has run astray. A candidate that leaves
cycles which noise does not explain is no explanation, however much else it explains.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

import attrs
import numpy as np
from numpy.typing import NDArray

from simkit.backplane.select import ADDRESS_LINES
from simkit.backplane.wiring import DATA_LINES, Done
from simkit.capture.captured import Captured
from simkit.compare.followed import Difference
from simkit.compare.judged import Led, Verdict, led
from simkit.compare.led_cpu import RESET_VECTOR
from simkit.compare.told import what
from simkit.contract.errors import SimkitError
from simkit.machine.machine import Machine
from simkit.suspect.equal import decoded
from simkit.suspect.exercised import exercised_by
from simkit.suspect.floating import Floating
from simkit.suspect.given import Given, apart_on_the_lines
from simkit.suspect.held import impossible_on_the_lines
from simkit.suspect.trial import Trial

FIRST_ROWS = 400, 2_000
"""Rows that a candidate must explain before more are looked at: those that do not are most, and are told soon. Ours."""
BEHIND_RESET = 64
"""The same where the vector of RESET is among them: there the CPU is in step at once. In so few others a line may stand
still by chance. Ours."""

TELLING, BEFORE, BEHIND = 3, 400, 200
"""Places at which candidates left something that are looked at first with the next one, rows before them and behind
them. Ours."""

LONGEST = 8
"""Bus cycles of the longest instruction (W65C02S data sheet, table 5-7: seven, and one more across a page)."""


@attrs.frozen
class LeftOver:
    """What a candidate does not explain.

    Attributes:
        cycles: of the capture that are not what its machine does, and that noise does not explain.
        words: where most of them are, in a sentence; "" where there is none.
        followed: cycles before the first of them in which the CPU is in step.
        told: part of the levels of data lines of which it is known what they should be.
        floating: how lines that nobody drives are otherwise than the machine leaves them, in a sentence; "" where they
            are not.
    """

    cycles: int
    words: str
    followed: int
    told: float
    floating: str = ""


class Following:
    """Holds one capture of the whole bus against machines with faults.

    Args:
        captured: the capture; `rows.full` says so.
        trial: that candidates were put through.

    Attributes:
        rows: that the CPU model was led by, all machines together.
    """

    def __init__(self, captured: Captured, trial: Trial) -> None:
        self._captured, self._trial = captured, trial
        sound = trial.machine(trial.seeds[0])
        banked = bool(sound.bus.reach.banks.lines)
        self._exercised = exercised_by(decoded(sound), _accesses(captured), 0, banked=banked)
        self._roms = Given(sound)
        self._sound: LeftOver | None = None
        self._found: dict[str, LeftOver | None] = {}
        self._telling: list[int] = []
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
                self._sound = self._left_by(self._trial.machine(self._trial.seeds[0]))
            # One for all that do what a sound machine does where the capture is. Where that leaves something, a fault
            # may have made the very bytes by which it seems to do nothing: with a line low all of them have it low.
            return self._left_by(machine) if self._sound.cycles or self._exercised.is_shown(machine) else self._sound
        except SimkitError:  # a card fails with what the real machine did: that tells nothing of the candidate
            return None

    def _left_by(self, machine: Machine) -> LeftOver:
        impossible, words = impossible_on_the_lines(machine, self._captured)
        if impossible:
            return LeftOver(len(impossible), words, impossible[0], 0.0)
        apart, words = apart_on_the_lines(machine, self._captured)
        if apart and self._sound is not None:  # how far one without a fault goes along is the measure for others
            return LeftOver(len(apart), words, 0, 0.0)
        for part in self._parts():
            rows = self._captured[part]
            self.rows += len(rows)
            found = led(machine, rows)
            left, in_step = found.disagreements, found.verdict != Verdict.UNTOLD
            if _is_readdressed(machine):  # selects are compared by the address that the probe sees
                left = [one for one in left if not one.signal]
            if any(one.proven for one in left) or instructions(left) > 1:
                for one in left:
                    one.row += part.start
                self._note(left[0].row)
                is_first = part.start == 0
                return LeftOver(
                    len(left), told(machine, left), int(in_step[: left[0].row].sum()) if is_first else 0, _told(found)
                )
        if apart:
            return LeftOver(len(apart), words, int(in_step[: apart[0]].sum()), _told(found))
        floating = Floating.of(machine, found, self._roms)
        if rows_driven := floating.driven:
            return LeftOver(len(rows_driven), floating.words, int(in_step[: rows_driven[0]].sum()), _told(found))
        return LeftOver(0, "", int(in_step.sum()), _told(found) + floating.told, floating.words)

    def _parts(self) -> list[slice]:
        """Rows by which the CPU model is led, before all of them: the first ones, and where others left something."""
        count = len(self._captured)
        at_once = (BEHIND_RESET,) if _begins_with_reset(self._captured[:BEHIND_RESET]) else ()
        first = [slice(0, rows) for rows in (*at_once, *FIRST_ROWS) if rows < count]
        telling = [slice(max(0, row - BEFORE), min(count, row + BEHIND)) for row in self._telling]
        return [*first, *(part for part in telling if part.start), slice(0, count)]

    def _note(self, row: int) -> None:
        """Somebody left something there: others may, too."""
        if all(abs(row - known) > BEHIND for known in self._telling):
            self._telling = [row, *self._telling][:TELLING]


def _begins_with_reset(captured: Captured) -> bool:
    """Whether both bytes of RESET's vector are read in some cycles, one behind the other."""
    address, known = captured.address
    low = (address == RESET_VECTOR) & (known == 0xFFFF)
    return bool((low[:-1] & (address[1:] == RESET_VECTOR + 1) & (known[1:] == 0xFFFF)).any())


def _is_readdressed(machine: Machine) -> bool:
    """Whether the address on the backplane is another than the CPU puts out."""
    wired = {name for entry in machine.description.wiring.entries for name in (entry.name, entry.other)}
    return not wired.isdisjoint(ADDRESS_LINES)


def _told(found: Led) -> float:
    """Part of the levels of data lines that the machine says, of those that were captured."""
    data = [np.uint64(1 << bit) for bit, name in enumerate(found.names) if name in DATA_LINES]
    return float(np.mean([(found.known & bit != 0).mean() for bit in data])) if len(found) else 0.0


def instructions(left: Sequence[Difference]) -> int:
    """In how many instructions, apart from one another, something is left.

    One alone may be of a register that is not known there: where cycles are missing, or the capture begins.
    """
    found, begins = 0, -LONGEST
    for row in sorted(one.row for one in left):
        if row - begins >= LONGEST:
            found, begins = found + 1, row
    return found


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
    """Whether the CPU model can say of each cycle what this machine does: not of faults that come and go.

    Nor with BE open: the CPU lets go of the bus whenever chance has that pin low.
    """
    wiring = machine.bus.wiring
    is_pulled = wiring.pull("BE") in (Done.PULLED_UP, Done.PULLED_DOWN)
    if not is_pulled and any(entry.name == "BE" and entry.done is Done.OPEN for entry in wiring.cpu_entries()):
        return False
    return all(fault.is_static for fault in machine.description.faults)


def told(machine: Machine, left: Sequence[Difference]) -> str:
    """Where most of what is left is, in a sentence."""
    places = Counter((one.slot, one.address) for one in left)
    place = max(places, key=lambda place: places[place])
    first = next(one for one in left if (one.slot, one.address) == place)
    return f"in cycle {first.row} of the capture: {what(machine, first)}"
