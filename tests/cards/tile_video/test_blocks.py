"""Bytes for video memory that an engine hands over together, as it does while nobody could tell: what comes of them is
what comes of each by itself, and they cost less."""

import random
from collections.abc import Callable

import pytest
from simkit_cards.tile_video.card import TileVideo

from simkit.testing.bench import Bench
from simkit.testing.contract.late_writes import LateBench

DATA, CONTROL = 0, 1
END = 0x4000


def begun(bench: Bench, start: int, mode: int) -> None:
    """Registers 0 and 1 set, and the address counter at `start`."""
    for byte in (0x00, 0x80, mode, 0x81, start & 0xFF, 0x40 | start >> 8):
        bench.write(CONTROL, byte)
        bench.run(20)


def stored(kind: Callable[..., Bench], start: int, mode: int, values: bytes, pause: int, **options: object) -> Bench:
    bench = kind(TileVideo, options)
    begun(bench, start, mode)
    for value in values:
        bench.write(DATA, value)
        bench.run(pause)
    bench.read(CONTROL)  # has what waits handed over
    return bench


@pytest.mark.parametrize("mode", [0xC0, 0x80, 0x40], ids=["16K, drawn", "16K, blank", "4K"])
@pytest.mark.parametrize("before_the_end", [0, 1, 2, 300])
@pytest.mark.parametrize("pause", [1, 5, 11])
def test_a_block_over_the_end_of_the_memory_is_what_its_bytes_are_one_by_one(mode, before_the_end, pause):
    rng = random.Random(before_the_end)
    values = rng.randbytes(rng.choice((2, 3, 700)))
    alone, together = (stored(kind, END - before_the_end - 1, mode, values, pause) for kind in (Bench, LateBench))
    assert together.save() == alone.save()
    assert list(together.findings) == list(alone.findings)


def test_a_block_longer_than_the_memory_leaves_what_its_last_bytes_are():
    values = random.Random(1).randbytes(END + 500)
    bench = Bench(TileVideo)
    begun(bench, 0x3000, 0x80)
    cycles = range(bench.cycle, bench.cycle + 9 * len(values), 9)
    singles = count_writes(bench.card)
    bench.card._end_tick = 1 << 60  # no frame ends meanwhile
    bench.ask(bench.card.write_late, DATA, values, cycles, bytes(len(values)))
    ring = bytearray(END)
    for n, value in enumerate(values):
        ring[(0x3000 + n) % END] = value
    memory, _ = bench.card.look(cycles[-1] + 20)
    assert memory == ring
    assert len(singles) <= 4, "one to begin with, and one after each wrap; the rest goes in at once"


def count_writes(card: TileVideo) -> list[int]:
    found: list[int] = []
    write = card.write

    def counted(offset: int, value: int, cycle: int) -> None:
        found.append(cycle)
        write(offset, value, cycle)

    card.write = counted  # type: ignore[method-assign]
    return found
