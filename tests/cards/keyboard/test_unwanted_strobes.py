"""Strobes that no program asked for: spikes of a decoder, and the spare read of an indexed instruction.

The cases follow from the design (common practice); the figures beside them are worked out from the settings: an
instruction of the controller takes 0.2 us at 20 MHz (Microchip, PIC16F18076 data sheet, Instruction Set Summary).
"""

from pathlib import Path

import pytest

from simkit import Machine
from tests.cards.keyboard.typist import CODES, LETTERS, READY, Typist


def test_a_decoder_spike_on_the_data_strobe_makes_codes_vanish(typist):
    """Case 18: a status read that also strobes data says "taken"; the same cycle's reset is too short for a poll."""
    person = typist()
    person.press(*LETTERS[:3])
    person.status()
    person.wait()
    person.bench.card.controller.strobe(True, person.bench.cycle)  # the spike by itself
    person.wait()
    assert person.take() == CODES[1]


def test_decoder_spikes_make_codes_vanish_or_come_twice(card_bench):
    """Cases 18 and 19: a spike after a status read takes a code unread, one after a data read undoes the taking."""
    seen = {}
    for percent in (0, 20):
        seen[percent] = []
        for seed in range(10):
            person = Typist(card_bench, glitch_percent=percent, seed=seed)
            for name in LETTERS:
                person.press(name)
                seen[percent] += [person.take() for _ in range(3) if person.status() & READY]
    assert seen[0] == CODES * 10
    assert any(before == after for before, after in zip(seen[20], seen[20][1:], strict=False))
    codes = iter(seen[20])
    assert not all(code in codes for code in CODES * 10)  # not even as a subsequence


DEMO = Path(__file__).resolve().parents[3] / "demo"


@pytest.mark.parametrize(("part", "taken"), [("6502", 2), ("65C02", 1)])
def test_a_dummy_read_across_a_page_takes_a_code_on_the_nmos_part(tmp_path, part, taken):
    """Case 20. LDA $7FF1,X with X = $20 goes to $8011; the NMOS part reads $7F11 on the way (MOS MCS6500 Hardware
    Manual, appendix A), the CMOS part its own last byte again (WDC, W65C02S data sheet, table 7-1). The
    program takes the AA and, on the NMOS part, a code it never sees."""
    program = bytearray(b"\xff" * 0x8000)
    code = bytes.fromhex("AD107F A210 CAD0FD AD117F A240 CAD0FD AD107F A240 CAD0FD A220 BDF17F 4C1D80")
    program[: len(code)] = code
    program[0x7FFC:0x7FFE] = b"\x00\x80"
    (tmp_path / "program.bin").write_bytes(program)
    (tmp_path / "machine.toml").write_text(
        f'base = "{DEMO / "marlpit" / "machine.toml"}"\ncpu = "{part}"\n'
        '[[card]]\nslot = 2\nimage = "program.bin"\nlabels = "none.labels"\n'
    )
    (tmp_path / "none.labels").write_text("")
    machine = Machine.load(tmp_path, settings={3: {"self_test_ms": 1}})
    ring = machine.card(3)
    machine.run(cycles=20)
    machine.cpu.pc = 0x801D  # wait for the AA and a key first
    machine.run(seconds=0.004)
    machine.keys.press("a")
    machine.run(seconds=0.004)
    machine.cpu.pc = 0x8000
    machine.run(seconds=0.004)
    assert f"read {taken}, lost 0" in " ".join(ring.words())
