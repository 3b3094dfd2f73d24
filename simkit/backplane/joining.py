"""Pins of cards joined to lines, through whatever wiring does to them on the way."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from functools import partial

from simkit.backplane.conductors import groups
from simkit.backplane.wiring import CPU, CPU_PIN_LINES, PULLS, Done, Entry, Wiring, is_cpu_line, is_system_line
from simkit.contract.lines import Drive, Line, Pin, PinSpec
from simkit.contract.nets import Nets

_OUTSIDE = -1
_MOVES = (Done.JOINED, Done.OPEN, Done.EXCHANGED, Done.INVERTED)
_HELD = (Done.LOW, Done.HIGH, Done.SHORTED)
RAILS = {"GND": False, "VCC": True}
"""Lines that the supply holds, by name."""
OF_THE_CARDS = " of the cards"
"""Behind the name of a system line: the cards' end of it, where wiring stands between them and the CPU."""


def pull_lines(nets: Nets, wiring: Wiring) -> None:
    """Give lines the resistors that they have; before any pin is joined."""
    signals = wiring.signals()
    for entry in wiring.entries:
        if entry.done not in PULLS or is_cpu_line(entry.name) or entry.name.isdigit():  # of a contact: of nothing
            continue
        if entry.name not in signals:
            line = nets.line(entry.name)
            line.pull = None if entry.done is Done.NOT_PULLED else entry.done is Done.PULLED_UP
            line.level = line.pull is not False


def join(nets: Nets, slot: Mapping[str, Pin], own: Wiring, bus: Wiring, cycle: int = 0) -> None:
    """Join the pins of a card.

    Args:
        nets: the lines of the machine.
        slot: the card's pins by name.
        own: wiring of its slot.
        bus: wiring of the backplane.
        cycle: from which it counts.
    """
    ends, turned = _ends([entry for entry in own.pin_entries() if entry.name in slot])
    entries = own.line_entries()
    for entry in entries:
        if entry.shorted_to_rail:
            _hold(_line(nets, entry.name, bus), entry, cycle)
    short = {entry.name: entry for entry in own.pin_entries() if entry.shorted_to_rail}
    for name, end in ends.items():
        if end is None:
            if slot[name].spec.jumpered or slot[name].spec.cable:
                nets.line(f"{name} of slot {slot[name].slot}, open").join(slot[name])
            continue
        line = _line(nets, _at_the_slot(end, entries), bus)
        odd = turned[name] is not any(entry.done is Done.INVERTED and entry.name == end for entry in entries)
        _join(nets, slot[name], line, inverted=odd, cycle=cycle)
        if name in short:
            _hold(line, short[name], cycle)


def _hold(line: Line | None, short: Entry, cycle: int) -> None:
    """Hold a line that is shorted to a supply."""
    if line is not None:
        line.tied = RAILS[short.other]
        line.survey()
        line.resolve(cycle)


def join_cpu(nets: Nets, pins: Mapping[str, Pin], bus: Wiring) -> None:
    """Join pins of the CPU that become lines, once cards and supplies are joined.

    Args:
        nets: the lines of the machine.
        pins: by name; others are as if they were not there.
        bus: wiring of the backplane, that of the CPU's pins with it.
    """
    straight = [Entry(Done.JOINED, name, name, CPU, at_pin=True) for name in CPU_PIN_LINES]
    ends, turned = _ends([*straight, *(entry for entry in bus.cpu_entries() if entry.done in _MOVES)])
    for name, pin in pins.items():
        end = ends[name]
        if end is not None:
            _join(nets, pin, nets.line(end), inverted=turned[name])


