"""Strobes and selects in all states of RW and PHI2: exactly the forms that work are passed over.

What works is stated here twice, by the sets in SOUND, and by a program that writes and reads on both engines. While
PHI2 is low only the first can tell: the kit runs whole cycles.
"""

from itertools import product

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from simkit import Machine
from simkit.backplane.select import Expression, Select
from simkit.backplane.sentences import read_sentence
from simkit.backplane.strobes import check_strobes
from simkit.backplane.wiring import READ_STROBE, WRITE_STROBE, Wiring
from simkit.check.rules.catalogue import RULES
from simkit.contract.findings import Findings

READ, WRITE, READ_LOW, WRITE_LOW = STATES = ((1, 1), (0, 1), (1, 0), (0, 0))  # RW, PHI2
FORMS = [frozenset(state for bit, state in enumerate(STATES) if form >> bit & 1) for form in range(16)]
ANY = FORMS
GATED_READ, GATED_WRITE = frozenset({READ}), frozenset({WRITE})
WHOLE_READ = frozenset({READ, READ_LOW})  # the memory has the whole cycle
HIGH = {READ, WRITE}

CARDS = """
from typing import ClassVar
import attrs
from simkit.contract import BYTE, Card, Register, remembers, saved

@attrs.frozen
class Settings:
    pass

@remembers
class Tray(Card):
    kind: ClassVar[str] = "tray"
    Settings: ClassVar[type] = Settings
    held: int = saved(BYTE, 0)
    stored: int = saved(BYTE, 0)
    @classmethod
    def registers(cls, settings):
        return (Register(0, "held", "rw"),)
    def peek(self, offset, cycle):
        return self.held
    def write(self, offset, value, cycle):
        self.held, self.stored = value, self.stored + 1

@remembers
class Ticket(Tray):
    kind: ClassVar[str] = "ticket"
    @classmethod
    def registers(cls, settings):
        return (Register(0, "held", "rw", read_effect="takes a ticket"),)

@remembers
class Slate(Tray):
    kind: ClassVar[str] = "slate"
    @classmethod
    def registers(cls, settings):
        return (Register(0, "held", "w"),)

@remembers
class Sign(Tray):
    kind: ClassVar[str] = "sign"
    @classmethod
    def registers(cls, settings):
        return (Register(0, "held", "r"),)
    def peek(self, offset, cycle):
        return 0xA5

@remembers
class Clocked(Tray):
    kind: ClassVar[str] = "clocked"
    own_phi2: ClassVar[bool] = True
"""
OWN = {4: "Tray", 5: "Ticket", 6: "Slate", 7: "Sign", 8: "Clocked"}
RAM, TRAY, TICKET, SLATE, SIGN, CLOCKED = CARD = range(3, 9)
SOUND = {  # slot: forms of the read strobe and of the write strobe
    RAM: ({GATED_READ, WHOLE_READ}, {GATED_WRITE}),
    TRAY: ({GATED_READ, WHOLE_READ}, {GATED_WRITE}),
    TICKET: ({GATED_READ}, {GATED_WRITE}),
    SLATE: (ANY, {GATED_WRITE}),
    SIGN: ({GATED_READ, WHOLE_READ}, ANY),
    CLOCKED: ([form for form in ANY if form & HIGH == {READ}], [form for form in ANY if form & HIGH == {WRITE}]),
}
STATE_WORDS = {(rw, phi2): f"RW {'high' if rw else 'low'}, PHI2 {'high' if phi2 else 'low'}" for rw, phi2 in STATES}
MARK = 0x5A


def expression(form):
    terms = [f"{'' if rw else 'not '}RW and {'' if phi2 else 'not '}PHI2" for rw, phi2 in sorted(form)]
    return " or ".join(terms) or "GND"


def strobes_of(output, write):
    return f'output_enable = "{expression(output)}"\nwrite_enable = "{expression(write)}"\n'


