"""What people hold of a machine: inputs are scheduled in their order and never run it, looks change nothing."""

from collections import deque
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from simkit import Machine, SimkitError
from simkit.machine.views import Buttons, Keys, Lamps, Pads, Screen, Serial

DEMO = Path(__file__).resolve().parents[2] / "demo"


@pytest.fixture
def marlpit():
    return Machine.load(DEMO / "marlpit")


def queued(machine, port):
    return [(e[0], *e[4:]) for e in machine.bus.agenda.pending_outside() if e[3] == port]


def test_what_is_typed_begins_after_what_is_queued_already_at_that_keyboard(marlpit):
    """However the text is cut, the keyboard gets the same strokes in the same cycles."""
    whole = Machine.load(DEMO / "marlpit")
    end = whole.keys.type("Slug 7")
    assert [marlpit.keys.type(part) for part in ("Sl", "", "ug", " 7")][-1] == end
    assert queued(marlpit, "keys") == queued(whole, "keys")
    gap = whole.keys.port.gap_cycles
    cycles = [cycle for cycle, *_ in queued(whole, "keys")]
    assert cycles == [cycles[0] + gap * number for number in range(len(cycles))]
    assert cycles[0] == whole.keys.port.ready_at(0) + gap


def test_a_key_queued_far_ahead_comes_before_what_is_typed_and_a_pad_does_not_count(marlpit):
    marlpit.pads[1].press("left", at=90_000_000)
    marlpit.keys.press("a", at=20_000_000)
    gap = marlpit.keys.port.gap_cycles
    assert marlpit.keys.type("b") == 20_000_000 + 2 * gap
    assert queued(marlpit, "keys")[0] == (20_000_000, "press", ("a",))


def test_typing_from_a_cycle_on_waits_for_it_and_for_all_that_is_queued(marlpit):
    gap = marlpit.keys.port.gap_cycles
    assert marlpit.keys.type("a", at=30_000_000) == 30_000_000 + 2 * gap
    assert marlpit.keys.type("b", at=10_000_000) == 30_000_000 + 4 * gap
    assert marlpit.keys.type("c", at=50_000_000) == 50_000_000 + 2 * gap


@pytest.fixture
def of_kind(tmp_path):
    """A machine with these cards from slot 2 on, and a RAM over all addresses below $7F00."""

    def build(*kinds):
        text = 'name = "Shed"\nclock = "1 MHz"\n[[card]]\nslot = 1\nkind = "sram"\nselect = "00xx xxxx xxxx xxxx"\n'
        for slot, kind in enumerate(kinds, start=2):
            text += f'[[card]]\nslot = {slot}\nkind = "{kind}"\nselect = "0111 1111 {slot:04b} xxxx"\n'
        path = tmp_path / "machine.toml"
        path.write_text(text)
        return Machine.load(path)

    return build


PORTS = {
    "screen": (Screen, "tile-video", "a screen"),
    "keys": (Keys, "keyboard", "a keyboard"),
    "pads": (Pads, "serial-pads", "pads"),
    "serial": (Serial, "serial-6551", "a serial line"),
    "lamps": (Lamps, "led-row", "a row of lamps"),
    "buttons": (Buttons, "button-row", "a row of buttons"),
}


