"""What a comparison tells somebody to do at the bench, and what it says nothing about."""

import numpy as np
import pytest

from simkit import Machine
from simkit.capture.captured import Captured
from simkit.compare.advised import next_steps
from simkit.compare.guessed import HIGH, LOW, OTHER, SHORTED, LineFault
from simkit.compare.judged import led
from simkit.compare.lines import diagnose
from simkit.compare.told import as_dict, report
from tests.compare.takes import SOUND_SEED, observed


@pytest.fixture(scope="module")
def marlpit():
    return Machine.load("demo:marlpit", seed=SOUND_SEED)


def exact(seen):
    """A capture that misses nothing."""
    known = np.full(len(seen), (1 << len(seen.names)) - 1, np.uint64)
    return Captured(seen.names, seen.levels, known, np.arange(len(seen)) / 2e6, np.zeros(len(seen), bool))


def compared(machine, name, **how):
    found = led(machine, exact(observed(name, 5, **how)[1]))
    faults = diagnose(machine, found)
    return "\n".join(report(machine, found, faults)), found, faults


def told(machine, *faults):
    return " ".join(next_steps(machine, faults))


def line(name, how, slot, *, writes=False, addresses=(), shown=50):
    return LineFault(name, how, "", slot, writes, False, shown, 50, (), 0, 0.5, addresses)


def test_without_a_disagreement_it_tells_what_was_not_tried_and_what_to_capture(marlpit):
    text, _, _ = compared(marlpit, "demo:marlpit", cycles=3000)
    assert "No disagreement" in text
    assert "It says nothing about Keyboard controller (slot 3), Pad card (slot 4) and Video card (slot 5)" in text
    assert "trigger on its select" in text


def test_registers_that_only_a_capture_from_reset_on_can_tell_are_named(marlpit):
    text, found, faults = compared(marlpit, "demo:marlpit", skip=400_000, cycles=40_000)
    assert not found.from_reset
    assert "It does not say whether" in text
    assert "known from RESET on alone" in text
    assert "capture from RESET on" in text
    assert as_dict(marlpit, found, faults)["unseen"]


def test_of_a_few_cycles_it_is_said_that_they_are_few(marlpit):
    text, _, _ = compared(marlpit, "demo:marlpit", skip=1000, cycles=1)
    assert "Too few to tell anything" in text
    assert "does not do anywhere" not in text


def test_another_program_in_the_rom_is_no_fault_of_a_line(marlpit):
    text, _, _ = compared(marlpit, "demo:keyboard-test", cycles=3000)
    assert "it may hold another program than the image of the machine file" in text
    assert "short to ground" not in text.partition("At the bench:")[2]


def test_a_line_of_the_whole_bus_is_not_looked_for_at_one_card(marlpit):
    text = told(marlpit, line("D7", LOW, 2), line("D7", LOW, None, writes=True), line("D7", LOW, 1), line("D6", LOW, 1))
    assert "Look at D7 on the backplane" in text
    assert "It is the same when the CPU writes and when RAM (slot 1) is read: so it is the line, and no pin" in text
    assert "D7 on the backplane" not in told(marlpit, line("D7", LOW, 2), line("D7", HIGH, 1), line("D6", LOW, 1))


def test_cells_of_a_ram_are_captured_again_before_the_part_is_drawn(marlpit):
    assert "Capture once more" in told(marlpit, line("D2", OTHER, 1, addresses=(0x01F8,)))


def test_one_register_that_differs_is_nothing_for_the_programmer():
    monitor = Machine.load("demo:monitor")
    assert "programmer" not in told(monitor, line("D5", OTHER, 4, addresses=(0x7F6D,)))
    assert "Nothing but $7F6D of Port card (slot 4) differs" in told(monitor, line("D5", OTHER, 4, addresses=(0x7F6D,)))
    assert "programmer" in told(monitor, line("D5", OTHER, 2, addresses=(0xC000,)))


def test_where_to_probe_is_never_the_card_itself(marlpit):
    assert "while ROM (slot 2) is read" in told(marlpit, line("D3", HIGH, 1))
    assert "while RAM (slot 1) is read" in told(marlpit, line("D3", HIGH, 2))


def test_it_says_all_only_of_all(marlpit):
    assert "low in all of 50 cycles" in told(marlpit, line("D3", LOW, 2))
    assert "low in 48 of 50 cycles" in told(marlpit, line("D3", LOW, 2, shown=48))


def test_lines_that_touch_on_the_backplane_are_not_called_the_pin_of_one_card(marlpit):
    """RAM gives back what the CPU wrote on them: nothing shows there, so nothing is said of it."""
    text, _, faults = compared(marlpit, "demo:marlpit", cycles=6000, wiring=["D3 shorted to D4"])
    assert (faults[0].line, faults[0].how, faults[0].other) == ("D3", SHORTED, "D4")
    assert "this card's pin" not in text
    assert "D3 between contact 15 of ROM (slot 2) and contact 30 of the CPU" in text
    assert "To see it, trigger on a read of $8007 (reset+7): there" in text


def test_a_late_line_of_a_memory_is_a_line_and_no_memory_that_takes_no_writes(marlpit):
    _, _, faults = compared(marlpit, "demo:marlpit", cycles=9000, wiring=["slot 1: D6 late"])
    assert {each.line for each in faults} == {"D6"}


def test_a_line_of_the_cpu_is_told_by_its_contact_and_without_the_addresses_it_went_to(marlpit):
    text, _, _ = compared(marlpit, "demo:marlpit", cycles=3000, wiring=["A6 stuck high"])
    assert "Look at A6 at the CPU's pin (contact 15) and on the backplane" in text
    assert "Where, most often first" not in text
    text, _, _ = compared(marlpit, "demo:marlpit", cycles=3000, wiring=["RW stuck high"])
    assert "R/W shows a read" in text
    assert "The CPU puts out the right level by all that it does" in text
