"""Faults of wiring that builders met and reported, searched: given what they saw, the cause is in the first group.

Each case is put into its machine as one sentence; the search is given what the report says was seen: a capture where an
analyser or a bus monitor is spoken of, else memory, a place where it hangs. The capture is another run than those of
the search, taken by an analyser that runs for itself, with noise. By default some candidates of each kind are searched,
all with the marker `slow`.
"""

from __future__ import annotations

import re
from concurrent.futures import Executor, Future
from fractions import Fraction
from functools import partial
from pathlib import Path

import attrs
import pytest
from field_bench import GUEST, PORTS, ROM, VECTORS, VIDEO, card, image, machine_file

from simkit import Machine
from simkit.backplane.fault_sentences import read_fault
from simkit.capture.channels import Assignment, Reading
from simkit.capture.cycles import bus_cycles
from simkit.capture.rehearse import Analyser, rehearse
from simkit.commands.symptoms import memory_places
from simkit.compare.judged import led
from simkit.compare.told import report
from simkit.records.observed import Observer
from simkit.suspect.catalogue import catalogue
from simkit.suspect.outcomes import SOUND
from simkit.suspect.rank import rank
from simkit.suspect.runs import run_all
from simkit.suspect.seen import SeenCapture, SeenHang, SeenMemory
from simkit.suspect.trial import Trial

SEED = 777
"""Of the run that is seen: none of the search's own."""
EVERY = 110
"""Of the candidates one in so many is searched where time is short, besides the cause and its like."""


@attrs.frozen(kw_only=True)
class Case:
    """A report of the sheet as a search.

    Attributes:
        fault: what was wrong, as a sentence.
        listing: the program.
        seen: what the report speaks of: "capture"; "hang", the place of the loop; or a RAM's bytes from an address on.
        extra, wiring, settings, cpu: of the machine as it was meant.
        cycles: of each run.
        lines: of a capture; all of the bus when there are none.
        fights: two cards drive the data lines from the first fetch on, and what comes of that is chance: the search may
            say that not even its best candidate shows all of it.
    """

    fault: str
    listing: str
    seen: str | tuple[int, int]
    extra: str = ""
    wiring: tuple[str, ...] = ()
    settings: dict[int, dict[str, str]] | None = None
    cpu: str = "6502"
    cycles: int = 1_500
    lines: tuple[str, ...] = ()
    fights: bool = False


BUS = (*(f"A{n}" for n in range(16)), *(f"D{n}" for n in range(8)), "RW", "SYNC")
BLINK = "8000: A9 FF 8D 02 60 A9 55 8D 00 60 4C 0A 80\nFFFA: 0A 80 00 80 0A 80"
BY_PINS = card(VIDEO, remove="true") + card(PORTS, select='{ CS1 = "A13", CS2B = "A15 or not A14" }')
BANK = tuple(f"BANK{n}" for n in range(8))
LATCH = (
    card(
        GUEST,
        kind='"bank-latch"',
        select='"0111 1xxx xxxx xxxx"',
        lines="{ " + ", ".join(f'Q{n} = "{line}"' for n, line in enumerate(BANK)) + " }",
    )
    + '[card.settings]\npart = "74HC574"\n'
)
READ_BACK = "8000: A9 3C 8D 00 78 AD 00 78 8D 00 02 4C 0B 80\n" + VECTORS
BUSY = "8000: A9 00 8D 02 60 AD 00 60 30 FB A9 01 8D 00 02 4C\n8010: 0F 80\n" + VECTORS
DIRECTION = "8000: A9 FF 8D 02 60 A9 55 8D 00 60 AD 00 60 8D 00 02 4C 10 80\n" + VECTORS
STORM = """8000: A2 FF 9A A9 00 85 10 85 11 A9 82 8D 0E 60 58 4C 0F 80
8040: 48 AD 01 60 E6 10 D0 02 E6 11 68 40
FFFA: 40 80 00 80 40 80"""
NO_RAM = "8000: A2 FF 9A 20 10 80 A9 AA 8D 00 60 4C 0B 80\n8010: 60 EA\n" + VECTORS

