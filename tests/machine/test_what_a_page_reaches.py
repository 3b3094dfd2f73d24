"""Of a page that is one card's memory the bus is asked once: what is made of that is what it says of each address."""

import pytest

from simkit import Machine
from simkit.machine.naming import _Reached

MACHINES = ("marlpit", "bench", "monitor", "banks-test")
WIRINGS = (
    (),
    ("slot 2: A3 exchanged with A4",),
    ("slot 1: A0 exchanged with A9",),
    ("slot 2: D3 exchanged with D4",),
    ("A12 low",),
    ("slot 2: A2 shorted to A3",),
)
STEP = 149
"""Of addresses: one or two in each page, at other places from page to page."""


@pytest.mark.parametrize("wiring", WIRINGS, ids=" ".join)
@pytest.mark.parametrize("name", MACHINES)
def test_cards_and_offsets_are_those_that_the_bus_says(name, wiring):
    machine = Machine.load(f"demo:{name}", wiring=list(wiring))
    reached = _Reached(machine.bus)
    addresses = [*range(0, 0x10000, STEP), 0xFFFF]
    assert [reached(address) for address in addresses] == [machine.bus.where(address) for address in addresses]
    assert any(machine.bus.is_plain_page(address >> 8) for address in addresses)
