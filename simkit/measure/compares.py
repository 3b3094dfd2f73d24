"""How well captures are compared: alarms that sound machines raise, and whether the first disagreement is the cycle.

Each capture is of a run with its own power-up and input, taken by an analyser that is none of the best: samples are
missing, its clock is off, some bits are wrong. What is compared with it knows nothing of that run.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Iterator, Sequence
from fractions import Fraction

import attrs
import numpy as np

from simkit.capture.archive import read_archive
from simkit.capture.captured import Captured
from simkit.capture.channels import Assignment, Reading
from simkit.capture.cycles import bus_cycles
from simkit.capture.read import Picker, reader_for
from simkit.capture.rehearse import Analyser, Rehearsal, rehearse
from simkit.capture.write import FORMS
from simkit.compare.judged import led
from simkit.contract.errors import SimkitError
from simkit.contract.ports import KeysPort, PadsPort, SerialPort
from simkit.machine.machine import Machine
from simkit.records.observed import Observed, observe

ALL_LINES = ("PHI2", *(f"A{n}" for n in range(16)), *(f"D{n}" for n in range(8)), "RW", "SYNC")
MACHINES = (
    "demo:marlpit",
    "demo:keyboard-test",
    "demo:pad-test",
    "demo:video-test-card",
    "demo:banks-test",
    "demo:monitor",
    "demo:serial-test",
    "demo:ports-test",
)
SOUND_SEED = 9001
"""Of the machine that captures are compared with; none is taken of it."""
CYCLES = 6000
MOST_SKIPPED = 300_000
"""Cycles of a run before the capture begins, where it does not begin with RESET."""
MOST_WRONG = 0.01
BIT_ERRORS = (0.0, MOST_WRONG)
"""Shares of the cycles in which a bit is wrong: a good probe, and one as poor as any that is used. Ours."""
THROUGH = ("vcd", "csv", "csv-changes", "sr")
"""Forms of files that captures go through, one after the other."""
FAULTS = (
    *(f"slot 2: D{n} stuck {level}" for n in range(8) for level in ("low", "high")),
    *(f"slot 2: D{n} exchanged with D{n + 1}" for n in range(7)),
    *(f"slot 2: D{n} inverted" for n in range(8)),
    *(f"slot 2: A{n} stuck {level}" for n in range(10) for level in ("low", "high")),
    *(f"A{n} stuck {level}" for n in range(16) for level in ("low", "high")),
    *(f"A{n} shorted to A{n + 1}" for n in range(15)),
)
"""That change what the CPU reads of Marlpit's ROM, or what is on its address lines."""


@attrs.frozen
class Compared:
    """What came out of one capture.

    Attributes:
        seed: of power-up, input, noise and fault.
        machine: that was captured.
        fault: in it; "": none.
        bit_errors: share of the cycles in which a bit is wrong.
        shown: row of the capture in which it first shows, None where it does not.
        told: row of the first disagreement, None where none is told.
    """

    seed: int
    machine: str
    fault: str
    bit_errors: float
    shown: int | None
    told: int | None


def compared(seed: int, captures: int, faulted: int, goes_on: Callable[[float], bool]) -> Iterator[Compared]:
    """Compare captures of sound machines, then faulted ones, each of its own seed, from a seed on.

    All of them by an analyser that misses samples and whose clock is off, then by one that has wrong bits besides.

    Args:
        seed: the first.
        captures: of sound machines, by each analyser.
        faulted: of Marlpit with a fault, by each analyser.
        goes_on: told the part that is done; False ends it.
    """
    against = {name: Machine.load(name, seed=SOUND_SEED) for name in MACHINES}
    work = [(bit_errors, number) for bit_errors in BIT_ERRORS for number in range(captures + faulted)]
    for done, (bit_errors, number) in enumerate(work):
        if not goes_on(done / len(work)):
            return
        one = sound if number < captures else faulty
        yield one(against, seed + number, bit_errors=bit_errors)


