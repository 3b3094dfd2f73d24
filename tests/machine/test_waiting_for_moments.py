"""Waiting for a moment: in the same cycle on both engines and as by single steps, and much faster."""

import pytest

from simkit import Machine
from simkit.contract.errors import SimkitError
from simkit.machine.moments import Moment
from simkit.machine.teletype import Teletype
from simkit.machine.until import MomentError
from tests.shed import SHED

MOMENTS = (
    "label:main_loop",
    "label:main_loop#7",
    "label:main_loop#2+1000c",
    "read:DRAWING_READY#5",
    "write:DRAWING_READY#3",
    'text:"VEGETABLE BEDS"',
    "3f",
    "100us",
)


@pytest.mark.parametrize("text", MOMENTS)
def test_a_moment_comes_in_the_same_cycle_on_both_engines_and_in_pieces(text):
    ends = []
    for engine in ("exact", "auto"):
        m = Machine.load("demo:marlpit", engine=engine)
        ends.append(m.run(text))
    m = Machine.load("demo:marlpit")
    come = []
    m.when(text, come.append)
    while not come or m.cycle < come[0]:
        m.run(cycles=min(7_777, come[0] - m.cycle) if come else 7_777)
    assert ends[0] == ends[1] >= come[0]
    assert ends[0] - come[0] < 10 + (2 * m.screen.frame_cycles + 1 if text.startswith("text") else 0)


@pytest.mark.parametrize(("what", "times"), [("label:loop", 40), ("write:$0010", 40), ("read:$8004", 40)])
def test_a_moment_comes_where_single_steps_find_it(shed, what, times):
    m, steps = shed(), shed(engine="exact")
    kind, _, value = what.partition(":")
    place = 0x8004 if value == "loop" else int(value[1:], 16)
    seen = []
    if kind != "label":
        steps.add_probe(
            lambda one: seen.append(one) if (one.address, one.is_write) == (place, kind == "write") else None
        )
    m.labels.add("loop", 0x8004)
    for _ in range(times):
        seen.clear()
        steps.step()
        while not (seen or (kind == "label" and steps.cpu.pc == place)):
            steps.step()
        assert m.run(f"{kind}:{value}") == steps.cycle
        assert m.save_state() == steps.save_state()
    assert not m.bus.watchers.seen
    assert not m.bus.reach.slow
    assert m.cpu.stops is None


@pytest.fixture
def shed(tmp_path):
    """A counter: LDX #0; STX $10; loop: INX; STX $10; JMP loop."""
    ram = 'select = "0xxx xxxx xxxx xxxx"\n'
    text = SHED.replace(ram, ram + 'not_select = ["0111 1111 0000 0xxx"]\n')

    def build(code="A200 8610 E8 8610 4C0480", *, more="", cpu="65C02", **options):
        rom = bytearray(b"\xea" * 0x8000)
        rom[: len(bytes.fromhex(code))] = bytes.fromhex(code)
        rom[0x7FFA:] = bytes.fromhex("009000800090")
        path = tmp_path / "machine.toml"
        path.write_text(f'cpu = "{cpu}"\n{text}{more}')
        return Machine.load(path, images={2: bytes(rom)}, **options)

    return build


@pytest.mark.parametrize("engine", ["exact", "auto"])
def test_input_at_an_event_counts_in_the_first_cycle_after_its_instruction(shed, engine):
    for text, cycle in (
        ("label:$8004#3", 28),
        ("write:$10#2", 17),
        ("read:$8007+5c", 25),
        ("finding:write-to-rom", 11),
    ):
        m = shed(*(["8D0090 4C0080"] if text.startswith("finding") else []), engine=engine)
        taken = []
        m.bus.agenda.machine_events["mark"] = lambda arguments, at: None
        m.bus.watchers.add(outside=taken.append)
        m.when(text, lambda at, m=m: m.outside(-1, "machine", "mark", 0, at=at))
        m.run(cycles=200)
        assert [one[0] for one in taken] == [cycle], text


def test_a_moment_that_does_not_come_is_told_with_what_was_waited_for(shed):
    m = shed()
    for text, words in (
        ("label:$9999", r"Label \$9999 did not come up to cycle"),
        ("write:$4321#2", r"A write of \$4321 for the 2nd time did not come"),
        ('text:"x"', "No card of this machine has a screen"),
        ("label:nowhere", "no label 'nowhere'"),
        ("5f", "No card of this machine has a screen"),
        ("read:$12345", "is not an address"),
    ):
        with pytest.raises(SimkitError, match=words):
            m.run(text, timeout=0.0001)
    assert not m.bus.watchers.seen
    assert m.cpu.stops is None
    with pytest.raises(MomentError):
        m.run("finding:other", timeout=0.0001)
    assert m.bus.watchers.at_once == 0


def test_the_core_is_not_stopped_for_a_moment_that_does_not_come(monkeypatch):
    """Counted, as times say little on a busy host: the core is entered as often as without anybody who waits."""
    if Machine.load("demo:marlpit").cpu.arena is None:
        pytest.skip("there is no core here")
    entries = []
    for moment in (None, "label:$7FFF", "read:$02FF", "write:$02FF"):
        m = Machine.load("demo:marlpit", engine="core")
        m.run(seconds=0.3)
        count = [0]
        runs = type(m.cpu)._take_back

        def counted(cpu, count=count, runs=runs):
            count[0] += 1
            runs(cpu)

        monkeypatch.setattr(type(m.cpu), "_take_back", counted)
        if moment is not None:
            m.when(moment, pytest.fail)
        m.run(seconds=0.1)
        monkeypatch.undo()
        entries.append(count[0])
    assert 0 < max(entries) <= entries[0] * 1.1 + 10, entries
    assert entries[0] < 0.1 * m.clock_hz / 50, entries


