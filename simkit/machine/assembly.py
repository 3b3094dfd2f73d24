"""Putting a machine together: cards into slots, pins to lines, images into sockets; all that does not fit is told."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import attrs

from simkit.backplane.bus import Bus, overlaps
from simkit.backplane.guard import call_unplugged
from simkit.backplane.joining import hold_lines, join, pull_lines
from simkit.backplane.seat import Seat
from simkit.backplane.select import Select, expression, ranges
from simkit.backplane.wiring import Done, Wiring, is_cpu_line
from simkit.contract.card import Card
from simkit.contract.errors import CardError, Errors, FileError, SimkitError
from simkit.contract.findings import Findings
from simkit.contract.lines import Drive, Pin, PinSpec
from simkit.contract.slot import Slot
from simkit.contract.turn import BETWEEN, Turn
from simkit.cpu.core.instance import NoCoreError
from simkit.cpu.core.room import Room, room
from simkit.machine.naming import Naming
from simkit.machinefile.description import CardDescription, Description
from simkit.machinefile.faults import burnt
from simkit.rom.images import read_image

Images = Mapping[int, str | Path | bytes]

_RANGES_SHOWN = 4

PUT_TOGETHER = "the machine was put together"
"""Why cards may not act then."""


@attrs.frozen
class Assembly:
    """A backplane with its cards plugged in, power still off.

    Attributes:
        bus: the bus with all seats.
        naming: labels of all cards, and where source lines stand.
        images: what is in the sockets, by slot.
        core: the core with the memory that the slots asked for; why not, where it cannot be had.
    """

    bus: Bus
    naming: Naming
    images: Mapping[int, bytes]
    core: Room | NoCoreError


def assemble(description: Description, images: Images, findings: Findings) -> Assembly:
    """Plug all cards in.

    Args:
        description: the machine.
        images: images by slot that replace those of the description: paths or the bytes themselves.
        findings: where the machine will keep its findings.

    Raises:
        SimkitError: one card cannot be plugged in; SeveralErrors for several.
    """
    backplane = description.backplane
    bus = Bus(
        findings,
        seed=description.seed,
        open_bus=backplane.open_bus,
        contention=backplane.contention,
        wiring=description.wiring,
    )
    bus.turn.asked = PUT_TOGETHER  # until it is all there
    pull_lines(bus.nets, description.wiring)
    naming = Naming(folders=(description.path.parent,))
    errors = Errors()
    contents: dict[int, bytes] = {}
    files = _Files()
    core = room(description.cpu, _memory_sizes(description, errors))
    errors.raise_any()
    for card in description.cards:
        try:
            seat = _plug(card, description, bus, findings, core)
            content = _insert(card, seat, images.get(card.slot), files, description)
            if content is not None:
                contents[card.slot] = content
            if card.slot not in images:
                _name(card, naming)
        except SimkitError as error:
            errors.add(error)
    hold_lines(bus.nets, description.wiring)
    slots = {card.slot for card in description.cards}
    takers = [str(seat.slot) for seat in bus.seats if seat.image_size is not None]
    remedy = f"Slots that take an image: {', '.join(takers)}." if takers else "No card of the machine takes an image."
    for slot in images:
        if slot not in slots:
            errors.add(
                SimkitError(f"An image is given for slot {slot}, which holds no card.", slot=slot, remedy=remedy)
            )
    errors.raise_any()
    return Assembly(bus, naming, contents, core)


def _of_image(card: CardDescription, error: SimkitError, *, given: bool) -> SimkitError:
    """The error with its place: in the machine file, or in the image that was given instead of the file's."""
    if not given:
        return _located(card, "image", error)
    return _kind(error)(
        f"slot {card.slot} ({card.kind}), image: {error.message}",
        file=error.file,
        line=error.line,
        slot=card.slot,
        field="image",
        remedy=error.remedy,
    )


def _located(card: CardDescription, field: str, error: SimkitError) -> SimkitError:
    """The error with the place in the machine file that leads to it."""
    place = card.place(field)
    message = f"slot {card.slot} ({card.kind}), {field}: {error.message}"
    if error.file is not None:
        message += f" ({error.file}{f':{error.line}' if error.line else ''})"
    return _kind(error)(message, file=place.file, line=place.line, slot=card.slot, field=field, remedy=error.remedy)


def _kind(error: SimkitError) -> type[SimkitError]:
    """What the error stays when its place is told: the system's no, or a person's mistake."""
    return FileError if isinstance(error, FileError) else SimkitError


def _memory_sizes(description: Description, errors: Errors) -> list[int]:
    """What the cards will ask for: each is made once on a slot of which nothing stays but the question."""
    sizes: list[int] = []
    own: list[int] = []

    def asked(size: int) -> memoryview:
        own.append(size)
        return memoryview(bytearray(size))

    for described in description.cards:
        if described.memory:
            sizes += described.memory
            continue
        own.clear()
        slot = Slot(described.slot, description.clock_hz, description.seed, Findings(), memory=asked)
        try:
            _made(described, slot)
        except CardError as error:
            errors.add(error)
        except SimkitError as error:
            errors.add(_located(described, error.field or "kind", error))
        else:
            described.memory[:] = own or [0]
        sizes += own
        never = Turn(BETWEEN, PUT_TOGETHER)
        for pin in slot.pins.values():
            pin.turn = never
    return sizes


