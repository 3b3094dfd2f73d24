"""The ring of records lies before the machine's memory: whatever Python adds in an instruction, it never runs over."""

import numpy as np
import pytest

from simkit import SimkitError
from simkit.records.recorder import Recorder
from tests.short_ring import FULL, ROOM

pytestmark = pytest.mark.usefixtures("core", "short_ring")

PLACE = "0110 1111 xxxx xxxx"
RAM = 0x6F00
"""Bytes of RAM below the card, which the programs leave alone: the first of them lie behind the ring."""
# loop: ldy #4, ldx #0 | dex, bne, dey, bne: 5 100 cycles | ldx #$80, inc $6fa0,x, jmp loop
PROGRAM = "A004 A200 CA D0FD 88 D0F8 A280 FEA06F 4C0080"
"""The spare read of inc is the card's, at $6f20; the rest of the instruction is RAM's, at $7020."""
LINES = {"P0": "LA", "P1": "LB", "P2": "LC"}


def memory(machine):
    return bytes(machine.bus.seats[0].plain.read[:RAM])


class Rounds:
    """Rounds of PROGRAM, recorded so that the ring holds as many words as one likes when the card is accessed."""

    def __init__(self, machine, registers=""):
        self.machine, self.registers = machine, registers
        with Recorder(machine, registers=registers) as pilot:
            machine.run(cycles=3 * ROOM)
        cycles = pilot.cycles
        at = cycles.cycle[cycles.address == 0x6F20].astype(np.int64)
        at = at[np.diff(at, prepend=0) > 1].tolist()  # without repeats
        self.access, self.period = at[0], at[1] - at[0]
        words = np.concatenate((cycles.cycle, np.repeat(pilot.registers.cycle, 2))).astype(np.int64)
        self.words = np.sort(words[words < self.access])[::-1].tolist()

    def run_up_to_the_beginning(self, words):
        """Stand where so many words are recorded up to the next access."""
        machine, ahead = self.machine, self.access - self.words[words - 1]
        rounds = -(-(machine.cycle + ahead - self.access) // self.period)
        begin = self.access + rounds * self.period - ahead
        if begin - 7 > machine.cycle:
            machine.run(cycles=begin - 7 - machine.cycle)
        while machine.cycle < begin:
            machine.step_cycle()
        return begin

    def record(self, words, lines=()):
        """Record such a round; nothing may be lost, and no byte of memory written."""
        machine, before = self.machine, memory(self.machine)
        begin = self.run_up_to_the_beginning(words)
        with Recorder(machine, registers=self.registers, lines=lines) as recorder:
            machine.run(cycles=ROOM + 500)
        assert memory(machine) == before, words
        assert recorder.cycles.cycle.tolist() == list(range(begin, machine.cycle))
        return recorder


@pytest.mark.parametrize("wait", [1, 5, 12])
def test_an_access_with_wait_states_in_the_instruction_that_fills_it(small_machine, wait):
    rounds = Rounds(small_machine(PROGRAM, "core", at=PLACE, wait=wait))
    for room in (FULL, ROOM):
        for left in range(wait + 12):
            rounds.record(room - left)


@pytest.mark.parametrize("registers", ["", "instructions"])
@pytest.mark.parametrize("moves", [1, 3, 100])
def test_an_access_that_moves_lines_over_and_over_in_the_instruction_that_fills_it(
    small_machine, obedient, registers, moves
):
    machine = small_machine(PROGRAM, "core", at=PLACE, lines=LINES)
    rounds, card = Rounds(machine, registers), obedient(machine)
    pins = [card.slot.pin(name) for name in LINES]

    def told(is_write, offset, value, cycle):
        for number in range(moves):
            for pin in pins:
                pin.drive(bool(moves + number & 1), cycle)

    card.told = told
    for room in (FULL, ROOM):
        for left in range(0, 3 * moves + 12, 1 if moves < 9 else 19):
            assert len(rounds.record(room - left, LINES.values()).lines.cycle) >= 3 * (moves - 1)


@pytest.mark.parametrize("moves", [0, 1, 100])
def test_an_access_that_fails_in_the_instruction_that_fills_it(small_machine, obedient, moves):
    """It is told at once, and the machine goes on with the next instruction."""
    machine = small_machine(PROGRAM, "core", at=PLACE, lines=LINES)
    card = obedient(machine)
    pin = card.slot.pin("P0")

    def told(is_write, offset, value, cycle):
        for number in range(moves):
            pin.drive(bool(number & 1), cycle)
        raise ValueError(f"tripped in {cycle}")

    before = memory(machine)
    for room in (FULL, ROOM):
        for left in range(0, moves + 12, 1 if moves < 9 else 7):
            Rounds(machine).run_up_to_the_beginning(room - left)
            card.told = told
            with Recorder(machine, lines=("LA",)) as recorder:
                with pytest.raises(SimkitError) as failed:
                    machine.run(cycles=ROOM)
                assert f"tripped in {machine.cycle}" in str(failed.value)
                card.told = None
                machine.run(cycles=500)
            assert memory(machine) == before, left
            assert recorder.cycles.cycle.tolist()[-500:] == list(range(machine.cycle - 500, machine.cycle))
