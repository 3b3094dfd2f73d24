"""ROM-like cards of somebody's own: the check asks the contract what they are and raises no false alarm."""

from fractions import Fraction

import pytest

from simkit import Machine, SimkitError
from simkit.burn.image import fit
from simkit.burn.parts import part_named
from simkit.check.run import check

CARD = '''
import attrs
from simkit.contract import Card, Register, setting


@attrs.frozen(kw_only=True)
class Settings:
    size: int = setting(65536, unit="bytes", help="of the part")


class Banked(Card):
    """Two banks of 32 KB behind a latch at the first address, written through to."""

    kind = "banked"
    Settings = Settings

    @classmethod
    def registers(cls, settings):
        return (Register(0, "bank", "w"),)

    @classmethod
    def address_pins(cls, settings):
        return 15

    @classmethod
    def image_size(cls, settings):
        return settings.size

    def power_on(self, cycle):
        self.bank = 0

    def peek(self, offset, cycle):
        return self.image[self.bank << 15 | offset]

    def write(self, offset, value, cycle):
        if offset == 0:
            self.bank = value & 1

    def holds_program(self, offset):
        return HOLDS

    def save(self, cycle):
        return {"bank": self.bank}

    def load(self, state):
        self.bank = state["bank"]
'''
# LDX #$FF; TXS; loop: LDA #1; STA $8000; LDA #0; STA $8000; JMP loop
PROGRAM = bytes.fromhex("A2FF9A A901 8D0080 A900 8D0080 4C1380".replace(" ", ""))
BANK = bytes(16) + PROGRAM + b"\xff" * (0x8000 - 16 - len(PROGRAM) - 6) + bytes.fromhex("108010801080")
MACHINE = """
name = "Banked shed"
clock = "1 MHz"
cpu = "65C02"
[[card]]
slot = 1
kind = "sram"
select = "0xxx xxxx xxxx xxxx"
[[card]]
slot = 2
kind = "file:banked.py:Banked"
select = "1xxx xxxx xxxx xxxx"
image = "rom.bin"
"""


def build(folder, holds):
    (folder / "banked.py").write_text(CARD.replace("HOLDS", holds))
    (folder / "rom.bin").write_bytes(BANK * 2)
    (folder / "machine.toml").write_text(MACHINE)
    return Machine.load(folder)


def rules(machine):
    return {finding.rule.name for finding in check(machine, seconds=Fraction(1, 50)).open}


def test_a_banked_rom_of_ones_own_that_says_it_holds_program_gives_no_false_alarm(tmp_path):
    assert rules(build(tmp_path, "True")) == set()


def test_the_same_card_that_says_it_holds_none_is_a_runaway(tmp_path):
    assert "vector-astray" in rules(build(tmp_path, "False"))


def test_its_image_is_asked_for_and_comes_back_at_power_on(tmp_path):
    machine = build(tmp_path, "True")
    machine.run(cycles=5_000)
    machine.power_cycle()
    assert machine.peek(0x8010) == 0xA2
    (tmp_path / "machine.toml").write_text(MACHINE.replace('image = "rom.bin"', ""))
    with pytest.raises(SimkitError, match="the card has no image"):
        Machine.load(tmp_path)
    assert Machine.load(tmp_path, images={2: BANK * 2}).vectors()["RESET"] == 0x8010


def test_what_is_no_plain_rom_is_not_fitted_to_a_part(tmp_path):
    with pytest.raises(SimkitError, match="holds no ROM"):
        fit(build(tmp_path, "True"), 2, part_named("27512"))