def _ends(entries: Iterable[Entry]) -> tuple[dict[str, str | None], dict[str, bool]]:
    """By pin the line at which its wire ends, None for none, and whether an inverter stands between."""
    entries = list(entries)
    ends: dict[str, str | None] = {}
    turned: dict[str, bool] = {}
    for entry in entries:
        name, other = entry.name, entry.other
        turned.setdefault(name, False)
        if entry.done is Done.EXCHANGED:
            ends[name], ends[other] = ends.get(other), ends.get(name)
            turned[name], turned[other] = turned.get(other, False), turned[name]
        elif entry.done is Done.INVERTED:
            turned[name] = not turned[name]
        elif entry.done is Done.JOINED:
            ends[name] = other
        elif entry.done is Done.OPEN:
            ends[name] = None
        elif entry.done in (Done.LOW, Done.HIGH):
            ends[name] = "GND" if entry.done is Done.LOW else "VCC"
    for entry in entries:
        if entry.shorted_to_rail and ends.get(entry.name) is None:
            ends[entry.name] = entry.other
    for group in groups(entry for entry in entries if not entry.shorted_to_rail):
        reached = {end for name in group if (end := ends.get(name)) is not None}
        there = sorted(reached, key=lambda end: (end not in RAILS, end))
        end = there[0] if there else f"{'+'.join(sorted(group))} of slot {entries[0].slot}"
        ends.update(dict.fromkeys(group, end))
        turned.update({name: turned.get(name, False) for name in group})
    return ends, turned


def _at_the_slot(end: str, entries: Iterable[Entry]) -> str | None:
    """The line behind what a slot does to one, None for none."""
    found: str | None = end
    for entry in entries:
        if found is None or found not in (entry.name, entry.other) or entry.shorted_to_rail:
            continue
        if entry.done is Done.EXCHANGED:
            found = entry.other if found == entry.name else entry.name
        elif found == entry.name and entry.done is Done.OPEN:
            found = None
        elif found == entry.name and entry.done is Done.JOINED:
            found = entry.other
        elif found == entry.name and entry.done in (Done.LOW, Done.HIGH):
            found = "GND" if entry.done is Done.LOW else "VCC"
        elif entry.done is Done.SHORTED:
            found = min(entry.name, entry.other)
    return found


def _line(nets: Nets, name: str | None, bus: Wiring) -> Line | None:
    """The line of a name as cards reach it; None where the wire ends before."""
    if name is None:
        return None
    if name in RAILS:
        line = nets.line(name, RAILS[name])
        line.tied = RAILS[name]
        line.survey()
        return line
    exchanged = {entry.name: entry.other for entry in bus.line_entries() if entry.done is Done.EXCHANGED}
    name = exchanged.get(name) or {other: one for one, other in exchanged.items()}.get(name, name)
    return nets.line(as_cards_reach(name, bus))


def as_cards_reach(name: str, bus: Wiring) -> str:
    """Name of a line on the side of the cards, where what the CPU sees on it is not what cards do."""
    odd = [entry for entry in bus.line_entries() if entry.name == name and entry.done in (Done.OPEN, Done.INVERTED)]
    return f"{name}{OF_THE_CARDS}" if is_system_line(name) and odd else name


def _join(nets: Nets, pin: Pin, line: Line | None, *, inverted: bool, cycle: int = 0) -> None:
    if line is None:
        return
    if not inverted:
        line.join(pin)
        return
    own = nets.line(f"{pin.spec.name} of slot {pin.slot}" if pin.slot > 0 else pin.spec.name)
    own.join(pin)
    if pin.spec.drive is Drive.INPUT:
        _invert(line, own, str(pin.slot), cycle)
    else:
        _invert(own, line, str(pin.slot), cycle)


def _invert(source: Line, sink: Line, whose: str, cycle: int) -> None:
    """Put an inverter between two lines."""
    out = Pin(PinSpec(name=f"inverter {source.name} {whose}", drive=Drive.PUSH_PULL), _OUTSIDE)
    sink.join(out)
    source.nets.lead(source, sink, out)
    source.nets.observe(source.name, partial(_follow, out), cycle)
    out.drive(not source.level, cycle)


def _follow(out: Pin, line: Line, cycle: int) -> None:
    out.drive(not line.level, cycle)


