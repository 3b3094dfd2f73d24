"""The last instructions as people are told of them: rounds of a loop once, with how often they were made."""

from __future__ import annotations

from collections.abc import Sequence

import attrs

from simkit.rom.places import Place

LONGEST_LOOP = 16
"""Instructions of a loop whose rounds are folded."""
FEWEST_ROUNDS = 3


@attrs.frozen
class Executed:
    """An instruction that was executed.

    Attributes:
        cycle: cycle of its opcode fetch.
        address: where it stands.
        text: its disassembly, from memory as it is now; of one in a bank that is seen no more what it may have been.
        place: where that is in the program; then with the labels that it may be at, and without a line.
    """

    cycle: int
    address: int
    text: str
    place: Place

    @property
    def label(self) -> str | None:
        """Nearest label with the distance, or None."""
        return self.place.name


@attrs.frozen
class Loop:
    """Rounds of a loop.

    Attributes:
        body: the instructions of its first round.
        rounds: how often it was made.
        until: cycle in which the last instruction of the last round began.
        or_more: whether there were more rounds before, which nobody has noted.
    """

    body: tuple[Executed, ...]
    rounds: int
    until: int
    or_more: bool

    def words(self) -> str:
        """How often and until when: "2 instructions, 1 903 times, up to cycle 6 174 650"."""
        number = len(self.body)
        what = f"{number} instruction{'' if number == 1 else 's'}, {'at least ' if self.or_more else ''}"
        return f"{what}{digits(self.rounds)} times, up to cycle {digits(self.until)}"


Note = tuple[int, int]
"""Cycle and address of an instruction that was begun."""


@attrs.frozen
class Rounds:
    """As `Loop`, of notes.

    Attributes:
        body: of its first round.
        rounds: how often.
        until: cycle of its last instruction.
        first: whether nothing is known of what was before.
    """

    body: tuple[Note, ...]
    rounds: int
    until: int
    first: bool


def folded(notes: Sequence[Note], skipped: tuple[int, int, int] = (-1, 0, 0)) -> list[Note | Rounds]:
    """Notes of instructions, repeats of up to LONGEST_LOOP of them together.

    Args:
        notes: in the order in which they were begun.
        skipped: rounds of a loop that are not among them: (index of the note before which they were made, instructions
            of a round, rounds).
    """
    addresses = [pc for _, pc in notes]
    index, instructions, often = skipped
    told: list[Note | Rounds] = []
    at = 0
    while at < len(notes):
        length, end = _loop_at(addresses, at)
        if not length:
            told.append(notes[at])
            at += 1
            continue
        left_out = instructions * often if at <= index < end else 0
        rounds = (end - at + left_out) // length
        told.append(Rounds(tuple(notes[at : at + length]), rounds, notes[end - 1][0], at == 0))
        at = end
    return told


def _loop_at(addresses: list[int], at: int) -> tuple[int, int]:
    """Instructions of the loop that begins there, and where its last whole round ends; (0, at) where none does."""
    best, best_end = 0, at
    for length in range(1, LONGEST_LOOP + 1):
        end = at + length
        while end < len(addresses) and addresses[end] == addresses[end - length]:
            end += 1
        end = at + (end - at) // length * length
        if (end - at) // length >= FEWEST_ROUNDS and end > best_end:
            best, best_end = length, end
    return best, best_end


def newest(told: Sequence[Note | Rounds], lines: int) -> list[Note | Rounds]:
    """The last of them, as many as take at least so many lines; a loop takes one for each instruction, and one more."""
    kept: list[Note | Rounds] = []
    for one in reversed(told):
        if lines <= 0:
            break
        kept.insert(0, one)
        lines -= len(one.body) + 1 if isinstance(one, Rounds) else 1
    return kept


def last_lines(told: Sequence[Executed | Loop]) -> list[str]:
    """Lines for people: cycle, address, label, instruction, source line; behind a loop how often it was made."""
    lines: list[str] = []
    for one in told:
        if isinstance(one, Executed):
            lines.append(_line(one))
            continue
        lines += map(_line, one.body)
        lines.append(f"{'':>16}{one.words()}")
    return lines


def _line(one: Executed) -> str:
    name = f"{one.place.name}: " if one.place.name else ""
    source = f"  ({one.place.source_line})" if one.place.source_line else ""
    return f"{digits(one.cycle):>14}  ${one.address:04X}  {name}{one.text}{source}"


def digits(number: int) -> str:
    """A number with its digits grouped in threes."""
    return f"{number:,}".replace(",", " ")