def test_accesses_before_the_last_are_counted_while_the_program_goes_on(shed, monkeypatch):
    m, asked = shed(), []
    after = m.cpu.after_instruction
    monkeypatch.setattr(m.cpu, "after_instruction", lambda call: asked.append(m.cycle) or after(call))
    m.run("write:$10#40")
    assert len(asked) == 1


@pytest.mark.parametrize("engine", ["exact", "auto"])
@pytest.mark.parametrize(
    ("cpu", "code", "moment", "cycle"),
    [
        # INC $10 from cycle 7 on: the NMOS part writes twice, the CMOS part reads twice (tests/cpu/published_cycles.py)
        ("6502", "E610 E610 EA", "write:$10#2", 12),
        ("6502", "E610 E610 EA", "read:$10#2", 17),
        ("65C02", "E610 E610 EA", "write:$10#2", 17),
        ("65C02", "E610 E610 EA", "read:$10#2", 12),
        # LDY #$FF; LDA $1001,Y reads $1000 first on the NMOS part
        ("6502", "A0FF B90110 EA", "read:$1000", 14),
        ("6502", "A0FF B90110 EA", "read:$1100", 14),
        # LDX #$FF; TXS; JSR $8010 pushes two bytes
        ("6502", "A2FF 9A 201080", "write:$01FE", 17),
    ],
)
def test_every_bus_cycle_of_an_instruction_counts(shed, engine, cpu, code, moment, cycle):
    m = shed(code, engine=engine, cpu=cpu)
    come = []
    m.when(moment, come.append)
    m.run(cycles=30)
    assert come == [cycle]


def test_a_text_on_a_terminal_is_looked_for_where_bytes_came_alone(monkeypatch):
    made = []
    text = Teletype.text

    def counted(self):
        made.append(1)
        return text(self)

    monkeypatch.setattr(Teletype, "text", counted)
    m = Machine.load("demo:monitor")
    with pytest.raises(MomentError):
        m.run('text:"nothing like this"', timeout=1)
    bytes_sent = len(m.serial.received)
    assert 0 < len(made) <= bytes_sent + 1
    looks = len(made)
    with pytest.raises(MomentError):  # the program waits for input now
        m.run('text:"nothing like this"', timeout=1)
    assert len(made) - looks <= 2


def test_a_text_is_seen_though_somebody_takes_what_the_line_sends():
    m, other = Machine.load("demo:monitor"), Machine.load("demo:monitor")
    come = []
    words = other.run('text:"."') and other.serial.text().split()[0]
    m.when(f'text:"{words}"', come.append)
    while not come and m.seconds < 1:
        m.run(cycles=700)
        m.serial.take()
    assert come
    assert come[0] <= other.cycle


TWO_LINES = """
[[card]]
slot = 3
kind = "serial-6551"
select = "0111 1111 0000 00xx"
[[card]]
slot = 4
kind = "serial-6551"
select = "0111 1111 0000 01xx"
"""
# RE, a sequence, ADY to slot 4 at 9600 Bd: LDA #$1E; STA $7F07; LDA #$0B; STA $7F06; LDX #0; each: LDA text,X;
# here: BEQ here; STA $7F04; LDY #0; one: DEY; BNE one; two: DEY; BNE two; INX; BNE each; NOP; text
SENDS = "A91E 8D077F A90B 8D067F A200 BD2080 F0FE 8D047F A000 88 D0FD 88 D0FD E8 D0ED EA 52451B5B316D41445900"


def test_a_text_is_waited_for_on_the_line_that_is_named(shed):
    ends = []
    for engine in ("exact", "auto"):
        m = shed(SENDS, more=TWO_LINES, engine=engine)
        for text, words in (
            ('text:"READY"', "2 cards have a serial line: slots 3, 4"),
            ('text:"READY"/5', "Neither a screen nor a serial line is called '5'"),
        ):
            with pytest.raises(SimkitError, match=words):
                m.run(text)
        come = []
        m.when("text:READY/4", come.append)
        with pytest.raises(MomentError, match="on the terminal at the serial line of Serial card \\(slot 3\\)"):
            m.run("text:READY/3", timeout=0.05)
        ends.append(come)
    assert len(ends[0]) == 1
    assert ends[0] == ends[1]


def test_a_text_on_the_line_is_waited_for_on_a_machine_with_a_screen():
    m = Machine.load("demo:monitor")
    m.run('text:"Do:"/3')
    assert "Do:" in m.serial.text()


@pytest.mark.parametrize(
    ("sent", "text"),
    [
        (b"a\tb", "a       b"),
        (b"\x1b[2J\x1b[1;31mRE\x1b[0mADY\x1b(B", "READY"),
        (b"one\r\ntwo\x08\x08W", "one\ntWo"),
        (b"one\ntwo", "one\n   two"),
        (b"\x1b\r\x1b[\nnext", "\nnext"),
    ],
)
def test_a_terminal_shows_the_same_however_its_bytes_come_in_pieces(sent, text):
    for cut in range(len(sent) + 1):
        shown = Teletype()
        shown.feed(sent[:cut])
        shown.feed(sent[cut:])
        assert shown.text() == text


@pytest.mark.parametrize(
    ("number", "words"), [(2, "2nd"), (3, "3rd"), (4, "4th"), (11, "11th"), (12, "12th"), (21, "21st"), (113, "113th")]
)
def test_the_number_of_times_is_told_as_people_say_it(number, words):
    assert Moment("label", "loop", number).words() == f"label loop for the {words} time"
