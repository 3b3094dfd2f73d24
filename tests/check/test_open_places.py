"""What a handler changes where the main program needs it: told also when none came there in the run.

Machine: the bench machine M1, whose timer 1 interrupts every 501 cycles. Some main loops take a part of that, so that
the interrupt comes at the same few places again and again.
"""

from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from simkit import Machine
from simkit.check.image.liveness import Liveness
from simkit.check.run import check
from simkit.cpu.isa.effects import effects
from tests.check.conftest import image

START = "8000: A2 FF 9A D8 A9 00 85 20 85 21 A9 40 8D 0B 60 A9 F3 8D 04 60 A9 01 8D 05 60 A9 C0 8D 0E 60 58\n"
"""Cells $20 and $21 cleared, timer 1 started, interrupts allowed; the main program goes on at $801F."""
VECTORS = "\nFFFA: 60 80 00 80 60 80"
RULES = {"registers-open", "handler-registers", "change-lost", "number-torn", "shared-cell", "walks-into-registers"}


@pytest.fixture
def found(tmp_path):
    def run(main, handler, cpu="6502", seconds=Fraction(1, 20), engine="auto", extra=""):
        bench = Machine.load("demo:bench").description.path
        (tmp_path / "machine.toml").write_text(f'base = "{bench}"\ncpu = "{cpu}"\n{extra}')
        listing = f"{START}801F: {main}\n8060: {handler}{VECTORS}"
        machine = Machine.load(tmp_path, images={2: image(listing)}, engine=engine)
        return {one.rule.name: one for one in check(machine, seconds=seconds).findings if one.rule.name in RULES}

    return run


def waiting(code, cycles, at=0x801F):
    """Code in a loop that takes so many cycles: NOPs, of 2, and the JMP, of 3, fill it up."""
    length = len(bytes.fromhex(code.replace(" ", "")))
    nops = (cycles[1] - cycles[0] - 3) // 2
    back = f"4C {at & 0xFF:02X} {at >> 8:02X}"
    assert length + nops + 3 < 0x41
    return f"{code} {'EA ' * nops}{back}"


KEEPS = {
    "a": ("A9 05 85 30", 5, "AD 04 60 40", "A"),  # LDA #5, STA $30; the handler: LDA $6004, RTI
    "x": ("A2 05 86 30", 5, "AE 04 60 40", "X"),
    "y": ("A0 05 84 30", 5, "AC 04 60 40", "Y"),
}


@pytest.mark.parametrize("engine", ["auto", "exact"])
@pytest.mark.parametrize("register", KEEPS)
def test_a_register_that_is_not_restored_is_told_where_it_is_needed(found, register, engine):
    """The loop takes 167 cycles, a third of the timer's period, so the interrupt comes in the same place each time."""
    code, cycles, handler, name = KEEPS[register]
    rules = found(waiting(code, (cycles, 101)), handler, engine=engine)
    one = rules.get("registers-open") or rules["handler-registers"]
    assert f"{name} " in one.message
    assert "$8063" in one.message


def test_where_none_came_it_is_said(found):
    """Loaded and used once, long before the first interrupt; the loop behind it needs nothing."""
    main = "A9 05 85 30 EA EA 4C 23 80"
    rules = found(main, "AD 04 60 40")
    assert "A is needed at $8021" in rules["registers-open"].message
    assert "In this run none came there." in rules["registers-open"].message


@pytest.mark.parametrize(
    ("main", "handler"),
    [
        ("78 A9 05 85 30 58 EA EA EA 4C 1F 80", "AD 04 60 40"),  # forbidden
        ("A9 05 85 30 4C 1F 80", "48 AD 04 60 68 40"),  # restored
        ("E6 30 4C 1F 80", "AD 04 60 40"),  # needs no register
        ("A2 05 86 30 4C 1F 80", "AD 04 60 40"),  # another one
        ("A9 05 EA 4C 1F 80", "AD 04 60 40"),  # loaded, never used
    ],
)
def test_a_register_that_nobody_needs_there_is_not_told(found, main, handler):
    assert {"registers-open", "handler-registers"} & set(found(main, handler)) == set()


def test_an_nmi_may_come_whatever_the_flag_says(found):
    """Timer 1 on NMI; the main program forbids interrupts."""
    extra = '[[card]]\nslot = 4\nlines = { INT = "NMI" }\n'
    rules = found("78 A9 05 85 30 EA EA 4C 1F 80", "AD 04 60 40", extra=extra)
    one = rules.get("registers-open") or rules["handler-registers"]
    assert "NMI" in one.message


