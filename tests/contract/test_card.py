"""What a card gets from its base class when it says nothing else."""

from fractions import Fraction

import attrs
import pytest

from simkit.contract import Card, Register, SimkitError, Slot
from simkit.contract.findings import Findings
from simkit.contract.registers import PlainMemory


@attrs.frozen(kw_only=True)
class Settings:
    """None."""


class Silent(Card):
    kind = "silent"
    Settings = Settings


def made(cls, **members):
    kind = type("Made", (cls,), members)
    return kind(Settings(), Slot(1, Fraction(1_000_000), 1, Findings()))


def table(*offsets):
    return classmethod(lambda cls, settings: tuple(Register(offset, f"r{offset}", "rw") for offset in offsets))


def test_a_card_that_says_nothing_is_memory_without_effects_and_without_a_socket():
    card = made(Silent)
    assert (card.registers(None), card.pins(None), card.address_pins(None), card.image_size(None)) == ((), (), 0, None)
    assert (card.read(0, 5), card.peek(0, 5), card.save(5), card.words(5), card.image) == (0xFF, 0xFF, {}, [], b"")
    assert (card.wait_cycles(0, False), card.steady_until(0, 77), card.unfinished()) == (0, 77, "")
    assert (card.plain_memory(), card.rom(), card.holds_program(0)) == (None, None, True)
    assert (card.model, card.faithful_to) == (1, "")
    for call in (card.power_on, card.advance):
        assert call(0) is None


def test_an_image_put_into_the_socket_is_kept():
    card = made(Silent)
    card.insert(b"\x01\x02")
    assert card.image == b"\x01\x02"


@pytest.mark.parametrize(("offsets", "pins"), [((0,), 0), ((0, 1), 1), ((2,), 2), ((0, 3), 2), ((4, 1), 3), ((15,), 4)])
def test_a_card_looks_at_as_many_address_pins_as_its_highest_register_needs(offsets, pins):
    assert made(Silent, registers=table(*offsets)).address_pins(None) == pins


def test_a_read_brings_the_card_up_to_the_cycle_before_it_looks():
    done = []
    card = made(
        Silent,
        advance=lambda self, cycle: done.append(("advance", cycle)),
        peek=lambda self, offset, cycle: done.append(("peek", offset, cycle)) or 0x12,
    )
    assert card.read(3, 9) == 0x12
    assert done == [("advance", 9), ("peek", 3, 9)]


BUFFER = bytearray(b"abc")


@pytest.mark.parametrize(
    ("plain", "rom"),
    [
        (PlainMemory(BUFFER, None, ignores_writes=True), BUFFER),
        (PlainMemory(BUFFER, BUFFER), None),
        (PlainMemory(BUFFER, BUFFER, ignores_writes=True), None),
        (PlainMemory(BUFFER, None), None),
        (None, None),
    ],
    ids=["ROM", "RAM", "RAM, although it says so", "writes call the card", "no plain memory"],
)
@pytest.mark.parametrize("offsets", [(), (0, 1)])
def test_a_rom_is_what_writes_never_change_and_programs_stand_in_memory_not_in_registers(plain, rom, offsets):
    card = made(Silent, plain_memory=lambda self: plain, registers=table(*offsets))
    assert card.rom() is rom
    assert card.holds_program(0) is (plain is not None or not offsets)


@pytest.mark.parametrize("said", ["read_effect", "write_effect", "writes_wait"])
@pytest.mark.parametrize("access", ["r", "w", "rw"])
def test_what_is_said_of_an_access_belongs_to_a_register_that_has_it(access, said):
    assert Register(0, "data", access) == Register(0, "data", access, (), 0xFF, "", "", "", False)
    if said[0] in access:
        assert getattr(Register(0, "data", access, **{said: "clears"}), said) == "clears"
    else:
        with pytest.raises(SimkitError, match=f"Register 'data' has {said} = 'clears', but its access is '{access}'"):
            Register(0, "data", access, **{said: "clears"})
