"""Test vectors of a file, in the characters of JEDEC Standard No. 3-A, against what its fuses do."""

import pytest

from simkit.logic.fuses.jedec import read_fuse_map
from simkit.logic.fuses.program import programmed
from simkit.logic.fuses.vectors import vectors_that_fail
from tests.logic.fuses.test_worked_designs import BANK, BUFFER, COUNTER, DECODER
from tests.logic.fuses.written import QP, design, jedec


def failing(which, *vectors, more=""):
    kind, lists = which
    said = "".join(f"\nV{n} {text}*" for n, text in enumerate(vectors, start=1))
    content = jedec(design(kind, lists), pins=QP[kind], more=f"QV99*{more}{said}")
    fuse_map = read_fuse_map(content, "d.jed")
    return list(vectors_that_fail(programmed(kind, fuse_map), fuse_map))


def test_a_decoder_passes_what_it_does_and_fails_what_not():
    """Pins 1 to 4 and 7, 8 are A15 to A12, RWB and PHI2; 19 to 16 are write, 6522, RAM and ROM."""
    good = ["0XXXNN11NNNNNNNHLHHN", "1000NN10NNNNNNNHHLHN", "1100NN01NNNNNNNLHHLN", "1010NN01NNNHHHHHHHLN"]
    assert failing(DECODER, *good, more="X0*") == []
    told = [text.partition(": ")[2] for text in failing(DECODER, good[0].replace("LHHN", "HLZN"), more="X0*")]
    assert told == [
        f"pin {pin} is to be {told}." for pin, told in ((17, "H and is L"), (18, "L and is H"), (19, "Z and is H"))
    ]


def test_a_counter_counts_by_its_vectors():
    """Pin 1 is the clock, 2 resets, 11 enables, 12 and 13 are the bits, 14 is low at three."""
    steps = [
        "00NNNNNNNN0HHL",
        "C1NNNNNNNN0LLH",
        "C0NNNNNNNN0HLH",
        "00NNNNNNNN0HLH",
        "10NNNNNNNN0LHH",
        "10NNNNNNNN0LHH",
        "C0NNNNNNNN0HHL",
        "C0NNNNNNNN1ZZH",
        "00NNNNNNNN0LLH",
        "10NNNNNNNN0HLH",
        "K0NNNNNNNN0LHH",
    ]
    assert failing(COUNTER, *(step + "N" * 6 for step in steps)) == []
    (wrong,) = failing(COUNTER, steps[1] + "N" * 6, "C0NNNNNNNN0LLX" + "N" * 6)
    assert wrong.endswith("pin 12 is to be L and is H.")
    assert wrong.startswith("Test vector 2 (line ")


def test_registers_are_loaded_by_a_vector_of_their_own():
    """P at the clock; of a 22V10 the levels are those of the pins, whatever the polarity."""
    assert failing(COUNTER, "PNNNNNNNNNN01N" + "N" * 6, "00NNNNNNNN0LHH" + "N" * 6) == []
    loaded = ["PNNNNNNNNNNNN01NNNNNNNNN", "0XXXXX0NNNNNXLHNNNNNNNNN", "CN0XXX0NNNNNXLLNNNNNNNNN"]
    assert failing(BANK, *loaded) == []


def test_an_output_that_lets_go_is_z():
    assert failing(BUFFER, "10N1N1NNNNNNNNNNNHNN", "11N1N1NNNNNNNNNNNZNN") == []
    (wrong,) = failing(BUFFER, "11N1N1NNNNNNNNNNNHNN")
    assert wrong.endswith("pin 18 is to be H and is Z.")


@pytest.mark.parametrize("character", ["2", "9", "B"])
def test_a_vector_that_cannot_be_tried_is_told(character):
    (told,) = failing(DECODER, character + "N" * 19)
    assert "is not tried: it asks for" in told


def test_a_pin_that_never_comes_to_rest_is_told():
    """Pin 19 is the inverse of itself while pin 2 is high: 16V8 in simple mode, rows with the columns of both."""
    ring = ("16V8", [(0, "".join("0" if column in (0, 6) else "1" for column in range(32))), (2192, "10")])
    assert failing(ring, "N0NNNNNNNNNNNNNNNNHN") == []
    (told,) = failing(ring, "N1NNNNNNNNNNNNNNNNHN")
    assert told.endswith("pin 19 is to be H and never comes to rest.")
