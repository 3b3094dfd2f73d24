"""Where a capture does not tell what the CPU took, what comes of it differs from nothing."""

import numpy as np
import pytest

from simkit import Machine
from simkit.capture.captured import Captured
from simkit.compare.judged import led
from simkit.records.observed import observe
from tests.compare.takes import SOUND_SEED, exact


def without(captured, row, count):
    """The same with some cycles missing before a row."""
    kept = np.r_[0 : row - count, row : len(captured)]
    lost = captured.lost.copy()
    lost[row] = True
    columns = (captured.levels, captured.known, captured.time, lost)
    return Captured(captured.names, *(column[kept] for column in columns))


@pytest.mark.parametrize("count", [2, 3, 4, 5])
@pytest.mark.parametrize("row", [300, 301, 305])
def test_a_byte_that_is_written_back_says_nothing_where_the_cycle_that_read_it_is_missing(row, count):
    """The CPU runs through open bus, which it takes for SMB7 with D3 inverted: it reads a byte, and writes it again."""
    faults = ["D3 inverted"]
    whole = exact(observe(Machine.load("demo:pad-test", seed=7, faults=faults), 500))
    found = led(Machine.load("demo:pad-test", seed=SOUND_SEED, faults=faults), without(whole, row, count))
    assert not found.differences


@pytest.mark.parametrize("begin", [300, 500, 700, 1500])
def test_where_wiring_leaves_address_lines_open_the_cpu_may_begin_at_each_address_that_they_show(begin):
    """NOPs: A7 and A8 touch, and show which of two addresses it was where the next page begins."""
    image = bytearray(bytes((0xEA,)) * 0x8000)
    image[0x7FFC:0x7FFE] = (0xC000).to_bytes(2, "little")
    images, faults = {2: bytes(image)}, ["A7 shorted to A8"]
    whole = exact(observe(Machine.load("demo:marlpit", seed=5, images=images, faults=faults), 2500))
    found = led(Machine.load("demo:marlpit", seed=SOUND_SEED, images=images, faults=faults), whole[begin:])
    assert not found.differences
    assert len(found.parts) == 1


@pytest.mark.parametrize("seed", range(3, 11))
def test_what_a_register_answers_by_the_power_up_alone_is_not_told_though_a_few_machines_agree(seed):
    """The status of a video chip that was not set up: which sprite was the last hangs on what its memory holds."""
    image = bytearray(b"\xea" * 0x8000)
    image[0:6] = bytes((0xAD, 0x31, 0x7F, 0x4C, 0x00, 0x80))  # LDA $7F31; JMP back
    image[0x7FFC:0x7FFE] = bytes((0x00, 0x80))
    images = {2: bytes(image)}
    captured = exact(observe(Machine.load("demo:marlpit", seed=seed, images=images), 9_000))
    found = led(Machine.load("demo:marlpit", seed=SOUND_SEED, images=images), captured)
    assert found.first is None, found.first
    assert found.answers
