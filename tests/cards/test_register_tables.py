"""What the register tables say of reads and writes is what the cards do, for every card of the kit."""

import random
from collections.abc import Iterator
from typing import Any

import pytest

from simkit.contract import ButtonsPort, Drive, KeysPort, PadsPort, Register, SerialPort
from simkit.machinefile.catalogue import entries, load_entry
from simkit.testing.bench import Bench

VARIANTS = {
    "button-row": [{"bounce_us": 3_000}],
    "keyboard": [{"can_send": True, "latch": "status-sets"}, {"glitch_percent": 20, "interrupt": "level"}],
    "ports-6522": [{"timeout_during_read": "flag-kept", "one_shot": "run-on"}],
    "serial-6551": [{"part": "W65C51N"}],
    "serial-pads": [{"store": "shift-clock", "sense": "inverted"}],
    "tile-video": [{"write_data": "start of strobe"}, {"poll_race": "on", "too_soon": "both kept"}],
}
SETTINGS = [
    (kind, settings)
    for kind in sorted(entries())
    for settings in ({}, *VARIANTS.get(kind, []))
    if load_entry(entries()[kind]).registers(load_entry(entries()[kind]).Settings())
]
READY = {"keyboard": 600_000}
"""Cycles until a card takes input: the keyboard tests itself first."""

Doing = tuple[str, Any, Any]


def table(bench: Bench) -> tuple[Register, ...]:
    return type(bench.card).registers(bench.settings)


def happenings(bench: Bench) -> list[Doing]:
    """What can be done to a card besides accesses: pins pulled, things at ports."""
    found: list[Doing] = [
        ("pull", name, level)
        for name, pin in sorted(bench.card.slot.pins.items())
        if pin.spec.drive is not Drive.PUSH_PULL and not pin.spec.cable
        for level in (True, False, None)
    ]
    for name, port in sorted(bench.card.slot.ports.items()):
        if isinstance(port, KeysPort):
            found += [(name, action, (key,)) for key in port.keys[:6] for action in ("press", "release")]
        elif isinstance(port, PadsPort):
            found += [(name, a, (1, button)) for button in port.buttons for a in ("press", "release")]
        elif isinstance(port, SerialPort):
            found += [(name, "receive", (byte,)) for byte in (0x00, 0x41, 0xFF)] * 4
        elif isinstance(port, ButtonsPort):
            found += [(name, action, (label,)) for label in port.labels for action in ("press", "release")]
    return found


def script(bench: Bench, seed: int, steps: int) -> Iterator[tuple[int, Doing]]:
    """(cycles to let pass, what to do): accesses of registers as the table has them, and what happens outside."""
    rng = random.Random(seed)
    accesses = [(side, register) for register in table(bench) for side in register.access]
    others = happenings(bench)
    for _ in range(steps):
        gap = rng.choice((0, 1, 2, 3, 7, 30, 200, rng.randrange(1, 3_000), rng.randrange(1, 30_000)))
        if others and rng.random() < 0.25:
            yield gap, rng.choice(others)
            continue
        side, register = rng.choice(accesses)
        byte = rng.choice((0, 0xFF, rng.randrange(256), 1 << rng.randrange(8), 0x09, 0x1E))
        yield gap, (side, register, byte)


def do(bench: Bench, doing: Doing) -> None:
    action, what, value = doing
    if action == "r":
        bench.read(what.offset)
    elif action == "w":
        bench.write(what.offset, value)
    elif action == "pull":
        bench.pull(what, value)
        bench.run(1)
    else:
        bench.outside(action, what, *value)
        bench.run(1)


def told(bench: Bench) -> Any:
    """All that a read or a write may have changed: the card, its pins, its pending calls."""
    saved = bench.save()
    return saved["card"], saved["bus"]


@pytest.mark.parametrize(("kind", "settings"), SETTINGS)
def test_reads_and_writes_have_the_effects_the_table_gives_them_and_no_others(kind, settings):
    card = load_entry(entries()[kind])
    bench, twin = Bench(card, settings), Bench(card, settings)
    registers = table(bench)
    awaited = {("r", r.offset) for r in registers if r.read_effect} | {
        ("w", r.offset) for r in registers if r.write_effect
    }
    bench.run(READY.get(kind, 0))
    for gap, (action, what, value) in script(bench, seed=1, steps=1_500):
        bench.run(gap)
        if action not in ("r", "w"):
            do(bench, (action, what, value))
            continue
        silent = not (what.read_effect if action == "r" else what.write_effect)
        if action == "w" and silent and "r" in what.access:
            value = bench.peek(what.offset)  # kept already, so that nothing may change
        if not silent and (action, what.offset) not in awaited:
            do(bench, (action, what, value))
            continue
        bench.begin()
        twin.load(bench.save(), bench.cycle)
        twin.run(1)
        do(bench, (action, what, value))
        if silent:
            assert told(bench) == told(twin), f"{what.name}: {action} in cycle {bench.cycle - 1}"
        elif told(bench) != told(twin):
            awaited.discard((action, what.offset))
    assert not awaited, "effects that never showed"


def test_the_data_port_of_the_video_card_and_the_latch_of_the_lamps_are_the_registers_that_wait():
    found = {
        (kind, register.name)
        for kind, settings in SETTINGS
        if not settings
        for register in load_entry(entries()[kind]).registers(load_entry(entries()[kind]).Settings())
        if register.writes_wait
    }
    assert found == {("tile-video", "data"), ("led-row", "lamps")}
