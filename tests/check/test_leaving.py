"""How a program left its code: the instruction that went there, where the address came from, what led there."""

from collections import defaultdict
from fractions import Fraction
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from simkit import Machine
from simkit.check.leaving.held_bits import FEWEST, held_bits
from simkit.check.leaving.search import Search
from simkit.check.leaving.trail import Trail
from simkit.check.result.report import BESIDES, LED_THERE, report_text
from simkit.check.run import check
from simkit.machine.again import Again

BENCH = "demo:bench"
VECTORS = "008000800080"


def rom(code, at=(), vectors=VECTORS):
    """32 KB with a program at $8000, more of it at further addresses, the rest $FF."""
    content = bytearray(b"\xff" * 32768)
    for address, part in ((0x8000, code), *at):
        data = bytes.fromhex(part)
        content[address - 0x8000 : address - 0x8000 + len(data)] = data
    content[0x7FFA:] = bytes.fromhex(vectors)
    return bytes(content)


NO_RAM = "[[card]]\nslot = 1\nremove = true\n"
TIMER = "A2FF9A A940 8D0B60 A910 8D0460 A900 8D0560 A9C0 8D0E60 58 4C1880"
"""VIA timer 1 interrupts again and again; the main program waits at $8018."""

# program, more of it, vectors, wiring: what is said of the way; rules that led there, in order
CASES = {
    "RTS without a card for the stack": (
        "A2FF9A 201080 4C0680", [(0x8010, "60EA")], VECTORS, NO_RAM, "6502",
        "RTS at $8010 took $EAEA from $01FE and $01FF and went on behind it. $EA ($01FE) and $EA ($01FF): no card "
        "answers there.",
        ["write-nowhere", "undriven-read"],
    ),
    "PHA not pulled": (
        "A2FF9A A941 201080 4C0880", [(0x8010, "48EA60")], VECTORS, "", "6502",
        "RTS at $8012 took $0741 from $01FD and $01FE and went on behind it. $41 ($01FD): pushed by PHA at $8010 in "
        "cycle 21. $07 ($01FE): pushed by JSR at $8005 in cycle 17. RTS wants what JSR pushed: on this way something "
        "was pushed and not pulled again.",
        ["stack-uneven"],
    ),
    "PLA too many in a routine of a routine": (
        "A2FF9A 201080 4C0680", [(0x8010, "201880 60"), (0x8018, "68EA60")], VECTORS, "", "65C02",
        "$80 ($01FD): pushed by JSR at $8010 in cycle 20. $05 ($01FE): pushed by JSR at $8003 in cycle 15. RTS wants "
        "what JSR pushed: on this way something was pulled and not pushed before.",
        ["stack-uneven"],
    ),
    "RTS with one byte pushed": (
        "A2FF9A A910 48 60", [], VECTORS, "", "65C02",
        "$00 ($0100): never written since power-on, in RAM (slot 1).",
        ["never-written", "stack-underflow"],
    ),
    "return address overwritten": (
        "A2FF9A 201080 4C0680", [(0x8010, "A200 A900 9D0001 E8 D0FA 60")], VECTORS, "", "65C02",
        "$00 ($01FE): written by STA at $8014 in cycle 2 565. $00 ($01FF): written by STA at $8014 in cycle 2 575. So "
        "the return address was overwritten, or the stack pointer stood elsewhere.",
        [],
    ),
    "JMP through a pointer at the end of a page": (
        "A940 8DFF02 A981 8D0003 A9A2 8D0002 6CFF02", [(0x8140, "4C4081")], VECTORS, "", "6502",
        "JMP at $800F took $A240 from $02FF and $0200. $40 ($02FF): written by STA at $8002 in cycle 12. $A2 ($0200): "
        "written by STA at $800C in cycle 24. The NMOS 6502 does not carry into the high byte of a pointer: behind "
        "$02FF it reads $0200.",
        None,
    ),
    "JMP through a pointer that nobody wrote": (
        "6C0003", [], VECTORS, "", "65C02",
        "$00 ($0300) and $00 ($0301): never written since power-on, in RAM (slot 1).",
        ["never-written"],
    ),
    "JMP (pointer,X) behind the end of a table": (
        "A202 7C0890", [(0x9008, "0080")], VECTORS, "", "65C02",
        "JMP at $8002 took $FFFF from $900A and $900B. $FF ($900A) and $FF ($900B): filler in ROM (slot 2).",
        [],
    ),
    "the end of the program": (
        "A2FF9A EA", [], VECTORS, "", "65C02",
        "NOP at $8003 is the last instruction there: the CPU ran on behind it.",
        [],
    ),
    "JMP to the wrong address": (
        "A2FF9A 4C0090", [], VECTORS, "", "65C02",
        "JMP at $8003 goes there; so it stands in the program.",
        [],
    ),
    "a vector of RESET that is not there": (
        "A2FF9A", [], "FFFFFFFFFFFF", "", "65C02",
        "The RESET sequence took $FFFF from the vector RESET at $FFFC. $FF ($FFFC) and $FF ($FFFD): filler in ROM "
        "(slot 2).",
        None,
    ),
    "an interrupt through a vector that was never filled": (
        TIMER, [], "FFFF0080FFFF", "", "65C02",
        "Shortly before: The interrupt sequence took $FFFF from the vector IRQ and BRK at $FFFE. $FF ($FFFE) and $FF "
        "($FFFF): so it stands in ROM (slot 2).",
        None,
    ),
    "BRK through such a vector": (
        "A2FF9A 00", [], "FFFF0080FFFF", "", "65C02",
        "Shortly before: BRK at $8003 took $FFFF from the vector IRQ and BRK at $FFFE.",
        None,
    ),
    "code that was put together in RAM": (
        "A94C 8D0002 A900 8D0102 A990 8D0202 4C0002", [], VECTORS, "", "65C02",
        "JMP at $0200 goes there; so it stands in the program. $4C ($0200): written by STA at $8002 in cycle 12. $00 "
        "($0201): written by STA at $8007 in cycle 18. $90 ($0202): written by STA at $800C in cycle 24.",
        [],
    ),
    "A14 of the ROM stuck low": (
        "A942 8510 4C0480", [], VECTORS, 'faults = ["slot 2: A14 stuck low"]\n', "65C02",
        "$FF ($FFFC): filler in ROM (slot 2) at offset $3FFC: at its pins A14 is low, on the bus not.",
        None,
    ),
    "D3 of the RAM stuck low": (
        "A2FF9A 8A9500 CAD0FA 4C3880", [(0x8038, "205080 4C3B80"), (0x8050, "60")], VECTORS,
        'faults = ["slot 1: D3 stuck low"]\n', "65C02",
        "$32 ($01FE): $3A was pushed by JSR at $8038 in cycle 2 822; memory, or its wires, gave another byte, with D3 "
        "low. $80 ($01FF): pushed by JSR at $8038 in cycle 2 821. D3 of RAM (slot 1) comes low in all 129 bytes that "
        "were written with it high: look at that line.",
        [],
    ),
}  # fmt: skip


