"""Random faults with random times on the demo machines: both engines, states and faults put in later agree."""

import random

import pytest

from simkit import Machine
from simkit.contract.errors import SimkitError
from simkit.machinefile.read import read_description

MACHINES = ("demo:bench", "demo:marlpit", "demo:monitor", "demo:keyboard-on-ports")
TIMES = (
    "1 in 7",
    "1 in 50, 5 cycles long",
    "from cycle 300, until cycle 900",
    "1 in 3, 100 cycles long",
    "until cycle 400",
    "from cycle 500",
)
LINES = (*(f"A{n}" for n in range(16)), *(f"D{n}" for n in range(8)), "RW", "PHI2", "IRQ", "NMI", "RESET", "RDY", "SO")
DONE = (
    "open",
    "low",
    "high",
    "inverted",
    "late",
    "shorted to {}",
    "exchanged with {}",
    "joined to {}",
    "shorted to GND",
)
OF_A_CARD = (
    "without supply",
    "card removed",
    "writes end late",
    "write data end early",
    "PHI2 doubled",
    "PHI2 missing",
    "answers late",
    "transceiver direction reversed",
    "selected by A15 and A3",
)
OF_ALL = ("PHI2 doubled", "PHI2 missing", "D7 pulled down", "IRQ not pulled", "D0 to D7 late")


def sentence(draw, description):
    card = draw.choice(description.cards)
    board = card.board
    pins = [pin.name for pin in board.pins] + [f"A{n}" for n in range(board.address_pins)] + ["D0", "D3", "CE", "OE"]
    kind = draw.random()
    if kind < 0.2:
        return f"slot {card.slot}: {draw.choice(OF_A_CARD)}" if kind < 0.14 else draw.choice(OF_ALL)
    if kind < 0.55:
        return f"slot {card.slot}: pin {draw.choice(pins)} {draw.choice(DONE).format(draw.choice([*pins, *LINES]))}"
    place = f"slot {card.slot}: line " if kind < 0.7 else ""
    return f"{place}{draw.choice(LINES)} {draw.choice(DONE).format(draw.choice(LINES))}"


def run_to(machine, cycle):
    while machine.cycle < cycle:
        machine.run_to(cycle)  # where the CPU halts it ends early
    return machine


def hashes(machine):
    found = machine.state_hashes()
    del found["findings"]  # which instruction it was is not known of a halted CPU behind a state that was loaded
    return machine.cycle, found


def try_some(seed, count):
    draw, tried = random.Random(seed), 0
    described = {name: read_description(name) for name in MACHINES}
    while tried < count:
        description = described[draw.choice(MACHINES)]
        faults = [f"{sentence(draw, description)}, {draw.choice(TIMES)}" for _ in range(draw.choice([1, 1, 2]))]
        try:
            faulty = description.with_faults(faults)
            exact, core = (run_to(Machine(faulty, engine=engine), 600) for engine in ("exact", "core"))
        except SimkitError:
            continue  # of lines of different kinds; or RDY held low without an end
        saved = exact.save_state()
        assert saved == core.save_state(), faults
        try:
            run_to(core, 1200)
        except SimkitError:
            continue
        assert hashes(run_to(exact, core.cycle)) == hashes(core), faults
        again = Machine(faulty)
        again.load_state(saved)
        assert hashes(run_to(again, core.cycle)) == hashes(core), faults
        late = run_to(Machine(description), 200)
        handles = [late.add_fault(fault) for fault in faults if "until" not in fault]
        run_to(late, 500)
        for handle in handles[:1]:
            handle.remove()
        run_to(late, 800)
        fresh = run_to(Machine(description.with_faults(late.faults)), late.cycle)
        assert hashes(fresh) == hashes(late), faults
        tried += 1


def test_random_faults_are_the_same_on_both_engines_behind_a_state_and_put_in_later():
    try_some("few", 6)


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(4))
def test_many_random_faults_are_the_same_on_both_engines_behind_a_state_and_put_in_later(seed):
    try_some(seed, 60)
