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
from simkit.compare.judged import Led, led
from simkit.compare.led_cpu import RESET_VECTOR
from simkit.compare.pins import rom_content
from simkit.compare.told import what
from simkit.contract.errors import SimkitError
from simkit.machine.machine import Machine
from simkit.suspect.chance import is_more_than_noise
from simkit.suspect.equal import decoded
from simkit.suspect.exercised import Exercised, exercised_by
from simkit.suspect.floating import LONGEST, Floating, but_for_misread
from simkit.suspect.given import Given, apart_on_the_lines
from simkit.suspect.held import impossible_on_the_lines
from simkit.suspect.letting_go import Silences
from simkit.suspect.trial import Trial

FIRST_ROWS = 400, 2_000
"""Rows that a candidate must explain before more are looked at: those that do not are most, and are told soon. Ours."""
BEHIND_RESET = 64
"""The same where the vector of RESET is among them: there the CPU is in step at once. In so few others a line may stand
still by chance. Ours."""

TELLING, BEFORE, BEHIND = 3, 400, 200
"""Places at which candidates left something that are looked at first with the next one, rows before them and behind
them. Ours."""

ALONG = 0.97
"""Part of a capture for which the CPU model must go along with the cause: with true faults it does so for 0.983 and more
of 20,000 cycles, from 80 captures. Ours."""
MISSED_BY_A_GAP = 12
"""Rows besides that the CPU model may be out of step behind a place where cycles are missing. Ours."""
MISSED_BY_NOISE = 100
"""Rows besides for what noise does to a short one. Ours."""
GOES_ON = 32
"""Rows with another address than the one before with which some must be in step. Ours."""
LETS_GO = "BE"
"""Pin that takes the CPU off the bus (W65C02S data sheet, section 3)."""
MISREAD = 2
"""Data lines of two cycles in a row in which they may differ where one of each is misread. Ours."""


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
        self._where_told: tuple[LeftOver, Exercised] | None = None  # of a sound machine, where it leaves something
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
                self._where_told = self._left_where_told()
            if lets_go(machine):
                return self._left_by_letting_go()
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
        for part in (*self._first_parts(), *self._telling_parts(), slice(0, len(self._captured))):
            machine = self._trial.machine(self._trial.seeds[0])
            sound, banked = decoded(machine), bool(machine.bus.reach.banks.lines)
            found = self._led(machine, self._captured[part])
            if left := self._left_of(machine, found, part.start):
                pairs = np.zeros((2, 0x1_0000, 256), bool)
                for way, asked in enumerate(found.cells.asked):
                    pairs[way, sorted(asked)] = True
                return left, exercised_by(sound, pairs, 0, banked=banked)
        return None

    def _left_by(self, machine: Machine) -> LeftOver:
        impossible, words = impossible_on_the_lines(machine, self._captured)
        if impossible:
            return LeftOver(len(impossible), words, impossible[0], 0.0)
        first, *more = self._first_parts() or [slice(0, len(self._captured))]
        if left := self._left_in_one(machine, (first, *self._telling_parts())):
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
            return LeftOver(len(on_lines), words, int(_in_step(found)[: on_lines[0]].sum()), _told(found))
        if found.stopped is not None or not (found.parts or self._stands_still()):
            return _astray(found)
        floating = Floating.of(machine, found, self._roms)
        if driven := floating.driven:
            return LeftOver(len(driven), floating.words, int(_in_step(found)[: driven[0]].sum()), _told(found))
        return LeftOver(0, "", int(_in_step(found).sum()), _told(found) + floating.told, floating.words)

    def _led(self, machine: Machine, captured: Captured) -> Led:
        self.rows += len(captured)
        return led(machine, captured, most_untold=most_untold(captured))

    def _left_in_one(self, machine: Machine, parts: Sequence[slice]) -> LeftOver | None:
        """What is left in the first of some parts in which anything is."""
        found = (self._left_of(machine, self._led(machine, self._captured[part]), part.start) for part in parts)
        return next((left for left in found if left), None)

    def _left_of(self, machine: Machine, found: Led, start: int) -> LeftOver | None:
        """What is left of the rows from one on; None where noise may be why, or nothing is."""
        left = found.disagreements
        if _is_readdressed(machine):  # selects are compared by the address that the probe sees
            left = [one for one in left if not one.signal]
        if _is_much(left):
            left = but_for_misread(machine, found, left, self._roms)
        if _is_much(left):
            followed = 0 if start else int(_in_step(found)[: left[0].row].sum())
            for one in left:
                one.row += start
            self._note(_telling(left))
            return LeftOver(len(left), told(machine, left), followed, _told(found))
        is_long = len(found) >= min(FIRST_ROWS)  # so few rows may be those of one misread byte
        return _astray(found) if found.stopped is not None and is_long else None

    def _left_by_letting_go(self) -> LeftOver:
        """What a CPU leaves that lets go of the bus whenever chance has BE low.

        No card answers in such a cycle, and the data lines keep what was on them; a write is not heard. So a ROM's byte
        comes, or that of the cycle before; of other cards nothing can be said, and the CPU goes on as it does. Where it
        never lets go for long enough it is as one without a fault.
        """
        machine = self._trial.machine(self._trial.seeds[0])
        found = led(machine, self._captured)  # to its end: what it reads differs often
        self.rows += len(found)
        silences = Silences.of(found, self._roms)
        if apart(silences.short) > 1:
            row = silences.short[0]
            words = f"in cycle {row} of the capture memory does not answer; BE would be low for more than so few cycles"
            return LeftOver(len(silences.short), words, row, 0.0)
        if not silences.long and self._sound is not None:
            return self._sound
        data, _ = self._captured.data
        roms = {seat.slot for seat in machine.bus.seats if rom_content(machine, seat.slot) is not None}
        apart_in = [one.row for one in found.differences if one.data]  # where the CPU goes behind them hangs on these
        own = [
            one
            for one in found.disagreements
            if (not any(0 < one.row - row <= LONGEST for row in apart_in) if one.control else one.slot in roms)
        ]
        before = {one.row: int(data[max(0, one.row - 1)]) for one in own}
        left = [one for one in own if one.control or one.captured != before[one.row]]
        certain = [one for one in left if one.control or (one.captured ^ before[one.row]).bit_count() > MISREAD]
        is_proven = any(one.proven and one.control for one in left) or instructions(certain) > 1
        if is_proven or (instructions(left) > 1 and is_more_than_noise(len(left), 2 * len(own))):
            return LeftOver(len(left), told(machine, left), left[0].row, 0.0)
        in_step = int(_in_step(found).sum())
        is_astray = len(found) - in_step > most_untold(self._captured)
        return _astray(found) if is_astray else LeftOver(0, "", in_step, 0.0)

    def _stands_still(self) -> bool:
        """Whether the CPU goes on for so few cycles that it need not have been in step in any."""
        address, known = self._captured.address
        return int(((address[1:] ^ address[:-1]) & known[1:] & known[:-1] != 0).sum()) < GOES_ON

    def _first_parts(self) -> list[slice]:
        """The first rows: those that a candidate does not explain are most often among them."""
        at_once = (BEHIND_RESET,) if _begins_with_reset(self._captured[:BEHIND_RESET]) else ()
        return [slice(0, rows) for rows in (*at_once, *FIRST_ROWS) if rows < len(self._captured)]

    def _telling_parts(self) -> list[slice]:
        """Rows round those in which others left something."""
        count = len(self._captured)
        telling = [slice(max(0, row - BEFORE), min(count, row + BEHIND)) for row in self._telling]
        return [part for part in telling if part.start]

    def _note(self, rows: Sequence[int]) -> None:
        """Somebody left something there: others may, too."""
        new: list[int] = []
        for row in rows:
            if all(abs(row - known) > BEHIND for known in (*new, *self._telling)):
                new.append(row)
        self._telling = [*new[:TELLING], *self._telling][:TELLING]


