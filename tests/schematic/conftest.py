"""Marlpit, and the netlists of its cards."""

import pytest

from simkit import Machine
from simkit.schematic.check import check_netlist
from simkit.schematic.netlist import read_netlist
from tests.schematic.marlpit import CARDS


@pytest.fixture(scope="session")
def marlpit():
    """Compared only, never run."""
    return Machine.load("demo/marlpit")


@pytest.fixture
def compare(marlpit):
    """Compare a sheet with the card of Marlpit in a slot, or with that of another machine."""

    def run(slot, sheet, machine=None, **more):
        return check_netlist(machine or marlpit, slot, read_netlist(sheet.text(**more), "card.net"))

    return run


@pytest.fixture(params=CARDS)
def card(request):
    """Each card: its slot, and a fresh sheet."""
    return request.param, CARDS[request.param][1]()
