"""Faults of wiring that builders reported: the check names the cause where a finding can, or it is said why not.

Machine: the bench machine M1, NMOS 6502 at 1 MHz unless a case says otherwise. Programs in bytes as reported.
"""

import re

import pytest

from simkit import Machine
from simkit.check.run import check
from tests.check.conftest import BENCH, image

VECTORS = "\nFFFA: 00 80 00 80 00 80"


@pytest.fixture
def result(tmp_path):
    def run(listing, extra="", cpu="6502", cycles=50_000, **options):
        (tmp_path / "machine.toml").write_text(f'base = "{BENCH}"\ncpu = "{cpu}"\n{extra}')
        machine = Machine.load(tmp_path, images={2: image(listing)}, **options)
        return check(machine, seconds=cycles / machine.clock_hz)

    return run


def rules(found):
    return {one.rule.name: one for one in reversed(found.findings)}


BLINK = "8000: A9 FF 8D 02 60 A9 55 8D 00 60 4C 0A 80\nFFFA: 0A 80 00 80 0A 80"


def test_chip_selects_that_are_exchanged_make_the_chip_fight_the_rom(result):
    """ "Problem with addressing VIA", a builders' forum, 2025: CS1 and CS2B each on the other's signal.

    CS1 = A13 and CS2B = NAND(not A15, A14) are meant. The 6522 answers at $0000-1FFF, $8000-9FFF and $C000-DFFF then.
    """
    wired = 'select = "{}"\n'
    wrong = "not A13 and not (A14 and not A15)"
    sound = result(BLINK, f"[[card]]\nslot = 4\n{wired.format('0110 xxxx xxxx xxxx')}", cpu="65C02")
    assert "contention" not in rules(sound)
    found = result(BLINK, f'[backplane]\noverlaps = "run"\n[[card]]\nslot = 4\n{wired.format(wrong)}', cpu="65C02")
    first = next(one for one in found.findings if one.rule.name == "contention" and one.address >= 0x8000)
    assert "slot 2 (rom) and slot 4 (ports-6522) drive the data lines together" in first.message
    causes = [one.rule.name for one in found.findings if one.role == "cause"]
    assert "contention" in causes


def test_a_rom_whose_a14_stays_low_is_told_by_the_offset_that_was_read(result):
    """A builders' forum thread on an image that never starts, 2025: the fill byte is executed, whichever it is."""
    found = result("8000: A9 42 85 10 4C 04 80" + VECTORS, cpu="65C02", faults=["slot 2: A14 stuck low"])
    way = " ".join(rules(found)["ran-away"].way)
    assert "$FF ($FFFC): filler in ROM (slot 2) at offset $3FFC: at its pins A14 is low, on the bus not." in way


def test_data_lines_that_are_exchanged_are_told_with_a_byte_of_the_rom(result):
    """Forum 6502.org post p=65053, about 2019: the vector survives, as both its bytes have D3 = D4."""
    found = result("8000: A9 03 85 10 4C 04 80" + VECTORS, faults=["slot 2: D3 exchanged with D4"])
    assert "$A9 (offset $0000) was read as $B1 at $8000" in " ".join(rules(found)["ran-away"].way)
    (remark,) = [one for one in found.remarks if "does not read" in one]
    assert re.search(r"\(slot 2: pin D3 exchanged with D4\)", remark)


def test_register_selects_in_reverse_order_are_told_by_the_addresses_of_the_registers(result):
    """rosco_m68k issues 7 and 11, GitHub, 2020: RS0 to RS3 joined in reverse order; writes reach other registers."""
    wires = 'wires = { A0 = "A3", A1 = "A2", A2 = "A1", A3 = "A0" }'
    found = result(BLINK, f"[[card]]\nslot = 4\n{wires}\n")
    message = rules(found)["constant-differs"].message
    assert "$6004 DDRB" in message
    assert "$6002 T1CL" in message


def test_a_latch_that_loads_on_reads_too_is_named_before_the_first_cycle(result):
    """Clocked by its select alone ("Update on MKHBC-8-R2 6502 computer", blog 6502cpu.blogspot.com, 2016)."""
    latch = '[[card]]\nslot = 6\nkind = "bank-latch"\nselect = "0111 1xxx xxxx xxxx"\nwrite_enable = "PHI2"\n'
    found = result("8000: A9 3C 8D 00 78 AD 00 78 8D 00 02 4C 0B 80" + VECTORS, latch)
    assert (
        "the card stores what is on the data lines, though nobody writes"
        in rules(found)["write-strobe-in-read"].message
    )


def test_a_cmos_part_in_a_socket_made_for_the_nmos_part(result):
    """A hardware project's issue tracker, issue 3, 2022; pins as in the W65C02S data sheet, pin list, from memory."""
    found = result(
        "8000: 4C 00 80" + VECTORS, '[backplane]\nwiring = ["CPU: pin 1 stuck low", "CPU: pin 36 open"]\n', cpu="65C02"
    )
    assert "VPB (pin 1) is an output of the 65C02 and is shorted to ground" in rules(found)["output-fight"].message
    assert "BE of the CPU is open" in rules(found)["input-open"].message


@pytest.mark.parametrize(
    ("what", "listing", "cpu"),
    [
        # "Weird bug in SD card code", steckschwein.de: BIT #80 for BIT #$80. A mask is a number; which bit was meant
        # only the card's answer tells, and that is a table in this program.
        (
            "a wrong mask",
            "8000: A2 FF E8 BD 40 80 89 50 D0 F8 8D 00 02 8E 01 02\n8010: 4C 10 80\n8040: FF FF 3F 01 FF" + VECTORS,
            "65C02",
        ),
        # Common practice: a branch that crosses a page takes a cycle more. Right for the part, and no rule is broken;
        # `check --time` and the trace tell how long the loop takes.
        ("a loop across a page", "8000: 4C FC 80\n80FC: A2 C8 CA D0 FD EA 4C 02 81" + VECTORS, "6502"),
        # "What did I forget?", forum 6502.org topic 8518, 2025: 36862 for 36864 cycles. The right number is in the
        # program; with another one the clock is slow, and nobody but the builder knows how fast it was to be.
        (
            "a period",
            "8000: A2 FF 9A A9 00 85 10 85 11 A9 40 8D 0B 60 A9 FE\n8010: 8D 04 60 A9 8F 8D 05 60 A9 C0 8D 0E 60 58 4C "
            "1E\n8020: 80\n8040: 2C 04 60 E6 10 D0 02 E6 11 40\nFFFA: 40 80 00 80 40 80",
            "6502",
        ),
    ],
    ids=lambda one: one.replace(" ", "-") if len(one) < 30 else "",
)
def test_what_breaks_no_rule_cannot_be_told(result, what, listing, cpu):
    """A wrong program that is sound: nothing it does is left open by the hardware, so a finding would be a guess."""
    assert [one.message for one in result(listing, cpu=cpu).open] == []