def _telling(left: Sequence[Difference]) -> list[int]:
    """Rows of which the part behind each is enough to leave something, the first ones first; else all."""
    rows = sorted(one.row for one in left)
    proven = [one.row for one in left if one.proven]
    return proven or [row for row in rows if any(LONGEST <= other - row < BEHIND for other in rows)] or rows


def most_untold(captured: Captured) -> int:
    """Rows of a capture in which the CPU model may be out of step with the true fault, and the CPU not stand still."""
    return int((1 - ALONG) * len(captured)) + MISSED_BY_A_GAP * int(captured.lost.sum()) + MISSED_BY_NOISE


def _in_step(found: Led) -> NDArray[np.bool_]:
    """In which rows the CPU is in step: elsewhere a ROM may still say what it holds."""
    in_step = np.zeros(len(found), bool)
    for first, end in found.parts:
        in_step[first:end] = True
    return in_step


def _astray(found: Led) -> LeftOver:
    """What is left where the CPU model does not go along with the capture."""
    in_step = int(_in_step(found).sum())
    words = f"only {in_step} of {len(found)} cycles can be what the CPU does then"
    return LeftOver(len(found) - in_step, words, in_step, _told(found))


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


def _is_much(left: Sequence[Difference]) -> bool:
    """Whether more is left than what may be of a register that is not known."""
    return any(one.proven for one in left) or instructions(left) > 1


def instructions(left: Sequence[Difference]) -> int:
    """In how many instructions, apart from one another, something is left.

    One alone may be of a register that is not known there: where cycles are missing, or the capture begins.
    """
    return apart(sorted(one.row for one in left))


def apart(rows: Sequence[int]) -> int:
    """How many of some rows, in their order, are not of the instruction of one before."""
    found, begins = 0, -LONGEST
    for row in rows:
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
    """Whether the CPU model can say of each cycle what this machine does: not of faults that come and go."""
    return all(fault.is_static for fault in machine.description.faults)


def lets_go(machine: Machine) -> bool:
    """Whether the CPU lets go of the bus whenever chance has it: with BE open and not pulled."""
    wiring = machine.bus.wiring
    is_pulled = wiring.pull(LETS_GO) in (Done.PULLED_UP, Done.PULLED_DOWN)
    return not is_pulled and any(entry.name == LETS_GO and entry.done is Done.OPEN for entry in wiring.cpu_entries())


def told(machine: Machine, left: Sequence[Difference]) -> str:
    """Where most of what is left is, in a sentence."""
    places = Counter((one.slot, one.address) for one in left)
    place = max(places, key=lambda place: places[place])
    first = next(one for one in left if (one.slot, one.address) == place)
    return f"in cycle {first.row} of the capture: {what(machine, first)}"