CASES = {
    "F01": Case(  # "Problem with addressing VIA", a builders' forum, 2025
        fault="slot 4: CS1 exchanged with CS2B",
        listing=BLINK,
        extra=BY_PINS,
        seen="capture",
        lines=("A13", "A14", "A15", "4.select", "D0", "D1", "RW"),
        fights=True,
    ),
    "F04": Case(  # a builders' forum thread on an image that never starts, 2025
        fault="slot 2: pin A14 low", listing="8000: A9 42 85 10 4C 04 80\n" + VECTORS, seen="capture"
    ),
    "F06": Case(  # forum 6502.org, post 65053
        fault="slot 2: D3 exchanged with D4", listing="8000: A9 03 85 10 4C 04 80\n" + VECTORS, seen="capture"
    ),
    "F09": Case(  # rosco_m68k issues 7 and 11, 2020; the program reads back what it set
        fault="slot 4: pins A0 to A3 reversed", listing=DIRECTION, seen=(0x200, 1)
    ),
    "F10": Case(  # "Breadboard SID player, part deux", blog jmp.no
        fault="slot 1: card removed", listing=NO_RAM, seen="capture"
    ),
    "F12": Case(  # blog 6502cpu.blogspot.com, 2016
        fault="slot 6: write enable PHI2", listing=READ_BACK, extra=LATCH, seen="capture", lines=(*BUS, *BANK)
    ),
    "F39": Case(  # "6522 weirdity", classiccmp cctalk list, 2002
        fault="slot 4: CA1 open",
        listing=STORM,
        wiring=tuple(f"slot 4: {pin} grounded" for pin in ("CA1", "CA2", "CB1", "CB2")),
        settings={PORTS: {"open_inputs": "noise"}},
        seen="capture",
        cycles=6_000,
    ),
    "F40": Case(  # a ROM project's issue tracker, issues 6 and 7, 2023
        fault="slot 4: PB7 open", listing=BUSY, wiring=("slot 4: PB7 grounded",), seen="hang"
    ),
}
FEW = ("F01", "F06", "F12", "F40")
"""Cases that are searched in every run: chip selects, a ROM's data lines, a strobe, an open input."""
HARMLESS = (
    "slot 1: D0 exchanged with D1",
    pytest.param("slot 1: pin A0 exchanged with A1", marks=pytest.mark.slow),
    pytest.param("slot 1: data bus reversed", marks=pytest.mark.slow),
)
NOT_SEARCHED = {
    "F17": "of a chip without its ground nothing is simulated: the machine says so before the first cycle",
    "F21": "three things at once, each told before the first cycle; BE open alone is among the candidates",
}
"""Cases of wiring that no search can say, and why."""


class Here(Executor):
    """Does the work at once, where it is asked for."""

    def submit(self, call, /, *arguments, **words):
        future = Future()
        future.set_result(call(*arguments, **words))
        return future


def built(case, folder):
    file = folder / "machine.toml"
    file.write_text(machine_file(case.extra, cpu=case.cpu, wiring=case.wiring))
    return Machine.load(file, images={ROM: image(case.listing)}, settings=case.settings)


def captured(machine, cycles, lines):
    """As an analyser with a clock of its own took it, one cycle in 500 wrong, some samples missing."""
    with Observer(machine, lines) as observer:
        machine.run_to(cycles)
    analyser = Analyser(rate_hz=Fraction(12_000_000), jitter=2e-9, clock_error=0.003, bit_errors=0.002, start_within=7)
    clipped = (*lines, "PHI2")
    samples = rehearse(observer.observed, machine.clock_hz, clipped, analyser, seed=9).samples
    return bus_cycles(samples, [Assignment(line, line) for line in clipped], Reading(), file="capture", notes=[])


def what_was_seen(case, trial, fault):
    real = trial.machine(SEED, fault)
    if case.seen == "capture":
        return SeenCapture(captured(real, case.cycles, case.lines or BUS))
    real.run_to(case.cycles)
    if case.seen == "hang":
        return SeenHang(real.cpu.pc)
    start, size = case.seen
    return SeenMemory(start, bytes(real.peek(start, size)) if size > 1 else bytes([real.peek(start)]))


