"""The state of a 6551 in words, for people who look inside."""

from __future__ import annotations

from simkit_cards.serial_6551.board import STATUS_BITS
from simkit_cards.serial_6551.registers import Registers
from simkit_cards.serial_6551.transmitter import Transmitter

TRANSMIT_WORDS = ("off, RTS high", "on, interrupts, RTS low", "on, RTS low", "sends a break, RTS low")
PARITY_WORDS = ("odd", "even", "mark", "space")


def line_words(registers: Registers) -> list[str]:
    """Rate and frame; what transmitter and receiver are set to."""
    bit, command = registers.send_bit_ticks, registers.command
    rate = f"{registers.settings.crystal_hz / bit:.0f} baud" if bit else "no clock"
    parity = PARITY_WORDS[command >> 6] + " parity" if registers.parity else "no parity"
    return [
        f"{rate}, {registers.data_bits} data bits, {parity}",
        f"transmitter {'echoes, RTS low' if registers.echoes else TRANSMIT_WORDS[command >> 2 & 3]}; "
        f"receiver {'on' if registers.enabled else 'off (DTR)'}, interrupt {'off' if command & 2 else 'on'}",
    ]


def status_words(transmitter: Transmitter, status: int, queued: int, cycle: int) -> list[str]:
    """What moves and what waits; `queued` bytes are still to come from the far side."""
    lines = []
    sending, waiting = transmitter.sending, transmitter.waiting
    if sending is not None:
        lines.append(f"shifting out ${sending:02X}" + (f", ${waiting:02X} waits" if waiting is not None else ""))
    elif waiting is not None:
        lines.append(f"${waiting:02X} waits for the transmitter: {transmitter.stopped(cycle)}")
    names = [name for n, name in enumerate(STATUS_BITS) if status >> n & 1]
    lines.append(f"status: {', '.join(names) or 'nothing set'}")
    if queued:
        lines.append(f"the far side still has {queued} bytes to send")
    return lines