def load(folder, strobes="", engine="auto"):
    """RAM in page 0 of slot 1, a program in slot 2, and the six cards at $2000, $3000, ... with the same strobes."""
    (folder / "cards.py").write_text(CARDS)
    text = (
        'name = "Strobes"\nclock = "1 MHz"\ncpu = "65C02"\n'
        '[[card]]\nslot = 1\nkind = "sram"\nselect = "0000 xxxx xxxx xxxx"\nsettings = { fill = 0 }\n'
        '[[card]]\nslot = 2\nkind = "rom"\nselect = "1xxx xxxx xxxx xxxx"\nimage = "rom.bin"\n'
        '[[card]]\nslot = 3\nkind = "sram"\nselect = "0010 xxxx xxxx xxxx"\nsettings = { fill = 0 }\n' + strobes
    )
    for slot, name in OWN.items():
        text += f'[[card]]\nslot = {slot}\nkind = "file:cards.py:{name}"\nselect = "{slot - 1:04b} xxxx xxxx xxxx"\n'
        text += strobes
    (folder / "machine.toml").write_text(text)
    code = bytes([0xA9, MARK])  # LDA #MARK
    for slot in CARD:
        high = slot - 1 << 4
        code += bytes([0x8D, 0x00, high, 0xAE, 0x00, high, 0x86, slot])  # STA card, LDX card, STX slot number
    code += bytes([0xDB])  # STP
    (folder / "rom.bin").write_bytes(code.ljust(0x7FFA, b"\xea") + bytes.fromhex("008000800080"))
    return Machine.load(folder, engine=engine)


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    return load(tmp_path_factory.mktemp("strobes"))


def told(machine, slot, output=None, write=None, select=None, wiring=()):
    """(rule, text) of what is found when one card is wired so."""
    seat = next(seat for seat in machine.bus.seats if seat.slot == slot)
    before = seat.output_enable, seat.write_enable, seat.select, seat.wiring
    seat.output_enable = Expression(READ_STROBE if output is None else expression(output))
    seat.write_enable = Expression(WRITE_STROBE if write is None else expression(write))
    seat.select = before[2] if select is None else Select((select,))
    seat.wiring = Wiring(tuple(read_sentence(text, slot) for text in wiring))
    findings = Findings()
    try:
        check_strobes(machine.bus, findings)
    finally:
        seat.output_enable, seat.write_enable, seat.select, seat.wiring = before
    assert {finding.slot for finding in findings} <= {slot}
    assert {finding.rule for finding in findings} <= set(RULES)
    return [(finding.rule, finding.message) for finding in findings]


def wrong_in(form, sound):
    """States in which a strobe is not what any sound form is."""
    return {state for state in STATES if all((state in form) != (state in one) for one in sound)}


def assert_judged(found, slot, output, write):
    """Silent exactly where both strobes are sound, and each strobe that is wrong in a state is named with it."""
    reads, writes = SOUND[slot]
    assert bool(found) is not (output in reads and write in writes), (slot, output, write, found)
    for word, form, sound in (("read strobe", output, reads), ("write strobe", write, writes)):
        wrong = wrong_in(form, sound)
        if {WRITE, WRITE_LOW} <= wrong and word == "read strobe":
            wrong -= {WRITE_LOW}  # driving into the whole of a write is told of where both drive
        for state in wrong:
            assert any(word in text and STATE_WORDS[state] in text for _, text in found), (slot, word, state, found)


@pytest.mark.parametrize("slot", CARD)
def test_of_all_forms_of_both_strobes_exactly_those_that_work_are_passed_over(made, slot):
    for output, write in product(FORMS, FORMS):
        assert_judged(told(made, slot, output, write), slot, output, write)


READS_MISSING, WRITES_MISSING, TOGETHER = "read-strobe-missing", "write-strobe-missing", "strobes-together"
DRIVES, STORES = "read-strobe-in-write", "write-strobe-in-read"
NAMED = {  # states of the read strobe, states of the write strobe: rules of a card whose strobes both act
    ("", ""): {READS_MISSING, WRITES_MISSING},
    ("", "r"): {READS_MISSING, WRITES_MISSING, STORES},
    ("", "w"): {READS_MISSING},
    ("", "rw"): {READS_MISSING, STORES},
    ("r", ""): {WRITES_MISSING},
    ("r", "r"): {WRITES_MISSING, TOGETHER},
    ("r", "w"): set(),
    ("r", "rw"): {TOGETHER},
    ("w", ""): {READS_MISSING, WRITES_MISSING, DRIVES},
    ("w", "r"): {"strobes-crossed"},
    ("w", "w"): {READS_MISSING, TOGETHER},
    ("w", "rw"): {READS_MISSING, TOGETHER, STORES},
    ("rw", ""): {WRITES_MISSING, DRIVES},
    ("rw", "r"): {WRITES_MISSING, TOGETHER, DRIVES},
    ("rw", "w"): {TOGETHER},
    ("rw", "rw"): {TOGETHER},
}


