"""What a machine's wiring and images say at power-on, before the first cycle: findings about what cannot work so."""

from __future__ import annotations

from difflib import get_close_matches

from simkit.backplane.bus import Bus
from simkit.backplane.joining import OF_THE_CARDS, RAILS
from simkit.backplane.pin_check import check_pins
from simkit.backplane.seat import Seat
from simkit.backplane.select import ADDRESS_LINES, ranges
from simkit.backplane.strobes import check_strobes
from simkit.backplane.vectors import VECTORS
from simkit.backplane.wiring import GROUND, SUPPLY, Done, Entry, Transceiver, is_cpu_line
from simkit.contract.errors import near
from simkit.contract.findings import Findings
from simkit.contract.lines import SYSTEM_LINES, Drive, Pin

ALL_BUT_EQUAL = 0.7
"""Likeness of two names, by difflib, from which one letter in four is wrong at most: IRQX and IRQ, not SOUND and SO."""


def check_power_on(bus: Bus, findings: Findings) -> None:
    """Report images that end before the vectors, lines with one end, strobes and supplies that cannot work.

    Call once the CPU is attached and the cards have taken their power-on levels.
    """
    for seat in bus.seats:
        _check_image(bus, seat, findings)
    _check_lines(bus, findings)
    check_strobes(bus, findings)
    check_pins(bus, findings)
    _check_supplies(bus, findings)
    _check_transceivers(bus, findings)


# images ---------------------------------------------------------------------------------------------------------------


def _check_image(bus: Bus, seat: Seat, findings: Findings) -> None:
    """Report an image that is shorter than its part and leaves vectors, which its card must give, as filler.

    An image shorter than its part is nothing odd by itself: another ROM may hold the vectors.
    """
    image, rom = seat.image, seat.rom()
    if not image or rom is None:
        return
    part = len(rom)
    missing = [
        (name, address)
        for name, low in VECTORS.items()
        for address in (low, low + 1)
        if any(other is seat and offset >= len(image) for other, offset in bus.where(address))
    ]
    if not missing:
        return
    names = list(dict.fromkeys(name for name, _ in missing))
    words = f"the {names[0]} vector falls" if len(names) == 1 else f"the vectors {_listed(names)} fall"
    address = missing[0][1]
    text = (
        f"{seat.name}: the image has {len(image)} bytes, the part {part}; it stands at offset $0000"
        f"{_on_the_bus(bus, seat, len(image))}, so {words} in filler (from ${address:04X}, offset "
        f"${bus.reach.table.offset(seat, address):04X})."
    )
    reset = _reset_at_the_top(bus, seat, image, part)
    if reset is None:
        text += " Build it whole, up to the vectors."
    else:
        text += (
            f" Its own last six bytes hold a reset vector ${reset:04X}: placed at the top of the part (offset "
            f"${part - len(image):04X}) the CPU would find it."
        )
    findings.add("image-size", 0, text, slot=seat.slot)


def _reset_at_the_top(bus: Bus, seat: Seat, image: bytes, part: int) -> int | None:
    """Reset vector in the image's own last six bytes, when it points into the image at the top, or into another ROM.

    An image built for the top of a part but burned at its bottom leaves the vectors where the CPU does not look
    (common practice; a question of every builders' forum).
    """
    if len(image) < 6 or len(image) & (len(image) - 1):
        return None  # images are built for whole parts: this one is not all there
    reset = image[-4] | image[-3] << 8
    for other, offset in bus.where(reset):
        is_rom = other.rom() is not None
        if is_rom and (other is not seat or offset >= part - len(image)) and reset != 0xFFFF:
            return reset
    return None


def _on_the_bus(bus: Bus, seat: Seat, length: int) -> str:
    """Where the CPU finds the first and the last byte of an image, in brackets, as far as it does."""
    table = next(read for other, read, _ in bus.drive_tables() if other is seat)
    first = last = None
    for start, end in ranges(table):
        for address in range(start, end + 1):
            offset = bus.reach.table.offset(seat, address)
            if offset == 0 and first is None:
                first = address
            if offset == length - 1 and last is None:
                last = address
    if first is None or last is None:
        return ""
    return f" (${first:04X} to ${last:04X})"


# lines ----------------------------------------------------------------------------------------------------------------


