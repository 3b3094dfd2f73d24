"""Figures of time and latency are those that a second counter finds in a trace."""

import json

import pytest

from simkit import Machine
from simkit.spent.watch import SpentWatch
from tests.spent.asking import asking, image
from tests.spent.counted import Counted
from tests.spent.programs import made_up

PROGRAMS = 24
CYCLES = 4000


def compare(simkit, name, cycles, **more):
    """Both counts of the same stretch of the same machine."""
    code, out, err = simkit("trace", name, "--from", "0c", "--for", f"+{cycles}c", "--json")
    assert code == 0, err
    rows = json.loads(out)["cycles"]
    machine = Machine.load(name, **more)
    watch = SpentWatch(machine)
    machine.run(cycles=cycles)
    spent = watch.stop()
    counted = Counted([row for row in rows if row["cycle"] < machine.cycle], machine.cycle)
    assert rows[-1]["cycle"] >= machine.cycle - 1
    assert not any(row["write"] and row["address"] == 0x100 for row in rows[2000:]), "the stack is full"
    found = {
        one.place.address: (one.calls, one.own, one.cycles, one.lengths.least, one.lengths.median, one.lengths.worst)
        for one in spent.routines
    }
    assert found == {what: counted.of(what) for what in counted.calls if not isinstance(what, tuple)}
    assert {one.place.address: one.longest for one in spent.routines if one.longest} == {
        what: longest for what, longest in counted.longest.items() if not isinstance(what, tuple)
    }
    handlers = {
        (one.cause, one.place.address): (
            one.runs,
            one.cycles,
            one.lengths.least,
            one.lengths.median,
            one.lengths.worst,
        )
        for one in spent.handlers
    }
    assert handlers == {
        what: (counted.of(what)[0], *counted.of(what)[2:]) for what in counted.calls if isinstance(what, tuple)
    }
    for line, latency in spent.latency.items():
        assert sorted(latency.lengths.counts.elements()) == sorted(counted.latency[line])
    assert sum(latency.again for latency in spent.latency.values()) == counted.again
    assert spent.own == counted.own["main"]
    assert spent.sequences == counted.sequences
    return spent, counted


@pytest.mark.parametrize("seed", range(PROGRAMS))
def test_of_programs_that_are_made_up(simkit, tmp_path, seed):
    cpu = ("6502", "65C02")[seed % 2]
    rates = {"irq": (0, 150, 400)[seed % 3], "nmi": (0, 700, 300)[seed // 3 % 3], "wait": (0, 3)[seed // 2 % 2]}
    machine = asking(tmp_path, made_up(seed, cpu == "65C02"), cpu=cpu, seed=seed + 1, **rates)
    spent, counted = compare(simkit, machine, CYCLES)
    assert {one.place.address: one.cycles for one in spent.lines} == dict(counted.lines)
    assert sum(node.cycles for node in spent.tree) == spent.cycles
    for line, rate in (("IRQ", "irq"), ("NMI", "nmi")):
        assert (spent.latency[line].lengths.number > 0) == (rates[rate] > 0)


def test_of_a_program_that_waits_for_requests(simkit, tmp_path):
    # loop: WAI, JSR $8100, JMP loop; $8100: LDA $4001, which takes up to 300 cycles; IRQ answers
    code = {0x8000: "A2FF9A58CB2000814C0480", 0x8100: "AD014060", 0x9000: "AD004040"}
    machine = asking(tmp_path, image(code, irq=0x9000), cpu="65C02", irq=900, wait=300)
    spent, counted = compare(simkit, machine, 12_000)
    assert {one.place.address: one.cycles for one in spent.lines} == dict(counted.lines)
    assert max(one.cycles / one.runs for one in spent.lines) > 100


@pytest.mark.parametrize("cpu", ["6502", "65C02"])
def test_of_a_program_of_brk_with_edges_at_nmi(simkit, tmp_path, cpu):
    # Of the NMOS part NMI takes over sequences of BRK that have begun, which the trace shows by the vector.
    code = {0x8000: "A2FF9A" + "00EA" * 20 + "4C0380", 0x9000: "40", 0x9100: "E640" + "40"}
    machine = asking(tmp_path, image(code, nmi=0x9100, irq=0x9000), cpu=cpu, nmi=90)
    spent, counted = compare(simkit, machine, 12_000)
    assert len(counted.latency["NMI"]) > 100
    assert (counted.taken_over > 10) == (cpu == "6502")
    assert spent.latency["NMI"].merged == counted.merged


ROMS = ("keyboard-on-ports", "pad-test", "banks-test", "traps", "serial-test")


@pytest.mark.parametrize("name", ROMS)
def test_of_our_own_programs(simkit, name):
    compare(simkit, f"demo:{name}", 8_000)


@pytest.mark.slow
@pytest.mark.parametrize(
    "name", [*ROMS, "marlpit", "catalogue", "keyboard-test", "monitor", "video-test-card", "bench"]
)
def test_of_our_own_programs_for_longer(simkit, name):
    compare(simkit, f"demo:{name}", 250_000)
