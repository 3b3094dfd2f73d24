"""What a card keeps for speed is never seen: one that forgets it before everything that happens behaves the same.

And power-on forgets everything.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Mapping
from fractions import Fraction

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from simkit.contract import ButtonsPort, KeysPort, PadsPort, Port, SerialPort
from simkit.machinefile.catalogue import entries, load_entry
from simkit.testing.bench import Bench
from tests.examples import examples

Step = tuple[object, ...]

REGISTERS = ((0x02, 0x80), (0xC2, 0x81), (0x05, 0x82), (0x01, 0x85), (0x01, 0x86))
"""Tile video: display on, sprites 16 x 16, attributes at $0080, patterns at $0800."""


def video_bytes(address: int, *values: int) -> list[Step]:
    """Steps that store bytes in video memory, with ample time between them but after the last."""
    steps: list[Step] = [("write", 1, address & 0xFF), ("run", 4), ("write", 1, 0x40 | address >> 8), ("run", 4)]
    for value in values:
        steps += [("run", 20), ("write", 0, value)]
    return steps


VIDEO = [
    *(step for pair in REGISTERS for byte in pair for step in (("write", 1, byte), ("run", 9))),
    *video_bytes(0x0800, *b"\xff" * 32),
    *video_bytes(0x0080, 20, 10, 0, 1, 70, 60, 0, 2, 120, 110, 0, 3, 160, 160, 0, 4, 0xD0),
]
"""Four sprites that meet nowhere."""


KINDS: dict[str, tuple[list[dict[str, object]], list[Step]]] = {
    "bank-latch": ([{}, {"part": "74HC573", "shows_garbage": True}, {"part": "74HC273"}], []),
    "button-row": ([{"bounce_us": 500}, {"joined": "pins", "bounce_us": 300}], []),
    "bus-logger": ([{}, {"keeps": "first", "depth": 5}], []),
    "keyboard": (
        [
            {},
            {"advance": "every-poll", "overflow_bit": 6, "interrupt_bit": 4, "flags_active": "low"},
            {"advance": "self-clearing", "clears_port": True, "torn_window_ns": 900},
            {"interrupt": "pulse", "can_send": True, "reset_reaches_controller": True, "checks_empty": False},
            {"overflow": "hold-clock", "ring_form": "counted", "ring_slots": 2, "parity_faults_per_mille": 300},
            {"delivers": "characters", "glitch_percent": 20},
        ],
        [("run", 1_400_000)],  # the keyboard's self-test
    ),
    "led-row": ([{}, {"joined": "pins"}], []),
    "pad-sockets": ([{}, {"oscillator": "20 kHz", "slow_part": True}], []),
    "ports-6522": (
        [
            {},
            {"one_shot": "run-on", "timeout_during_read": "flag-kept", "irq_output": "totem-pole"},
            {"pb7_needs_ddr": True, "open_inputs": "low"},
            {"open_inputs": "noise", "shift_defect_ns": 300},
        ],
        [],
    ),
    "ps2-keyboard": ([{}], []),
    "rom": (
        [{}, {"part": "28C64B", "write_us": 20}, {"part": "39SF010A"}],
        [("write", 0x5555, 0xAA), ("write", 0x2AAA, 0x55)],
    ),
    "serial-6551": (
        [{}, {"part": "W65C51N"}, {"part": "CDP65C51A", "cable": "rts-cts", "outside_clock_hz": 1_000_000}],
        [("write", 3, 0x1F), ("write", 2, 0x09)],
    ),
    "serial-pads": (
        [
            {},
            {"oscillator": "1.8432 MHz"},
            {"oscillator": "900 kHz", "torn_window_ns": 300, "double_clocks_per_mille": 30},
            {"store": "shift-clock", "open_line": "floating", "plugged_2": False},
            {"store": "unlatched", "shift_edge": "fall", "phantom_1": "up left"},
            {"slow_part": True, "cable_pf": 2_000, "prescale": 3},
        ],
        [],
    ),
    "sram": ([{}], []),
    "tile-video": (
        [
            {},
            {"poll_race": "on"},
            {"coincidence": "everywhere", "last_counted_line": 192},
            {"too_soon": "both kept", "part": "9929A", "sprite_scan_dots": 40},
        ],
        VIDEO,
    ),
}
"""By kind: settings to try, and what every script begins with."""

POLLED = {"keyboard": (0, 0, 1), "serial-6551": (0, 1), "serial-pads": (2, 3), "tile-video": (1,)}
"""Registers that change by themselves; of other kinds all are polled alike."""

MOVES: dict[str, list[Callable[[int], list[Step]]]] = {
    "keyboard": [
        lambda byte: [("port", byte), ("run", 2_500), ("read", 0), ("run", 60), ("read", 1)],
        lambda byte: [("read", 0), ("run", 80), ("read", 1), ("run", 1 + byte % 20), ("read", 1)],
        lambda byte: [("write", 1, 0xED), ("run", 9_000)],
    ],
    "ports-6522": [
        lambda byte: [("write", 11, 0x40 | byte & 0x80), ("write", 4, byte % 40), ("write", 5, 0)],
        lambda byte: [("write", 8, byte % 60), ("write", 9, 0), ("write", 14, 0xA0)],
        lambda byte: [("write", 11, byte & 0x1C), ("write", 8, byte & 7), ("write", 10, byte), ("write", 14, 0x84)],
        lambda byte: [("write", 12, byte & 0xEE), ("write", 0, byte), ("read", 1)],
        lambda byte: [("write", 11, 0xC0), ("write", 2, byte), ("write", 6, byte % 20), ("write", 5, 0)],
    ],
    "serial-6551": [
        lambda byte: [("write", 0, byte), ("run", 600)],
        lambda byte: [("port", byte), ("run", 700), ("read", 1), ("read", 0)],
        lambda byte: [("write", 2, 1 | byte & 0x0E)],
    ],
    "serial-pads": [
        lambda byte: [("run", 300), ("poll", 0, 3, 4), ("port", byte), ("poll", 0, 9, 7), ("run", 300), ("read", 2)],
        lambda byte: [("run", 300), ("poll", 1, 3, 4), ("port", byte), ("poll", 1, 9, 7), ("run", 300), ("read", 3)],
    ],
    "tile-video": [
        # A sprite moves onto the first, or away from it, just before or while the line is drawn.
        lambda byte: [("poll", 0, 2, 9), *video_bytes(0x0084, 20 + byte % 16, 12), ("poll", 0, 9, 40)],
        lambda byte: [("poll", 0, 2, 9), *video_bytes(0x0084, byte, byte), ("run", 3_000), ("poll", 0, 9, 40)],
        lambda byte: [("run", 16_000), ("poll", 0, 9, 70), ("run", byte * 4), ("poll", 0, 9, 7)],
        lambda byte: [("poll", 0, 2, 9), ("write", 1, byte & 0xC3), ("run", 9), ("write", 1, 0x81), ("poll", 0, 9, 99)],
    ],
}
"""What a program or a hand does with a card of a kind, in several steps, told by a byte."""

BYTE = st.one_of(st.sampled_from((0, 0xFF, 1, 0x80, 0x40)), st.integers(0, 255))
NUMBER = st.integers(0, 999)
STEP = st.one_of(
    st.tuples(st.just("read"), NUMBER),
    st.tuples(st.just("poll"), NUMBER, st.integers(1, 9), st.sampled_from((1, 4, 7, 30))),
    st.tuples(st.just("write"), NUMBER, BYTE),
    st.tuples(st.just("run"), st.one_of(st.integers(1, 60), st.sampled_from((400, 3_000, 17_000)))),
    st.tuples(st.just("pull"), NUMBER, st.sampled_from((True, False, None))),
    st.tuples(st.just("port"), NUMBER),
    st.tuples(st.just("move"), NUMBER, BYTE),
    st.tuples(st.just("move"), NUMBER, BYTE),
    st.tuples(st.sampled_from(("reset", "save", "load"))),
)


def inputs(ports: Mapping[str, Port]) -> list[tuple[str, str, tuple[object, ...]]]:
    """(port, action, arguments) of what a hand could do at the ports of a card."""
    found: list[tuple[str, str, tuple[object, ...]]] = []
    for name, port in sorted(ports.items()):
        if isinstance(port, KeysPort):
            found += [(name, action, (key,)) for key in port.keys[:6] for action in ("press", "release")]
        elif isinstance(port, PadsPort):
            found += [(name, a, (n, b)) for b in port.buttons for n in port.numbers for a in ("press", "release")]
            found += [(name, action, (n,)) for n in port.numbers for action in ("unplug", "plug")]
        elif isinstance(port, SerialPort):
            found += [(name, "receive", (byte,)) for byte in (0x00, 0x41, 0xFF)]
        elif isinstance(port, ButtonsPort):
            found += [(name, action, (label,)) for label in port.labels for action in ("press", "release")]
    return found


class Told:
    """A bench that notes everything that could be seen."""

    def __init__(self, kind, options, watched, hz, forgets):
        self.bench = Bench(load_entry(entries()[kind]), options, watched=watched, clock_hz=Fraction(hz))
        self.forgets = forgets
        self.log = []
        self.saved = None
        self.pins = sorted(name for name, pin in self.bench.card.slot.pins.items() if not pin.spec.cable)
        self.inputs = inputs(self.bench.card.slot.ports)
        self.polled = POLLED.get(kind, range(self.bench.offsets))
        self.moves = MOVES.get(kind, [])

    def read(self, offset):
        if self.forgets:
            self.bench.card.forget()
        self.log.append((self.bench.cycle, offset, self.bench.read(offset)))

    def do(self, action, *what):
        bench = self.bench
        if self.forgets:
            bench.card.forget()
        if action == "read":
            self.read(what[0] % bench.offsets)
        elif action == "poll":
            for _ in range(what[1]):
                self.read(self.polled[what[0] % len(self.polled)])
                bench.run(what[2] - 1)
        elif action == "write":
            bench.write(what[0] % bench.offsets, what[1])
        elif action == "run":
            bench.run(what[0])
        elif action == "pull" and self.pins:
            bench.pull(self.pins[what[0] % len(self.pins)], what[1])
            bench.run(1)
        elif action == "port" and self.inputs:
            port, name, arguments = self.inputs[what[0] % len(self.inputs)]
            bench.outside(port, name, *arguments)
            bench.run(1)
        elif action == "move" and self.moves:
            for step in self.moves[what[0] % len(self.moves)](what[1]):
                self.do(*step)
        elif action == "reset":
            bench.reset()
        elif action == "save":
            self.saved = bench.save(), bench.cycle
        elif action == "load" and self.saved is not None:
            bench.load(*self.saved)
        self.log.append((bench.cycle, bench.pin_levels()))


def test_every_installed_card_is_tried():
    assert set(KINDS) == set(entries())


@pytest.mark.parametrize(
    ("kind", "options"), [(kind, options) for kind, (tried, _) in KINDS.items() for options in tried], ids=str
)
@settings(max_examples=examples(7), deadline=None)
@given(
    script=st.lists(STEP, min_size=15, max_size=40), watched=st.booleans(), hz=st.sampled_from((1_000_000, 2_000_000))
)
def test_a_card_that_forgets_what_it_keeps_is_the_same_card(kind, options, script, watched, hz):
    keeps, forgets = (Told(kind, options, watched, hz, forgets) for forgets in (False, True))
    for told in (keeps, forgets):
        for step in (*KINDS[kind][1], ("save",), *script):
            told.do(*step)
    assert keeps.log == forgets.log
    assert keeps.bench.save() == forgets.bench.save()
    assert list(keeps.bench.findings) == list(forgets.bench.findings)


def random_step(rng: random.Random) -> Step:
    action = rng.choice(("read", "write", "write", "run", "pull", "port", "move", "move"))
    if action == "run":
        return action, rng.choice((1, 30, 400, 3_000))
    if action == "pull":
        return action, rng.randrange(1_000), rng.choice((True, False, None))
    return action, rng.randrange(1_000), rng.choice((0, 0xFF, rng.randrange(256)))


@pytest.mark.parametrize(
    ("kind", "options"),
    [
        (kind, options) for kind, (tried, _) in KINDS.items() for options in tried if kind != "button-row"
    ],  # fingers stay
    ids=str,
)
def test_power_on_leaves_nothing_of_what_a_card_was(kind, options):
    rng = random.Random(1)
    used = Told(kind, options, watched=True, hz=1_000_000, forgets=False)
    for step in KINDS[kind][1]:
        used.do(*step)
    card = load_entry(entries()[kind])
    new = Bench(card, options)
    for _ in range(12):
        for _ in range(8):
            used.do(*random_step(rng))
        again = Bench(card, options)
        again.load_card(used.bench.save()["card"])
        again.ask(again.card.power_on, 0)
        again.ask(again.card.reset, True, 0)
        again.ask(again.card.reset, False, 0)
        assert again.save() == new.save()
