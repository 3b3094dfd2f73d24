"""The bus of all 256 opcodes of both parts against the published tables (published_cycles.py) and the derived ones."""

import functools
import random
import re
from collections.abc import Callable

import attrs
import pytest

from simkit.cpu.isa.cited import CITED, SOURCES, shape
from simkit.cpu.isa.cycles import bus_patterns
from simkit.cpu.isa.opcodes import OPCODES, PARTS

CASES_PER_OPCODE = 36

# Published cycle counts, counted once more by hand from: MOS Technology, MCS6500 Programming Manual, 1976, appendix B;
# Western Design Center, W65C02S data sheet, table 6-5. Lowest count; page crossing, branches and D add to it.
COUNTS = {
    "6502": {"LDA imm": 2, "LDA zp": 3, "LDA zpx": 4, "LDA abs": 4, "LDA absx": 4, "LDA absy": 4, "LDA indx": 6}
    | {"LDA indy": 5, "STA zp": 3, "STA zpx": 4, "STA abs": 4, "STA absx": 5, "STA absy": 5, "STA indx": 6}
    | {"STA indy": 6, "ASL acc": 2, "ASL zp": 5, "ASL zpx": 6, "ASL abs": 6, "ASL absx": 7, "INC absx": 7}
    | {"BNE rel": 2, "JMP abs": 3, "JMP ind": 5, "JSR abs": 6, "RTS imp": 6, "RTI imp": 6, "BRK imp": 7}
    | {"PHA imp": 3, "PHP imp": 3, "PLA imp": 4, "PLP imp": 4, "NOP imp": 2, "DEX imp": 2},
    "65C02": {"ASL absx": 6, "ROR absx": 6, "INC absx": 7, "DEC absx": 7, "JMP ind": 6, "JMP iax": 6, "BRA rel": 3}
    | {"LDA izp": 5, "STA izp": 5, "STZ absx": 5, "STZ abs": 4, "TSB zp": 5, "TRB abs": 6, "RMB0 zp": 5}
    | {"SMB7 zp": 5, "BBR0 zprel": 5, "BBS7 zprel": 5, "PHX imp": 3, "PLY imp": 4, "BIT imm": 2, "WAI imp": 3}
    | {"STP imp": 3, "STA absx": 5, "STA indy": 6, "INC acc": 2},
}
FIXED_LENGTH_NOPS = {0x02: 2, 0x22: 2, 0x44: 3, 0x54: 4, 0xD4: 4, 0xF4: 4, 0xDC: 4, 0xFC: 4, 0x5C: 8, 0x03: 1, 0xFB: 1}


@attrs.frozen
class Case:
    """One case of an opcode as one of the two tables has it."""

    when: str
    kinds: tuple[str, ...]
    data: tuple[str, ...]
    addresses: Callable[..., list[int]]
    row: object


def _published(published, part, code):
    """What the makers print."""
    kinds = {"~": "dummy", "W": "write"}
    for row in published.rows(part, code):
        data = tuple(cycle.partition("=")[2] for cycle in row.cycles)
        yield Case(
            row.when,
            tuple(kinds.get(cycle[0], "read") for cycle in row.cycles),
            data,
            functools.partial(published.addresses, row),
            row,
        )


KINDS = {"read": "read", "dummy read": "dummy", "write": "write"}
DATA_WORDS = {
    "": "",
    "the stored byte": "register",
    "the byte just read": "old",
    "the new byte": "new",
    "high byte of the program counter": "pch",
    "low byte of the program counter": "pcl",
    "flags": "p",
}


def _derived(published, part, code):
    """What is read off the texts that the engine is made of."""
    for pattern in bus_patterns(part, code):
        data = tuple(DATA_WORDS[step.data] for step in pattern.cycles)
        kinds = tuple(KINDS[step.action] for step in pattern.cycles)
        yield Case(pattern.when, kinds, data, functools.partial(_evaluate, pattern), pattern)


@functools.cache
def _compiled(address):
    return compile(address, "address", "eval")


class _Memory:
    def __init__(self, read):
        self._read = read

    def __getitem__(self, address):
        return self._read(address)


