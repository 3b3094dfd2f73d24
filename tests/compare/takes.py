"""Captures for tests: a run that nobody knows, taken by an analyser that is none of the best."""

import random
from fractions import Fraction

import numpy as np

from simkit import Machine
from simkit.capture.channels import Assignment, Reading
from simkit.capture.cycles import bus_cycles
from simkit.capture.rehearse import Analyser, rehearse
from simkit.records.observed import observe

ALL_LINES = ("PHI2", *(f"A{n}" for n in range(16)), *(f"D{n}" for n in range(8)), "RW", "SYNC")
MACHINES = ("demo:marlpit", "demo:monitor", "demo:keyboard-test", "demo:pad-test")
SOUND_SEED = 9001
"""Of the machine that captures are compared with; none is taken of it."""


def noise(seed, *, bit_errors=0.01, start_within=200):
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


def played(machine, seed, cycles):
    """Have keys, pads and bytes come at random, up to a cycle."""
    chance = random.Random(f"input {seed}")
    for slot in machine.cards:
        for port in machine.bus.by_slot[slot].ports.values():
            for _ in range(cycles // 20_000):
                at = chance.randrange(cycles)
                if hasattr(port, "buttons"):
                    what = chance.choice(port.numbers), chance.choice(port.buttons)
                elif hasattr(port, "keys"):
                    what = (chance.choice(port.keys),)
                elif hasattr(port, "byte_cycles"):
                    machine.outside(slot, port.name, "receive", chance.randrange(256), at=at)
                    continue
                else:
                    continue
                machine.outside(slot, port.name, "press", *what, at=at)
                machine.outside(slot, port.name, "release", *what, at=at + 30_000)


def observed(name, seed, *, skip=0, cycles=6000, wiring=()):
    """What an ideal probe shows of a run with its own power-up and input, from a cycle on."""
    machine = Machine.load(name, seed=seed, wiring=wiring)
    played(machine, seed, skip + cycles)
    if skip:
        machine.run(cycles=skip)
    return machine, observe(machine, cycles)


def taken(machine, seen, analyser, seed, lines=ALL_LINES):
    """Bus cycles that a capture of it holds, and the observed row in which the first lies."""
    made = rehearse(seen, machine.clock_hz, lines, analyser, seed=seed)
    cycles = bus_cycles(made.samples, [Assignment(line, line) for line in lines], Reading(), file="capture", notes=[])
    return cycles, made


def first_seen(machine, seen, cycles, made, in_step=0):
    """Row of a capture in which a fault first shows: a ROM's byte is not its image, an address not the CPU's.

    Told by the run itself: it knows what the CPU put out, and the image is there to be read.
    """
    rom = next(seat for seat in machine.bus.seats if seat.plain is not None and seat.plain.ignores_writes)
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
    found = np.flatnonzero(((wrong_address != 0) & ~begun[row] & told) | (wrong_data != 0))
    return int(found[0]) if len(found) else None
