"""A machine with a serial line and no screen says where its text is."""

import pytest

from simkit import Machine
from simkit.contract.errors import SimkitError


@pytest.mark.parametrize(("name", "is_told"), [("demo:monitor", True), ("demo:traps", False)])
def test_whoever_asks_for_a_screen_is_told_of_the_terminal(name, is_told):
    machine = Machine.load(name)
    with pytest.raises(SimkitError, match="No card of this machine has a screen") as caught:
        _ = machine.screen
    assert ("m.serial.text()" in str(caught.value)) == is_told
    if is_told:
        machine.run('text:"Workshop"', timeout=2)
        assert "Workshop" in machine.serial.text()
