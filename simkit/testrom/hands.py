"""Checks of cards that somebody must do something to: keyboards, pads, buttons."""

from __future__ import annotations

import re
from collections.abc import Sequence

import attrs

from simkit.contract.ports import ButtonsPort, PadsPort
from simkit.machine.machine import Machine
from simkit.testrom.checks import (
    KEYBOARD_SECONDS,
    KEYBOARD_TEST_SECONDS,
    Check,
    Failing,
    Mirror,
    Plan,
    Press,
    add_mid_pause,
    add_mirror_reads,
    cells_of,
    irq_check,
    lines_text,
    mirrors,
    readable_mirror,
    settle,
)
from simkit.testrom.code import Code
from simkit.testrom.learn import Load, idle_image
from simkit.testrom.survey import Survey

CONTACT_SECONDS = 0.06
"""For which contacts are let bounce; a few milliseconds are usual (common practice)."""
SELF_TEST_CODE = 0xAA
TYPED = "SLUG"
CODES = {"S": 0x1B, "L": 0x4B, "U": 0x3C, "G": 0x34, "A": 0x1C}
"""Make codes of scan code set 2; the break code is F0 and the same. As cards/simkit_cards/ps2/scan_codes.py cites."""
BREAK = 0xF0


# buttons and pads -----------------------------------------------------------------------------------------------------


@attrs.frozen
class Contact:
    """A contact that somebody closes.

    Attributes:
        title: of its check.
        press: what is done.
        seen: bytes of all ports while it is closed, in their order.
    """

    title: str
    press: Press
    seen: tuple[int, ...]


@attrs.frozen
class Contacts:
    """What is read of them.

    Attributes:
        ports: address and driven bits of each.
        idle: byte of each while nothing is pressed.
        contacts: in the order in which they are asked for.
    """

    ports: tuple[tuple[int, int], ...]
    idle: tuple[int, ...]
    contacts: tuple[Contact, ...]


def pads(survey: Survey, load: Load) -> Plan:
    """Every button of both pads, one at a time."""
    slot = survey.slot
    ports = _ports_read(survey)
    machine = load(idle_image(survey), 1)
    machine.run(seconds=0.05)
    port = survey.seat.ports["pads"]
    assert isinstance(port, PadsPort)
    pressed = [
        (
            f"PAD {number} {button.upper()}",
            Press(label=f"PAD_{number}_{button.upper()}", what="pad", name=button, number=number),
        )
        for number in port.numbers
        for button in port.buttons
    ]
    return _contact_plan(survey, _watched(machine, slot, "pads", ports, pressed), "pad")


def buttons(survey: Survey, load: Load) -> Plan:
    """Every button of a row, one at a time."""
    slot = survey.slot
    ports = _ports_read(survey) if survey.areas(slot) else _pins_read(survey)
    machine = load(idle_image(survey), 1)
    machine.run(seconds=0.05)
    port = survey.seat.ports["buttons"]
    assert isinstance(port, ButtonsPort)
    pressed = [
        (f"BUTTON {number} {_plain(label)}"[:24].strip(), Press(label=f"BUTTON_{number}", what="button", name=label))
        for number, label in enumerate(port.labels, start=1)
    ]
    return _contact_plan(survey, _watched(machine, slot, "buttons", ports, pressed), "button")


def _plain(label: str) -> str:
    return re.sub(r"[^A-Z0-9]", "", label.upper())


def _ports_read(survey: Survey) -> list[tuple[int, int]]:
    found = []
    for register in survey.seat.registers:
        at = survey.address_of(survey.slot, register)
        if "r" in register.access and at is not None:
            found.append((at, register.driven))
    return found


def _pins_read(survey: Survey) -> list[tuple[int, int]]:
    """Ports of 6522s to which buttons on pins are joined."""
    masks: dict[int, int] = {}
    for pin, line in survey.card(survey.slot).wiring.joined().items():
        for other, its in survey.pins_on(line):
            if pin[0] == "B" and its[:2] in ("PA", "PB") and type(survey.seats[other].card).kind == "ports-6522":
                at = survey.address_of(other, 1 if its[1] == "A" else 0)
                if at is not None:
                    masks[at] = masks.get(at, 0) | 1 << int(its[2])
    return list(masks.items())


