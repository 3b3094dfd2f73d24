"""Where programs poll a card: machines, brought to a moment at which the registers of one card are read and written.

Each scene is a machine that comes with the kit, whose ROM has set the card up and run for a while, with what a hand
would do meanwhile: keys, buttons, bytes on the serial line.
"""

from __future__ import annotations

from collections.abc import Callable
from fractions import Fraction
from typing import Any

import attrs

from simkit.machine.machine import Machine

POLL_CYCLES = 7
"""Cycles from one access to the next: LDA absolute and a branch taken."""

Access = tuple[str, int | None]
"""(register, byte written, or None for a read)."""


@attrs.frozen(kw_only=True)
class Loop:
    """Accesses that follow one another, over and over.

    Attributes:
        name: what the table calls it.
        accesses: one after another.
        cycles: from one access to the next.
    """

    name: str
    accesses: tuple[Access, ...]
    cycles: int = POLL_CYCLES


@attrs.frozen(kw_only=True)
class Scene:
    """A card where a program polls it.

    Attributes:
        card: what the table calls it.
        machine: whose ROM brings it there.
        slot: of the card whose registers are accessed.
        seconds: machine time for which the ROM runs.
        settings: of cards, by slot and name, that differ from the machine file.
        lines: of the card in `slot` that are joined besides those of the machine file.
        guest: kind, settings and lines of a card that is plugged in besides.
        begin: accesses that set the card up after the ROM: (register, byte).
        stir: called now and then, with the machine and how often it was before: moves keys and buttons, sends bytes.
        written: bytes written by register; others take 55 and AA in turn.
        cycles: from one access to the next by register, where the hardware needs longer than POLL_CYCLES.
        only: registers to measure; None: all.
        loops: accesses to measure besides single registers.
    """

    card: str
    machine: str
    slot: int
    seconds: Fraction = Fraction(1, 2)
    settings: dict[int, dict[str, Any]] = attrs.field(factory=dict)
    lines: dict[str, str] = attrs.field(factory=dict)
    guest: tuple[str, dict[str, Any], dict[str, str]] | None = None
    begin: tuple[tuple[str, int], ...] = ()
    stir: Callable[[Machine, int], None] | None = None
    written: dict[str, tuple[int, ...]] = attrs.field(factory=dict)
    cycles: dict[str, int] = attrs.field(factory=dict)
    only: tuple[str, ...] | None = None
    loops: tuple[Loop, ...] = ()


def _hold_pads(machine: Machine, times: int) -> None:
    for number, buttons in ((1, ("right", "a")), (2, ("left", "b"))):
        move = machine.pads[number].press if times % 2 == 0 else machine.pads[number].release
        for button in buttons:
            move(button)


def _move_keys(machine: Machine, times: int) -> None:
    for key in ("s", "l", "u", "g"):
        (machine.keys.press if times % 2 == 0 else machine.keys.release)(key)


def _send_bytes(machine: Machine, times: int) -> None:
    machine.serial.send(b"slug watch")


def _press_buttons(machine: Machine, times: int) -> None:
    buttons = machine.buttons
    (buttons.press if times % 2 == 0 else buttons.release)("B0")


_TIMERS_RUN = (("ACR", 0x40), ("T1LL", 0x10), ("T1CH", 0x27), ("T2CL", 0xFF), ("T2CH", 0xFF))
"""Timer 1 free-running every 10 002 cycles, timer 2 once."""

_PAD_BITS = (("ORA", 2), ("ORA", 0), *(step for _ in range(8) for step in (("ORA", None), ("ORA", 1), ("ORA", 0))))
"""Latch on PA1, clock on PA0, data on PA7: look, clock, eight times."""

