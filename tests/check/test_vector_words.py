"""Vectors that nobody filled in: named where something can take them, and not in programs that never let it come."""

import pytest

TICKS = """8000: A2 FF 9A A9 00 85 10 A9 40 8D 0B 60 A9 F3 8D 04
8010: 60 A9 01 8D 05 60 A9 C0 8D 0E 60 {} E8 4C 1C 80
8040: 48 AD 04 60 E6 10 68 40
"""
ALONE = "[[card]]\nslot = 3\nlines = {}\n[[card]]\nslot = 4\nlines = {}\n"


@pytest.mark.parametrize("word", ["FF FF", "00 00", "FC FF", "00 90"])
def test_an_irq_vector_left_as_filler_is_the_cause_and_not_the_runaway(found, word):
    """Erased cells read $FF (28C256 data sheet, Atmel, 2009); zeros are what assemblers put (common practice)."""
    rules = found(TICKS.format("58") + f"FFFA: 40 80 00 80 {word}")
    assert rules["vector-astray"].message.startswith("The IRQ vector at $FFFE says")
    assert next(reversed(rules)) == "vector-astray"


@pytest.mark.parametrize("word", ["FF FF", "00 00"])
def test_a_program_that_never_allows_interrupts_needs_no_vector(found, word):
    assert "vector-astray" not in found(TICKS.format("EA") + f"FFFA: {word} 00 80 {word}")


@pytest.mark.parametrize("word", ["FF FF", "00 00"])
def test_nmi_cannot_be_forbidden(found, word):
    joined = '[[card]]\nslot = 4\nlines = { INT = "NMI" }\n'
    assert "vector-astray" in found(TICKS.format("EA") + f"FFFA: {word} 00 80 40 80", extra=joined)


def test_brk_takes_the_irq_vector_where_no_line_is_joined(found):
    """MOS Technology, MCS6500 Programming Manual, 1976, section 9.11: BRK."""
    program = "8000: A2 FF 9A 00 EA 4C 05 80\nFFFA: FF FF 00 80 {}"
    assert "vector-astray" in found(program.format("FF FF"), extra=ALONE)
    assert "vector-astray" not in found(program.format("10 80") + "\n8010: 40", extra=ALONE)


def test_a_zero_behind_a_call_may_end_a_text(found):
    """JSR to a routine that prints what stands behind it: common practice."""
    program = """8000: A2 FF 9A 20 20 80 58 59 00 4C 09 80
8020: 68 85 10 68 85 11 E6 10 A0 00 B1 10 F0 05 E6 10 4C 28 80 A5 11 48 A5 10 48 60
FFFA: FF FF 00 80 FF FF"""
    assert "vector-astray" not in found(program, extra=ALONE)


@pytest.mark.parametrize("store", ["A9 40 85 00", "A9 40 8D 00 00", "A2 00 A9 40 95 00"])
def test_a_handler_that_the_program_puts_to_the_first_cell_is_no_mistake(found, store):
    assert "vector-astray" not in found(
        f"8000: {store} A2 FF 9A 58 4C {4 + len(store.split()):02X} 80\nFFFA: 00 80 00 80 00 00"
    )
