"""A faulted machine beside a capture of a machine with the same fault: they agree; the sound one does not."""

import numpy as np
import pytest

from simkit import Machine
from simkit.compare.at_cpu import RW_BIT, AtCpu
from simkit.compare.judged import Verdict, led
from simkit.records.observed import observe
from tests.compare.takes import SOUND_SEED, noise, taken

HARMLESS = "slot 1: selected by 0xxx xxxx xxxx 0xxx", "slot 1: pin D1 exchanged with D2", "slot 1: pin D3 low"
"""No cycle of this program shows them, or none that comes early."""


@pytest.mark.parametrize(
    "fault",
    [
        "A6 inverted",
        "A7 shorted to A8",
        "D6 inverted",
        "D2 exchanged with D5",
        "slot 2: pin D4 low",
        "slot 1: pin D3 late",
        "slot 5: line RW high",
        *HARMLESS,
    ],
)
def test_a_faulted_machine_agrees_with_a_capture_of_itself_and_the_sound_one_does_not(fault):
    real = Machine.load("demo:pad-test", seed=7, faults=[fault])
    captured, _ = taken(real, observe(real, 3000), noise(7, start_within=1), 7)
    found = led(Machine.load("demo:pad-test", seed=SOUND_SEED, faults=[fault]), captured)
    assert found.first is None, found.first
    assert (found.verdict == Verdict.UNTOLD).mean() < 0.05
    if fault in HARMLESS:
        return
    sound = led(Machine.load("demo:pad-test", seed=SOUND_SEED), captured)
    assert sound.first is not None or (sound.verdict == Verdict.UNTOLD).mean() > 0.5


@pytest.mark.parametrize(
    ("wiring", "told", "never"),
    [
        ([], 0, 0),
        (["A5 stuck low"], 0x1FFFF & ~0x20, 0x20),
        (["A3 inverted", "A0 exchanged with A9"], 0x1FFFF, 0),
        (["A7 shorted to A8"], 0x1FFFF & ~0x180, 0),
        (["RW stuck high"], 0xFFFF, RW_BIT),
    ],
)
def test_what_lines_of_the_backplane_say_of_the_cpu_is_so(wiring, told, never):
    machine = Machine.load("demo:pad-test", wiring=wiring)
    way = AtCpu.of(machine)
    if not wiring:
        assert way is None
        return
    assert way.always == told
    words = np.random.default_rng(1).integers(0, 1 << 17, 500)
    observed = np.array([_on_lines(machine, int(word)) for word in words])
    back, known = way.control_at(observed, np.full(len(words), 0x3FFFF))
    assert not ((back ^ words) & known & 0x1FFFF).any()
    assert not (known & never).any()


def _on_lines(machine, word):
    from simkit.backplane.conductors import on_the_bus
    from simkit.backplane.select import as_table

    levels = on_the_bus({"RW": bool(word >> 16), "PHI2": True}, machine.bus.wiring)
    lines = word
    for bit, name in enumerate((*(f"A{n}" for n in range(16)), "RW")):
        if name in levels:
            level = as_table(levels[name]) >> (word & 0xFFFF) & 1
            lines = lines & ~(1 << bit) | level << bit
    return lines


@pytest.mark.parametrize(("wiring", "untold"), [("D6 inverted", 0), ("D3 stuck low", 0x08), ("D1 shorted to D2", 0x06)])
def test_bytes_on_the_lines_are_taken_as_the_cpu_takes_them(wiring, untold):
    way = AtCpu.of(Machine.load("demo:pad-test", wiring=[wiring]))
    every = np.arange(256)
    given = np.frombuffer(way.data.gives.translate(way.data.lines), np.uint8).astype(np.int64)
    whole, control, none = np.full(256, 0xFF), np.full(256, 0x1FFFF), np.zeros(256, bool)
    back, known = way.data_at(given, whole, np.zeros(256, np.int64), control, none, (0, 0xFF))
    assert not ((back ^ every) & known).any()
    assert (known | untold == 0xFF).all()
    taken_, all_known = way.data_at(given, whole, np.full(256, RW_BIT), control, none, (0, 0xFF))
    assert taken_.tolist() == list(given.astype(np.uint8).tobytes().translate(way.data.takes))
    assert (all_known == 0xFF).all()
    either, both_known = way.data_at(given, whole, np.zeros(256, np.int64), control & 0xFFFF, none, (0, 0xFF))
    assert not ((either ^ taken_) & both_known).any()
    assert not ((either ^ back) & both_known & known).any()


def zero_page_loads(writes):
    """Cycles of a CPU with D6 late: opcode, operand and operand's cell, sixty times; stores instead of some loads.

    Gives words, bytes on the lines, and those that the CPU takes or gives.
    """
    chance, level = np.random.default_rng(5), 0x40
    words, lines, own = [], [], []

    def cycle(address, byte, is_read=True):
        nonlocal level
        taken_ = byte & ~0x40 | level if is_read else byte
        words.append(address | RW_BIT * is_read)
        lines.append(byte)
        own.append(taken_)
        level = taken_ & 0x40
        return taken_

    for at in range(60):
        cycle(0x8000 + 2 * at, 0x85 if at in writes else 0xA5)
        operand = cycle(0x8001 + 2 * at, int(chance.integers(256)))
        cycle(operand, writes.get(at, int(chance.integers(256))), at not in writes)
    return np.array(words), np.array(lines), np.array(own)


def at_the_cpu(words, lines, masks=None, lost=(), last=(0, 0)):
    masks = np.full(len(words), 0x1FFFF) if masks is None else masks
    way = AtCpu.of(Machine.load("demo:pad-test", wiring=["D6 late"]))
    is_lost = np.isin(np.arange(len(words)), lost)
    return way.data_at(lines, np.full(len(words), 0xFF), words & masks, masks, is_lost, last)


@pytest.mark.parametrize("row", [61, 62, 70, 97])
def test_what_a_late_line_keeps_is_not_that_of_a_cycle_whose_rw_is_misread(row):
    words, lines, own = zero_page_loads({3: 0x00, 40: 0xFF})
    lines[row] |= 0x40  # what the CPU does not take there, and would have put there
    misread = words.copy()
    misread[row] ^= RW_BIT
    found, known = at_the_cpu(misread, lines)
    others = np.arange(len(words)) != row
    assert found[others].tolist() == own[others].tolist()
    assert (known[others & (np.arange(len(words)) > 0)] == 0xFF).all()
    assert known[row] == 0xBF


def test_what_a_late_line_keeps_is_told_by_addresses_where_no_write_tells_it():
    words, lines, own = zero_page_loads({3: 0x00, 40: 0xFF})
    for masks, lost in ((np.full(len(words), 0x1FFFF), [64]), (np.where(np.arange(len(words)) == 64, 0, 0x1FFFF), [])):
        found, known = at_the_cpu(words, lines, masks, lost)
        assert (known[np.arange(len(words)) != 64] == 0xFF).all()
        assert not ((found ^ own) & known).any()
    lines[11] |= 0x40  # one address that shows otherwise is a misread one, and a captured write counts
    words[10] |= 0x40
    assert at_the_cpu(words, lines)[0][13:20].tolist() == own[13:20].tolist()
    found, known = at_the_cpu(words[-6:-4] | 0xFF00, lines[-6:-4], last=(0xFF, 0xBF))
    assert (known == 0xBF).all()
