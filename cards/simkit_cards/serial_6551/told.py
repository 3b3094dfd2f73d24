"""What a serial card tells of programs and lines, in sentences: the messages of its findings."""

from __future__ import annotations


def not_listening(byte: int, broken: str) -> str:
    """A byte came while the receiver was off, or could not be heard as a wire is broken."""
    if broken:
        return f"${byte:02X} was sent and is lost: {broken}."
    return (
        f"${byte:02X} arrived while the receiver was off and is lost: set the rate in control and DTR (bit 0) in "
        "command first, with DCD low."
    )


def overrun(byte: int, byte_cycles: int) -> str:
    """A byte came before the one before was read."""
    return (
        f"${byte:02X} arrived before the byte before it was read, and is lost: read the data register within one byte "
        f"time ({byte_cycles} cycles)."
    )


def replaced(byte: int, waiting: int) -> str:
    """A byte was stored over one that waited."""
    return (
        f"${byte:02X} was stored while ${waiting:02X} still waited in the transmit data register, which is lost. Wait "
        "for TDRE (status bit 4)."
    )


def stored_while_shifting(byte: int, left_cycles: int, byte_cycles: int) -> str:
    """A byte was stored into the frame under way of a part that is always ready."""
    return (
        f"${byte:02X} was stored while a byte was still being shifted out for {left_cycles} cycles: this part's status "
        f"bit 4 is always 1, so polling it loses bytes. Wait one byte time ({byte_cycles} cycles) after each store."
    )


def in_break(byte: int) -> str:
    """A byte was sent under a break."""
    return (
        f"${byte:02X} was sent while command bits 3 and 2 held the transmit pin low (a break): it never arrives. End "
        "the break (TIC 10) before the store, and begin it when the last byte has left."
    )


def waits(byte: int | None, why: str, ms: int, *, ready_falls: bool) -> str:
    """Nothing can leave, for long; `byte` is what waits, None when only the program does."""
    what = f"${byte:02X} has waited to be sent for {ms} ms" if byte is not None else f"Nothing can be sent for {ms} ms"
    ends = " TDRE (status bit 4) reads 0 meanwhile, and a loop that waits for it never ends." if ready_falls else ""
    return f"{what}: {why}.{ends}"


def cut(byte: int, seen: int | None) -> str:
    """CTS went high in the middle of a byte; `seen` is what the far side takes it for, None: nothing."""
    arrives = "nothing arrives" if seen is None else f"${seen:02X} arrives"
    return (
        f"CTS went high while ${byte:02X} was being sent: the part stops at once, and {arrives}. Have the far side "
        "raise CTS between bytes only, or fit a part that ends the byte first (CDP65C51A)."
    )


def no_parity(command: int, part: str) -> str:
    """Parity was turned on in a part that has none."""
    return (
        f"${command:02X} in command turns parity on (PME, bit 5), and a {part} has none: its frames carry no parity "
        "bit, and none is checked. Clear bits 7 to 5, and set the far side to no parity."
    )


def no_transmit_interrupts(command: int, part: str) -> str:
    """Transmit interrupts were turned on in a part that is not to be used with them."""
    return (
        f"${command:02X} in command turns transmit interrupts on (TIC 01), which is not to be used with a {part}: TDRE "
        "never falls, and the interrupt does not end. Use TIC 10, and pace the stores by a timer."
    )
