"""Recording goes on where a state is taken back or power is switched: levels and decoding are those of the state."""

import pytest

from simkit.backplane.records import CYCLES, LINE
from simkit.records.cycles import Cycles, kinds
from simkit.records.recorder import Filter, Recorder

# loop: lda $40, sta $7f03 (BANK and, inverted, IRQ are its bit 0), inc $6000, jmp loop
PROGRAM = "A540 8D037F EE0060 4C0080"
LINES = ("IRQ", "BANK", "NMI")


@pytest.fixture
def make(banked, obedient):
    def made(engine):
        machine = banked(PROGRAM, engine, lines={"LOW": "IRQ"})
        card = obedient(machine)

        def told(is_write, offset, value, cycle):
            card.slot.pin("P0").drive(bool(value & 1), cycle)
            card.slot.pin("LOW").drive(False if value & 1 else None, cycle)

        card.told = told
        machine.cpu.i = 1
        return machine

    return made


class Scene:
    """A machine, and what is done to it; banks are turned by what is poked."""

    def __init__(self, machine, late):
        self.machine, self.late = machine, late

    def turn(self, bank):
        self.machine.poke(0x40, bank)
        self.machine.run(cycles=50)

    def begin(self):
        self.turn(0)
        if self.late:
            self.machine.cpu.cycle = self.machine.cpu.began = self.late

    def play(self):
        """Through states of both banks, there and back, run on in each, or not."""
        machine = self.machine
        low = machine.save_state()
        self.turn(1)
        high = machine.save_state()
        for states in ((low,), (high,), (low, high), (high, low), (low, low), (high,)):
            for state in states:
                machine.load_state(state)
            machine.run(cycles=30)
        self.turn(0)
        if not self.late:  # records cannot tell a step of more than half the count
            machine.power_cycle()
        machine.run(cycles=20)
        machine.load_state(high)
        machine.run(cycles=30)


def seen_by_a_probe(scene):
    """Number, levels of LINES and slots reached of each cycle."""
    seen = []
    scene.machine.add_probe(lambda c: seen.append((c.cycle, tuple(c.lines[name] for name in LINES), c.selected)))
    scene.play()
    return seen


def levels_of(cycles, number_of, levels):
    """Number and levels of each cycle, from records with marks between them.

    A mark stands before the record of the cycle in which it came about, and may count from the next one on; behind that
    it counts, wherever time goes.
    """
    levels, found, old, new = dict(levels), [], [], []
    for cycle, address, level, kind in zip(
        *(column.tolist() for column in (cycles.cycle, cycles.address, cycles.data, kinds(cycles.words))), strict=True
    ):
        if kind & 7 >= LINE:
            if kind == LINE:
                new.append((cycle, number_of[address], bool(level)))
            continue
        levels.update((name, level) for at, name, level in old)
        levels.update((name, level) for at, name, level in new if at <= cycle)
        old, new = [mark for mark in new if mark[0] > cycle], []
        found.append((cycle, tuple(levels[name] for name in LINES)))
    return found


@pytest.mark.parametrize("late", [0, CYCLES // 2 + 1000], ids=["soon", "hours later"])
def test_levels_and_cards_reached_are_those_a_probe_sees_also_behind_a_state_taken_back(make, engine, chunks, late):
    """Hours later the lines have moved longer ago than half of the count of cycles."""
    other = Scene(make("exact"), late)
    other.begin()
    seen = seen_by_a_probe(other)
    scene = Scene(make(engine), late)
    scene.begin()
    machine, sink = scene.machine, chunks()
    number_of = {machine.bus.recording.line_number(name): name for name in LINES}
    levels = {name: machine.lines[name].level for name in LINES}
    handle = machine.bus.record(sink, lines=LINES)
    with Recorder(machine, Filter(slots={4})) as low, Recorder(machine, Filter(slots={5})) as high:
        begin = machine.cycle
        scene.play()
    handle.remove()
    assert machine.save_state() == other.machine.save_state()
    recorded = Cycles(sink.cycles.words, begin)
    assert levels_of(recorded, number_of, levels) == [one[:2] for one in seen]
    for slot, mine in ((4, low), (5, high)):
        assert mine.cycles.cycle.tolist() == [cycle for cycle, _, selected in seen if slot in selected]
        assert len(mine.cycles) > 5


def test_levels_that_a_state_has_otherwise_are_changes_from_its_cycle_on(make, engine):
    scene = Scene(make(engine), 0)
    scene.begin()
    machine = scene.machine
    low, at = machine.save_state(), machine.cycle
    scene.turn(1)
    with Recorder(machine, None, lines=LINES) as recorder:
        machine.run(cycles=100)
        for state in (low, low):
            machine.load_state(state)
        machine.power_cycle()
    lines = recorder.lines
    moves = zip(lines.cycle.tolist(), lines.number.tolist(), lines.level.tolist(), strict=True)
    assert [(cycle, LINES[number], level) for cycle, number, level in moves] == [
        (at, "BANK", False),
        (at, "IRQ", True),
        (0, "BANK", True),  # before anything drives it, a pull-up does
    ]
    assert dict(zip(LINES, lines.first, strict=True)) == {"IRQ": False, "BANK": True, "NMI": True}
    assert recorder.decodings.cycle.tolist() == [at, 0]
