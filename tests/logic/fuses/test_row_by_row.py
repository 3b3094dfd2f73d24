"""What the kit makes of any fuses is what a second evaluator makes of them, one level at each pin at a time."""

import random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from simkit.logic.drive import Drive
from simkit.logic.fuses.jedec import read_fuse_map
from simkit.logic.fuses.program import programmed
from simkit.logic.fuses.settling import settle
from tests.examples import examples
from tests.logic.fuses.row_by_row import NONE, Part
from tests.logic.fuses.written import jedec, random_fuses

CASES = 24
ONES = (1 << CASES) - 1


def case(tables, n):
    return {pin: table >> n & 1 for pin, table in tables.items()}


@pytest.mark.parametrize("kind", ["16V8", "20V8", "22V10"])
@settings(max_examples=examples(120))
@given(seed=st.integers(0, 2**32))
def test_any_fuses(kind, seed):
    rng = random.Random(seed)
    fuses = random_fuses(kind, rng)
    part = Part(kind, fuses)
    program = programmed(kind, read_fuse_map(jedec(fuses), "any.jed"))
    assert (set(program.outputs), set(program.registers)) == (set(part.cells) - part.input_only, part.registered)
    outside = {
        pin: Drive((driven := rng.choice((ONES, ONES, 0, rng.getrandbits(CASES)))), driven & rng.getrandbits(CASES))
        for pin in range(1, program.device.pins + 1)
        if pin not in (program.device.ground, program.device.supply)
        and (pin in program.device.input_pins() or rng.random() < 0.3)
    }
    registers = {pin: rng.getrandbits(CASES) for pin in program.registers}
    found = settle(program, outside, registers, ONES)
    clocked = program.clocked(found.levels, found.registers, ONES)
    for n in range(CASES):
        given_levels = {pin: drive.level >> n & 1 for pin, drive in outside.items() if drive.driven >> n & 1}
        levels, q = part.rest(given_levels, case(registers, n), 0)
        other, _ = part.rest(given_levels, case(registers, n), 1)
        if levels is None or other is None or levels != other:
            assert any(table >> n & 1 for table in found.restless.values())
            continue
        assert not any(table >> n & 1 for table in found.restless.values())
        assert (case(found.levels, n), case(found.registers, n)) == (levels, q)
        for pin in program.outputs:
            own = part.output(pin, levels, q)
            drive = found.drives[pin]
            assert (drive.driven >> n & 1, drive.level >> n & 1) == ((0, 0) if own == NONE else (1, own))
            assert found.conflicts.get(pin, 0) >> n & 1 == (own != NONE and pin in given_levels)
        assert case(clocked, n) == part.clock(levels, q)


def test_the_second_evaluator_meets_everything():
    """Among such fuses are outputs that feed each other without end, that fight, that let go, and all modes."""
    seen = set()
    for seed in range(60):
        rng = random.Random(seed)
        kind = rng.choice(("16V8", "20V8", "22V10"))
        part = Part(kind, random_fuses(kind, rng))
        levels, q = part.rest(dict.fromkeys(range(1, 10), rng.getrandbits(1)), dict.fromkeys(part.registered, 0), 0)
        seen |= {(kind, part.mode), "restless" if levels is None else "at rest"}
        seen |= {str(part.output(pin, levels, q)) for pin in part.cells if levels is not None}
        seen |= {"register" for _ in part.registered}
    modes = {(kind, mode) for kind in ("16V8", "20V8") for mode in ("simple", "complex", "registered")}
    assert seen == modes | {("22V10", ""), "restless", "at rest", "0", "1", NONE, "register"}


def test_two_outputs_that_hold_each_other_have_no_level_of_their_own():
    """A latch of two cross-coupled terms: with neither input active its level is what it was."""
    fuses = bytearray(2194)
    fuses[2128:2192] = b"\1" * 64
    fuses[2192:2194] = b"\1\0"  # simple mode
    fuses[0:32] = bytes(0 if c in (0, 10) else 1 for c in range(32))  # pin 19 = not (pin 2 and pin 18)
    fuses[256:288] = bytes(0 if c in (4, 6) else 1 for c in range(32))  # pin 18 = not (pin 3 and pin 19)
    program = programmed("GAL16V8", read_fuse_map(jedec(bytes(fuses)), "latch.jed"))
    found = settle(program, {2: Drive(0b1111, 0b1010), 3: Drive(0b1111, 0b1100)}, {}, 0b1111)
    assert found.restless == {18: 0b1000, 19: 0b1000}
    assert {pin: found.levels[pin] & 0b0111 for pin in (18, 19)} == {18: 0b0011, 19: 0b0101}
    assert found.open == ()
