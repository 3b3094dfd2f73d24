"""The 64 KiB in areas: who answers reads and writes from one address to another, and which of its bytes.

Memory is cut where it begins anew (the second image of an 8 KiB part in a window of 16 KiB); cards with registers are
not, as their registers stand in a list of their own. Lines that cards drive into the decoding (banks) give one list of
areas per combination of their levels; they are laid over each other here.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from functools import lru_cache
from itertools import pairwise, product

import attrs

from simkit.backplane.areas import whole
from simkit.backplane.banks import Banks
from simkit.backplane.decode import Table
from simkit.backplane.seat import Seat
from simkit.backplane.select import ADDRESSES, ALL, address_bit, ranges

MOST_LINES = 8
"""Lines of banks of which every combination is told; 256 of them."""
MOST_IMAGES = 8
"""Images of a part in an area that get a row each."""


@attrs.frozen
class Answer:
    """A card that answers somewhere.

    Attributes:
        slot: of it.
        offset: what its address pins carry at the first address.
        images: how often its bytes come in the area; 1: each once.
        size: bytes of an image.
        straight: whether they come in the order of the addresses; else address lines are exchanged or open.
    """

    slot: int
    offset: int
    images: int = 1
    size: int = 0
    straight: bool = True


@attrs.frozen
class Use:
    """What an area is used for: the cards that drive the data lines on a read, and those that take a write."""

    reads: tuple[Answer, ...] = ()
    writes: tuple[Answer, ...] = ()

    @property
    def slots(self) -> tuple[int, ...]:
        """Of the cards in it."""
        return tuple(sorted({answer.slot for answer in (*self.reads, *self.writes)}))

    @property
    def overlaps(self) -> bool:
        """Whether two cards drive the data lines at once."""
        return len({answer.slot for answer in self.reads}) > 1


@attrs.frozen
class Area:
    """Addresses that are used alike.

    Attributes:
        first: lowest address.
        last: highest address.
        lines: names of the lines of banks on which its use depends, none for most.
        uses: by the levels of these lines; {(): use} where there are none.
    """

    first: int
    last: int
    lines: tuple[str, ...]
    uses: dict[tuple[bool, ...], Use]

    @property
    def only(self) -> Use | None:
        """Its use, if that does not depend on banks."""
        return None if self.lines else self.uses[()]


@attrs.frozen
class Coarse:
    """Addresses that are used in small pieces, told together.

    Attributes:
        first: lowest address.
        last: highest address.
        slots: of the cards that answer somewhere in it.
        pieces: number of areas in it.
        has_holes: whether nobody answers at some of it.
    """

    first: int
    last: int
    slots: tuple[int, ...]
    pieces: int
    has_holes: bool


def coarser(areas: Sequence[Area], most: int) -> list[Area | Coarse]:
    """Areas, those of small pieces told together where they are more than `most`."""
    size = 0x100
    found: list[Area | Coarse] = list(areas)
    while len(found) > most and size <= ADDRESSES:
        found = list(_together(areas, size))
        size *= 4
    return found


def _together(areas: Sequence[Area], size: int) -> Iterator[Area | Coarse]:
    """Large areas as they are, runs of areas smaller than `size` together."""
    run: list[Area] = []
    for one in areas:
        if one.last - one.first + 1 < size:
            run.append(one)
            continue
        yield from _run(run)
        run = []
        yield one
    yield from _run(run)


def _run(run: Sequence[Area]) -> Iterator[Area | Coarse]:
    if len(run) < 3:
        yield from run
        return
    uses = [use for one in run for use in one.uses.values()]
    slots = tuple(sorted({slot for use in uses for slot in use.slots}))
    yield Coarse(run[0].first, run[-1].last, slots, len(run), any(not use.slots for use in uses))


def bank_lines(banks: Banks) -> tuple[str, ...]:
    """Names of the lines by which addresses are decoded, high digit first, of which every combination is looked at."""
    names = [line.name for line in banks.lines]
    return tuple(reversed(names)) if len(names) <= MOST_LINES else ()


def areas_of(banks: Banks) -> list[Area]:
    """All areas of the 64 KiB, in order and without a gap; of more than MOST_LINES lines, banks as they are."""
    lines = bank_lines(banks)
    if not lines:
        return [Area(first, last, (), {(): use}) for first, last, use in _uses(banks.present[0])]
    by_levels = {
        levels: list(_uses(banks.at(tuple(reversed(levels))))) for levels in product((False, True), repeat=len(lines))
    }
    starts = sorted({first for found in by_levels.values() for first, _, _ in found} | {ADDRESSES})
    cursors = dict.fromkeys(by_levels, 0)
    found = []
    for first, behind in pairwise(starts):
        uses = {}
        for levels, stretches in by_levels.items():
            while stretches[cursors[levels]][1] < first:
                cursors[levels] += 1
            begins, _, use = stretches[cursors[levels]]
            uses[levels] = _further(use, first - begins)
        found.append(_by_what_matters(first, behind - 1, lines, uses))
    return _joined(found)


def _further(use: Use, by: int) -> Use:
    """The use of what begins some bytes behind the start of a stretch."""
    if not by:
        return use
    reads, writes = (
        tuple(attrs.evolve(one, offset=one.offset + by) if one.size and one.straight else one for one in answers)
        for answers in (use.reads, use.writes)
    )
    return Use(reads, writes)


def _by_what_matters(first: int, last: int, lines: Sequence[str], uses: dict[tuple[bool, ...], Use]) -> Area:
    """An area by those of the lines alone that make a difference in it."""
    matter = [
        place
        for place in range(len(lines))
        if any(use != uses[(*levels[:place], not levels[place], *levels[place + 1 :])] for levels, use in uses.items())
    ]
    told = {tuple(levels[place] for place in matter): use for levels, use in uses.items()}
    return Area(first, last, tuple(lines[place] for place in matter), told)


def _joined(areas: list[Area]) -> list[Area]:
    """Neighbours that a boundary of another combination has cut, and whose uses simply go on, are one again."""
    found: list[Area] = []
    for area in areas:
        before = found[-1] if found else None
        if before is not None and before.lines == area.lines:
            length = area.first - before.first
            if all(_goes_on(before.uses[levels], use, length) for levels, use in area.uses.items()):
                found[-1] = attrs.evolve(before, last=area.last)
                continue
        found.append(area)
    return found


def _goes_on(use: Use, further: Use, length: int) -> bool:
    memory = [one for one in (*use.reads, *use.writes) if one.size]
    if any(one.images > 1 or (one.offset & one.size - 1) + length >= one.size for one in memory):
        return False
    return _further(use, length) == further


def _uses(table: Table) -> Iterator[tuple[int, int, Use]]:
    """(first, last, use) of one decoding, in order and without a gap."""
    reads = [(seat, drives, _digits(drives)) for seat, drives, *_ in table.everything]
    writes = [(seat, takes | drives, _digits(takes | drives)) for seat, _, _, takes, drives in table.everything]
    bounds = {0, ADDRESSES}
    for _, one, _ in (*reads, *writes):
        for first, last in ranges(one):
            bounds |= {first, last + 1}
    for first, behind in pairwise(sorted(bounds)):
        on_read = [seat for seat, _, digits in reads if digits[first] == "1"]
        on_write = [seat for seat, _, digits in writes if digits[first] == "1"]
        step = min((_image(table, seat, first, behind - 1)[0] for seat in (*on_read, *on_write)), default=ADDRESSES)
        cut = (
            _aligned(first, behind, step)
            if behind - first > step and (behind - first) // step <= MOST_IMAGES
            else [first]
        )
        for begins, ends in pairwise([*cut, behind]):
            yield (
                begins,
                ends - 1,
                Use(
                    tuple(_answer(table, seat, begins, ends - 1, is_write=False) for seat in on_read),
                    tuple(_answer(table, seat, begins, ends - 1, is_write=True) for seat in on_write),
                ),
            )


def _digits(table: int) -> str:
    """A truth table by address, "1" where it is true."""
    return f"{table:0{ADDRESSES}b}"[::-1]


def _aligned(first: int, behind: int, step: int) -> list[int]:
    """Where images of a size begin in an area."""
    return [first, *range(first // step * step + step, behind, step)]


def _image(table: Table, seat: Seat, first: int, last: int) -> tuple[int, bool]:
    """Bytes after which a card's memory begins anew in an area, and whether its lowest lines are straight.

    A card without plain memory has no images: its registers are listed one by one.
    """
    if seat.plain is None:
        return ADDRESSES, True
    pins = table.pins_of(seat)[0]
    if pins is None:
        return 1 << min(seat.address_pins, 16), True
    inside = whole(first, last)
    straight = 0
    for number, carried in enumerate(pins):
        own = address_bit(number) if number < 16 else 0
        if (_as_table(carried) ^ own) & inside:
            break
        straight += 1
    rest = (_as_table(carried) & inside for carried in pins[straight:])
    return 1 << min(straight, 16), all(one in (0, inside & ALL) for one in rest)


@lru_cache(maxsize=256)  # asked of each of thousands of areas
def _as_table(pin: bytes) -> int:
    return int.from_bytes(pin, "little")


def _answer(table: Table, seat: Seat, first: int, last: int, *, is_write: bool) -> Answer:
    offset = table.offset(seat, first, is_write=is_write)
    if seat.plain is None:
        return Answer(seat.slot, offset)
    size, straight = _image(table, seat, first, last)
    if not straight:
        return Answer(seat.slot, offset, 1, last - first + 1, straight=False)
    images = -(-(last - first + 1 + (first & size - 1)) // size)
    return Answer(seat.slot, offset, images, size)