SCENES: dict[str, tuple[Scene, ...]] = {
    "keyboard": (
        Scene(card="keyboard, no key", machine="demo:keyboard-test", slot=3, seconds=Fraction(1)),
        Scene(
            card="keyboard, keys typed",  # a code or two wait now and then; most of the time the ring is empty
            machine="demo:keyboard-test",
            slot=3,
            seconds=Fraction(1),
            stir=_move_keys,
            only=("status",),
            loops=(Loop(name="status, data", accesses=(("status", None), ("data", None)), cycles=50),),
        ),
    ),
    "serial-pads": (
        Scene(card="serial-pads", machine="demo:pad-test", slot=4, stir=_hold_pads),
        Scene(
            card="serial-pads, own oscillator",
            machine="demo:pad-test",
            slot=4,
            settings={4: {"oscillator": "1.8432 MHz"}},
            stir=_hold_pads,
        ),
    ),
    "pad-sockets": (
        Scene(
            card="pad-sockets on a 6522",
            machine="demo:bench",
            slot=4,
            lines={"PA0": "PAD_CLOCK", "PA1": "PAD_LATCH", "PA7": "PAD_DATA"},
            guest=("pad-sockets", {}, {"CLOCK": "PAD_CLOCK", "LATCH": "PAD_LATCH", "DATA_1": "PAD_DATA"}),
            begin=(("DDRA", 0x7F),),
            stir=_hold_pads,
            only=(),
            loops=(Loop(name="latch, look, clock", accesses=_PAD_BITS),),
        ),
    ),
    "ps2-keyboard": (
        Scene(
            card="ps2-keyboard on a 6522",
            machine="demo:keyboard-on-ports",
            slot=4,
            seconds=Fraction(1),
            stir=_move_keys,
            only=(),
            loops=(Loop(name="ORA, IFR", accesses=(("ORA", None), ("IFR", None))),),
        ),
    ),
    "tile-video": (
        Scene(
            card="tile-video",
            machine="demo:marlpit",
            slot=5,
            seconds=Fraction(2),
            written={"control": (0x00, 0x58), "data": (0x20, 0x21, 0x22)},
            cycles={"data": 17},  # 8.5 us at 2 MHz: the chip wants 8
        ),
    ),
    "ports-6522": (
        Scene(
            card="ports-6522",
            machine="demo:monitor",
            slot=4,
            begin=_TIMERS_RUN,
            written={
                "DDRA": (0x00,),
                "DDRB": (0xFF,),
                "ACR": (0x40,),
                "PCR": (0x00,),
                "IER": (0x7F,),
                "T1CL": (0x10,),
                "T1CH": (0x27,),
                "T1LL": (0x10,),
                "T1LH": (0x27,),
                "T2CL": (0xFF,),
                "T2CH": (0xFF,),
                "IFR": (0x7F,),
                "ORB": (0x00, 0x01),  # one lamp; a driver that makes a clock moves one pin a write as well
            },
            loops=(Loop(name="ORB, eight lamps", accesses=(("ORB", 0x55), ("ORB", 0xAA))),),
        ),
        Scene(
            card="ports-6522, tone, shifting",
            machine="demo:ports-test",
            slot=4,
            begin=(*_TIMERS_RUN, ("ACR", 0xD0), ("T2CL", 0x30)),
            only=("ORB", "T1CL", "T2CL", "SR", "IFR"),
            written={"IFR": (0x7F,), "ORB": (0x00, 0x01), "T1CL": (0x10,), "T2CL": (0x30,)},
        ),
    ),
    "serial-6551": (
        Scene(
            card="serial-6551",
            machine="demo:serial-test",
            slot=3,
            stir=_send_bytes,
            written={"data": (0x53, 0x4C), "command": (0x0B,), "control": (0x1F,)},
            cycles={"data": 600},  # a byte takes 521 cycles at 19 200 baud and 1 MHz
        ),
    ),
    "bank-latch": (Scene(card="bank-latch", machine="demo:banks-test", slot=5, written={"bank": tuple(range(8))}),),
    "led-row": (Scene(card="led-row", machine="demo:lamps-and-buttons", slot=6),),
    "button-row": (Scene(card="button-row", machine="demo:lamps-and-buttons", slot=7, stir=_press_buttons),),
}
"""By kind; a kind that is not here is measured alone on a bus, as it is when the power comes on."""