@pytest.mark.parametrize("slot", [RAM, TRAY])
def test_each_form_is_named_by_its_own_rule(made, slot):
    """Of static RAM one strobe wins: both together are driving in a write, or storing in a read."""
    for (output, write), rules in NAMED.items():
        forms = [frozenset({"r": READ, "w": WRITE}[state] for state in states) for states in (output, write)]
        found = [rule for rule, _ in told(made, slot, *forms)]
        if slot == RAM and TOGETHER in rules:
            both = set(output) & set(write)
            rules = rules - {TOGETHER} | {{"r": STORES, "w": DRIVES}[state] for state in both}
        assert (set(found), len(found)) == (rules, len(rules)), (output, write)


@pytest.mark.parametrize("output", [form for form in FORMS if form <= HIGH], ids=expression)
def test_what_works_by_the_sets_works_when_a_program_writes_and_reads(tmp_path, output):
    """Static RAM whose outputs are enabled in writes works: its write strobe turns them off (62256, from memory)."""
    for write in [form for form in FORMS if form <= HIGH]:
        exact, core = (ran(tmp_path, strobes_of(output, write), engine) for engine in ("exact", "core"))
        assert exact.peek(0, 16) == core.peek(0, 16)
        assert [(f.rule, f.slot) for f in exact.findings] == [(f.rule, f.slot) for f in core.findings]
        for slot in CARD:
            reads, writes = SOUND[slot]
            sound = output in {form & HIGH for form in reads} and write in {form & HIGH for form in writes}
            if slot == RAM and output == HIGH and write == GATED_WRITE:
                assert RULES["read-strobe-in-write"].level == "warning"
                sound = True
            assert worked(exact, slot) is worked(core, slot) is sound, (slot, expression(output), expression(write))


def ran(folder, strobes, engine):
    m = load(folder, strobes, engine)
    m.run(cycles=400)
    assert m.cpu.halted
    return m


def worked(m, slot):
    fought = {f.slot for f in m.findings if f.rule == "contention"}
    read = m.peek(slot) == (0xA5 if slot == SIGN else MARK) or slot == SLATE
    if slot == RAM:
        kept = bytes(m.card(RAM).peek(at) for at in (0x2000, 0x2001, 0x1FFF)) == bytes([MARK, 0, 0])
    elif slot == SIGN:
        kept = True
    else:
        card = next(seat.card for seat in m.bus.seats if seat.slot == slot)
        kept = (card.held, card.stored) == (MARK, 1)
    return read and kept and slot not in fought


WIRINGS = {  # sentence: levels of RW and PHI2 that arrive
    "RW inverted": lambda rw, phi2: (1 - rw, phi2),
    "PHI2 inverted": lambda rw, phi2: (rw, 1 - phi2),
    "RW stuck low": lambda rw, phi2: (0, phi2),
    "RW stuck high": lambda rw, phi2: (1, phi2),
    "RW open": lambda rw, phi2: (1, phi2),
    "PHI2 stuck low": lambda rw, phi2: (rw, 0),
    "PHI2 stuck high": lambda rw, phi2: (rw, 1),
    "PHI2 open": lambda rw, phi2: (rw, 1),
    "RW exchanged with PHI2": lambda rw, phi2: (phi2, rw),
    "RW shorted to PHI2": lambda rw, phi2: (rw & phi2, rw & phi2),
    "RW joined to not PHI2": lambda rw, phi2: (1 - phi2, phi2),
    "PHI2 joined to RW": lambda rw, phi2: (rw, rw),
}


