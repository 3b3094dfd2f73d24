"""Pins under the names of their data sheets, and select and strobes at the pins CE, OE and WE."""

from __future__ import annotations

import pytest

from simkit import Machine
from simkit.contract.errors import SeveralErrors, SimkitError
from simkit.machinefile.shipped import demo_folder

RAM, ROM, SERIAL, PORTS, VIDEO = 1, 2, 3, 4, 5
PROGRAM = b"\xea" * 0x7FFC + b"\x00\x80\xff\xff"


def bench(*wiring, engine="exact"):
    return Machine.load("demo:bench", images={ROM: PROGRAM}, wiring=wiring, engine=engine)


def strobes(machine, slot):
    """The table of addresses and the two strobes of a card as they are wired."""
    seat = next(seat for seat in machine.bus.seats if seat.slot == slot)
    read, written = (
        {
            address
            for address in range(0, 0x10000, 0x100)
            if seat in [one for one, _ in machine.bus.where(address, is_write=w)]
        }
        for w in (False, True)
    )
    return read, written


@pytest.mark.parametrize(
    ("said", "same"),
    [
        ("slot 4: pin RS0 exchanged with RS3", "slot 4: pin A0 exchanged with A3"),
        ("slot 3: RS0 joined to A1", "slot 3: pin A0 joined to A1"),
        ("slot 3: CTSB high", "slot 3: pin CTS high"),
        ("slot 4: RWB inverted", "slot 4: line RW inverted"),
        ("slot 4: IRQB open", "slot 4: line IRQ open"),
        ("slot 4: RESB open", "slot 4: line RESET open"),
        ("slot 5: MODE joined to A1", "slot 5: pin A0 joined to A1"),
        ("slot 5: CD0 stuck low", "slot 5: pin D7 low"),
        ("slot 5: CSR exchanged with CSW", "slot 5: output enable not RW and PHI2"),
        ("slot 2: DQ3 open", "slot 2: pin D3 open"),
        ("slot 1: /OE tied low", "slot 1: output enable always"),
        ("slot 1: /WE open", "slot 1: write enable never"),
        ("slot 1: WE joined to RW", "slot 1: write enable not RW"),
        ("slot 1: WE inverted", "slot 1: write enable not (not RW and PHI2)"),
        ("slot 1: chip select tied low", "slot 1: selected by always"),
        ("slot 3: /OE shorted to GND", "slot 3: output enable always"),
        ("slot 3: CTSB shorted to GND", "slot 3: pin CTS shorted to GND"),
        ("slot 3: IRQB shorted to VCC", "slot 3: line IRQ shorted to VCC"),
        ("slot 3: D3 shorted to GND", "slot 3: pin D3 low"),
        ("slot 3: IRQ and RES swapped", "slot 3: line IRQ exchanged with RESET"),
        ("slot 3: RES and IRQ swapped", "slot 3: line RESET exchanged with IRQ"),
        ("slot 1: A14 not connected", "slot 1: line A14 open"),
        ("RES shorted to IRQB", "RESET shorted to IRQ"),
        ("CPU: RES low", "RESET low"),
        ("CPU: PHI2 stuck low", "PHI2 low"),
        ("CPU: pin 39 open", "PHI2 open"),
        ("slot 3: select inverted", "slot 3: selected by not 0101 0000 0000 00xx"),
    ],
)
def test_a_pin_goes_by_the_name_that_its_sheet_has_for_it(said, same):
    entries = bench(said).description.sentences()
    assert any(text.startswith(same) for text in entries), entries


def test_a_pin_that_no_sheet_names_is_told_with_those_there_are():
    with pytest.raises(SimkitError, match="RS4") as refused:
        bench("slot 4: RS4 low")
    assert "'RS3'" in (refused.value.remedy or "")


def test_of_a_pin_of_its_decoder_the_card_says_how_that_is_said():
    with pytest.raises(SimkitError) as refused:
        bench("slot 4: G2A open")
    assert "CS1, CS2B; a decoder's output may be" in (refused.value.remedy or "")


