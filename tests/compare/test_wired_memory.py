"""RAM behind data lines that are wired: what the CPU reads back of what it has written."""

import pytest

from simkit import Machine
from simkit.backplane.cycle import Kind
from simkit.compare.cells import UNTOLD, Cells
from simkit.compare.judged import led
from simkit.records.observed import observe
from tests.compare.takes import SOUND_SEED, noise, taken

ADDRESS, LAST = 0x0234, 0xA5
WIRED = (
    "D6 inverted",
    "D2 exchanged with D5",
    "D6 late",
    "D2 open",
    "D3 low",
    "D4 high",
    "D1 shorted to D2",
    "slot 1: pin D7 open",
    "slot 1: pin D5 late",
    "slot 1: pin D3 inverted",
    "slot 1: pins D0 to D7 reversed",
)


def faulted(*faults, seed=SOUND_SEED):
    return Machine.load("demo:pad-test", seed=seed, faults=list(faults))


@pytest.mark.parametrize("fault", WIRED)
def test_a_cell_gives_back_what_the_machine_gives_back(fault):
    machine = faulted(fault)
    accesses, cells = machine.bus.accesses, Cells(machine)
    number = cells.read_at(ADDRESS)
    assert number == cells.write_at(ADDRESS) >= 0
    driven, needs = 0xFF & ~cells.kept(number), cells.wired[0].needs if cells.wired else 0xFF
    for byte in range(256):
        machine.cpu.last = byte
        accesses.write(ADDRESS, byte, 2 * byte, Kind.DATA)
        machine.cpu.last = LAST
        read = accesses.read(ADDRESS, 2 * byte + 1, Kind.DATA)
        assert cells.back(number, byte) & driven == read & driven
        for bit in (1 << n for n in range(8)):
            told = cells.back(number, byte & ~bit, 0xFF & ~bit)
            assert told in (UNTOLD, cells.back(number, byte))
            assert (told == UNTOLD) == (bit & needs != 0)


@pytest.mark.parametrize("fault", ["D2 exchanged with D5", "D2 open"])
def test_a_memory_with_a_fault_of_its_own_is_told_behind_wired_lines_of_the_cpu(fault):
    real = faulted(fault, "slot 1: pin D0 low", seed=7)
    captured, _ = taken(real, observe(real, 3_000), noise(7, start_within=1), 7)
    first = led(faulted(fault), captured).first
    assert first.slot == 1
    assert first.data == 0x01
    assert led(faulted(fault, "slot 1: pin D0 low"), captured).first is None
