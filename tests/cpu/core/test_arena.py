"""The memory that the core reaches: which buffers lie in it."""

import ctypes

from simkit.cpu.core.layout import STATE_BYTES
from simkit.cpu.core.memory import PAGE, Arena, needed

SIZES = (300, 256)


class Instance:
    """An instance whose memory lies between two pages that are somebody else's."""

    def __init__(self):
        size = needed(SIZES)
        self.whole = memoryview(bytearray(size + 2 * PAGE))
        self.before, self.memory, self.behind = (
            self.whole[:PAGE], self.whole[PAGE:PAGE + size], self.whole[PAGE + size:],
        )  # fmt: skip
        self.base = ctypes.addressof(ctypes.c_char.from_buffer(self.memory))
        self.start = 0


def test_what_slots_ask_for_has_an_address_and_what_a_card_brings_along_has_none():
    instance = Instance()
    arena = Arena(instance)
    pieces = [arena.take(size) for size in SIZES]
    assert arena.address(pieces[0], 0) > STATE_BYTES
    assert arena.address(pieces[1], 0) == arena.address(pieces[0], 0) + 2 * PAGE
    assert arena.address(pieces[1], 7) == arena.address(pieces[1], 0) + 7
    for stranger in (instance.before, instance.behind, memoryview(bytearray(PAGE)), memoryview(bytearray(0))):
        assert arena.address(stranger, 0) is None
    assert arena.address(instance.memory, 0) == 0
    assert arena.address(instance.memory, len(instance.memory) - 1) == len(instance.memory) - 1


def test_a_page_of_a_buffer_that_ends_behind_the_memory_is_not_taken_for_the_cores():
    instance = Instance()
    assert Arena(instance).address(instance.before, PAGE - 1) is None
    assert Arena(instance).address(instance.whole, len(instance.before) + len(instance.memory)) is None
