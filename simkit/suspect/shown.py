"""How well the runs of a candidate give what was seen on a screen, on a terminal, in memory, or where it hangs."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from simkit.suspect.outcome import Look, Outcome, unpacked
from simkit.suspect.seen import SeenHang, SeenMemory, SeenPicture, SeenText


def text_likeness(seen: SeenText, outcomes: Sequence[Outcome]) -> float:
    """1 where runs gave that text, 0 where nothing of it is right: of the best moment of each run, the mean."""
    read = _lines_alone if _is_flush(seen.text) else _cells
    wanted = read(seen.text)
    return _mean(
        max(
            (_alike(wanted, read(text)) for look in outcome.looks for text in _texts(look, seen.slot)),
            default=0.0,
        )
        for outcome in outcomes
    )


def texts_of(run: Outcome, slot: int | None) -> list[SeenText]:
    """What a run shows at its last moments, as if it had been seen."""
    return [SeenText(text, its) for look in run.looks[-2:] for its, text in look.texts.items() if slot in (None, its)]


def pictures_of(run: Outcome, slot: int | None) -> list[SeenPicture]:
    """The same of pictures."""
    return [
        SeenPicture(look.pixels(its), its) for look in run.looks[-2:] for its in look.pictures if slot in (None, its)
    ]


def _texts(look: Look, slot: int | None) -> list[str]:
    return [text for its, text in look.texts.items() if slot in (None, its)]


def _cells(text: str) -> list[str]:
    """Lines without the blanks that nobody sees."""
    lines = [line.rstrip() for line in text.split("\n")]
    while lines and not lines[-1]:
        lines.pop()
    while lines and not lines[0]:  # people copy a screen from its first line that says something
        lines.pop(0)
    return lines


def _is_flush(text: str) -> bool:
    """Whether somebody has written what he reads, and not where in the lines it stands."""
    return not any(line.startswith(" ") for line in text.split("\n"))


def _lines_alone(text: str) -> list[str]:
    """Lines that say something, without the blanks before and behind."""
    return [line.strip() for line in text.split("\n") if line.strip()]


def _alike(one: list[str], other: list[str]) -> float:
    """Part of the places, where either has a letter, in which both have the same one."""
    same = places = 0
    for number in range(max(len(one), len(other))):
        mine = one[number] if number < len(one) else ""
        its = other[number] if number < len(other) else ""
        if mine == its:
            letters = len(mine) - mine.count(" ")
            same, places = same + letters, places + letters
            continue
        for at in range(max(len(mine), len(its))):
            a, b = mine[at : at + 1] or " ", its[at : at + 1] or " "
            if a != " " or b != " ":
                places += 1
                same += a == b
    return same / places if places else 1.0


def picture_likeness(seen: SeenPicture, outcomes: Sequence[Outcome]) -> float:
    """1 where runs gave that picture; the best moment of each run, the mean of the runs."""
    return _mean(
        max(
            (
                _same_pixels(seen.pixels, look.pixels(slot))
                for look in outcome.looks
                for slot in look.pictures
                if seen.slot in (None, slot)
            ),
            default=0.0,
        )
        for outcome in outcomes
    )


def _same_pixels(one: NDArray[np.uint8], other: NDArray[np.uint8]) -> float:
    """Part of the pixels that are alike, of those that are not the background of both."""
    if one.shape != other.shape:
        return 0.0
    plain = one == other
    if plain.all():
        return 1.0
    drawn = (one != _background(one)) | (other != _background(other)) | ~plain
    return float(plain[drawn].mean())


def _background(pixels: NDArray[np.uint8]) -> int:
    return int(np.bincount(pixels.ravel(), minlength=16).argmax())


def memory_likeness(seen: SeenMemory, places: Sequence[tuple[int, int] | None], outcomes: Sequence[Outcome]) -> float:
    """Part of the bytes that runs left as they were seen.

    Args:
        seen: what was seen.
        places: of each of its bytes slot and offset of the memory that holds it, None where none does.
        outcomes: the runs.
    """
    wanted = np.frombuffer(seen.content, np.uint8)
    found = []
    for outcome in outcomes:
        held = {slot: unpacked(packed, size) for slot, (size, packed) in outcome.memory.items()}
        same = [
            place is not None
            and place[0] in held
            and place[1] < len(held[place[0]])
            and held[place[0]][place[1]] == byte
            for place, byte in zip(places, wanted.tolist(), strict=True)
        ]
        found.append(float(np.mean(same)) if same else 0.0)
    return _mean(found)


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
