"""How well the runs of a candidate give what was seen on a screen, on a terminal, in memory, or where it hangs."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from simkit.suspect.blocks import Blocks, of_pixels, of_text
from simkit.suspect.outcome import Look, Outcome, unpacked
from simkit.suspect.seen import SeenHang, SeenMemory, SeenPicture, SeenText

View = tuple[Blocks, NDArray[np.uint64]]
"""What was seen, (n,), and what runs show, (runs, n)."""
MOST_ROWS, MOST_COLUMNS = 200, 256
"""Of a text."""
BLOCKS_KEPT = 4096


def text_views(seen: SeenText, runs: Sequence[Outcome]) -> list[View]:
    """A text and what runs show: as it stands, from the first line that says something, or line by line."""
    wanted = seen.text.split("\n")
    readings: list[Callable[[list[str]], list[str]]] = [list, _from_first]
    if _is_flush(wanted):
        readings.append(_lines_alone)
    views = []
    for slot in _slots(seen.slot, runs, lambda look: look.texts):
        for looks in _moments(runs):
            texts = [look.texts[slot].split("\n") for look in looks if slot in look.texts]
            if len(texts) < len(looks):
                continue
            for read in readings:
                lines = [read(one) for one in (wanted, *texts)]
                rows = min(MOST_ROWS, max(map(len, lines)))
                columns = min(MOST_COLUMNS, max((len(line) for one in lines for line in one), default=0))
                blocks = [_text_blocks("\n".join(one), rows, columns) for one in lines]
                views.append((blocks[0], np.stack(blocks[1:])))
    return views


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


def picture_views(seen: SeenPicture, runs: Sequence[Outcome]) -> list[View]:
    """A picture and what runs show at several moments."""
    wanted = of_pixels(seen.pixels)
    views = []
    for slot in _slots(seen.slot, runs, lambda look: look.pictures):
        for looks in _moments(runs):
            pictures = [look.pictures[slot] for look in looks if slot in look.pictures]
            if len(pictures) == len(looks) and {one[:2] for one in pictures} == {seen.pixels.shape}:
                views.append((wanted, np.stack([_picture_blocks(*one) for one in pictures])))
    return views


def memory_views(seen: SeenMemory, places: Sequence[tuple[int, int] | None], runs: Sequence[Outcome]) -> list[View]:
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
    return [(np.frombuffer(seen.content, np.uint8).astype(np.uint64), np.array(rows, np.uint64))]


def _slots(slot: int | None, runs: Sequence[Outcome], held: Callable[[Look], Mapping[int, object]]) -> list[int]:
    return sorted({its for run in runs for look in run.looks for its in held(look) if slot in (None, its)})


def _moments(runs: Sequence[Outcome]) -> list[list[Look]]:
    """Looks of all runs at the same moments, and at two in a row: nobody says exactly when he looked."""
    looks = min((len(run.looks) for run in runs), default=0)
    alone = [(-at,) for at in range(1, looks + 1)]
    together = [(-at, -at - 1) for at in range(1, looks)]
    return [[run.looks[at] for run in runs for at in moments] for moments in (*alone, *together)]


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