def _check_lines(bus: Bus, findings: Findings) -> None:
    """Report lines with one end, driven and heard by nobody, or heard and driven by nobody: a slip of the pen."""
    deciding: dict[str, Seat] = {}  # lines that the decoder of a card hears
    for seat in bus.seats:
        named = seat.select.lines | seat.output_enable.lines | seat.write_enable.lines
        for name in sorted(bus.wiring.heard(named | seat.wiring.sources())):
            if not is_cpu_line(name) and name not in SYSTEM_LINES:
                deciding.setdefault(name, seat)
    nets = bus.nets
    pins = {name: line.pins for name, line in nets.lines.items() if name not in (*SYSTEM_LINES, *RAILS)}
    known = [*ADDRESS_LINES, "RW", "PHI2", *SYSTEM_LINES]
    for name in sorted({*deciding, *(name for name, joined in pins.items() if joined)}):
        reached = nets.reached(name)
        hearers = [pin for line in reached for pin in line.pins if _hears(pin)]
        heard = any(line.name in deciding or line.system for line in reached)
        drivers = nets.drivers(name)
        own = [pin for pin in pins.get(name, []) if pin in drivers]
        others = [other for other, of_it in pins.items() if of_it and other != name]
        held = any(line.tied is not None or line.system for line in nets.moving(name))
        if not drivers and not held and (name in deciding or hearers):
            who = deciding[name].name if name in deciding else _pins(bus, hearers)
            slot = deciding[name].slot if name in deciding else hearers[0].slot
            remedy = near(name, [*(known if name in deciding else SYSTEM_LINES), *others])
            text = f"{who}: no card drives the line {name}, so it stays high. {remedy}"
            findings.add("line-undriven", 0, text.rstrip(), slot=slot)
        elif (
            own
            and not heard
            and name != f"RESET{OF_THE_CARDS}"
            and not _has_two_ends(drivers, hearers)
            and _means_something(name, own)
        ):
            whole = name.removesuffix(OF_THE_CARDS)
            remedy = near(name, [*SYSTEM_LINES, *others]) if whole == name else "It is open on its way to the CPU."
            text = f"{_pins(bus, own)}: nobody listens to the line {whole}. {remedy}"
            findings.add("line-unheard", 0, text.rstrip(), slot=own[0].slot)


def _has_two_ends(drivers: list[Pin], hearers: list[Pin]) -> bool:
    return any(hearer is not driver for driver in drivers for hearer in hearers)


def _means_something(name: str, drivers: list[Pin]) -> bool:
    """Whether outputs that nobody listens to are a slip: those that only pull, or a name all but a system line's.

    Other outputs may be brought out for a probe alone, as a tone is.
    """
    pull = all(pin.spec.drive is Drive.OPEN_DRAIN for pin in drivers)
    return pull or bool(get_close_matches(name, SYSTEM_LINES, cutoff=ALL_BUT_EQUAL))


def _hears(pin: Pin) -> bool:
    """Whether a card may look at the pin: three-state pins are those of ports, which go both ways."""
    return pin.spec.listens or pin.spec.drive in (Drive.INPUT, Drive.THREE_STATE)


def _pins(bus: Bus, pins: list[Pin]) -> str:
    names = {seat.slot: seat.name for seat in bus.seats}
    return _listed([f"{names[pin.slot]} {pin.spec.name}" if pin.slot in names else pin.spec.name for pin in pins])


def _listed(words: list[str]) -> str:
    return " and ".join(filter(None, (", ".join(words[:-1]), words[-1])))


# supplies -------------------------------------------------------------------------------------------------------------


def _check_supplies(bus: Bus, findings: Findings) -> None:
    """Report supply pins that are open or reversed: nothing of what such a chip does can be told, nor is it tried."""
    for entry in bus.wiring.entries:
        if entry.name in (*GROUND, *SUPPLY):
            findings.add("supply-not-joined", 0, _supply_words("the CPU", entry))
    for seat in bus.seats:
        if seat.wiring.only(Done.UNPOWERED):
            text = f"{seat.name}: the card has no supply. It answers nothing, and drives none of its outputs."
            findings.add("supply-not-joined", 0, text, slot=seat.slot)
        for entry in seat.wiring.pin_entries():
            if entry.name in (*GROUND, *SUPPLY):
                findings.add("supply-not-joined", 0, _supply_words(seat.name, entry), slot=seat.slot)


def _supply_words(who: str, entry: Entry) -> str:
    word = "is open" if entry.done is Done.OPEN else "is joined to the wrong rail"
    return f"{who}: the supply pin {entry.name} {word}. Join it to its rail; the run shows a chip that has its supply."


# transceivers ---------------------------------------------------------------------------------------------------------

_OF_TRANSCEIVERS = {
    Transceiver.REVERSED: "reads of it give what floats on the data lines, and in writes the transceiver drives "
    "against the CPU while the card stores what floats",
    Transceiver.TO_THE_CARD: "reads of it give what floats on the data lines",
    Transceiver.TO_THE_BUS: "in writes the transceiver drives against the CPU, and the card stores what floats",
    Transceiver.ALWAYS: "in every read of another card, or of nobody, it drives what floats at its own",
    Transceiver.NEVER: "reads of it give what floats on the data lines, and it stores what floats at its pins",
}


def _check_transceivers(bus: Bus, findings: Findings) -> None:
    """Report transceivers that are wired wrong: most of what they do drives against nobody, and no cycle shows it."""
    for seat in bus.seats:
        wrong = seat.wiring.transceiver()
        if wrong is not None:
            text = f"{seat.name}: its transceiver has the fault {wrong.value!r}: {_OF_TRANSCEIVERS[wrong]}."
            findings.add("transceiver-wrong", 0, text, slot=seat.slot)
