"""Cards are told by what people call them, with the slot; programs get number and kind besides."""

from simkit import Machine
from simkit.backplane.seat import titled
from simkit.contract.card import Card
from simkit.machine.found import who
from simkit.machine.inside import inside, words
from simkit.machinefile.catalogue import entries, load_entry


class Rake(Card):
    kind = "garden-rake"


def test_a_card_without_a_title_is_called_by_its_kind():
    assert titled(Rake, 12) == "Garden rake (slot 12)"


def test_every_shipped_card_has_a_title_of_its_own():
    titles = [card.title for card in map(load_entry, entries().values()) if card.__module__.startswith("simkit_cards")]
    assert len(titles) > 10
    assert all(titles)
    assert len(set(titles)) == len(titles)


def test_who_is_a_card_a_slot_without_one_or_the_machine():
    machine = Machine.load("demo:marlpit")
    assert who(machine, 3) == machine.cards[3].title == "Keyboard controller (slot 3)"
    assert who(machine, 40) == "slot 40"
    assert who(machine, None) == "machine"


def test_a_person_reads_title_and_slot_and_a_program_gets_number_and_kind_besides():
    machine = Machine.load("demo:lamps-and-buttons")
    seen = inside(machine, [])
    card = next(one for one in seen["cards"] if one["slot"] == 6)
    assert (card["kind"], card["title"]) == ("led-row", "Lamps (slot 6)")
    lines = words(machine, seen)
    assert "Lamps (slot 6)" in lines
    assert not [line for line in lines if line.startswith("slot ")]