def sound(
    against: dict[str, Machine],
    seed: int,
    cycles: int = CYCLES,
    name: str | None = None,
    *,
    bit_errors: float = MOST_WRONG,
) -> Compared:
    """One of a sound machine, which the seed chooses where none is said: each third begins with RESET."""
    name = name or MACHINES[seed % len(MACHINES)]
    skip = 0 if seed % 3 == 0 else random.Random(seed).randrange(MOST_SKIPPED)
    machine, seen = observed(name, seed, skip=skip, cycles=cycles)
    analyser = noise(seed, bit_errors=bit_errors)
    captured, _ = taken(machine, seen, analyser, seed, form=THROUGH[seed // len(MACHINES) % len(THROUGH)])
    first = led(against[name], captured).first
    return Compared(seed, name, "", bit_errors, None, None if first is None else first.row)


def faulty(against: dict[str, Machine], seed: int, cycles: int = CYCLES, *, bit_errors: float = MOST_WRONG) -> Compared:
    """One of a machine with a fault, which is drawn by the seed."""
    fault, name = random.Random(seed).choice(FAULTS), MACHINES[0]
    machine, seen = observed(name, seed, cycles=cycles, wiring=[fault])
    whole = fault.startswith("A")  # on the bus: where the CPU stands is known from RESET on alone
    try:
        analyser = noise(seed, bit_errors=bit_errors, start_within=1 if whole else 200)
        captured, made = taken(machine, seen, analyser, seed)
    except SimkitError:  # the CPU stands still so soon that there is no clock in what is left
        return Compared(seed, name, fault, bit_errors, None, None)
    found = led(against[name], captured)
    begun = found.parts[0][0] if found.parts else len(captured)
    first = found.first
    shown = first_seen(machine, seen, captured, made, begun)
    return Compared(seed, name, fault, bit_errors, shown, None if first is None else first.row)


def noise(seed: int, *, bit_errors: float = MOST_WRONG, start_within: int = 200) -> Analyser:
    """An analyser that is wrong as much as the worst that are used."""
    chance = random.Random(f"analyser {seed}")
    return Analyser(
        rate_hz=Fraction(chance.choice((20, 24, 48))) * 1_000_000,
        jitter=2e-9,
        dropped=0.01,
        clock_error=chance.choice((-0.005, 0.0, 0.005)),
        pulses=0.01,
        bit_errors=bit_errors,
        start_within=start_within,
    )


def played(machine: Machine, seed: int, cycles: int) -> None:
    """Have keys, pads and bytes come at random, up to a cycle."""
    chance = random.Random(f"input {seed}")
    for slot in machine.cards:
        for port in machine.bus.by_slot[slot].ports.values():
            for _ in range(cycles // 20_000):
                at = chance.randrange(cycles)
                what: tuple[object, ...]
                if isinstance(port, PadsPort):
                    what = chance.choice(port.numbers), chance.choice(port.buttons)
                elif isinstance(port, KeysPort):
                    what = (chance.choice(port.keys),)
                elif isinstance(port, SerialPort):
                    machine.outside(slot, port.name, "receive", chance.randrange(256), at=at)
                    continue
                else:
                    continue
                machine.outside(slot, port.name, "press", *what, at=at)
                machine.outside(slot, port.name, "release", *what, at=at + 30_000)


def observed(
    name: str, seed: int, *, skip: int = 0, cycles: int = CYCLES, wiring: Sequence[str] = ()
) -> tuple[Machine, Observed]:
    """What an ideal probe shows of a run with its own power-up and input, from a cycle on."""
    machine = Machine.load(name, seed=seed, wiring=wiring)
    played(machine, seed, skip + cycles)
    if skip:
        machine.run(cycles=skip)
    return machine, observe(machine, cycles)


def taken(
    machine: Machine,
    seen: Observed,
    analyser: Analyser,
    seed: int,
    lines: Sequence[str] = ALL_LINES,
    form: str | None = None,
) -> tuple[Captured, Rehearsal]:
    """Bus cycles that a capture of it holds, through a file of a form where one is said, and how it was made."""
    made = rehearse(seen, machine.clock_hz, lines, analyser, seed=seed)
    samples, assigned = made.samples, [Assignment(line, line) for line in lines]
    if form is not None:
        reading, notes = Reading(assigned=tuple(assigned)), list[str]()
        picker = Picker(reading, form)
        content = FORMS[form].make(made.samples)
        if form == "sr":
            samples = read_archive(content, form, picker, reading, notes)
        else:
            reader = reader_for(content, form, picker, reading, notes)
            reader.feed(content)
            samples = reader.finish()
        assigned = picker.assigned
    return bus_cycles(samples, assigned, Reading(), file="capture", notes=[]), made


def first_seen(machine: Machine, seen: Observed, cycles: Captured, made: Rehearsal, in_step: int = 0) -> int | None:
    """Row of a capture in which a fault first shows: a ROM's byte is not its image, an address not the CPU's.

    Told by the run itself: it knows what the CPU put out, and the image is there to be read. Before the CPU is in step
    nobody knows that: there a byte shows it where the address is captured as it was.
    """
    rom = next(seat for seat in machine.bus.seats if seat.plain is not None and seat.plain.ignores_writes)
    assert rom.plain is not None
    assert rom.plain.read is not None
    image = np.frombuffer(bytes(rom.plain.read), np.uint8)
    own = seen.cycles
    address, is_write = own.address.astype(np.int64), own.is_write
    in_reset = own.kind == 4  # which addresses the CPU puts out in it no program says, but for the vector's
    begun = in_reset & (address < 0xFFFC)
    reads = ~is_write
    row = np.rint((made.began + cycles.time) / made.period).astype(np.int64) - 1
    row = np.clip(row, 0, len(own) - 1)
    captured, known = cycles.address
    data, data_known = cycles.data
    sampled_address = (seen.levels & np.uint64(0xFFFF)).astype(np.int64)
    sampled_data = (seen.levels >> np.uint64(16) & np.uint64(0xFF)).astype(np.int64)
    told_by = np.where(begun, sampled_address, address)
    reads &= told_by >= 0x10000 - len(image)
    should = np.where(reads, image[told_by % len(image)], 0)
    wrong_address = (sampled_address ^ address)[row] & (captured ^ address[row]) & known
    wrong_data = np.where(reads[row], (sampled_data ^ should)[row] & (data ^ should[row]) & data_known, 0)
    told = np.arange(len(row)) >= in_step
    is_right = (captured ^ sampled_address[row]) & known == 0
    found = np.flatnonzero(((wrong_address != 0) & ~begun[row] & told) | ((wrong_data != 0) & (told | is_right)))
    return int(found[0]) if len(found) else None