def _evaluate(pattern, read, pc, x, y, sp, stored=0):
    first, second = (read(pc + number & 0xFFFF) for number in (1, 2))
    memory = _Memory(read)
    known = {"memory": memory, "first": first, "second": second, "pc": pc, "x": x, "y": y, "sp": sp, "stored": stored}
    return [eval(_compiled(step.address), {}, known) for step in pattern.cycles]


def _applies(case: Case, crossed: bool, taken: bool, page: bool, decimal: bool) -> bool:
    when = case.when
    if when.startswith("D="):
        if int(when[2]) != decimal:
            return False
        when = when[3:].strip() or "-"
    branch = "taken page" if taken and page else "taken" if taken else "not taken"
    return when in ("-", "cross" if crossed else "no cross", branch)


def _crossed(mode: str, memory: bytes, pc: int, x: int, y: int) -> bool:
    low = memory[pc + 1 & 0xFFFF]
    if mode == "indy":
        low = memory[low]
    return low + (x if mode == "absx" else y) > 0xFF


@pytest.mark.parametrize("cases", [_published, _derived], ids=["published", "derived"])
@pytest.mark.parametrize("part", PARTS)
def test_every_opcode_makes_the_accesses_of_the_table_and_no_other(part, cases, rig, published):
    """MCS6500 Hardware Manual 1976 appendix A; W65C02S data sheet tables 6-5, 7-1; Rockwell R65C00 1984 items 1-6."""
    chance = random.Random(f"cycle table {part}")
    board = rig(part, pulled=()).watch()
    cpu, memory = board.cpu, board.memory
    seen: set[tuple[int, str]] = set()
    table = [tuple(cases(published, part, code)) for code in range(256)]
    for opcode in OPCODES[part]:
        memory[:] = chance.randbytes(65536)
        for _ in range(CASES_PER_OPCODE):
            pc = chance.randrange(65536)
            memory[pc] = opcode.code
            board.begin(pc, **{r: chance.randrange(256) for r in ("a", "x", "y", "sp", "p")})
            before = bytes(memory)
            x, y, sp, p, decimal = cpu.x, cpu.y, cpu.sp, cpu.p, bool(cpu.d)
            board.log.clear()
            cpu.step()
            log = board.log
            crossed = _crossed(opcode.mode, before, pc, x, y) if opcode.mode in ("absx", "absy", "indy") else False
            taken = opcode.mode in ("rel", "zprel") and len(log) > {"rel": 2, "zprel": 5}[opcode.mode]
            after = pc + opcode.length & 0xFFFF
            page = taken and (cpu.pc ^ after) & 0xFF00 != 0
            (case,) = [case for case in table[opcode.code] if _applies(case, crossed, taken, page, decimal)]
            seen.add((opcode.code, case.when))
            stored = log[-1].data if log[-1].is_write else 0
            where = f"{opcode} at {pc:04X}, {case.row}"
            assert [c.address for c in log] == case.addresses(before.__getitem__, pc, x, y, sp, stored), where
            assert tuple("write" if c.is_write else "dummy" if c.kind == "dummy" else "read" for c in log) == case.kinds
            assert [c.is_fetch for c in log] == [True] + [False] * (len(log) - 1), where
            assert [c.cycle for c in log] == list(range(cpu.cycle - len(log), cpu.cycle)), where
            known = {"pch": pc + 2 >> 8 & 0xFF, "pcl": pc + 2 & 0xFF, "p": p | 0x30}
            for data, cycle in zip(case.data, log, strict=True):
                assert bool(data) == cycle.is_write, where
                if data not in ("", "register", "new"):
                    assert cycle.data == known.get(data, before[cycle.address]), where
    assert {(code, case.when) for code in range(256) for case in table[code]} == seen, "every case came up"


