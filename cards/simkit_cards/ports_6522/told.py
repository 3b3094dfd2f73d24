"""What a 6522 tells of programs and wiring, in sentences: the messages of its findings."""

from __future__ import annotations

from collections.abc import Iterable

from simkit_cards.ports_6522.board import FLAGS


def shift_clock_lost(window_ns: int) -> str:
    """A rise of an outside shift clock fell into the window in which the part misses it."""
    return (
        f"A rise of CB1 came within {window_ns} ns before PHI2 fell; the shift register lost that bit. "
        "Resynchronise the clock with a flip-flop on PHI2."
    )


def cleared_together(value: int, lost: int) -> str:
    """A write of `value` to IFR cleared several enabled flags, the ones of `lost`."""
    names = " and ".join(name for n, name in enumerate(FLAGS) if lost >> n & 1)
    return (
        f"A write of ${value:02X} to IFR cleared the enabled flags {names} together: a handler that serves one "
        "source an interrupt loses the other. Clear only the flag that was served."
    )


def open_input_read(pins: Iterable[str], open_inputs: str) -> str:
    """A port was read with inputs that nobody drives; `open_inputs` is the setting."""
    level = {"high": "they read 1", "low": "they read 0", "noise": "they read noise"}
    return f"The port was read while no card drives {', '.join(pins)}: {level[open_inputs]}."


def pulse_too_short(pin: str, uses: str) -> str:
    """A pulse on an input was too short to be sure of; `uses` is what the part makes of the pin."""
    return (
        f"{pin}, {uses}, changed twice within less than 2 cycles of PHI2: the part may miss such a pulse. "
        "Here it was taken. Make pulses and the gaps between them at least 2 cycles wide."
    )
