"""The board round a 6551: its settings, registers and pins. Sources are listed in card.py."""

from __future__ import annotations

from functools import lru_cache

import attrs

from simkit.contract import Drive, PinSpec, Register, setting
from simkit_cards.serial_6551.frame import CRYSTAL_HZ
from simkit_cards.serial_6551.parts import PARTS


class Status:
    """Read side of offset 1, plain integers because they go to the bus; names as [SY] prints them."""

    PE = 0x01
    FE = 0x02
    OVRN = 0x04
    RDRF = 0x08
    TDRE = 0x10
    DCD = 0x20
    DSR = 0x40
    IRQ = 0x80


STATUS_BITS = ("PE", "FE", "OVRN", "RDRF", "TDRE", "DCD", "DSR", "IRQ")


@attrs.frozen(kw_only=True)
class Serial6551Settings:
    """The part in the socket and its cable."""

    part: str = setting(
        "SY6551",
        one_of=tuple(PARTS),
        help="part in the socket. CDP65C51A: CTS high lets a byte under way end. W65C51N: status bit 4 never falls, a "
        "store while shifting spoils the byte under way, no parity, TIC 01 not to be used [WDC]",
    )
    crystal_hz: int = setting(CRYSTAL_HZ, unit="Hz", low=1, high=20_000_000, help="crystal of the baud generator")
    outside_clock_hz: int = setting(
        0, unit="Hz", low=0, high=20_000_000, help="clock on the RxC pin, 16 times the rate; 0: none"
    )
    cable: str = setting(
        "three-wire", one_of=("three-wire", "rts-cts"), help='"rts-cts": the far side pauses while RTS is high'
    )


@lru_cache(maxsize=64)  # a machine asks at each offset whether a program may stand there
def board_registers(settings: Serial6551Settings) -> tuple[Register, ...]:
    """The board as wired."""
    command = ("DTR", "IRD", "TIC0", "TIC1", "REM", "PME", "PMC0", "PMC1")
    control = ("SBR0", "SBR1", "SBR2", "SBR3", "RCS", "WL0", "WL1", "SBN")
    if PARTS[settings.part].always_ready:
        sends = "starts a frame, or spoils the one under way"
        answers = "clears IRQ, which transmit interrupts set again two cycles later, and changes of DSR or DCD at once"
    else:
        sends = "clears TDRE until the byte moves on to the shift register, where its frame starts"
        answers = "clears IRQ, and shows what DSR and DCD have done meanwhile by another"
    takes = "clears RDRF, OVRN, FE and PE" if PARTS[settings.part].errors_end_with_read else "clears RDRF"
    return (
        Register(0, "data", "rw", help="reads what came last", read_effect=takes, write_effect=sends),
        Register(1, "status", "r", bits=STATUS_BITS, read_effect=answers),
        Register(1, "programmed_reset", "w", write_effect="clears OVRN and command bits 4 to 0, whatever the byte"),
        Register(
            2,
            "command",
            "rw",
            bits=command,
            write_effect="moves RTS and DTR, lets a waiting byte start, and sets IRQ when it enables transmit "
            "interrupts with TDRE set",
        ),
        Register(3, "control", "rw", bits=control, write_effect="lets a byte start that waited for a rate"),
    )


def board_pins(settings: Serial6551Settings) -> tuple[PinSpec, ...]:
    """Interrupt and modem lines; inputs that nothing is joined to have a jumper to ground, that is ready."""
    return (
        PinSpec(name="INT", drive=Drive.OPEN_DRAIN, request=True, help="interrupt request, asserted when low"),
        *(
            PinSpec(name=name, drive=Drive.INPUT, listens=True, open_level=False, jumpered=True, help=text)
            for name, text in (
                ("CTS", "low: the far side takes bytes"),
                ("DSR", "low: the far side is ready"),
                ("DCD", "low: carrier; high disables the receiver"),
            )
        ),
        PinSpec(name="RTS", drive=Drive.PUSH_PULL, help="low: this side takes bytes"),
        PinSpec(name="DTR", drive=Drive.PUSH_PULL, help="low: this side is ready"),
        *(
            PinSpec(name=name, drive=drive, cable=True, help=text)
            for name, drive, text in (
                (
                    "RXD",
                    Drive.INPUT,
                    "receive data; open, held or on the wrong contact it hears nothing, not even a break",
                ),
                ("TXD", Drive.PUSH_PULL, "transmit data; open, held or on the wrong contact nothing leaves the card"),
                ("RXC", Drive.INPUT, "clock 16 times the rate, as `outside_clock_hz` has it"),
                ("XTAL1", Drive.INPUT, "crystal of the baud generator; open or held nothing is clocked by it"),
            )
        ),
    )
