"""What people hold of a machine: inputs are scheduled in their order and never run it, looks change nothing."""

from pathlib import Path

import pytest

from simkit import Machine

DEMO = Path(__file__).resolve().parents[2] / "demo"


@pytest.fixture
def marlpit():
    return Machine.load(DEMO / "marlpit")


def queued(machine, port):
    return [(e[0], *e[4:]) for e in machine.bus.pending_outside() if e[3] == port]


def test_what_is_typed_begins_after_what_is_queued_already_at_that_keyboard(marlpit):
    """However the text is cut, the keyboard gets the same strokes in the same cycles."""
    whole = Machine.load(DEMO / "marlpit")
    end = whole.keys.type("Slug 7")
    assert [marlpit.keys.type(part) for part in ("Sl", "", "ug", " 7")][-1] == end
    assert queued(marlpit, "keys") == queued(whole, "keys")
    gap = whole.keys.port.gap_cycles
    cycles = [cycle for cycle, *_ in queued(whole, "keys")]
    assert cycles == [cycles[0] + gap * number for number in range(len(cycles))]
    assert cycles[0] == whole.keys.port.ready_at(0) + gap


def test_a_key_queued_far_ahead_comes_before_what_is_typed_and_a_pad_does_not_count(marlpit):
    marlpit.pads[1].press("left", at=90_000_000)
    marlpit.keys.press("a", at=20_000_000)
    gap = marlpit.keys.port.gap_cycles
    assert marlpit.keys.type("b") == 20_000_000 + 2 * gap
    assert queued(marlpit, "keys")[0] == (20_000_000, "press", ("a",))


def test_typing_from_a_cycle_on_waits_for_it_and_for_all_that_is_queued(marlpit):
    gap = marlpit.keys.port.gap_cycles
    assert marlpit.keys.type("a", at=30_000_000) == 30_000_000 + 2 * gap
    assert marlpit.keys.type("b", at=10_000_000) == 30_000_000 + 4 * gap
    assert marlpit.keys.type("c", at=50_000_000) == 50_000_000 + 2 * gap