@pytest.mark.parametrize("word", PORTS)
def test_the_only_port_of_a_kind_is_found_and_several_or_none_are_told(of_kind, word):
    view, kind, noun = PORTS[word]
    m = of_kind("button-row" if word != "buttons" else "led-row", kind)
    assert isinstance(getattr(m, word), view)
    assert (getattr(m, word).slot, getattr(m.card(3), word), m.port(view)) == (
        3,
        m.card(3).ports[word],
        m.ports(view)[0],
    )
    assert m.port(view, 3) is m.ports(view)[0]
    with pytest.raises(SimkitError, match=f"No card in slot 2 has {noun}") as refused:
        m.port(view, 2)
    assert (refused.value.slot, refused.value.remedy) == (2, f"Slots with {noun}: 3.")
    with pytest.raises(SimkitError, match=f"slot 2 .* has 0 ports of the kind '{word}'"):
        getattr(m.card(2), word)

    m = of_kind(kind, "led-row" if word != "lamps" else "button-row", kind)
    with pytest.raises(SimkitError, match=f"2 cards have {noun}: slots 2, 4") as refused:
        getattr(m, word)
    assert refused.value.remedy == f"Say which: m.card(2).{word}."
    with pytest.raises(SimkitError) as refused:
        m.port(view, option="--which")
    assert refused.value.remedy == "Say which: --which 2."
    assert [m.port(view, slot).slot for slot in (2, 4)] == [port.slot for port in m.ports(view)] == [2, 4]

    m = of_kind("led-row" if word != "lamps" else "button-row")
    assert m.ports(view) == []
    with pytest.raises(SimkitError, match=f"No card of this machine has {noun}") as refused:
        getattr(m, word)
    assert "simkit cards" in refused.value.remedy
    with pytest.raises(SimkitError) as refused:
        m.port(view, 2)
    assert refused.value.remedy == f"No card of this machine has {noun}."


def test_a_card_has_no_other_names_than_its_own_and_those_of_ports(marlpit):
    card = marlpit.card(4)
    assert (card.slot, card.kind) == (4, "serial-pads")
    with pytest.raises(AttributeError, match="colour"):
        _ = card.colour
    assert card.registers == type(card._seat.card).registers(card.settings)


def test_what_is_pressed_and_released_is_queued_for_now_or_for_the_cycle_given(marlpit):
    """Nothing runs meanwhile, and a cycle that is over means now."""
    marlpit.run(cycles=1_000)
    now = marlpit.cycle
    pad = marlpit.pads[2]
    pad.press("left", "a")
    pad.release("left", at=now + 500)
    pad.unplug(at=now + 600)
    pad.plug(at=now + 700)
    pad.press("b", at=3)
    marlpit.keys.press("a", at=now + 1)
    marlpit.keys.release("a", at=0)
    assert marlpit.cycle == now
    assert queued(marlpit, "pads") == [
        (now, "press", (2, "left")),
        (now, "press", (2, "a")),
        (now, "press", (2, "b")),
        (now + 500, "release", (2, "left")),
        (now + 600, "unplug", (2,)),
        (now + 700, "plug", (2,)),
    ]
    assert queued(marlpit, "keys") == [(now, "release", ("a",)), (now + 1, "press", ("a",))]


def test_buttons_and_serial_bytes_are_queued_alike(of_kind):
    m = of_kind("button-row", "serial-6551")
    label = m.buttons.port.labels[0]
    m.buttons.press(label, at=9)
    m.buttons.release(label)
    m.serial.send(b"AB", at=40)
    m.serial.send(b"C")
    assert queued(m, "buttons") == [(0, "release", (label,)), (9, "press", (label,))]
    assert queued(m, "serial") == [(0, "receive", (67,)), (40, "receive", (65,)), (40, "receive", (66,))]


@pytest.mark.parametrize(
    ("act", "words"),
    [
        (lambda m: m.pads[1].press("left", "lefd"), "no button 'lefd'"),
        (lambda m: m.pads[1].release("lefd"), "no button 'lefd'"),
        (lambda m: m.keys.press("shfit"), "no key 'shfit'"),
        (lambda m: m.keys.release("shfit"), "no key 'shfit'"),
        (lambda m: m.keys.type("abc\u00e9"), "No key gives 'é'"),
        (lambda m: m.pads[0], "no pad 0"),
    ],
)
def test_input_that_cannot_be_is_refused_whole(marlpit, act, words):
    with pytest.raises(SimkitError, match=words) as refused:
        act(marlpit)
    assert refused.value.remedy
    assert marlpit.bus.agenda.pending_outside() == []


def test_the_sockets_of_a_pads_card_are_numbered_as_on_the_board(marlpit):
    assert list(marlpit.pads) == [1, 2] == [pad.number for pad in marlpit.pads.values()]
    assert len(marlpit.pads) == 2


def test_a_text_presses_its_keys_in_order_and_lets_them_go_in_reverse(marlpit):
    marlpit.keys.type("A")
    strokes = [(action, key) for _, action, (key,) in queued(marlpit, "keys")]
    assert strokes == [("press", "left shift"), ("press", "a"), ("release", "a"), ("release", "left shift")]


