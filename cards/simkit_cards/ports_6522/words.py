"""The state of a 6522 in words, for people who look inside."""

from __future__ import annotations

from simkit_cards.ports_6522.board import FLAGS
from simkit_cards.ports_6522.handshake import CODE_WORDS, ControlLines
from simkit_cards.ports_6522.shift import MODE_WORDS, ShiftRegister
from simkit_cards.ports_6522.timers import Timer1, Timer2


def port_words(name: str, pins: int, output: int, direction: int) -> str:
    """Pins, output register and directions of a port."""
    outputs = "no outputs" if not direction else f"outputs ${direction:02X}"
    return f"port {name}: pins ${pins:02X}, output register ${output:02X}, {outputs}"


def timer_words(t1: Timer1, t2: Timer2, cycle: int, *, free_run: bool, on_pb7: bool) -> list[str]:
    """Both timers in `cycle`; advance first."""
    run = "runs free" if free_run else "one-shot, runs" if t1.armed else "one-shot, over or never started"
    pb7 = f", PB7 {'high' if t1.pb7 else 'low'}" if on_pb7 else ""
    count = f"{t1.value(cycle)}, latch {t1.latch}, " if free_run or t1.armed else ""  # else: chance, or long over
    lines = [f"timer 1: {count}{run}{pb7}"]
    source = "pulses on PB6" if t2.counts_pulses else "clock"
    count = f"{t2.value(cycle)}, " if t2.armed else ""
    lines.append(f"timer 2: {count}counts the {source}, {'runs' if t2.armed else 'over or never started'}")
    return lines


def control_words(sr: ShiftRegister, a: ControlLines, b: ControlLines) -> list[str]:
    """Shift register and second control lines."""
    return [
        f"shift register: ${sr.value:02X}, {MODE_WORDS[sr.mode]}",
        f"CA2 {CODE_WORDS[a.code]}; CB2 {CODE_WORDS[b.code]}",
    ]


def flag_words(flags: int, enabled: int) -> list[str]:
    """Flags that are set, and who is told of them."""
    return [
        f"flag {name}: {'enabled, INT low' if enabled >> n & 1 else 'set, and not enabled: only a look at IFR tells'}"
        for n, name in enumerate(FLAGS)
        if flags >> n & 1
    ]
