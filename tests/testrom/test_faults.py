"""With one wiring fault at the card's slot its test ROM shows something else, in nearly all cases that change anything.

What changes nothing is counted apart: an address line that neither decoder nor card hears, two lines exchanged that
the card treats alike, a strobe that a ROM does not have, PHI2 held high (the model has no time within a cycle), data
bits that the card does not use.
"""

import random

import pytest

from simkit.contract.errors import SimkitError

LEAST = 0.90
SAMPLED = 8

ALIKE = {"sram", "rom"}
"""Kinds for which exchanged address or data lines put bytes elsewhere, the same way for reads and writes (a ROM is
burned for them)."""


def sentences(slot):
    """One at a time: data lines, address lines, strobes, selects, the interrupt output."""
    for what, count in (("D", 8), ("A", 16)):
        for line in range(count):
            yield from (f"slot {slot}: {what}{line} {done}" for done in ("stuck low", "stuck high", "open"))
            if line + 1 < count:
                yield f"slot {slot}: {what}{line} exchanged with {what}{line + 1}"
    for line in ("R/W", "PHI2"):
        yield from (f"slot {slot}: {line} {done}" for done in ("stuck low", "stuck high", "open"))
    for pin in ("CE", "OE", "WE"):
        yield from (f"slot {slot}: pin {pin} {done}" for done in ("low", "high", "open"))
    yield f"slot {slot}: select inverted"
    yield f"slot {slot}: INT open"


def reached(machine, slot):
    """When the card answers, and what its pins see there."""
    tables = next((reads, writes) for seat, reads, writes in machine.bus.drive_tables() if seat.slot == slot)
    digits = f"{tables[0] | tables[1]:065536b}"[::-1]
    addresses = [address for address, digit in enumerate(digits) if digit == "1"]
    some = [*addresses[:32], *random.Random(1).sample(addresses, min(48, len(addresses)))]
    return tables, [
        (seat.slot, offset)
        for address in some
        for is_write in (False, True)
        for seat, offset in machine.bus.where(address, is_write=is_write)
        if seat.slot == slot
    ]


def used_bits(made):
    """Data bits that the card drives or takes."""
    seat = made.rom.survey.seat
    kind = type(seat.card).kind
    if kind == "bank-latch":
        joined = made.rom.survey.card(made.slot).wiring.joined()
        return {bit for bit in range(8) if f"Q{bit}" in joined}
    return set(range(8))


def changes(made, machine, sound, sentence):
    """Whether the fault changes anything for the card."""
    what = sentence.partition(": ")[2]
    survey = made.rom.survey
    kind = type(survey.seat.card).kind
    if what[0] == "A":
        return not (kind in ALIKE and "exchanged" in what) and reached(machine, made.slot) != sound
    if what[0] == "D":
        if "exchanged" in what and kind == "sram":
            return False
        numbers = {int(word[1:]) for word in what.split() if word[0] == "D" and word[1:].isdigit()}
        return bool(numbers & used_bits(made))
    if what.startswith("INT"):
        return survey.pulls_irq(made.slot)
    if reached(machine, made.slot) == sound:
        return False
    if kind in ("keyboard", "serial-pads", "button-row", "rom"):  # they take no writes
        return reached(machine, made.slot)[0][0] != sound[0][0]
    return True


def measured(made, chosen):
    """(faults that changes something, those noticed, those missed), of the chosen."""
    seconds = next(s for s in (0.3, 0.6, 1, 1.5, 2, 3, 4, 6, 8, 12) if made.seen(s)[-1] == "PASS")
    expected = made.seen(seconds)
    sound = reached(made.load(), made.slot)
    count, missed = 0, []
    for sentence in chosen:
        try:
            machine = made.load([sentence])
        except SimkitError:
            continue  # the machine file's own check refuses it before power comes on
        if not changes(made, machine, sound, sentence):
            continue
        count += 1
        try:
            seen = made.seen(seconds, [sentence])
        except SimkitError:
            continue  # a card cannot go on: nothing of the text is seen
        if seen == expected:
            missed.append(sentence)
    return count, missed


SLOTS = (
    ("bench", 1),
    ("bench", 2),
    ("bench", 3),
    ("bench", 4),
    ("bench", 5),
    ("lamps-and-buttons", 6),
    ("lamps-and-buttons", 7),
    ("marlpit", 3),
    ("marlpit", 4),
    ("marlpit", 5),
    ("monitor", 3),
    ("monitor", 4),
    ("monitor", 5),
    ("monitor", 6),
    ("traps", 3),
)


@pytest.mark.slow
@pytest.mark.parametrize(("name", "slot"), SLOTS)
def test_nine_in_ten_faults_at_the_slot_are_noticed(bench, name, slot):
    made = bench(name, slot)
    count, missed = measured(made, list(sentences(slot)))
    print(f"{name} {slot} {made.rom.survey.seat.kind}: {count - len(missed)} of {count}; missed {missed}")
    assert count >= 40
    assert len(missed) <= (1 - LEAST) * count


@pytest.mark.parametrize(("name", "slot"), [("bench", 5)])
def test_a_sample_of_faults_at_the_slot_is_noticed(bench, name, slot):
    made = bench(name, slot)
    count, missed = measured(made, random.Random(7).sample(list(sentences(slot)), SAMPLED))
    assert count >= SAMPLED // 2
    assert len(missed) <= 1


def test_the_first_failure_tells_the_line(bench):
    """The figures behind FAIL are the data bit, or the number of the address line."""
    for sentence, shown in (
        ("slot 1: pin D3 stuck low", "01 DATA LINES FAIL, BITS 08"),
        ("slot 1: pin A10 stuck low", "02 ADDRESS LINES FAIL, LINE 0A"),
    ):
        texts, _, _, end = bench("bench", 1).seen(1, [sentence])
        assert any(shown in text for text in texts.values()), texts
        assert end == f"FAIL_{shown[:2]}"
