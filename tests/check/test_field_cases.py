"""Faults that builders reported, or tell each other of: the check names the cause where a finding can.

Machine: the bench machine M1 (RAM to $3FFF, 6551 at $5000, 6522 at $6000, 32 KB ROM at $8000), NMOS 6502 at 1 MHz
unless a case says otherwise. Programs in bytes; unlisted bytes are $FF.
"""

import pytest

EXCHANGED = """8000: A2 FF 9A A9 00 85 10 85 11 A9 40 8D 0B 60 A9 E8
8010: 8D 04 60 A9 03 8D 05 60 A9 C0 8D 0E 60 58 E6 10
8020: 4C 1E 80
8040: 2C 04 60 E6 11 40
8050: 40
"""


def test_exchanged_vectors_leave_the_interrupt_low(found):
    """Forum 6502.org post p=77522, about 2020: NMI and IRQ words exchanged; the line stays low for ever."""
    wrong = found(EXCHANGED + "FFFA: 40 80 00 80 50 80")["interrupt-unacknowledged"]
    assert "the handler at $8050 ran" in wrong.message
    assert "never touches it" in wrong.message
    assert "Port card (slot 4)" in wrong.message
    assert "interrupt-unacknowledged" not in found(EXCHANGED + "FFFA: 50 80 00 80 40 80")


@pytest.mark.parametrize("said", ["IRQ low", "IRQ pulled down", "slot 4: INT shorted to GND"])
def test_an_interrupt_line_that_the_wiring_holds_is_not_put_down_to_a_card(found, said):
    right = EXCHANGED + "FFFA: 50 80 00 80 40 80"
    wrong = found(right, extra=f'[backplane]\nwiring = ["{said}"]\n')["interrupt-unacknowledged"]
    assert "pulled by nobody but the wiring" in wrong.message


@pytest.mark.parametrize("vectors", ["50 80 40 80 00 80", "00 80 50 80 40 80"], ids=["with IRQ", "with NMI"])
def test_a_reset_vector_exchanged_with_that_of_a_handler_is_named(found, vectors):
    """Common practice: a program that starts in its handler and returns to nowhere."""
    rules = found(EXCHANGED + f"FFFA: {vectors}")
    assert "ends with RTI, as a handler does: are two of the vectors exchanged?" in rules["vector-astray"].message


def test_an_8_kb_image_at_the_bottom_of_a_32_kb_part(found):
    """Common practice: built for $E000, burnt at offset 0; the vector cycles read fill."""
    small = bytes.fromhex("4C00E0") + b"\xff" * (8192 - 9) + bytes.fromhex("00E000E000E0")
    rules = found(small)
    assert "placed at the top of the part (offset $6000)" in rules["image-size"].message
    assert "$FFFF" in rules["vector-astray"].message


DELAY = "8000: A9 05 3A D0 FD 8D 00 02 EE 01 02 4C 0B 80\nFFFA: 00 80 00 80 00 80"


def test_a_65c02_opcode_on_the_nmos_part(found):
    """ "Do I have the NMOS 6502?", a builders' forum, 2025: DEC A is no decrement there."""
    rules = found(DELAY)
    assert "Opcode $3A at $8002" in rules["opcode-missing"].message
    assert "on a 65C02 it is DEC" in rules["opcode-missing"].message
    assert "wait-without-end" in rules
    assert "opcode-missing" not in found(DELAY, "65C02")


SHARED = """8000: A2 FF 9A A9 00 85 10 A9 40 8D 0B 60 A9 F3 8D 04
8010: 60 A9 01 8D 05 60 A9 C0 8D 0E 60 58 E8 86 AC EA
8020: E4 AC F0 F8 E6 10 4C 1C 80
8060: 48 2C 04 60 A9 99 85 AC 68 40
FFFA: 60 80 00 80 60 80"""


def test_a_cell_shared_by_handler_and_program(found):
    """A BASIC ROM project's issue tracker, issue 5, 2022: a float cell that an interrupt routine used too."""
    wrong = found(SHARED)["shared-cell"]
    assert wrong.address == 0xAC
    assert "$8066" in wrong.message


KEEPS_NOT_A = """8000: A2 FF 9A A9 00 85 10 A9 40 8D 0B 60 A9 F3 8D 04
8010: 60 A9 01 8D 05 60 A9 C0 8D 0E 60 58 A9 12 EA EA
8020: C9 12 EA EA F0 F6 E6 10 4C 1C 80
8060: 2C 04 60 A9 99 40
FFFA: 60 80 00 80 60 80"""