def some_of(candidates, fault):
    """The cause, others of its place and kind, and one in so many of all."""
    (cause,) = (one for one in candidates if one.sentence == fault)
    like = [one for one in candidates if (one.place, one.kind) == (cause.place, cause.kind)]
    chosen = {one.sentence for one in (cause, *like[:6], *candidates[::EVERY])}
    return [one for one in candidates if one.sentence in chosen]


def search(case, folder, whole):
    machine = built(case, folder)
    trial = Trial.of(machine, case.cycles)
    fault = str(read_fault(case.fault))
    candidates = catalogue(machine.description)
    if whole:
        outcomes = run_all(trial, candidates)
    else:
        trial = attrs.evolve(trial, seeds=trial.seeds[:2])
        outcomes = run_all(trial, some_of(candidates, fault), executor=Here())
    found = rank(outcomes, [what_was_seen(case, trial, fault)], partial(memory_places, machine))
    cause = next(name for name, own in outcomes.classes.items() if fault in [one.sentence for one in own])
    return found, cause, outcomes


def holds(name, folder, whole):
    found, cause, outcomes = search(CASES[name], folder, whole)
    print(name, CASES[name].seen, "first group", len(found.first), "of", len(outcomes.runs), found.misfit)
    assert CASES[name].fights or not found.none, found.misfit
    assert cause in found.first
    assert SOUND not in found.first, "and it is told from a sound machine"


SMALL = [name if name in FEW else pytest.param(name, marks=pytest.mark.slow) for name in CASES]


@pytest.mark.parametrize("name", SMALL)
def test_the_cause_of_a_field_case_is_in_the_first_group_of_a_small_search(name, tmp_path):
    holds(name, tmp_path, whole=False)


@pytest.mark.slow  # a minute or two each: all faults of the machine
@pytest.mark.parametrize("name", CASES)
def test_the_cause_of_a_field_case_is_in_the_first_group(name, tmp_path):
    holds(name, tmp_path, whole=True)


@pytest.mark.parametrize("fault", HARMLESS)
def test_a_capture_of_a_machine_with_reordered_ram_lines_raises_no_alarm(fault, tmp_path):
    """Common practice, from memory: what is written crossed is read crossed."""
    case = Case(fault=fault, listing=NO_RAM, seen="capture", cycles=600)
    machine = built(case, tmp_path)
    trial = attrs.evolve(Trial.of(machine, case.cycles), seeds=(101, 202))
    seen = what_was_seen(case, trial, fault)
    judged = led(machine, seen.captured)
    assert judged.parts
    assert judged.first is None
    outcomes = run_all(trial, some_of(catalogue(machine.description), "slot 1: pin D0 low"), executor=Here())
    assert SOUND in rank(outcomes, [seen]).first


def test_every_case_of_wiring_is_searched_harmless_or_cannot_be_said():
    """As the list of the sheet's cases has them, and the two of open inputs, which stand among the interrupts there."""
    listed = re.search(r'"wiring": \{(.*?)\}', Path(__file__).with_name("test_field_cases.py").read_text(), re.DOTALL)
    wiring = {*re.findall(r'"(F\d+)":', listed[1]), "F39", "F40"}
    assert wiring == {*CASES, *NOT_SEARCHED, "F19"}


def test_probes_that_sit_the_wrong_way_round_are_told_and_no_fault_of_the_machine(tmp_path):
    """ "AT28C256 reading 57 after loading bin file with ea", a builders' forum, 2025: each line read as its mirror."""
    machine = built(Case(fault="", listing="8000: EA EA EA 4C 00 80\n" + VECTORS, seen="capture"), tmp_path)
    right = captured(machine, 900, BUS)
    turned = (*reversed(BUS[:16]), *reversed(BUS[16:24]), *BUS[24:])
    judged = led(machine, attrs.evolve(right, names=turned))
    assert not judged.parts
    assert "do the channels bear the right names?" in "\n".join(report(machine, judged, []))
    assert led(machine, right).first is None
