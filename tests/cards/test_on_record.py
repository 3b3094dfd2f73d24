"""Settings, registers and pins of the kit's cards are those that machine files and drivers were written for.

A machine file says only what differs from a card's defaults, and its fingerprint covers no more: a default that changes
makes another machine of every published one, and nobody is told. Whoever means such a change raises the card's `model`
and writes it into `on_record.txt`.
"""

from pathlib import Path

import attrs
import pytest

from simkit.machinefile.catalogue import entries, load_entry

RECORD = Path(__file__).with_name("on_record.txt")


def setting_line(field):
    meta = field.metadata
    limits = f"; {meta['low']} to {meta['high']}" if (meta["low"], meta["high"]) != (None, None) else ""
    choices = "; one of " + ", ".join(map(repr, meta["one_of"])) if meta["one_of"] else ""
    return f"setting {field.name} = {field.default!r} {meta['unit']}".rstrip() + limits + choices


def register_line(register):
    bits = "; bits " + " ".join(name or "-" for name in register.bits) if register.bits else ""
    driven = "" if register.driven == 0xFF else f"; drives ${register.driven:02X}"
    waits = "; writes wait" if register.writes_wait else ""
    return f"register {register.offset} {register.name} {register.access}{driven}{waits}{bits}"


def lines_of(kind):
    card = load_entry(entries()[kind])
    settings = card.Settings()
    yield f"{kind}, model {card.model}"
    for field in attrs.fields(card.Settings):
        yield "  " + setting_line(field)
    for register in card.registers(settings):
        yield "  " + register_line(register)
    for pin in card.pins(settings):
        listens = ", listens" if pin.listens else ""
        yield f"  pin {pin.name}: {pin.drive.value}, open {'high' if pin.open_level else 'low'}{listens}"


BLOCKS = {block.split(",")[0]: block for block in RECORD.read_text().strip().split("\n\n")}


@pytest.mark.parametrize("kind", sorted({*BLOCKS, *entries()}))
def test_settings_registers_and_pins_of_a_card_are_those_on_record(kind):
    assert BLOCKS[kind].splitlines() == list(lines_of(kind))
