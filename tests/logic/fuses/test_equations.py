"""What is in a fuse map, in words: they are read back by the grammar of selects and mean what the part does."""

import random
import re

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from simkit.backplane.select import ALL, MAX_EXPRESSION_CHARACTERS, address_bit, as_table, expression
from simkit.logic.fuses.equations import equations
from simkit.logic.fuses.jedec import read_fuse_map
from simkit.logic.fuses.program import programmed
from tests.examples import examples
from tests.logic.fuses.test_worked_designs import BANK, BUFFER, COUNTER, DECODER, part
from tests.logic.fuses.written import jedec, random_fuses

SENTENCE = re.compile(
    r"(?:from the next rise of \w+ on )?"
    r"(?:always (?P<always>high|low)|(?P<fixed>high|low)(?![ \w])|"
    r"(?P<when>high|low) when (?P<text>.*?), else (?:high|low))"
    r"(?P<more>;.*)?"
)
DRIVEN = re.compile(r"; driven when (.+)$")


def table(text, levels):
    """Truth table of an expression; None of one that is longer than machine files may have them."""
    if len(text) > MAX_EXPRESSION_CHARACTERS:
        return None
    return expression(text).table(levels)


@pytest.mark.parametrize("kind", ["16V8", "20V8", "22V10"])
@settings(max_examples=examples(60), deadline=None)
@given(seed=st.integers(0, 2**32))
def test_the_words_mean_what_the_part_does(kind, seed):
    rng = random.Random(seed)
    program = programmed(kind, read_fuse_map(jedec(random_fuses(kind, rng)), "any.jed"))
    pins = [pin for pin in range(1, 25) if pin <= program.device.pins]
    names = {pin: f"A{n}" if n < 16 else f"L{n}" for n, pin in enumerate(pins)}
    lines = {f"L{n}": rng.random() < 0.5 for n in range(16, 24)}
    levels = {pin: address_bit(n) if n < 16 else as_table(lines[f"L{n}"]) for n, pin in enumerate(pins)}
    # a name stands for the level at the pin, of a flip-flop for that which its pin has when it is driven
    q = {pin: ALL ^ levels[pin] if program.outputs[pin].inverted else levels[pin] for pin in program.registers}
    after, quiet = program.after_reset(levels, q, ALL), ALL
    for pin, before in q.items():
        quiet &= ALL ^ (before ^ after[pin])  # where a reset acts, pins have another level than their names say
    drives = program.drives(levels, q, ALL)
    clocked = program.clocked(levels, q, ALL)
    said = equations(program, names)
    assert said.keys() == program.outputs.keys()
    for pin, output in program.outputs.items():
        match = SENTENCE.fullmatch(said[pin])
        assert match is not None, said[pin]
        more, when = match["more"] or "", match["when"] or match["always"] or match["fixed"]
        found = ALL if match["text"] is None else table(match["text"], lines)
        if found is not None and not output.registered:
            level = found if when == "high" else ALL ^ found
            assert drives[pin].level & quiet == level & drives[pin].driven & quiet
        elif found is not None and program.reset is None:  # 16V8 and 20V8: the pin is the inverse of Q
            level = found if when == "high" else ALL ^ found
            assert clocked[pin] == ALL ^ level
        driven = DRIVEN.search(more)
        if driven:
            enable = table(driven[1], lines)
            assert enable is None or enable & quiet == drives[pin].driven & quiet
        elif output.by_pin:
            assert more.endswith(f"; driven while {names[program.device.output_enable]} is low")
        else:
            assert drives[pin].driven == (0 if "never driven" in more else ALL)


def test_a_decoder_in_words():
    lines = {1: "A15", 2: "A14", 3: "A13", 4: "A12", 7: "RW", 8: "PHI2"}
    assert equations(part(DECODER), lines) == {
        19: "low when not RW and PHI2, else high",
        18: "low when A15 and not A14 and not A13 and not A12, else high",
        17: "low when not A15, else high",
        16: "low when A15 and A14, else high",
        **dict.fromkeys((15, 14, 13, 12), "always high"),
    }


def test_outputs_that_let_go_and_flip_flops_in_words():
    assert equations(part(BUFFER), {1: "A15", 2: "A14", 4: "RW", 6: "D0"})[18] == (
        "high when D0, else low; driven when A15 and not A14 and RW"
    )
    assert equations(part(BUFFER), {})[12] == "always high; never driven: an input"
    counter = equations(part(COUNTER), {1: "CLK", 2: "RES", 11: "OE", 12: "Q0", 13: "Q1"})
    assert counter[12] == "from the next rise of CLK on high when not RES and not Q0, else low; driven while OE is low"
    assert counter[14] == "low when Q0 and Q1, else high"
    bank = equations(part(BANK), {1: "CLK", 2: "D0", 3: "LD", 4: "A15", 5: "A14", 6: "A13", 7: "RES", 14: "Q0"})
    assert bank[14] == "from the next rise of CLK on high when D0 and LD or not LD and Q0, else low; low when RES"
    assert bank[16] == "low when A15 and A14 or A15 and A13 and Q0, else high"