def hold_lines(nets: Nets, wiring: Wiring, cycle: int = 0) -> None:
    """Do to lines of cards, and to those that the CPU samples, what is done to them for all; once pins are joined."""
    signals = wiring.signals()  # which no pin reaches
    entries = [entry for entry in wiring.line_entries() if not is_cpu_line(entry.name) and entry.name not in signals]
    entries += [entry for entry in wiring.cpu_entries() if entry.done in _HELD]
    for group in groups(entries):
        lines = [nets.line(name) for name in sorted(group)]
        for line in lines:
            line.bridged = tuple(other for other in lines if other is not line)
            line.follow(cycle)  # whatever moves one of them must move all
    for entry in entries:
        line = nets.line(entry.name)
        if entry.done in (Done.LOW, Done.HIGH):
            line.tied = entry.done is Done.HIGH
        elif entry.done is Done.OPEN and not is_system_line(entry.name):
            for pin in line.pins:
                pin.line = None
            line.pins = []
        elif entry.done is Done.INVERTED and is_system_line(entry.name):
            cards = nets.line(f"{entry.name}{OF_THE_CARDS}", nets.line(entry.name).pull)
            _invert(cards, line, "CPU", cycle)
        line.survey()
        line.resolve(cycle)


def rejoin(
    nets: Nets, slots: Iterable[tuple[Mapping[str, Pin], Wiring]], before: Wiring, bus: Wiring, cycle: int
) -> None:
    """Join all pins anew, as they are wired from a cycle on; pins that nobody's card has stay on their lines.

    Who listens is told by `Nets.settle` where the level at a pin has become another.

    Args:
        nets: the lines of the machine.
        slots: pins by name, and wiring, of each card.
        before: wiring of the backplane until now.
        bus: and from now on.
        cycle: the present one, in its phase 0.
    """
    slots = list(slots)
    listening = [pin for pins, _ in slots for pin in pins.values() if pin.notify is not None]
    seen = [(pin, pin.level(cycle)) for pin in listening]
    outside = _take_apart(nets, before, cycle)
    for name, pull in _pulls(bus):
        nets.line(name).pull = pull
    for name, pin in outside:
        nets.line(as_cards_reach(name, bus)).join(pin)
    for pins, own in slots:
        join(nets, pins, own, bus, cycle)
    hold_lines(nets, bus, cycle)
    for line in tuple(nets.lines.values()):
        line.survey()
        line.resolve(cycle)
    nets.queue[:] = [(pin, level) for pin, was in seen if (level := pin.level(cycle)) is not was]


def _pulls(wiring: Wiring) -> list[tuple[str, bool | None]]:
    """Lines of cards whose resistor is said, each with what it pulls to."""
    signals = wiring.signals()
    names = {e.name for e in wiring.only(*PULLS) if not is_cpu_line(e.name) and not e.name.isdigit()} - set(signals)
    said = {Done.NOT_PULLED: None, Done.PULLED_UP: True, Done.PULLED_DOWN: False}
    return [(name, said[pull]) for name in sorted(names) if (pull := wiring.pull(name)) is not None]


def _take_apart(nets: Nets, wiring: Wiring, cycle: int) -> list[tuple[str, Pin]]:
    """Leave lines without cards, gates, shorts, supplies and resistors; gives the other pins, with names of lines."""
    gates = {id(gate) for led in nets.led.values() for _, gate in led}
    outside: list[tuple[str, Pin]] = []
    for line in nets.lines.values():
        name = line.name.removesuffix(OF_THE_CARDS)
        outside += [(name, pin) for pin in line.pins if pin.slot <= 0 and id(pin) not in gates]
        for pin in line.pins:
            pin.line = None
        line.pins, line.tied = [], None
        for call in [one for one in line.observers if isinstance(one, partial) and one.func is _follow]:
            nets.unobserve(line.name, call, cycle)
        if line.bridged:
            line.bridged = ()
            line.unfollow(cycle)
    nets.led.clear()
    for name, _ in _pulls(wiring):
        nets.line(name).pull = True
    return outside
