"""The two ports and the interrupt output of a tile-video board, as its machine sees them.

Sources:
    [PG] Texas Instruments, Video Display Processors Programmer's Guide, 1984: table 3-1, 5.2.1.
"""

from __future__ import annotations

from simkit.contract import Drive, PinSpec, Register
from simkit_cards.tile_video.settings import TileVideoSettings

DATA = 0
CONTROL = 1
"""Offsets: the MODE pin is the card's A0."""


def board_registers(settings: TileVideoSettings) -> tuple[Register, ...]:
    """The two ports. [PG] table 3-1."""
    fsn = tuple(f"FSN{bit}" for bit in range(5))
    return (
        Register(
            DATA,
            "data",
            "rw",
            help="reads what was read ahead; what is written counts for the line being drawn, sprites follow later",
            read_effect="fetches ahead at the address counter, which steps, and ends a control pair begun",
            write_effect="goes to memory at the address counter, which steps, and ends a control pair begun",
            writes_wait=settings.write_data == "end of strobe",  # else it takes what the bus held a cycle before
        ),
        Register(
            CONTROL,
            "status",
            "r",
            bits=(*fsn, "C", "5S", "F"),
            read_effect="clears F, 5S and C, lets INT go, and ends a control pair begun",
        ),
        Register(
            CONTROL,
            "control",
            "w",
            help="pairs of bytes; register 7 counts from the next dot, others from the next cell, sprites later on",
            write_effect="sets the address counter up as the second of a pair, to read or to write, or a register",
        ),
    )


def board_pins(settings: TileVideoSettings) -> tuple[PinSpec, ...]:
    """INT, low while F and IE are set. [PG] 5.2.1."""
    gate = settings.interrupt_output == "open-drain gate"
    drive = Drive.OPEN_DRAIN if gate else Drive.PUSH_PULL
    return (PinSpec(name="INT", drive=drive, request=True, help="frame interrupt, active low"),)