def _watched(
    machine: Machine, slot: int, port: str, ports: Sequence[tuple[int, int]], pressed: Sequence[tuple[str, Press]]
) -> Contacts:
    """What the model shows while each contact is closed."""

    def look() -> tuple[int, ...]:
        machine.run(seconds=CONTACT_SECONDS * 3)
        return tuple(machine.peek(address) & mask for address, mask in ports)

    idle = look()
    contacts = []
    for title, press in pressed:
        arguments = (press.number, press.name) if press.what == "pad" else (press.name,)
        machine.outside(slot, port, "press", *arguments)
        contacts.append(Contact(title, press, look()))
        machine.outside(slot, port, "release", *arguments)
        look()
    return Contacts(tuple(ports), idle, tuple(contacts))


def _contact_plan(survey: Survey, found: Contacts, what: str) -> Plan:
    def released(code: Code, failing: Failing) -> None:
        settle_long(code, survey)
        for (address, mask), idle in zip(found.ports, found.idle, strict=True):
            code.add(f"lda ${address:04X}")
            failing.unless_equal(idle, mask)

    checks = [
        Check(
            title="ALL RELEASED",
            emit=released,
            proves=f"nothing is pressed and every bit says so (keep your hands off, with every {what} connected)",
            probe="The bits shown look pressed: the select of the card first, then the data line of each bit, then the "
            "connector and its pull-up.",
        )
    ]
    near = _near(survey, found)
    for index, contact in enumerate(found.contacts):
        if contact.seen == found.idle:
            continue
        checks.append(_contact_check(survey, found, contact, near[0] if index == 0 else []))
    first = found.contacts[0].title
    left_out = [f"Whether the decoder hears {lines_text(near[1])}."] if near[1] else []
    missed = [one.title for one in found.contacts if one.seen == found.idle]
    left_out += [f"{title}: no port shows it." for title in missed]
    if near[0]:
        left_out.append(f"Neighbours ({lines_text([one.line for one in near[0]])}) are read while {first} is held.")
    return Plan(tuple(checks), tuple(left_out), (), cells_of(survey, near[0]))


def _near(survey: Survey, found: Contacts) -> tuple[list[Mirror], list[int]]:
    """Neighbours of the port that shows the first contact."""
    if not survey.areas(survey.slot):
        return [], []
    seen = found.contacts[0].seen
    index = next((n for n, byte in enumerate(seen) if byte != found.idle[n]), 0)
    offset = survey.offset(survey.slot, found.ports[index][0])
    return mirrors(survey, list(survey.addresses_of(survey.slot, offset or 0)), readable_mirror(survey))


def _contact_check(survey: Survey, found: Contacts, contact: Contact, near: Sequence[Mirror]) -> Check:
    index = next(n for n, byte in enumerate(contact.seen) if byte != found.idle[n])
    address, mask = found.ports[index]

    def read(code: Code) -> None:
        code.add(f"lda ${address:04X}")
        if mask != 0xFF:
            code.add(f"and #${mask:02X}")
        code.add(f"cmp #${found.idle[index]:02X}")

    def emit(code: Code, failing: Failing) -> None:
        code.name(contact.press.label)
        again = code.new_label()
        code.add(f"{again}:")
        read(code)
        code.add(f"beq {again}")
        settle_long(code, survey)
        for (other, driven), byte in zip(found.ports, contact.seen, strict=True):
            code.add(f"lda ${other:04X}")
            failing.unless_equal(byte, driven)
        add_mirror_reads(code, failing, survey, near, contact.seen[index])
        again = code.new_label()
        code.add(f"{again}:")
        read(code)
        code.add(f"bne {again}")
        settle_long(code, survey)

    return Check(
        title=contact.title,
        emit=emit,
        proves=f"press and let go {contact.title.lower()}: its bit alone moves",
        probe="Nothing happens when you press: the contact, its wire, its bit's data line. Other bits move too: two "
        "lines are exchanged or bridged.",
        presses=(contact.press,),
        sees="the ROM waits for you",
    )


