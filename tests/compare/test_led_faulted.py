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
    back, known = way.data_at(given, np.full(256, 0xFF), np.zeros(256, np.int64), np.zeros(256, bool), (0, 0xFF))
    assert not ((back ^ every) & known).any()
    assert (known | untold == 0xFF).all()
    taken_, all_known = way.data_at(given, np.full(256, 0xFF), np.full(256, RW_BIT), np.zeros(256, bool), (0, 0xFF))
    assert taken_.tolist() == list(given.astype(np.uint8).tobytes().translate(way.data.takes))
    assert (all_known == 0xFF).all()
