"""What becomes of codes for which the ring has no room.

The cases follow from the design (common practice); the figures beside them are worked out from the settings: an
instruction of the controller takes 0.2 us at 20 MHz (Microchip, PIC16F18076 data sheet, Instruction Set Summary).
"""

from simkit_cards.ps2.scan_codes import KEYS

from tests.cards.keyboard.typist import MS, OVERFLOW


def fill(person, keys=20):
    for key in [key for key in KEYS if len(key.make) == 1][:keys]:
        person.press(key.name)
    return [key.make[0] for key in KEYS if len(key.make) == 1][:keys]


def test_a_full_ring_drops_the_new_code_and_says_so(typist):
    """Case 13, drop-new: 15 places; 16 in the counted form."""
    for form, capacity in (("one-slot-empty", 15), ("counted", 16)):
        person = typist(ring_form=form)
        codes = fill(person)
        assert person.status() & OVERFLOW
        assert person.rest() == codes[:capacity]
        assert not person.status() & OVERFLOW


def test_a_full_ring_can_drop_the_oldest_code(typist):
    """Case 13, drop-oldest."""
    person = typist(overflow="drop-oldest")
    codes = fill(person)
    assert person.rest() == codes[5:]


def test_a_full_ring_can_put_00_last(typist):
    """Case 13, replace-last: exactly one 00 an episode, in the last place."""
    person = typist(overflow="replace-last")
    codes = fill(person)
    assert person.rest() == [*codes[:14], 0]


def test_a_full_ring_that_holds_the_clock_leaves_the_keyboard_to_buffer(typist):
    """Case 14: 15 in the ring, 16 in the keyboard, then 00 (IBM, Technical Reference, PC AT, 1984, p. 4-3)."""
    person = typist(overflow="hold-clock")
    names = [key.name for key in KEYS if len(key.make) == 1][:40]
    for name in names:
        person.press(name)
    codes = []
    for _ in range(40):
        codes += person.rest()
        person.wait(3 * MS)
    assert codes == [*[key.make[0] for key in KEYS if len(key.make) == 1][: 15 + 16], 0]
    assert not person.ring.overflowed


def test_a_one_byte_receiver_takes_the_second_byte_of_a_release_for_a_press(typist):
    """Reported: Escape acts twice when interrupts are off for longer than a frame: F0 is overwritten by 76."""
    person = typist(ring_slots=2, overflow="drop-oldest")
    person.press("escape")
    assert person.rest() == [0x76]
    person.bench.happens("release", "escape")
    person.wait(3 * MS)
    assert person.rest() == [0x76]


def test_a_one_byte_receiver_makes_extended_keys_keypad_keys(typist):
    """Reported: E0 is overwritten by the next byte when the program is slow."""
    person = typist(ring_slots=2, overflow="drop-oldest")
    person.bench.happens("press", "up")
    person.wait(3 * MS)
    assert person.rest() == [0x75]


def test_type_ahead_into_a_program_that_never_looks_keeps_the_first_codes(typist):
    """Reported: only the first characters arrive, a larger buffer moves the limit, a slow reader stays slow."""
    for slots in (4, 16):
        person = typist(ring_slots=slots)
        codes = fill(person)
        assert person.rest() == codes[: slots - 1]
