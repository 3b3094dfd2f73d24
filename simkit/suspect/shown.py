"""How well the runs of a candidate give what was seen on a screen, on a terminal, in memory, or where it hangs."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from functools import lru_cache, partial

import numpy as np
from numpy.typing import NDArray

from simkit.suspect.blocks import Blocks, Shown, of_letters, of_pixels, of_text, sorts_of_letters
from simkit.suspect.outcome import Look, Outcome, unpacked
from simkit.suspect.screens import Views
from simkit.suspect.seen import SeenHang, SeenMemory, SeenPicture, SeenText

MOST_ROWS, MOST_COLUMNS = 200, 256
"""Of a text."""
BLOCKS_KEPT = 1 << 16
"""Of looks: a search has some 40 000, and each symptom is held against all of them."""


def once(views: Views, since: int, held: Callable[[Look], Mapping[int, object]]) -> Views:
    """The same, made once for runs that show the same: what many faults do is not to be seen there.

    Args:
        views: for runs of a candidate.
        since: cycle from which on looks count.
        held: what of a look counts, by slot.
    """
    made: dict[object, list[Shown]] = {}

    def views_once(runs: Sequence[Outcome]) -> list[Shown]:
        key = tuple(tuple((look.cycle >= since, *held(look).items()) for look in run.looks) for run in runs)
        if key not in made:
            made[key] = views(runs)
        return made[key]

    return views_once


def text_shown(seen: SeenText, since: int, runs: Sequence[Outcome]) -> list[Shown]:
    """A text and what runs show: as it stands, from the first line that says something, or line by line.

    Args:
        seen: what was seen.
        since: cycle from which on looks count; the last one counts always.
        runs: of a candidate.
    """
    wanted = seen.text.split("\n")
    readings: list[Callable[[list[str]], list[str]]] = [list, _from_first]
    if _is_flush(wanted):
        readings.append(_lines_alone)
    found = []
    for slot in _slots(seen.slot, runs, lambda look: look.texts):
        looks = _looks(runs, since)
        if not looks or not all(slot in look.texts for own in looks for look in own):
            continue
        texts = [[look.texts[slot].split("\n") for look in own] for own in looks]
        for read in readings:
            mine, its = read(wanted), [[read(one) for one in own] for own in texts]
            every = [mine, *(one for own in its for one in own)]
            rows = min(MOST_ROWS, max(map(len, every)))
            columns = min(MOST_COLUMNS, max((len(line) for one in every for line in one), default=0))
            blocks = [[_text_blocks("\n".join(one), rows, columns) for one in own] for own in its]
            letters = partial(_letters, mine, its, rows + 1, columns)
            seen_blocks = _text_blocks("\n".join(mine), rows, columns)
            found.append(Shown(seen_blocks, np.array(blocks, np.uint64), letters, sorts_of_letters))
    return found


def _letters(mine: list[str], its: list[list[list[str]]], rows: int, columns: int) -> tuple[Blocks, NDArray[np.uint64]]:
    """All letters of a text and of what runs show; with a blank line more, so that one letter alone is drawn on one."""
    return of_letters(mine, rows, columns), np.array([[of_letters(one, rows, columns) for one in own] for own in its])


def _from_first(lines: list[str]) -> list[str]:
    """Without the blank lines before: people copy a screen from its first line that says something."""
    first = next((number for number, line in enumerate(lines) if line.strip()), 0)
    return lines[first:]


def _is_flush(lines: Sequence[str]) -> bool:
    """Whether somebody has written what he reads, and not where in the lines it stands."""
    return not any(line.startswith(" ") for line in lines)


def _lines_alone(lines: list[str]) -> list[str]:
    """Lines that say something, without the blanks before and behind."""
    return [line.strip() for line in lines if line.strip()]


def picture_shown(seen: SeenPicture, since: int, runs: Sequence[Outcome]) -> list[Shown]:
    """A picture and what runs show.

    Args:
        seen: what was seen.
        since: cycle from which on looks count; the last one counts always.
        runs: of a candidate.
    """
    found = []
    for slot in _slots(seen.slot, runs, lambda look: look.pictures):
        looks = _looks(runs, since)
        pictures = [[look.pictures[slot] for look in own if slot in look.pictures] for own in looks]
        if {one[:2] for own in pictures for one in own} == {seen.pixels.shape} and len(set(map(len, pictures))) == 1:
            blocks = [[_picture_blocks(*one) for one in own] for own in pictures]
            found.append(Shown(of_pixels(seen.pixels), np.array(blocks, np.uint64)))
    return found


def memory_shown(seen: SeenMemory, places: Sequence[tuple[int, int] | None], runs: Sequence[Outcome]) -> list[Shown]:
    """Bytes of memory, each a block, and what runs left there.

    Args:
        seen: what was seen.
        places: of each of its bytes slot and offset of the memory that holds it, None where none does.
        runs: of a candidate.
    """
    nothing = 256
    rows = []
    for run in runs:
        held = {slot: unpacked(packed, size) for slot, (size, packed) in run.memory.items()}
        rows.append(
            [
                held[place[0]][place[1]]
                if place is not None and place[0] in held and place[1] < len(held[place[0]])
                else nothing
                for place in places
            ]
        )
    return [Shown(np.frombuffer(seen.content, np.uint8).astype(np.uint64), np.array(rows, np.uint64)[:, None])]


def _slots(slot: int | None, runs: Sequence[Outcome], held: Callable[[Look], Mapping[int, object]]) -> list[int]:
    return sorted({its for run in runs for look in run.looks for its in held(look) if slot in (None, its)})


def _looks(runs: Sequence[Outcome], since: int) -> list[list[Look]]:
    """Looks of each run that count, at the same moments in all."""
    if not runs or not all(run.looks for run in runs):
        return []
    late = max(1, min(sum(look.cycle >= since for look in run.looks) for run in runs))
    return [list(run.looks[-late:]) for run in runs]


@lru_cache(BLOCKS_KEPT)
def _text_blocks(text: str, rows: int, columns: int) -> Blocks:
    return of_text(text.split("\n"), rows, columns)


@lru_cache(BLOCKS_KEPT)
def _picture_blocks(rows: int, columns: int, packed: bytes) -> Blocks:
    return of_pixels(np.frombuffer(unpacked(packed, rows * columns), np.uint8).reshape(rows, columns))


def hang_likeness(seen: SeenHang, outcomes: Sequence[Outcome]) -> float:
    """Part of the runs that go round on an address at the end, or stand still there."""
    return _mean(float(_hangs_at(outcome, seen.address)) for outcome in outcomes)


def _hangs_at(outcome: Outcome, address: int) -> bool:
    if outcome.halted:
        return outcome.pc in (address, address + 1)  # behind the opcode that halts it
    return bool(outcome.stretches) and address in outcome.stretches[-1].fetches


def nothing_likeness(outcomes: Sequence[Outcome]) -> float:
    """Part of the runs at whose end screens are of one colour, and terminals empty."""
    return _mean(float(_shows_nothing(outcome)) for outcome in outcomes)


def _shows_nothing(outcome: Outcome) -> bool:
    if not outcome.looks:
        return True
    last = outcome.looks[-1]
    blank = all(int(np.ptp(last.pixels(slot))) == 0 for slot in last.pictures)
    return blank and not any(text.strip() for slot, text in last.texts.items() if slot not in last.pictures)


def _mean(found: object) -> float:
    values = list(found)  # type: ignore[call-overload] # any iterable of numbers
    return float(np.mean(values)) if values else 0.0