def test_a_screen_is_an_array_of_palette_numbers_with_the_rows_from_the_top(marlpit):
    marlpit.run(seconds=0.5)
    screen = marlpit.screen
    assert (screen.pixels.shape, screen.pixels.dtype) == ((192, 256), np.uint8)
    assert screen.pixels.tobytes() == screen.port.pixels(marlpit.cycle)
    assert screen.frame_cycles == screen.port.frame_cycles
    assert isinstance(screen.frame_cycles, Fraction)


def test_lamps_are_told_in_words_as_they_stand_on_the_board(of_kind):
    lamps = of_kind("led-row").lamps
    lamps.port.labels, lamps.port.levels = ("L1", "L0"), lambda cycle: (True, False)
    assert (lamps.levels, lamps.text()) == ((True, False), "L1 on, L0 off")


def test_lines_are_listed_and_looked_at_without_effect(marlpit):
    lines = marlpit.lines
    assert len(lines) == len(list(lines)) == len(marlpit.bus.nets.lines)
    irq = lines["IRQ"]
    marlpit.run(seconds=0.4)  # the program waits for frames
    marlpit.run(until=lambda m: m.lines["IRQ"].asserted)
    assert (irq.name, irq.level, irq.asserted) == ("IRQ", False, True)
    assert marlpit.cycle - 20 < irq.since <= marlpit.cycle
    assert [pin.slot for pin in irq.pins] == sorted(pin.slot for pin in irq.pins)
    assert any(pin.value is False for pin in irq.pins)


CONTROLS = st.sampled_from([b"\r", b"\n", b"\x08", b"\x07", b"A", b"bc", b" ", b"\x7f", b"\xe9"])


def on_paper(data, cr_adds_lf):
    """A terminal as a grid that is written a cell at a time."""
    cells, row, column = {}, 0, 0
    for byte in data:
        if byte == 0x0D:
            row, column = row + cr_adds_lf, 0
        elif byte == 0x0A:
            row += 1
        elif byte == 0x08:
            column -= column > 0
        elif chr(byte).isprintable():
            cells[row, column] = chr(byte)
            column += 1
    rows = []
    for number in range(max([row, *(at for at, _ in cells)]) + 1):
        places = [column for at, column in cells if at == number]
        rows.append("".join(cells.get((number, column), " ") for column in range(max(places, default=-1) + 1)).rstrip())
    return "\n".join(rows)


class Sent:
    """A machine whose card has sent these bytes."""

    def __init__(self, data):
        self.port = type("Port", (), {"sent": deque(enumerate(data)), "name": "serial"})
        self.settled = 0

    def settle(self):
        self.settled += 1


@given(st.lists(CONTROLS).map(b"".join), st.booleans())
def test_a_terminal_shows_what_was_written_where_the_carriage_stood(data, cr_adds_lf):
    """CR, LF and BS as common practice has them; what is written over is gone, other controls show nothing."""
    machine = Sent(data)
    serial = Serial(machine, type("Seat", (), {"slot": 2, "title": "Serial card"}), machine.port)
    assert serial.received == data
    assert machine.settled == 1, "the card has sent up to now"
    assert serial.text(cr_adds_lf=cr_adds_lf) == on_paper(data, cr_adds_lf)
    assert serial.text() == on_paper(data, False)


def test_what_a_line_has_sent_is_of_the_state_and_the_power_on_that_the_machine_is_in():
    m = Machine.load("demo:monitor")
    m.run(seconds=0.01)
    before, state = m.serial.received, m.save_state()
    m.run('text:"Do:"')
    m.load_state(state)
    assert m.serial.received == before
    assert m.run('text:"Do:"') > 20_000
    m.power_cycle()
    assert m.serial.received == b""
    first = m.run('text:"Do:"')
    assert m.serial.text().count("Do:") == 1
    again = []
    m.when('text:"Do:"#2', again.append)  # it stands there now
    m.power_cycle()
    m.run(cycles=first + 10)
    assert len(again) == 1