@settings(max_examples=250, deadline=None)
@given(
    slot=st.sampled_from(CARD),
    output=st.sampled_from([GATED_READ, *FORMS]),
    write=st.sampled_from([GATED_WRITE, *FORMS]),
    sentence=st.sampled_from(sorted(WIRINGS)),
)
def test_wiring_on_the_way_is_looked_through(made, slot, output, write, sentence):
    arrives = WIRINGS[sentence]
    seen = [{state for state in STATES if arrives(*state) in form} for form in (output, write)]
    if slot == CLOCKED:  # its own pin has the wiring before it, too
        seen = [{state for state in form if arrives(*state)[1]} for form in seen]
    found = told(made, slot, output, write, wiring=[sentence])
    assert_judged(found, TRAY if slot == CLOCKED else slot, *map(frozenset, seen))
    assert all(str(read_sentence(sentence, slot)) in text for _, text in found), "whoever looks at the expression alone"


@pytest.mark.parametrize("slot", CARD)
@pytest.mark.parametrize("form", FORMS[1:], ids=expression)
def test_a_select_with_rw_or_phi2_in_it_is_looked_at_with_the_strobes(made, slot, form):
    """A part with a PHI2 pin of its own wants its select before PHI2 rises."""
    found = told(made, slot, select=f"A13 and ({expression(form)})")
    late = slot == CLOCKED and any((rw, 1) in form and (rw, 0) not in form for rw in (0, 1))
    assert ("select-gated-with-phi2" in [rule for rule, _ in found]) is late
    rest = [one for one in found if one[0] != "select-gated-with-phi2"]
    assert_judged(rest, slot, form & GATED_READ, form & GATED_WRITE)


def test_of_a_card_that_is_selected_nowhere_that_alone_is_told(made):
    ((rule, _),) = told(made, RAM, frozenset(STATES), frozenset(STATES), select="A13 and not A13")
    assert rule == "never-selected"


def test_lines_that_cards_drive_are_looked_at_at_both_levels(tmp_path):
    """A bank line that makes a write strobe true in reads when it is low, whatever it is at power-on."""
    load(tmp_path)
    path = tmp_path / "machine.toml"
    latch = '[[card]]\nslot = 9\nkind = "bank-latch"\nselect = "0001 0000 0000 0000"\nlines = { Q0 = "BANK" }\n'
    banked = 'select = "0010 xxxx xxxx xxxx"\nwrite_enable = "PHI2 and (not RW or not BANK)"\n'
    whole = path.read_text()
    path.write_text(whole.replace('select = "0010 xxxx xxxx xxxx"\n', banked) + latch)
    assert [(f.rule, f.slot) for f in Machine.load(tmp_path).warnings] == [("write-strobe-in-read", RAM)]
    held = Machine.load(tmp_path, wiring=["BANK stuck high"]).warnings
    assert "write-strobe-in-read" not in [f.rule for f in held], "a line that is held has one level"
    path.write_text(whole.replace('select = "0010 xxxx xxxx xxxx"\n', banked.replace("or not", "and not")) + latch)
    assert Machine.load(tmp_path).warnings == [], "a write protection is none"


def test_of_many_lines_each_is_looked_at_by_itself(tmp_path):
    load(tmp_path)
    path = tmp_path / "machine.toml"
    outputs = ", ".join(f'Q{n} = "{{0}}{n}"' for n in range(8))
    latch = '[[card]]\nslot = {}\nkind = "bank-latch"\nselect = "0001 0000 0000 000{}"\nlines = {{ {} }}\n'
    latches = "".join(latch.format(9 + n, n, outputs.format(name)) for n, name in enumerate(("LOW", "HIGH")))
    any_way = "(not LOW0 or " + " or ".join(f"LOW{n}" for n in range(8)) + ")"
    select = f"not (A15 or A14 or A12) and A13 and {any_way}"
    strobes = f'output_enable = "PHI2 and (RW or not HIGH3)"\nselect = "{select}"\n'
    text = path.read_text().replace('select = "0010 xxxx xxxx xxxx"\n', strobes)
    path.write_text(text + latches)
    assert [(f.rule, f.slot) for f in Machine.load(tmp_path).warnings] == [("read-strobe-in-write", RAM)]


@pytest.mark.parametrize("strobes", ["", 'write_enable = "GND"\n', 'write_enable = "VCC"\n', 'output_enable = "RW"\n'])
def test_a_rom_needs_no_write_strobe(tmp_path, strobes):
    load(tmp_path)
    path = tmp_path / "machine.toml"
    path.write_text(path.read_text().replace('image = "rom.bin"\n', 'image = "rom.bin"\n' + strobes))
    assert Machine.load(tmp_path).warnings == []


