"""Which cards bus cycles reach when a line that cards drive stands in selects, and when decoding is worked out anew."""

from itertools import pairwise

import pytest

from simkit.records.recorder import Filter, Recorder
from tests.short_ring import ROOM

# loop: inx, stx $7f03 (BANK is bit 0 of X from the next cycle on), stx $6000, inc $6001, jmp loop
PROGRAM = "E8 8E037F 8E0060 EE0160 4C0080"


@pytest.fixture
def make(banked, obedient):
    def made(engine):
        machine = banked(PROGRAM, engine)
        card = obedient(machine)

        def told(is_write, offset, value, cycle):
            if is_write and offset == card.SPARE:
                card.slot.pin("P0").drive(bool(value & 1), cycle)

        card.told = told
        return machine

    return made


def seen_by_a_probe(machine, script):
    """Number, R/W and slots reached of each cycle."""
    seen = []
    machine.add_probe(lambda c: seen.append((c.cycle, c.is_write, c.selected)))
    script(machine)
    return seen


def through_states(machine):
    """Here and there, with banks as they are in each place."""
    machine.run(cycles=1000)
    first = machine.save_state()
    machine.run(cycles=403)
    second = machine.save_state()
    machine.run(cycles=10)
    for state in (first, second, first, second):
        machine.load_state(state)
    machine.run(cycles=303)
    machine.load_state(first)
    machine.power_cycle()
    machine.run(cycles=800)
    machine.load_state(second)
    machine.load_state(first)
    machine.run(cycles=57)


SCRIPTS = {
    "one run": lambda machine: machine.run(cycles=3000),
    "many runs": lambda machine: [machine.run(cycles=1) for _ in range(300)],
    "states taken back": through_states,
}


@pytest.mark.parametrize("script", SCRIPTS)
def test_cards_that_cycles_reach_follow_from_the_decoding_of_the_cycle(make, engine, script):
    truth = seen_by_a_probe(make("exact"), SCRIPTS[script])
    machine = make(engine)
    recorders = {slot: Recorder(machine, Filter(slots={slot})) for slot in (1, 2, 3, 4, 5)}
    written = Recorder(machine, Filter(slots={4, 5}, writes=True))
    SCRIPTS[script](machine)
    for slot, recorder in recorders.items():
        assert recorder.cycles.cycle.tolist() == [cycle for cycle, _, selected in truth if slot in selected]
        assert len(recorder.cycles) > 50 or slot == 1
    writes = [cycle for cycle, is_write, selected in truth if is_write and not {4, 5}.isdisjoint(selected)]
    assert written.cycles.cycle.tolist() == writes
    levels = recorders[4].decodings.levels
    numbers = [recorders[4].first_decoding, *recorders[4].decodings.number.tolist()]
    assert {levels[number]["BANK"] for number in numbers} == {False, True}
    assert all(one != other for one, other in pairwise(numbers))


@pytest.mark.usefixtures("short_ring")
@pytest.mark.parametrize(
    "late", [pytest.param(late, marks=() if late in (0, 4, 11) else pytest.mark.slow) for late in range(12)]
)
def test_the_access_that_turns_banks_belongs_to_the_bank_before_wherever_the_ring_is_full(
    banked, obedient, engine, late
):
    """A round is 12 cycles and a change of decoding; the recording begins in each of its cycles."""
    # loop: stx $6f03 (BANK is bit 0 of X from the next cycle on), inx, lda $40, jmp loop
    # A write at $6f03 reaches the card and, besides, the bank as it is; reads reach the card alone.
    reads = "RW and PHI2 and not (A11 and A10 and A9 and A8)"
    machine = banked("8E036F E8 A540 4C0080", engine, at="0110 1111 xxxx xxxx", reads=reads)
    card = obedient(machine)
    turned = []

    def told(is_write, offset, value, cycle):
        turned.append((cycle, value & 1))
        card.slot.pin("P0").drive(bool(value & 1), cycle)

    card.told = told
    machine.run(cycles=100)
    for _ in range(late):
        machine.step_cycle()
    with Recorder(machine, Filter(slots={4, 5})) as both, Recorder(machine, Filter(slots={5})) as one:
        begin = machine.cycle
        machine.run(cycles=ROOM + 100)
    turned = [(cycle, bank) for cycle, bank in turned if cycle >= begin - 12]
    assert both.cycles.cycle.tolist() == [cycle for cycle, _ in turned if cycle >= begin]
    assert one.cycles.cycle.tolist() == [
        cycle for (_, before), (cycle, _) in pairwise(turned) if before == 1 and cycle >= begin
    ]


def test_decoding_may_be_worked_out_anew_while_somebody_records_also_where_no_line_stands_in_it(
    small_machine, engine, probed, told
):
    """A byte poked into a ROM behind exchanged data wires does so."""
    crossed = """
[[card]]
slot = 4
kind = "rom"
select = "0110 xxxx xxxx xxxx"
image = "rom.bin"
wires = { D0 = "D1", D1 = "D0" }
"""
    # loop: lda $6003, sta $40, jmp loop
    machine, other = (
        small_machine("AD0360 8540 4C0080", one, gaps=("0110 xxxx xxxx xxxx",), cards=crossed)
        for one in (engine, "exact")
    )
    with Recorder(machine, Filter(slots={4})) as recorder, Recorder(machine) as whole:
        for byte in (0x55, 0x56):
            machine.run(cycles=500)
            machine.poke(0x6003, byte)
            machine.bus.reach.redecode()
    truth = [probed(other, 500)]
    other.poke(0x6003, 0x55)
    truth.append(probed(other, machine.cycle))
    assert told(whole.cycles).tolist() == [*truth[0].tolist(), *truth[1].tolist()]
    mine = [row for row in told(whole.cycles).tolist() if row[1] == 0x6003]
    assert told(recorder.cycles).tolist() == mine
    assert {row[2] for row in mine[-20:]} == {0x55}
    assert recorder.decodings.number.tolist() == []