@pytest.mark.parametrize("part", PARTS)
def test_what_is_read_off_the_texts_is_what_the_makers_print_and_says_where(part, published):
    """Cases, cycles and citations of all 256 opcodes against the published rows; addresses on random states."""
    chance = random.Random(f"derived {part}")
    for opcode in OPCODES[part]:
        derived, printed = (tuple(cases(published, part, opcode.code)) for cases in (_derived, _published))
        assert [case.when for case in derived] == [case.when for case in printed], opcode
        for ours, theirs in zip(derived, printed, strict=True):
            assert (ours.kinds, ours.data, ours.row.source) == (theirs.kinds, theirs.data, theirs.row.source), opcode
            tried = 0
            while tried < 5:
                memory, pc = chance.randbytes(65536), chance.randrange(65536)
                x, y, sp, stored = chance.randbytes(4)
                if opcode.mode in ("absx", "absy", "indy"):
                    crossed = _crossed(opcode.mode, memory, pc, x, y)
                    if not _applies(ours, crossed, False, False, "D=1" in ours.when):
                        continue  # addresses of this case mean nothing there
                tried += 1
                state = (memory.__getitem__, pc, x, y, sp, stored)
                assert ours.addresses(*state) == theirs.addresses(*state), (opcode, ours.row)


@pytest.mark.parametrize("part", PARTS)
def test_one_place_in_words_is_one_place_in_the_published_table(part, published):
    """Two places called alike, or one place called differently, would be seen here."""
    meant: dict[tuple[str, int, bool], set[str]] = {}
    called: dict[tuple[str, int, bool], set[str]] = {}
    for opcode in OPCODES[part]:
        relative = opcode.mode == "zprel"
        for ours, theirs in zip(bus_patterns(part, opcode.code), published.rows(part, opcode.code), strict=True):
            for step, cycle in zip(ours.cycles, theirs.cycles, strict=True):
                place = cycle.removeprefix("W:").partition("=")[0]
                place = place if place == "~FFFF" else place.lstrip("~")
                meant.setdefault((step.place, opcode.length, relative), set()).add(place)
                called.setdefault((place, opcode.length, relative), set()).add(step.place)
    two = {words: places for words, places in meant.items() if len(places) > 1}
    assert two == ({("pointer", 2, False): {"I", "IX"}} if part == "65C02" else {})  # each instruction has one pointer
    assert all(len(words) == 1 for words in called.values())


@pytest.mark.parametrize("part", PARTS)
def test_lowest_cycle_counts_are_the_printed_ones(part, published):
    """MCS6500 Programming Manual 1976, appendix B; W65C02S data sheet, table 6-5."""
    shortest = {
        f"{o.mnemonic} {o.mode}": min(len(row.cycles) for row in published.rows(part, o.code))
        for o in OPCODES[part]
        if o.documented
    }
    for name, count in COUNTS[part].items():
        assert shortest[name] == count, name


@pytest.mark.parametrize(("code", "cycles"), FIXED_LENGTH_NOPS.items())
def test_undefined_cmos_opcodes_are_nops_of_the_printed_length(code, cycles):
    """W65C02S data sheet, table 7-1; measured in the W65C02 opcode summary v0.2.1 (NollKollTroll)."""
    opcode = OPCODES["65C02"][code]
    assert (opcode.mnemonic, opcode.documented) == ("NOP", False)
    assert {len(p.cycles) for p in bus_patterns("65C02", code)} == {cycles}


def test_numbers_of_opcodes_are_those_of_the_tables():
    """MCS6500 Programming Manual 1976: 151; groepaz 2017: 105 others, 12 jam; W65C02S data sheet: 212, and 44 NOPs."""
    nmos, cmos = OPCODES["6502"], OPCODES["65C02"]
    assert sum(o.documented for o in nmos) == 151
    assert sum(o.mnemonic == "JAM" for o in nmos) == 12
    assert sum(o.mnemonic == "NOP" and not o.documented for o in nmos) == 27
    assert sum(not o.documented for o in cmos) == 44
    assert {o.mnemonic for o in cmos if not o.documented} == {"NOP"}


@pytest.mark.parametrize("part", PARTS)
def test_every_row_and_every_citation_belongs_to_an_opcode(part, published):
    shapes = {shape(part, opcode) for opcode in OPCODES[part]}
    names = {opcode.mnemonic for opcode in OPCODES[part]}
    assert shapes <= set(published.TABLE[part]) <= shapes | names
    assert shapes == {cited.partition(":")[0] for cited in CITED[part]}
    tags = {tag for cited in CITED[part].values() for tag in re.findall(r"\b[A-Z]{2,}\b", cited)} - {"PC"}
    assert tags <= set(SOURCES)


