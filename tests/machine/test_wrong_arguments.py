"""What people call with wrong values from Python: one clear message, and the machine stays as it was."""

import math

import pytest

from simkit import Machine
from simkit.contract.errors import SimkitError


@pytest.fixture(scope="module")
def marlpit():
    m = Machine.load("demo:marlpit", engine="exact")
    m.run(cycles=1000)
    return m


@pytest.mark.parametrize("moment", ["cycles", "seconds", "frames"])
@pytest.mark.parametrize("value", [-1, "5", "abc", math.nan, math.inf, True, [1]])
def test_a_length_that_is_no_length(marlpit, moment, value):
    before = marlpit.save_state()
    with pytest.raises(SimkitError, match=f"{moment} is "):
        marlpit.run(**{moment: value})
    assert marlpit.save_state() == before


@pytest.mark.parametrize("value", [-1, "1", math.nan, None])
def test_a_timeout_that_is_no_length(marlpit, value):
    with pytest.raises(SimkitError, match="timeout is "):
        marlpit.run(screen_text="never", timeout=value)


def test_half_a_frame_and_a_decimal_fraction_of_a_second_are_lengths(marlpit):
    start = marlpit.cycle
    marlpit.run(frames=0.5)
    assert 16_600 < marlpit.cycle - start < 16_800  # half of 1/59.92 s at 2 MHz
    start = marlpit.cycle
    marlpit.run(seconds=0.001)
    assert 2_000 <= marlpit.cycle - start < 2_008


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda m: m.run(access=0x10000), "not an address"),
        (lambda m: m.run(label="rest"), "no label"),
        (lambda m: m.peek(-1), "not an address"),
        (lambda m: m.peek(1.5), "not an address"),
        (lambda m: m.poke(0, 256), "not a byte"),
        (lambda m: m.poke(0, 1.5), "not a byte"),
        (lambda m: m.disassemble(0x10000), "not an address"),
        (lambda m: m.lines["IRG"], "no line 'IRG'"),
        (lambda m: m.add_probe(None), "cannot be a probe"),
        (lambda m: m.keys.press("a", at=1.5), "a cycle is a whole number"),
        (lambda m: m.pads[1].press("left", at="soon"), "a cycle is a whole number"),
        (lambda m: m.pads[3], "no pad 3"),
        (lambda m: m.card(9), "no card in slot 9"),
        (lambda m: m.card(1).screen, "0 ports of the kind 'screen'"),
        (lambda m: m.serial, "No card of this machine"),
    ],
)
def test_a_wrong_value_says_what_is_wrong_and_changes_nothing(marlpit, call, words):
    before = marlpit.save_state()
    with pytest.raises(SimkitError, match=words):
        call(marlpit)
    assert marlpit.save_state() == before


@pytest.mark.parametrize("register", ["pc", "a", "x", "y", "sp"])
@pytest.mark.parametrize("value", [-1, 0x10000, 1.5, "5", None])
@pytest.mark.parametrize("go", ["run", "step", "step_cycle"])
def test_a_register_set_to_what_it_cannot_hold_is_told_before_anything_runs(marlpit, register, value, go):
    good, cycle = getattr(marlpit.cpu, register), marlpit.cycle
    setattr(marlpit.cpu, register, value)
    try:
        with pytest.raises(SimkitError, match=f"m.cpu.{register} was set to"):
            marlpit.run(cycles=10) if go == "run" else getattr(marlpit, go)()
    finally:
        setattr(marlpit.cpu, register, good)
    assert marlpit.cycle == cycle


def test_lines_are_found_listed_and_asked_for(marlpit):
    assert "IRQ" in marlpit.lines
    assert "IRG" not in marlpit.lines
    assert {"IRQ", "NMI", "RESET", "RDY", "SO"} <= set(marlpit.lines)
    assert marlpit.lines.get("RDY").level


def test_the_last_none_are_none(marlpit):
    assert marlpit.last(0) == []
    assert len(marlpit.last(3)) == 3
