"""Plain memory that a card brings along, in whatever buffer: the same on both engines, run from, read and stored to."""

from pathlib import Path

import numpy as np
import pytest

from simkit.records.recorder import Recorder

CARDS = Path(__file__).with_name("own_memory_cards.py")
STORED = ("Bytearray", "Part")
KINDS = ("ReadOnly", "Bytes", *STORED)
# loop: jsr $6000, lda $6123,x, sta $0300,x, sta $6900,x, jmp loop
PROGRAM = "200060 BD2361 9D0003 9D0069 4C0080"
CROSSED = 'wires = { A0 = "A3", A3 = "A0", D1 = "D6", D6 = "D1" }'


@pytest.mark.usefixtures("core")
@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("wires", ["", CROSSED], ids=["straight", "crossed"])
@pytest.mark.parametrize("recorded", [False, True])
def test_memory_of_a_cards_own_is_the_same_on_both_engines(small_machine, kind, wires, recorded):
    card = f'[[card]]\nslot = 4\nkind = "file:{CARDS.name}:{kind}"\nselect = "0110 xxxx xxxx xxxx"\n{wires}\n'
    exact, core = (
        small_machine(PROGRAM, engine, gaps=("0110 xxxx xxxx xxxx",), cards=card, files=(CARDS,))
        for engine in ("exact", "core")
    )
    before, first_content = core.peek(0x40), core.peek(0x6800, 2)
    recorders = [Recorder(machine) for machine in (exact, core)] if recorded else []
    for _ in range(20):
        for machine in (exact, core):
            machine.run(cycles=777)
        assert exact.save_state() == core.save_state()
    if recorded:
        np.testing.assert_array_equal(*(recorder.cycles.words for recorder in recorders))
    if not wires:
        assert core.peek(0x40) != before
        content = core.peek(0x6800)
        assert core.peek(0x0200) == content
        assert core.peek(0x6801) == (content + 1 & 0xFF if kind in STORED else first_content[1])