# Single cases with their numbers, so that a reader can check one by hand.
CHECKS = [
    # part, bytes at pc, memory, registers, cycles (address, data, write)
    (
        "6502",
        0x3AFB,
        "BDA001",
        {0x0242: 0x55},
        {"x": 0xA2},
        [(0x3AFB, 0xBD, 0), (0x3AFC, 0xA0, 0), (0x3AFD, 0x01, 0), (0x0142, 0, 0), (0x0242, 0x55, 0)],
    ),
    (
        "6502",
        0x7878,
        "9DB8AD",
        {},
        {"x": 0xE2, "a": 7},
        [(0x7878, 0x9D, 0), (0x7879, 0xB8, 0), (0x787A, 0xAD, 0), (0xAD9A, 0, 0), (0xAE9A, 7, 1)],
    ),
    (
        "6502",
        0x1000,
        "EE8F74",
        {0x748F: 0x9A},
        {},
        [
            (0x1000, 0xEE, 0),
            (0x1001, 0x8F, 0),
            (0x1002, 0x74, 0),
            (0x748F, 0x9A, 0),
            (0x748F, 0x9A, 1),
            (0x748F, 0x9B, 1),
        ],
    ),
    (
        "65C02",
        0x1000,
        "EEE27D",
        {0x7DE2: 0x20},
        {},
        [
            (0x1000, 0xEE, 0),
            (0x1001, 0xE2, 0),
            (0x1002, 0x7D, 0),
            (0x7DE2, 0x20, 0),
            (0x7DE2, 0x20, 0),
            (0x7DE2, 0x21, 1),
        ],
    ),
    (
        "6502",
        0x40DC,
        "D02B",
        {},
        {"p": 0x20},
        [(0x40DC, 0xD0, 0), (0x40DD, 0x2B, 0), (0x40DE, 0, 0), (0x4009, 0, 0)],
    ),
    (
        "6502",
        0x5289,
        "20C28F",
        {},
        {"sp": 0x3E},
        [(0x5289, 0x20, 0), (0x528A, 0xC2, 0), (0x013E, 0, 0), (0x013E, 0x52, 1), (0x013D, 0x8B, 1), (0x528B, 0x8F, 0)],
    ),
]


@pytest.mark.parametrize(("part", "pc", "code", "memory", "registers", "cycles"), CHECKS)
def test_single_instructions_make_the_cycles_printed_beside_them(part, pc, code, memory, registers, cycles, rig):
    """SingleStepTests 65x02 cases "bd a0 01", "9d b8 ad", "ee 8f 74", "ee e2 7d", "d0 2b 3a", "20 c2 8f"; MCS6500
    Hardware Manual A.2.5, A.3.4, A.4.2, A.5.3, A.5.8; W65C02S data sheet, table 7-1 (read-modify-write).
    """
    board = rig(part, pulled=()).watch()
    board.place(pc, code)
    for address, value in memory.items():
        board.memory[address] = value
    board.begin(pc, **registers)
    board.cpu.step()
    assert [(c.address, c.data, int(c.is_write)) for c in board.log] == cycles


@pytest.mark.parametrize(
    ("part", "target", "cycles"),
    [("6502", 0x5040, 5), ("65C02", 0x6040, 6)],
)
def test_jump_through_a_pointer_at_the_end_of_a_page(part, target, cycles, rig):
    """Rockwell R65C00 data, October 1984, item 3: the NMOS part takes the high byte from the start of the same page."""
    board = rig(part, pulled=())
    board.place(0x1000, "6CFF30")
    board.memory[0x30FF], board.memory[0x3000], board.memory[0x3100] = 0x40, 0x50, 0x60
    board.begin(0x1000)
    start = board.cpu.cycle
    board.cpu.step()
    assert (board.cpu.pc, board.cpu.cycle - start) == (target, cycles)
