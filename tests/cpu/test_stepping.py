"""Stepping by single bus cycles."""

import subprocess
import sys

import pytest

from simkit.contract.errors import SimkitError
from simkit.contract.shapes import StateError


def _inc(rig):
    board = rig("6502").watch()
    board.vectors()
    board.place(0x0400, "EE 10 02 E8")
    board.memory[0x0210] = 0x41
    board.cpu.step()
    board.log.clear()
    return board


def test_each_call_makes_one_bus_cycle_and_memory_in_between_is_as_on_the_part(rig):
    """INC abs: opcode, operand, operand, read, old byte back, new byte (MCS6500 Hardware Manual 1976, A.4.2)."""
    board = _inc(rig)
    seen = []
    for number in range(1, 7):
        board.cpu.step_cycle()
        seen.append((len(board.log), board.cpu.cycle, board.cpu.inside_instruction, board.memory[0x0210]))
        assert board.log[-1].cycle == 6 + number
    assert seen == [
        (1, 8, True, 0x41),
        (2, 9, True, 0x41),
        (3, 10, True, 0x41),
        (4, 11, True, 0x41),
        (5, 12, True, 0x41),
        (6, 13, False, 0x42),
    ]


def test_step_inside_an_instruction_finishes_it_and_run_goes_on_from_there(rig):
    board = _inc(rig)
    board.cpu.step_cycle()
    board.cpu.step_cycle()
    board.cpu.step()
    assert (board.cpu.cycle, board.cpu.pc, board.memory[0x0210]) == (13, 0x0403, 0x42)
    board.cpu.step_cycle()
    board.cpu.run(15)
    assert (board.cpu.cycle, board.cpu.pc, board.cpu.inside_instruction) == (15, 0x0404, False)


def test_saving_inside_an_instruction_is_refused_with_the_remedy(rig):
    board = _inc(rig)
    board.cpu.step_cycle()
    with pytest.raises(SimkitError, match=r"inside an instruction.*\n.*step\(\), then save"):
        board.cpu.save()
    board.cpu.step()
    state = board.cpu.save()
    assert state["pc"] == 0x0403


def test_loading_a_state_drops_the_instruction_begun(rig):
    board = _inc(rig)
    state = board.cpu.save()
    board.cpu.step_cycle()
    board.cpu.step_cycle()
    board.cpu.load(state)
    assert not board.cpu.inside_instruction
    board.cpu.step()
    assert board.memory[0x0210] == 0x42
    assert board.cpu.cycle == 13


def test_a_damaged_state_is_refused_and_changes_nothing(rig):
    board = _inc(rig)
    good = board.cpu.save()
    before = board.state
    for name, value in (("a", 256), ("pc", -1), ("p", "x"), ("due", "FIRQ"), ("cycle", None)):
        with pytest.raises(StateError) as refused:
            board.cpu.load(good | {name: value})
        assert refused.value.field == name
        assert board.state == before
    with pytest.raises(StateError, match="sp: is missing"):
        board.cpu.load({k: v for k, v in good.items() if k != "sp"})
    assert board.state == before


def test_without_greenlet_stepping_by_cycles_says_what_to_do():
    """The browser page has no compiled packages; everything else works there."""
    program = (
        "import sys; sys.modules['greenlet'] = None\n"
        "from simkit.cpu.reference.stepping import CycleStepper\n"
        "from simkit.contract.errors import SimkitError\n"
        "try:\n    CycleStepper(None, None)\nexcept SimkitError as error:\n    print(error)\n"
    )
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True)
    assert done.stdout.splitlines() == [
        "Stepping by single cycles needs the package greenlet, which is not here (it is not in the browser).",
        "Step by instructions, or install greenlet.",
    ]