def test_the_write_strobe_of_an_eeprom_may_be_tied_off_but_not_open_in_reads(tmp_path):
    load(tmp_path)
    path = tmp_path / "machine.toml"
    whole = path.read_text()
    for strobe, rules in (("GND", []), ("PHI2", ["strobes-together"]), ("not RW", ["strobe-without-phi2"])):
        path.write_text(
            whole.replace(
                'image = "rom.bin"\n',
                f'image = "rom.bin"\nsettings = {{ part = "28C256" }}\nwrite_enable = "{strobe}"\n',
            )
        )
        assert [f.rule for f in Machine.load(tmp_path).warnings] == rules


@pytest.mark.parametrize("kind", ["ports-6522", "serial-6551"])
@pytest.mark.parametrize(("gate", "is_late"), [("VCC", False), ("PHI2", True), ("(RW or not RW)", False)])
def test_parts_of_the_65xx_family_want_their_select_before_phi2_rises(tmp_path, kind, gate, is_late):
    """WDC W65C22 data sheet, Table 4-3b: tACR, tACW 10 ns; WDC W65C51N data sheet, Table 4: 30 or 60 ns."""
    load(tmp_path)
    path = tmp_path / "machine.toml"
    select = f"not (A15 or A14 or A13) and A12 and {gate}"
    path.write_text(path.read_text() + f'[[card]]\nslot = 9\nkind = "{kind}"\nselect = "{select}"\n')
    assert [f.rule for f in Machine.load(tmp_path).warnings] == ["select-gated-with-phi2"] * is_late


def test_what_is_done_to_a_line_for_all_is_told_of_each_card_that_it_concerns(tmp_path):
    load(tmp_path)
    m = Machine.load(tmp_path, wiring=["RW inverted"])
    found = {slot: {f.rule for f in m.warnings if f.slot == slot} for slot in range(1, 9)}
    crossed, driving = {"strobes-crossed"}, {"read-strobe-missing", "read-strobe-in-write"}
    taking = {"write-strobe-missing", "write-strobe-in-read"}
    assert found == {
        **dict.fromkeys((1, RAM, TRAY, TICKET, CLOCKED), crossed),
        2: driving,
        SIGN: driving,
        SLATE: taking,
    }
    assert all("(RW inverted)" in f.message for f in m.warnings)


@pytest.mark.parametrize("write", FORMS, ids=expression)
def test_a_probe_takes_what_is_meant_for_others(tmp_path, write):
    load(tmp_path)
    path = tmp_path / "machine.toml"
    strobes = strobes_of(frozenset(), write)
    path.write_text(path.read_text() + '[[card]]\nslot = 9\nkind = "bus-logger"\nselect = "A15 or not A15"\n' + strobes)
    assert Machine.load(tmp_path).warnings == []


@pytest.mark.parametrize("engine", ["exact", "core"])
@pytest.mark.parametrize(("strobes", "stored"), [("", True), ('output_enable = "RW"\n', True),
    ('output_enable = "always"\n', False), ('write_enable = "PHI2"\n', True)])  # fmt: skip
def test_an_eeprom_takes_no_write_while_its_outputs_are_enabled(tmp_path, engine, strobes, stored):
    """Microchip AT28C256 data sheet, Hardware Protection: OE low, CE high or WE high blocks a write."""
    load(tmp_path)
    path = tmp_path / "machine.toml"
    ram = 'kind = "sram"\nselect = "0010 xxxx xxxx xxxx"\nsettings = { fill = 0 }\n'
    eeprom = 'kind = "rom"\nselect = "0010 xxxx xxxx xxxx"\nimage = "rom.bin"\nsettings = { part = "28C256" }\n'
    path.write_text(path.read_text().replace(ram, eeprom + strobes))
    image = tmp_path / "rom.bin"
    image.write_bytes(image.read_bytes().replace(b"\xdb\xea", b"\x80\xfe"))  # goes on for as long as the part writes
    m = Machine.load(tmp_path, engine=engine)
    m.run(cycles=20_000)
    assert m.card(RAM).peek(0x2000) == (MARK if stored else 0xEA)
    assert m.findings.count("contention") == (0 if stored else 1)
