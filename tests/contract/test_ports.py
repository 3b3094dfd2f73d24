"""What a port takes from the outside, and what it refuses: input from a file is asked for before it is believed."""

import copy

import pytest

from simkit.contract.ports import ButtonsPort, KeysPort, LampsPort, PadsPort, Port, ScreenPort, SerialPort

KEYS = KeysPort("keys", ("a", "left shift"), {"a": ("a",)}, ready_at=lambda cycle: 0, gap_cycles=10)
PADS = PadsPort("pads", (1, 2), ("left", "start"))
SERIAL = SerialPort("serial", byte_cycles=lambda cycle: 0, clear_to_send=lambda cycle: True)
BUTTONS = ButtonsPort("buttons", ("A", "B"))

TAKEN = [
    (KEYS, "press", ("a",)),
    (KEYS, "release", ("left shift",)),
    (PADS, "press", (1, "left")),
    (PADS, "release", (2, "start")),
    (PADS, "plug", (1,)),
    (PADS, "unplug", (2,)),
    (SERIAL, "receive", (0,)),
    (SERIAL, "receive", (255,)),
    (SERIAL, "receive", (65, "parity")),
    (SERIAL, "receive", (65, "framing")),
    (BUTTONS, "press", ("A",)),
    (BUTTONS, "release", ("B",)),
]


@pytest.mark.parametrize(("port", "action", "arguments"), TAKEN)
def test_a_port_takes_its_events_and_nothing_that_differs_in_one_thing(port, action, arguments):
    assert port.takes(action, arguments)
    actions = {"press", "release", "plug", "unplug", "receive", "send", ""} - {
        other for same, other, values in TAKEN if same is port and len(values) == len(arguments)
    }
    wrong = [(other, arguments) for other in actions]
    wrong += [(action, (*arguments, "left")), (action, (*arguments, 1)), (action, arguments[:-1]), (action, ())]
    for number in range(len(arguments)):
        for value in ("c", 3, 256, -1, None, 1.5):
            wrong.append((action, (*arguments[:number], value, *arguments[number + 1 :])))
    if port is SERIAL:  # a byte alone, and any byte, is in order
        wrong = [(a, v) for a, v in wrong if (a, v) != ("receive", v[:1]) or not v or v[0] not in range(256)]
        wrong = [(a, v) for a, v in wrong if not (len(v) == 2 and v[0] == 3 and v[1] in ("parity", "framing"))]
    for other, values in wrong:
        assert not port.takes(other, values), (other, values)


def test_a_port_of_an_authors_own_kind_takes_what_it_does_not_refuse():
    assert Port("own").takes("anything", (1, "two"))


def test_what_a_port_shows_when_its_card_says_nothing_else():
    """Square pixels, one palette number for an empty screen, and an endless sender keeps the newest million bytes."""
    screen = ScreenPort(
        "screen", 1, 1, bytes, lambda cycle: ((0, 0),), lambda cycle: "", ((0, 0, 0),), (0, 0, 0, 0), 1, lambda cycle: 0
    )
    assert screen.pixel_aspect == 1
    for byte in range((1 << 20) + 2):
        SERIAL.sent.append((byte, 0))
    assert (len(SERIAL.sent), SERIAL.sent[0]) == (1 << 20, (2, 0))
    assert LampsPort("lamps", ("A",), lambda cycle: (True,)).levels(0) == (True,)


def test_border_pixels_are_those_of_the_runs_row_by_row_over_the_whole_size():
    screen = ScreenPort("screen", 2, 1, bytes, None, None, ((0, 0, 0),), (1, 2, 1, 1), 1, None)
    assert screen.size_with_border == (5, 3)
    assert screen.border_pixels(((0, 4),)) == bytes([4]) * 15
    assert screen.border_pixels(((0, 4), (3, 7), (14, 1))) == bytes([4] * 3 + [7] * 11 + [1])


@pytest.mark.parametrize(
    "port", [KEYS, PADS, SERIAL, BUTTONS, Port("own"), LampsPort("lamps", ("A",), lambda cycle: ())]
)
def test_two_ports_alike_are_two_ports_and_a_port_can_be_a_key(port):
    alike = copy.copy(port)
    assert alike != port
    assert len({alike, port}) == 2