def _made(described: CardDescription, slot: Slot) -> Card:
    """The card, on its slot.

    Raises:
        CardError: its class fails; with the place in its own code.
    """
    who = f"slot {described.slot} ({described.kind})"
    stages = described.wiring.stages()
    for spec in described.board.pins:
        slot.pins[spec.name] = _pin(spec, described.slot, stages.get(spec.name))
    return call_unplugged(who, "__init__", described.card, described.settings, slot, slot=described.slot)


def _pin(spec: PinSpec, slot: int, stage: Done | None) -> Pin:
    """A pin of a card, whose output stage may be another than the card says."""
    if stage is None:
        return Pin(spec, slot)
    stiff = stage is Done.PUSH_PULL
    pin = Pin(attrs.evolve(spec, drive=Drive.PUSH_PULL if stiff else Drive.OPEN_DRAIN), slot)
    pin.stiff = stiff
    pin.value = True if stiff else None
    return pin


def _plug(
    described: CardDescription, description: Description, bus: Bus, findings: Findings, core: Room | NoCoreError
) -> Seat:
    memory = core.arena.take if isinstance(core, Room) else None
    seeds = description.seeds_of(described.slot)
    slot = Slot(described.slot, description.clock_hz, description.seed, findings, bus, memory=memory, seeds=seeds)
    bus.turn.cycle = 0  # a card that is made may arm calls
    try:
        card = _made(described, slot)
    finally:
        bus.turn.cycle = BETWEEN
    join(bus.nets, slot.pins, described.wiring, bus.wiring)
    seat = Seat(
        card,
        described.slot,
        described.kind,
        Select(described.select, described.not_select),
        expression(described.output_enable),
        expression(described.write_enable),
        described.wiring,
        described.ready_gated,
        connector=slot,
        settings=described.settings,
        board=described.board,
    )
    bus.seat(seat)
    return seat


class _Files:
    """Files that cards of one machine name, each read once however many name it, also when it cannot be."""

    def __init__(self) -> None:
        self._found: dict[tuple[Path, int | None], Any] = {}

    def image(self, path: Path, size: int) -> bytes:
        """Content of an image for a part of that size."""
        found: bytes = self._once((path, size), lambda: read_image(path, size))
        return found

    def _once(self, key: tuple[Path, int | None], read: Callable[[], Any]) -> Any:
        if key not in self._found:
            try:
                self._found[key] = read()
            except SimkitError as error:
                self._found[key] = error
        if isinstance(self._found[key], SimkitError):
            raise self._found[key]
        return self._found[key]


def _insert(
    described: CardDescription,
    seat: Seat,
    image: str | Path | bytes | None,
    files: _Files,
    description: Description,
) -> bytes | None:
    """Put the image into a card that takes one, with the bits in which the part fails; gives what was meant."""
    size = seat.image_size
    source = image if image is not None else described.image
    if size is None:
        if image is not None:
            none = SimkitError(
                "the card takes no image.", remedy="Leave it out, or name the slot of a ROM; --load is for RAM."
            )
            raise _of_image(described, none, given=True)
        return None
    if source is None:
        remedy = 'Write image = "my-rom.bin", or give --image SLOT=FILE.'
        raise _located(described, "image", SimkitError("the card has no image.", remedy=remedy))
    try:
        content = source if isinstance(source, bytes) else files.image(Path(source), size)
    except SimkitError as error:
        raise _of_image(described, error, given=image is not None) from error
    held = burnt(description, described.slot, content, size)
    try:
        seat.insert(held)
        seat.image = content
    except CardError as error:
        refusal = error.__cause__
        if not isinstance(refusal, ValueError):
            raise
        raise _of_image(described, SimkitError(f"{refusal}."), given=image is not None) from error
    return content


def _name(described: CardDescription, naming: Naming) -> None:
    naming.listings += [(path, described.slot) for path in described.listing]
    try:
        for path in described.labels:
            naming.read(path, described.slot)
    except SimkitError as error:
        raise _located(described, "labels", error) from error


def is_decoding_said(wiring: Wiring) -> bool:
    """Whether sentences do something to lines that decoders hear, or say anew what drives one."""
    signals, driven = wiring.signals(), wiring.only(Done.DRIVEN)
    odd = any(is_cpu_line(entry.name) or entry.name in signals for entry in wiring.line_entries())
    return odd or len(driven) > len(signals) or any(wiring.pull(name) for name in signals)


def check_overlaps(description: Description, bus: Bus) -> None:
    """Refuse cards that answer the same addresses; call once the CPU is attached to the bus.

    Where a sentence does something to the lines or says the select it is meant: such cards are left to fight.

    Raises:
        SimkitError: with both slots and the ranges; SeveralErrors for several pairs.
    """
    if description.backplane.overlaps == "run":
        return
    errors = Errors()
    described = {card.slot: card for card in description.cards}
    if is_decoding_said(description.wiring):
        return
    for first, second, table in overlaps(bus):
        if any(described[seat.slot].is_decoded_as_said for seat in (first, second)):
            continue
        spans = ranges(table)
        words = ", ".join(f"${a:04X}-${b:04X}" if a != b else f"${a:04X}" for a, b in spans[:_RANGES_SHOWN])
        if len(spans) > _RANGES_SHOWN:
            words += f" and {len(spans) - _RANGES_SHOWN} more ranges"
        place = described[second.slot].place("select")
        errors.add(
            SimkitError(
                f"slot {second.slot} ({second.kind}), select: {first.name} and {second.name} both answer reads at "
                f"{words}.",
                file=place.file,
                line=place.line,
                slot=second.slot,
                field="select",
                remedy='Gate one out (not_select), or write overlaps = "run" in [backplane] to watch them fight.',
            )
        )
    errors.raise_any()