@pytest.mark.parametrize(
    ("said", "read", "written"),
    [
        ("slot 1: CE low", range(0x10000), range(0x10000)),
        ("slot 1: CE open", (), ()),
        ("slot 1: select inverted", range(0x4000, 0x10000), range(0x4000, 0x10000)),
        ("slot 1: selected by A15", range(0x8000, 0x10000), range(0x8000, 0x10000)),
    ],
)
def test_what_is_done_to_the_select_of_a_memory_moves_it_and_others_may_meet_it(said, read, written):
    found = strobes(bench(said), RAM)
    assert found == tuple({address for address in span if address % 0x100 == 0} for span in (read, written))


def test_two_cards_that_keys_put_at_one_address_are_refused_as_before(tmp_path):
    base = (demo_folder() / "bench" / "machine.toml").as_posix()
    file = tmp_path / "machine.toml"
    file.write_text(f'base = "{base}"\n[[card]]\nslot = 1\nselect = "0xxx xxxx xxxx xxxx"\n')
    with pytest.raises(SeveralErrors, match="both answer reads"):
        Machine.load(file, images={ROM: PROGRAM})


@pytest.mark.parametrize(
    ("said", "same"),
    [("A16 not connected", "pin A16 open"), ("A15 and A16 swapped", "pin A15 exchanged with A16")],
)
def test_an_address_pin_that_is_no_line_of_the_bus_is_the_cards_own(said, same):
    assert f"slot 6: {same}" in Machine.load("demo:monitor", wiring=(f"slot 6: {said}",)).description.sentences()


# contacts by number, from memory ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("said", "same"),
    [
        ("slot 4: pin 23 open", "slot 4: CS2B open"),
        ("slot 4: pins 23 and 24 swapped", "slot 4: CS1 exchanged with CS2B"),
        ("slot 4: pin 37 exchanged with pin 38", "slot 4: RS1 exchanged with RS0"),
        ("slot 4: pin 22 shorted to pin 23", "slot 4: CS2B shorted to RW"),
        ("slot 4: pin 34 open", "slot 4: RESET open"),
        ("slot 4: pin 21 not connected", "slot 4: IRQ open"),
        ("slot 4: pin 33 shorted to 32", "slot 4: D0 shorted to D1"),
        ("slot 4: pin 1 open", "slot 4: VSS open"),
        ("slot 4: pin 25 low", "slot 4: PHI2 low"),
        ("slot 4: pin 10 low", "slot 4: PB0 low"),
        ("slot 4: pin 40 joined to NMI", "slot 4: CA1 joined to NMI"),
        ("slot 3: pin 12 open", "slot 3: RXD open"),
        ("slot 3: pin 10 exchanged with 12", "slot 3: TXD exchanged with RXD"),
        ("slot 3: pin 28 high", "slot 3: RW high"),
        ("slot 3: pin 9 high", "slot 3: CTS high"),
        ("slot 2: pin 27 low", "slot 2: pin A14 low"),
        ("slot 2: pin 22 open", "slot 2: OE open"),
        ("slot 2: pin 20 shorted to pin 21", "slot 2: CE shorted to A10"),
        ("slot 2: pin 12 shorted to GND", "slot 2: D1 low"),
    ],
)
def test_contacts_by_number_are_the_pins_that_the_package_has_there(said, same):
    assert bench(said).description.sentences() == bench(same).description.sentences()


def test_each_package_has_a_name_for_every_contact():
    for slot, many in ((SERIAL, 28), (PORTS, 40), (ROM, 28)):
        card = next(card for card in bench().description.cards if card.slot == slot)
        assert sorted(card.card.contacts(card.settings)) == list(range(1, many + 1))


@pytest.mark.parametrize(
    ("said", "words"),
    [
        ("slot 4: pin 41 open", "no such contact"),
        ("slot 1: pin 5 open", "does not know the contacts"),
        ("slot 4: pin 24 shorted to pin 25", "cannot put CS1 and PHI2 together"),
        ("slot 4: line 5 low", "the name of no line"),
    ],
)
def test_a_contact_that_nobody_knows_is_refused_in_words(said, words):
    with pytest.raises(SimkitError, match=words):
        bench(said)
