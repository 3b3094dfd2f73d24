"""What a run is, told cycle by cycle on the reference engine; records are compared with it."""

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from simkit import Machine
from simkit.backplane.cycle import KIND_WORDS, BusCycle, Kind
from simkit.records.cycles import Cycles

SYNC = (Kind.FETCH, Kind.INTERRUPT_FETCH)
WORDS = ("instruction", "dummy", "interrupt", "reset")
Told = NDArray[np.int64]
"""A bus cycle a row: number, address, data, write, SYNC, which of WORDS its kind is."""


@pytest.fixture(params=["exact", "auto"])
def engine(request: pytest.FixtureRequest) -> Any:
    return request.param


def told_of(cycles: Cycles) -> Told:
    """Recorded bus cycles as a probe tells them."""
    kinds = cycles.kind
    words = np.array([WORDS.index(word) for word in KIND_WORDS])[kinds]
    columns = (cycles.cycle, cycles.address, cycles.data, cycles.is_write, np.isin(kinds, SYNC), words)
    return np.stack(columns, axis=1).astype(np.int64)


@pytest.fixture(scope="session")
def told() -> Callable[[Cycles], Told]:
    """`told_of`."""
    return told_of


@pytest.fixture(scope="session")
def probed() -> Callable[[Machine, int], Told]:
    """Gives what a probe tells of a machine up to a cycle, which runs for it on the reference engine."""

    def run(machine: Machine, until: int) -> Told:
        seen: list[tuple[int, ...]] = []

        def see(c: BusCycle) -> None:
            seen.append((c.cycle, c.address, c.data, c.is_write, c.is_fetch, WORDS.index(c.kind)))

        machine.engine = "exact"
        handle = machine.add_probe(see)
        machine.run(cycles=until - machine.cycle)
        handle.remove()
        return np.array(seen, np.int64)

    return run


class Chunks:
    """A sink that keeps what it gets."""

    def __init__(self) -> None:
        self.kept: list[bytes] = []

    def __call__(self, records: memoryview) -> None:
        self.kept.append(bytes(records))

    @property
    def cycles(self) -> Cycles:
        return Cycles.joined(self.kept)


@pytest.fixture(scope="session")
def chunks() -> type[Chunks]:
    """The class `Chunks`."""
    return Chunks


GAP = "0110 xxxx xxxx xxxx"
BANK = """
[[card]]
slot = {slot}
kind = "sram"
select = "0110 xxxx xxxx xxxx"
output_enable = "{reads} and {bank}"
write_enable = "not RW and PHI2 and {bank}"
[card.settings]
size = 4096
"""


@pytest.fixture(scope="session")
def banked(small_machine: Callable[..., Machine]) -> Callable[..., Machine]:
    """Makes small machines with two RAMs at $6000, slots 4 and 5: the line BANK, pin P0, says which is there."""

    def make(program: str, engine: str, *, reads: str = "RW and PHI2", lines: Any = (), **options: Any) -> Machine:
        """`reads`: when they are read; the rest as for `small_machine`."""
        cards = "".join(BANK.format(slot=n, bank=bank, reads=reads) for n, bank in ((4, "not BANK"), (5, "BANK")))
        joined = {"P0": "BANK", **dict(lines)}
        return small_machine(program, engine, gaps=(GAP,), cards=cards, lines=joined, **options)

    return make