def settle_long(code: Code, survey: Survey) -> None:
    """Let contacts come to rest."""
    add_mid_pause(code, survey.cycles(CONTACT_SECONDS))


# the keyboard ---------------------------------------------------------------------------------------------------------


def keyboard(survey: Survey) -> Plan:
    """Self-test code, typed keys, interrupt, neighbours."""
    slot, settings = survey.slot, survey.seat.settings
    status, data = survey.address_of(slot, 0), survey.address_of(slot, 1)
    if settings.ready_bit < 0 or status is None or data is None:
        return Plan((), ("No status bit says that a code waits: nothing can be asked.",))
    ready = 1 << settings.ready_bit
    waits, comes = ("beq", "bne") if settings.ready_active == "high" else ("bne", "beq")
    near, without = mirrors(survey, list(survey.addresses_of(slot, 1)), readable_mirror(survey))

    def look(code: Code) -> None:
        code.add(f"lda ${status:04X}\nand #${ready:02X}")

    def take(code: Code) -> None:
        settle(code, survey, KEYBOARD_SECONDS)
        code.add(f"lda ${data:04X}")

    def next_one(code: Code) -> None:
        again = code.new_label()
        code.add(f"{again}:")
        look(code)
        code.add(f"{waits} {again}")
        take(code)

    def expect(code: Code, failing: Failing, value: int) -> None:
        next_one(code)
        failing.unless_equal(value)
        settle(code, survey, KEYBOARD_SECONDS)

    def self_test(code: Code, failing: Failing) -> None:
        again, came = code.new_label(), code.new_label()
        loops = survey.cycles(2 * KEYBOARD_TEST_SECONDS) // (256 * 256 * 14) + 1
        for _ in range(loops):
            outer = code.new_label()
            code.add(f"ldy #$00\n{outer}:\nldx #$00\n{again}:")
            look(code)
            code.add(f"{comes} {came}\ndex\nbne {again}\ndey\nbne {outer}")
            again = code.new_label()
        failing.now(0xFF)
        code.add(f"{came}:")
        settle(code, survey, KEYBOARD_SECONDS)
        add_mirror_reads(code, failing, survey, near, SELF_TEST_CODE)
        take(code)
        failing.unless_equal(SELF_TEST_CODE)
        settle(code, survey, KEYBOARD_SECONDS)
        look(code)
        failing.unless_equal(0 if settings.ready_active == "high" else ready, ready)

    def typed(code: Code, failing: Failing) -> None:
        code.name("TYPE_SLUG")
        for letter in TYPED:
            for value in (CODES[letter], BREAK, CODES[letter]):
                expect(code, failing, value)

    plan = Plan(
        (
            Check(
                title="SELF-TEST CODE",
                emit=self_test,
                proves="the keyboard's self-test code AA comes after power-on, the ready bit goes by it, and no "
                "neighbour takes it away",
                probe="FF: no code came, probe the keyboard's supply, CLOCK and DATA, then the card's select and the "
                "data line of its ready bit. 0 to 0F: an address line that the decoder does not hear, or bits.",
            ),
            Check(
                title=f"TYPE {TYPED}",
                emit=typed,
                proves=f"the keys {TYPED} give their make and break codes of set 2, which move every data line",
                probe="The data line of each bit shown. A code twice or none: the latch that the read strobes drive.",
                presses=(Press(label="TYPE_SLUG", what="type", name=TYPED.lower()),),
                sees="the ROM waits for you",
            ),
        )
    )

    def drain(code: Code) -> None:
        for _ in range(3):
            next_one(code)
            settle(code, survey, KEYBOARD_SECONDS)

    plan += irq_check(
        survey,
        pull=lambda code: code.name("TYPE_A"),
        release=drain,
        wait_cycles=None,
        how="a code waits",
        title="INTERRUPT, TYPE A",
        presses=(Press(label="TYPE_A", what="type", name="a"),),
    )
    left_out = [f"Whether the decoder hears {lines_text(without)}."] if without else []
    caution = "Plug the keyboard in before power comes on."
    return plan + Plan((), tuple(left_out), (caution,), cells_of(survey, near))
