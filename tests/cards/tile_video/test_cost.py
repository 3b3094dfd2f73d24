"""What pictures cost, as ratios to a fixed plain loop measured in the same run; bounds are wide, for busy machines."""

import random
import time

import pytest
from simkit_cards.tile_video.picture import Picture

LOOP_PASSES = 100_000


def best(measure, times=15):
    return min(measure() for _ in range(times))


def plain_loop():
    start, total = time.perf_counter(), 0
    for number in range(LOOP_PASSES):
        total += number & 7
    return time.perf_counter() - start


@pytest.mark.parametrize("registers", ["00 C2 05 80 01 20 00 01", "02 C2 05 FF 03 20 03 01"])
def test_cost_of_a_frame(registers, capsys):
    """Nothing changed; all cells and 32 large sprites changed; one register change a line."""
    chance = random.Random(1)
    picture = Picture(6, 1)
    picture.start(chance.randbytes(0x4000), bytes.fromhex(registers))
    picture.end_frame(0)
    picture.pixels()

    def frame(changes):
        picture.journal.extend(changes)
        start = time.perf_counter()
        picture.end_frame(0)
        picture.pixels()
        return time.perf_counter() - start

    def all_cells():
        names = [(-1, 0x1400 + place, chance.randrange(256)) for place in range(768)]
        spots = ((chance.randrange(176), chance.randrange(240), chance.randrange(256), 1 + n % 15) for n in range(32))
        return frame(names + [(-1, 0x1000 + place, byte) for place, byte in enumerate(b for s in spots for b in s)])

    loop = best(plain_loop)
    ratios = {
        "nothing changed": best(lambda: frame([])) / loop,
        "all cells and 32 sprites": best(all_cells) / loop,
        "a register a line": best(lambda: frame([(line * 684, -8, line & 15) for line in range(192)])) / loop,
    }
    with capsys.disabled():
        told = ", ".join(f"{name} {ratio:.3f} ({ratio * loop * 1000:.2f} ms)" for name, ratio in ratios.items())
        print(f"\n  {registers}: {told}; loop {loop * 1000:.2f} ms", end=" ")
    assert ratios["nothing changed"] < 0.01
    assert ratios["all cells and 32 sprites"] < 0.8
    assert ratios["a register a line"] < 2