@pytest.fixture
def machine_of(tmp_path):
    def make(name, engine="auto"):
        code, at, vectors, extra, cpu, *_ = CASES[name]
        bench = Machine.load(BENCH).description.path
        faults = []
        if extra.startswith("faults"):
            faults, extra = [extra.split('"')[1]], ""
        (tmp_path / "machine.toml").write_text(f'base = "{bench}"\ncpu = "{cpu}"\n{extra}')
        return Machine.load(tmp_path, images={2: rom(code, at, vectors)}, engine=engine, faults=faults)

    return make


@pytest.mark.parametrize("engine", ["exact", "auto"])
@pytest.mark.parametrize("name", CASES)
def test_the_way_is_told_and_what_led_there(machine_of, name, engine):
    *_, words, led = CASES[name]
    result = check(machine_of(name, engine), seconds=Fraction(1, 100))
    (lost,) = [one for one in result.findings if one.role == "left"]
    assert lost.rule.name == "ran-away"
    assert words in " ".join(lost.way)
    if led is not None:
        assert [one.rule.name for one in result.findings if one.role == "cause"] == led


def test_what_led_there_stands_first_and_what_did_not_behind(machine_of, tmp_path):
    """A write to ROM has nothing to do with the stack."""
    bench = Machine.load(BENCH).description.path
    (tmp_path / "machine.toml").write_text(f'base = "{bench}"\n{NO_RAM}')
    content = rom("A2FF9A 8D0090 201080 4C0680", [(0x8010, "60EA")])
    result = check(Machine.load(tmp_path, images={2: content}), seconds=Fraction(1, 100))
    ran = [one.rule.name for one in result.findings if one.cycle is not None]
    assert ran == ["write-nowhere", "undriven-read", "ran-away", "write-to-rom"]
    text = report_text(result)
    assert text.index(LED_THERE) < text.index("write-nowhere") < text.index("ran-away") < text.index(BESIDES)
    assert text.index(BESIDES) < text.index("write-to-rom")
    roles = {one["rule"]: one["role"] for one in result.as_dict()["findings"]}
    assert roles["undriven-read"] == "cause"
    assert roles["ran-away"] == "left"
    assert roles["write-to-rom"] is None


