"""The interrupt of the keyboard card, as a level and as a pulse, against the program that answers it.

The cases follow from the design (common practice); the figures beside them are worked out from the settings: an
instruction of the controller takes 0.2 us at 20 MHz (Microchip, PIC16F18076 data sheet, Instruction Set Summary).
"""

from tests.cards.keyboard.typist import CODES, LETTERS, MS


def test_a_level_interrupt_is_still_low_when_a_fast_handler_returns(typist):
    """Case 15: poll, advance and update take up to 22 instructions, 9 cycles at 2 MHz; an RTI right after the read is
    through after six."""
    person = typist()
    person.press("a")
    assert not person.bench.line("IRQ")
    person.status()
    person.data()
    person.wait(5)
    assert not person.bench.line("IRQ")
    person.wait(20)
    assert person.bench.line("IRQ")


def test_the_level_of_the_interrupt_line_follows_the_count(typist):
    """irq == (count > 0) outside the update window."""
    person = typist()
    for count in range(4):
        assert person.bench.line("IRQ") is (count == 0)
        person.press(LETTERS[count])
    for _ in range(4):
        assert not person.bench.line("IRQ")
        person.take()
    assert person.bench.line("IRQ")


class Falls:
    """Counts the falls of the interrupt line, cycle by cycle."""

    def __init__(self, person):
        self.person = person
        self.falls = []

    def watch(self, cycles):
        bench = self.person.bench
        high = bench.line("IRQ")
        for _ in range(cycles):
            bench.to(bench.cycle + 1)
            level = bench.line("IRQ")
            if high and not level:
                self.falls.append(bench.cycle)
            high = level
        return len(self.falls)


def test_a_pulse_interrupt_comes_once_for_each_code_and_ends_by_itself(typist):
    """Case 16: 10 instructions are 2 us, 4 cycles; a program that masks interrupts that long misses it."""
    person = typist(interrupt="pulse")
    falls = Falls(person)
    for name in LETTERS[:3]:
        person.bench.happens("press", name)
    assert falls.watch(10 * MS) == 3
    assert person.bench.line("IRQ")
    assert person.rest() == CODES[:3]


def test_one_code_a_pulse_falls_behind_when_two_pulses_merge(typist):
    """Case 17: a pulse longer than the time between two codes; each key then shows the one before."""
    person = typist(interrupt="pulse", pulse_cycles=7_000)
    falls = Falls(person)
    for name in LETTERS[:2]:
        person.bench.happens("press", name)
    assert falls.watch(8 * MS) == 1
    assert person.take() == CODES[0]
    person.bench.happens("press", LETTERS[2])
    assert falls.watch(8 * MS) == 2
    assert person.take() == CODES[1]