def test_a_handler_that_does_not_keep_a(found):
    """Common practice; a handler without saves: forum 6502.org post p=113203, 2025."""
    wrong = found(KEEPS_NOT_A)["handler-registers"]
    assert "A is used here as $99" in wrong.message
    harmless = KEEPS_NOT_A.replace("A9 12 EA EA\n8020: C9 12 EA EA F0 F6 E6 10 4C 1C 80", "4C 1C 80")
    assert "handler-registers" not in found(harmless)  # a main program that needs no A


def test_brk_as_a_breakpoint_skips_a_byte(found):
    """Common practice: the stacked address is that of BRK plus two."""
    wrong = found(
        "8000: A2 FF 9A A9 00 8D 00 02 00 EE 00 02 EE 01 02 4C\n8010: 0F 80\n8040: 40\nFFFA: 40 80 00 80 40 80"
    )["brk-executed"]
    assert "RTI returns to $800A, so the byte at $8009 is skipped" in wrong.message


def test_no_ram_for_the_stack(found):
    """ "Breadboard SID player, part deux", jmp.no: the program dies at its first RTS."""
    rules = found(
        "8000: A2 FF 9A 20 10 80 A9 AA 8D 00 60 4C 0B 80\n8010: 60 EA\nFFFA: 00 80 00 80 00 80",
        extra="[[card]]\nslot = 1\nremove = true\n",
    )
    assert "the stack, $01" in rules["undriven-read"].message
    assert "reaches no card" in rules["write-nowhere"].message


RECURSION = """8000: A2 FF 9A A0 {} 20 10 80 A9 01 8D 00 02 4C 0D 80
8010: 88 F0 03 20 10 80 60
FFFA: 00 80 00 80 00 80"""


def test_the_129th_nested_call_overwrites_the_first(found):
    """Common practice: 256 bytes are 128 return addresses."""
    assert "stack-wrap" not in found(RECURSION.format("80"))
    wrong = found(RECURSION.format("81"))["stack-wrap"]
    assert wrong.pc == 0x8013


def test_a_size_probe_that_writes_into_the_first_chip_is_seen(found):
    """Common practice; a start-up prompt of this kind: forum 6502.org post p=3409."""
    rules = found(
        """8000: A9 00 85 10 A9 3F 85 11 A0 00 A9 55 91 10 D1 10
8010: D0 0F 0A 91 10 D1 10 D0 08 E6 10 D0 ED E6 11 D0
8020: E9 4C 21 80
FFFA: 00 80 00 80 00 80"""
    )
    assert "$4000 reaches no card" in rules["write-nowhere"].message


def test_two_interrupts_at_once_of_which_one_is_cleared_unserved(found):
    """A ROM project's issue tracker, issue 17, 2023: a handler that serves one source and clears all flags."""
    rules = found(
        """8000: A2 FF 9A A9 00 85 10 85 11 8D 0B 60 A9 E0 8D 0E
8010: 60 A9 64 8D 08 60 A9 64 8D 04 60 A9 00 8D 09 60
8020: 8D 05 60 58 4C 24 80
8040: 48 AD 0D 60 0A 10 05 E6 10 4C 4E 80 E6 11 A9 7F
8050: 8D 0D 60 68 40
FFFA: 40 80 00 80 40 80"""
    )
    assert "flags-cleared-together" in rules


def test_a_float_cell_that_the_handler_counts_as_reported(found):
    """A BASIC ROM project's issue tracker, issue 5, 2022: the cell written both inside and outside interrupt level."""
    wrong = found(
        """8000: A2 FF 9A A9 00 85 10 A9 40 8D 0B 60 A9 F3 8D 04
        8010: 60 A9 01 8D 05 60 A9 C0 8D 0E 60 58 A9 12 85 AC
        8020: EA A5 AC C9 12 F0 F5 E6 10 4C 1C 80
        8060: 2C 04 60 E6 AC 40
        FFFA: 60 80 00 80 60 80"""
    )["shared-cell"]
    assert wrong.address == 0xAC
    assert "written at $801E and read back at $8021" in wrong.message
    assert "$8063" in wrong.message


def test_a_size_probe_that_goes_on_into_the_first_chip_as_reported(found):
    """Common practice; a start-up prompt of this kind: forum 6502.org post p=3409."""
    probe = """8000: A9 00 85 10 A9 3F 85 11 A0 00 A9 55 91 10 D1 10
        8010: D0 0F 0A 91 10 D1 10 D0 08 E6 10 D0 ED E6 11 D0
        8020: E9 4C 21 80
        FFFA: 00 80 00 80 00 80"""
    beside = '[[card]]\nslot = 4\nselect = "0100 xxxx xxxx xxxx"\n'
    wrong = found(probe, extra=beside)["walks-into-registers"]
    assert "from $3F00 to $3FFF and goes on into register ORB of Port card (slot 4) at $4000" in wrong.message
    assert "walks-into-registers" not in found(probe)  # the hole ends it