def test_a_search_afterwards_finds_what_the_check_saw(machine_of):
    for name in CASES:
        machine = machine_of(name)
        again = Again(machine)
        machine.run(cycles=20_000)
        search = Search(again)
        while search.go_on(cycles=7_000):
            assert 0 <= search.part < 1
        result = check(machine_of(name), seconds=Fraction(1, 50))
        assert search.leaving.cycle == result.cycles
        told = [one.message for one in result.findings if one.role and one.cycle is not None]
        assert [one.message for one in search.leaving.findings] == told
        assert search.leaving.findings[-1].way


def test_a_program_that_stays_in_its_code_has_left_nowhere():
    machine = Machine.load("demo:keyboard-test")
    again = Again(machine)
    machine.keys.type("a")
    machine.run(cycles=300_000)
    search = Search(again)
    while search.go_on():
        pass
    assert search.leaving is None


def test_a_machine_that_cannot_be_run_again_is_not_searched(machine_of):
    machine = machine_of("PHA not pulled")
    again = Again(machine)
    machine.poke(0x200, 1)
    machine.run(cycles=1_000)
    search = Search(again)
    assert not search.go_on()
    assert search.leaving is None


@settings(deadline=None, max_examples=20)
@given(
    program=st.sampled_from(("demo:marlpit", "demo:catalogue", "demo:pad-test", "demo:bench")),
    cycles=st.integers(1, 60_000),
    engine=st.sampled_from(("auto", "exact")),
)
def test_the_trail_is_that_of_a_probe(program, cycles, engine):
    """Held to a probe, which sees one cycle after another on the reference engine."""
    told = Machine.load(program, engine="exact")
    writes, units = {}, defaultdict(list)
    seen = []
    told.add_probe(seen.append)
    told.run(cycles=cycles)
    until = told.cycle
    pc, number = None, 0
    for one in seen:
        if one.is_fetch or (one.kind == "reset" and (not number or pc is not None)):
            number += 1
            pc = one.address if one.kind == "instruction" else None
        units[number].append((one.cycle, one.address, one.cpu_data, one.is_write))
        if one.is_write:
            writes[one.address] = (one.cycle, one.cpu_data, pc)
    trail = Trail(Machine.load(program, engine=engine), until).whole()
    found = {address: trail.written(address) for address in range(0x10000)}
    assert {a: (w.cycle, w.data, w.pc) for a, w in found.items() if w is not None} == writes
    assert trail.machine.cycle == until
    mine = [[(row.cycle, row.address, row.data, row.is_write) for row in unit] for unit in trail.last()]
    held = _without_repeats(units, seen)
    assert mine[-6:] == held[-6:][-len(mine[-6:]) :]


def _without_repeats(units, seen):
    """Units of a run in which nothing is held by RDY, as of the programs above."""
    assert all(after.cycle == before.cycle + 1 for before, after in pairwise(seen))
    return [units[number] for number in sorted(units)]


@given(st.lists(st.integers(0, 255), min_size=20, max_size=60), st.integers(0, 255), st.integers(0, 255))
def test_bits_that_come_at_one_level_are_those_that_were_held(written, low, high):
    given_back = [(byte & ~low | high) & 0xFF for byte in written]
    found = {(one.bit, one.level) for one in held_bits(written, given_back)}
    for bit in range(8):
        for level in (False, True):
            other = sum(byte >> bit & 1 != level for byte in written)
            held = high >> bit & 1 if level else low & ~high & 0xFF & 1 << bit
            assert ((bit, level) in found) == (other >= FEWEST and bool(held))
