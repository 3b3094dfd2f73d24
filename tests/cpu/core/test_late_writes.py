"""Writes that may wait, where something goes wrong at one of them, or their card has wait states."""

from itertools import pairwise

import pytest

from simkit import SimkitError

# loop: inx, stx $7f00, inc $40, stx $7f01, nop, jmp loop
PROGRAM = "E8 8E007F E640 8E017F EA 4C0080"
STX = {0: 0x8001, 1: 0x8006}
"""PC of the store, by register."""
CYCLES = 5000


@pytest.fixture
def make(small_machine, obedient):
    def made(engine, **options):
        machine = small_machine(PROGRAM, engine, **options)
        return machine, obedient(machine)

    return made


@pytest.fixture
def truth(make):
    """The writes, undisturbed: (cycle, True, register, byte)."""
    machine, card = make("exact")
    machine.run(cycles=CYCLES)
    return card.log


def failing_at(cycles, error):
    def told(is_write, offset, value, cycle):
        if cycle in cycles:
            raise error

    return told


@pytest.mark.parametrize("which", [(0,), (1,), (200,), (201,), (-1,), (40, 41, 42), (30, 60, 99)])
def test_a_card_that_fails_at_writes_is_told_of_the_first_with_its_cycle_and_gets_all_others(make, truth, which):
    failed = [truth[n] for n in which]
    cycle, _, register, _ = failed[0]
    told = []
    for engine in ("exact", "auto"):
        machine, card = make(engine)
        card.told = failing_at({one[0] for one in failed}, ValueError("boom"))
        with pytest.raises(SimkitError) as raised:
            machine.run(cycles=CYCLES)
        told.append(raised.value.message)
        assert f"write in cycle {cycle} at $7F0{register} raised ValueError: boom" in told[-1]
        assert isinstance(raised.value.__cause__, ValueError)
        handed_over = [one for one in truth if one[0] < machine.cycle]
        assert card.log == [one for one in handed_over if one not in failed]
        card.told = None
        machine.run(cycles=100)
        assert card.log[-1][0] > machine.cycle - 30
    assert told[0] == told[1]


@pytest.mark.parametrize("which", [0, 150, 151])
def test_ctrl_c_in_one_of_them_comes_out_and_the_card_gets_all_others(make, truth, which):
    for engine in ("exact", "auto"):
        machine, card = make(engine)
        card.told = failing_at({truth[which][0]}, KeyboardInterrupt())
        with pytest.raises(KeyboardInterrupt):
            machine.run(cycles=CYCLES)
        assert card.log == [one for one in truth if one[0] < machine.cycle and one != truth[which]]
        card.told = None
        machine.run(cycles=100)
        assert card.log[-1][0] > machine.cycle - 30


def test_a_card_that_takes_them_together_and_fails_is_told_with_the_first_of_them(make, truth):
    machine, card = make("auto")
    if machine.cpu.arena is None:
        pytest.skip("there is no core here")

    def write_late(offset, values, cycles, before):
        raise ValueError("boom")

    card.write_late = write_late
    with pytest.raises(SimkitError, match=rf"in cycle {truth[0][0]} at \$7F00 raised ValueError: boom"):
        machine.run(cycles=CYCLES)
    del card.write_late
    machine.run(cycles=100)
    assert card.log[-1][0] > machine.cycle - 30


@pytest.mark.parametrize("back", [0, 3, 40])
def test_what_a_card_reports_of_an_earlier_cycle_bears_the_pc_of_the_write(make, truth, back):
    found = []
    for engine in ("exact", "auto"):
        machine, card = make(engine)

        def told(is_write, offset, value, cycle, card=card):
            if cycle >= truth[50][0]:
                card.slot.report("late", cycle - back, "too late")

        card.told = told
        machine.run(cycles=CYCLES)
        found.append([(one.cycle, one.pc, one.address, one.slot) for one in machine.findings if one.rule == "late"])
    assert found[0] == found[1]
    expected = [(cycle - back, STX[register], 0x7F00 + register, 3) for cycle, _, register, _ in truth[50:]]
    assert found[0] == expected[: len(found[0])]
    assert len(found[0]) > 10


@pytest.mark.usefixtures("core")
@pytest.mark.parametrize("cpu", ["6502", "65C02"])
@pytest.mark.parametrize("wait_states", ["ready", "stretch"])
@pytest.mark.parametrize("wait", [1, 2, 7])
def test_a_write_that_may_wait_waits_for_its_card_all_the_same(make, cpu, wait_states, wait):
    """Of the NMOS part RDY does not hold a write."""
    (exact, seen), (core, got) = (
        make(engine, cpu=cpu, wait=wait, wait_states=wait_states) for engine in ("exact", "core")
    )
    for _ in range(9):
        for machine in (exact, core):
            machine.run(cycles=333)
        assert exact.save_state() == core.save_state()
        assert seen.log == got.log
    held = 0 if cpu == "6502" and wait_states == "ready" else wait
    passes = held + 1 if wait_states == "ready" else 1  # the card sees each
    stores = [cycle for cycle, _, register, _ in seen.log if register == 0][::passes]
    assert {after - before for before, after in pairwise(stores)} == {20 + 2 * held}


@pytest.mark.parametrize("back", [0, 3, 40])
@pytest.mark.parametrize("number", [0, 50, 150])
def test_the_instructions_up_to_the_first_finding_are_the_same_whenever_its_write_is_handed_over(
    make, truth, back, number
):
    told = []
    for engine in ("exact", "auto"):
        machine, card = make(engine)

        def report(is_write, offset, value, cycle, card=card):
            if cycle == truth[number][0]:
                card.slot.report("late", cycle - back, "too late")

        card.told = report
        machine.run(cycles=CYCLES)
        assert machine.first_found.rule == "late"
        assert machine.first_found.pc == STX[truth[number][2]]
        told.append([(one.cycle, one.address) for one in machine.led_to_first_found(8) if hasattr(one, "address")])
    assert told[0] == told[1]
    assert told[0][-1][1] == STX[truth[number][2]]
    assert 0 < truth[number][0] - told[0][-1][0] < 6


def test_the_instruction_of_a_write_that_waited_long_is_known(small_machine, obedient):
    """STX $7F00, and then a loop for longer than instructions are noted: the core may forget those before it."""
    for engine in ("exact", "auto"):
        machine = small_machine("E8 8E007F E640 4C0480", engine)
        card = obedient(machine)
        card.told = lambda is_write, offset, value, cycle, card=card: card.slot.report("late", cycle, "too late")
        machine.run(cycles=100_000)
        assert machine.first_found.pc == 0x8001
        assert machine.led_to_first_found()[-1].address == 0x8001