# read, change, store --------------------------------------------------------------------------------------------------

COUNTS = "2C 04 60 E6 20 40"  # BIT $6004, INC $20, RTI


@pytest.mark.parametrize("engine", ["auto", "exact"])
@pytest.mark.parametrize(
    "main",
    [
        "A5 20 18 69 01 85 20 4C 1F 80",  # LDA, CLC, ADC #1, STA
        "A6 20 E8 86 20 4C 1F 80",  # LDX, INX, STX
        "A4 20 88 84 20 4C 1F 80",  # LDY, DEY, STY
        "AD 20 00 29 FE 8D 20 00 4C 1F 80",  # absolute
        "A5 20 F0 02 49 01 85 20 4C 1F 80",  # a branch between
    ],
)
def test_a_change_of_the_handler_that_is_lost_is_told(found, main, engine):
    one = found(main, COUNTS, engine=engine)["change-lost"]
    assert one.address == 0x20
    assert "while interrupts are allowed" in one.message
    assert "at $8063" in one.message


@pytest.mark.parametrize(
    ("main", "cpu"),
    [
        ("78 A5 20 18 69 01 85 20 58 4C 1F 80", "6502"),  # forbidden
        ("E6 20 4C 1F 80", "6502"),  # in one instruction
        ("A9 01 04 20 4C 1F 80", "65C02"),  # TSB
        ("A5 20 85 30 4C 1F 80", "6502"),  # only read
        ("A5 20 D0 04 A9 05 85 20 4C 1F 80", "6502"),  # another value is stored
        ("A5 22 18 69 01 85 22 4C 1F 80", "6502"),  # another cell
        ("A5 20 48 A9 00 85 20 68 85 30 4C 1F 80", "6502"),  # taken and cleared: what came in between is lost as told
    ],
)
def test_what_loses_nothing_is_not_told(found, main, cpu):
    assert "change-lost" not in found(main, COUNTS, cpu=cpu)


def test_bits_of_a_port_that_both_set_are_told_too(found):
    handler = "2C 04 60 48 AD 00 60 49 80 8D 00 60 68 40"
    one = found("AD 00 60 09 01 8D 00 60 4C 1F 80", handler)["change-lost"]
    assert one.address == 0x6000
    assert one.slot == 4
    assert "change-lost" not in found("78 AD 00 60 09 01 8D 00 60 58 4C 1F 80", handler)


# numbers of two bytes -------------------------------------------------------------------------------------------------

COUNTS_BOTH = ("2C 04 60 E6 20 D0 02 E6 21 40", "2C 04 60 48 18 A5 20 69 01 85 20 A5 21 69 00 85 21 68 40")


@pytest.mark.parametrize("handler", COUNTS_BOTH)
@pytest.mark.parametrize("main", ["A5 20 A6 21 85 30 86 31 4C 1F 80", "A5 21 85 31 A5 20 85 30 4C 1F 80"])
def test_a_number_that_is_read_byte_by_byte_is_told(found, main, handler):
    """The high byte need not have been counted in this run."""
    one = found(main, handler)["number-torn"]
    assert "$0020" in one.message
    assert "$0021" in one.message


@pytest.mark.parametrize("handler", COUNTS_BOTH)
@pytest.mark.parametrize(
    "main",
    [
        "78 A5 20 A6 21 58 85 30 86 31 4C 1F 80",  # forbidden
        "A6 21 A5 20 E4 21 D0 F8 85 30 86 31 4C 1F 80",  # the high byte again
        "A5 20 85 30 4C 1F 80",  # one byte
    ],
)
def test_a_number_that_is_read_rightly_is_not_told(found, main, handler):
    assert "number-torn" not in found(main, handler)


# stored and read back -------------------------------------------------------------------------------------------------


def test_a_loop_that_waits_for_the_handler_is_no_cell_of_two_uses(found):
    """LDA #0, STA $20, and LDA $20 until it is something else."""
    assert "shared-cell" not in found("A9 00 85 20 A5 20 F0 FC 4C 1F 80", COUNTS)
    assert found("A9 12 85 20 EA A5 20 C9 12 F0 F5 4C 1F 80", COUNTS)["shared-cell"].address == 0x20


# stores that walk -----------------------------------------------------------------------------------------------------

BESIDE = '[[card]]\nslot = 4\nselect = "0100 xxxx xxxx xxxx"\n'
CLEARS = "A9 00 85 10 A9 3F 85 11 A0 00 A9 00 91 10 E6 10 D0 FA E6 11 A5 11 C9 {end} D0 F2 4C 39 80"
DOWN = "A2 {first} A9 00 9D 00 40 CA D0 FA 4C 29 80"


@pytest.fixture
def walked(tmp_path):
    def run(main, extra=BESIDE, engine="auto"):
        bench = Machine.load("demo:bench").description.path
        (tmp_path / "machine.toml").write_text(f'base = "{bench}"\n{extra}')
        machine = Machine.load(tmp_path, images={2: image(f"801F: {main}\nFFFA: 60 80 1F 80 60 80")}, engine=engine)
        return [
            one for one in check(machine, seconds=Fraction(1, 50)).findings if one.rule.name == "walks-into-registers"
        ]

    return run


@pytest.mark.parametrize("engine", ["auto", "exact"])
def test_a_clearing_loop_that_goes_a_page_too_far_is_told(walked, engine):
    (one,) = walked(CLEARS.format(end="41"), engine=engine)
    assert "from $3F00 to $3FFF and goes on into register ORB of Port card (slot 4) at $4000" in one.message
    assert walked(CLEARS.format(end="40"), engine=engine) == []


def test_a_table_of_values_for_a_card_is_no_walk(walked):
    """Indexed stores into all registers, as drivers do; and a store to the first register alone."""
    assert walked("A2 0F BD 00 80 9D 00 40 CA 10 F7 4C 2A 80") == []
    assert walked("A9 01 8D 00 40 8D FF 3F 8D 00 40 4C 2A 80") == []


def test_where_registers_lie_elsewhere_nothing_is_followed(walked):
    assert walked(CLEARS.format(end="41"), extra="") == []


# liveness -------------------------------------------------------------------------------------------------------------


PARTS = ("A901", "A202", "8510", "8612", "E8", "CA", "AA", "EA", "D002", "F0FC", "A512")


@given(st.lists(st.sampled_from(PARTS), min_size=3, max_size=14))
def test_registers_are_needed_where_some_way_uses_them(parts):
    """TAX hands A on: A is needed before it where X is behind it."""
    code = bytes.fromhex("".join(parts)) + bytes(8)
    table = effects("6502")
    pcs, pc = [], 0
    for part in parts:
        pcs.append(pc)
        pc += len(part) // 2
    ends = pc
    starts = set(pcs)
    live = Liveness(pcs, lambda at: code[at] if at < len(code) else 0, table)
    for at in pcs:
        targets = [at + 2 + code[at + 1] - (code[at + 1] & 0x80) * 2] if table[code[at]].branches else []
        if any(target not in starts and 0 <= target < ends for target in targets):
            return  # into the middle of an instruction
    if "AA" not in parts:
        for at in pcs:
            for register in "axy":
                reach = _reachable_only(code, at, starts, ends, table)
                assert (register in live.needed(at)) == _needed(reach, at, register, code, table)


def _reachable_only(code, at, starts, ends, table):
    edges = {}
    for pc in starts:
        effect = table[code[pc]]
        following = [pc + effect.length]
        if effect.branches:
            following.append(pc + 2 + code[pc + 1] - (code[pc + 1] & 0x80) * 2)
        edges[pc] = [each for each in following if each in starts]
    return edges


def _needed(edges, at, register, code, table):
    seen, left = set(), [at]
    while left:
        pc = left.pop()
        if pc in seen:
            continue
        seen.add(pc)
        effect = table[code[pc]]
        if register in effect.uses:
            return True
        if register not in effect.writes:
            left += edges[pc]
    return False


def test_a_routine_uses_what_it_uses_and_lets_the_rest_through():
    """$00: LDX #5, JSR $10, STX $20. The routine leaves X alone, or sets it, or needs it."""
    table = effects("6502")
    main = bytes.fromhex("A205 201000 8620 60")
    for routine, before_call in (("A90160", "x"), ("A20160", ""), ("8621A20160", "x")):
        code = bytearray(64)
        code[: len(main)] = main
        code[0x10 : 0x10 + len(bytes.fromhex(routine))] = bytes.fromhex(routine)
        pcs = [0, 2, 5, 7]
        pc = 0x10
        while code[pc] != 0x60:
            pcs.append(pc)
            pc += table[code[pc]].length
        live = Liveness([*pcs, pc], code.__getitem__, table)
        assert "".join(live.needed(2)) == before_call
        assert live.needed(0) == frozenset()
