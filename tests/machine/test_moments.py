"""When a run ends, what the machine then says of itself, and what its buttons do."""

from fractions import Fraction

import pytest

from simkit import Machine
from simkit.contract.errors import SimkitError
from simkit.machine.until import MomentError
from tests.shed import SHED

COUNTER = "A2 00 86 10 E8 86 10 4C 04 80"  # LDX #0; STX $10; loop: INX; STX $10; JMP loop
NMI_AT, RESET_AT, IRQ_AT = 0x9000, 0x8000, 0xA000


@pytest.fixture
def shed(tmp_path):
    def build(code=COUNTER, text=SHED, **options):
        rom = bytearray(b"\xea" * 0x8000)
        rom[: len(bytes.fromhex(code))] = bytes.fromhex(code)
        rom[0x7FFA:] = b"".join(at.to_bytes(2, "little") for at in (NMI_AT, RESET_AT, IRQ_AT))
        path = tmp_path / "machine.toml"
        path.write_text(text)
        return Machine.load(path, images={2: bytes(rom)}, **options)

    return build


@pytest.fixture(params=["exact", "auto"])
def engine(request):
    return request.param


@pytest.mark.parametrize("cycles", [0, 1, 2, 7, 8, 9, 100, 12.5])
def test_a_run_of_cycles_ends_at_the_first_boundary_at_or_after_them(shed, cycles, engine):
    """Boundaries of the program: 7, 9, 12 and then 14, 17, 20 and every 8 cycles on (INX 2, STX zp 3, JMP 3)."""
    boundaries = [0, 7, 9, 12] + [12 + 8 * n + step for n in range(40) for step in (2, 5, 8)]
    m = shed(engine=engine)
    assert m.run(cycles=cycles) == m.cycle == min(b for b in boundaries if b >= cycles)
    assert m.seconds == m.cycle / 1_000_000
    assert m.clock_hz == 1_000_000


@pytest.mark.parametrize(
    ("clock", "seconds", "cycle"), [("1 MHz", 0.0001, 100), ("3 MHz", Fraction(1, 10_000), 300), ("2 MHz", 0, 0)]
)
def test_a_run_of_seconds_counts_them_by_the_machines_clock(shed, clock, seconds, cycle):
    m = shed(clock=clock)
    assert cycle <= m.run(seconds=seconds) <= cycle + 2


def test_a_run_begun_inside_an_instruction_finishes_it_and_counts_from_there(shed):
    m = shed()
    m.run(cycles=12)
    m.step_cycle()
    assert (m.cycle, m.inside_instruction) == (13, True)
    assert m.run(cycles=0) == 14
    assert not m.inside_instruction
    m.step_cycle()
    m.step_cycle()
    assert m.run(until=lambda m: True) == 17 + 3, "at least one instruction more"


def test_a_run_to_a_label_executes_at_least_one_instruction_and_stops_before_it(shed, engine):
    m = shed(engine=engine)
    m.labels.add("loop", 0x8004)
    assert m.run(label="loop") == 12
    assert m.run(label="loop") == 20
    assert m.peek(0x10) == 1


@pytest.mark.parametrize(("address", "cycles"), [(0x10, [12, 17, 25]), (0x8004, [14, 22, 30]), (0x8008, [20, 28, 36])])
def test_a_run_to_an_access_ends_after_the_instruction_that_makes_it(shed, address, cycles):
    m = shed()
    assert [m.run(access=address) for _ in cycles] == cycles
    assert not m.bus.reach.slow, "nothing watches on"


def test_a_run_to_a_finding_waits_for_a_new_one_of_the_rule_or_of_any(shed):
    """The program writes to ROM again and again: STA $9000; JMP to it."""
    m = shed("8D 00 90 4C 00 80")
    first = m.run(finding="write-to-rom")
    assert (first, m.findings.count("write-to-rom")) == (11, 1)
    assert m.run(finding="") == 11 + 7
    assert m.findings.count("write-to-rom") == 2
    with pytest.raises(MomentError, match=r"The finding 'other' did not come up to cycle \d+ \(\$800[03] is next\)"):
        m.run(finding="other", timeout=0.0001)
    quiet = shed()
    with pytest.raises(MomentError, match="A finding did not come"):
        quiet.run(finding="", timeout=0.0001)


def test_findings_of_other_rules_neither_end_a_run_to_a_finding_nor_hide_it(shed):
    """Four writes to ROM, one to the keyboard, which takes none, and again from the start."""
    keyboard = '[[card]]\nslot = 3\nkind = "keyboard"\nselect = "0110 0000 0000 000x"\n'
    text = SHED.replace("0xxx xxxx xxxx xxxx", "00xx xxxx xxxx xxxx") + keyboard
    m = shed("8D 00 90 8D 00 90 8D 00 90 8D 00 90 8D 00 60 4C 00 80", text=text)
    for n in range(1, 4):
        m.run(finding="write-to-keyboard")
        assert (m.findings.count("write-to-keyboard"), m.findings.count("write-to-rom")) == (n, 4 * n)


def test_a_moment_is_waited_for_half_a_minute_of_machine_time_unless_told_otherwise(shed):
    m = shed(clock="1 kHz")
    with pytest.raises(MomentError, match="A finding did not come"):
        m.run(finding="")
    assert 30_000 <= m.cycle < 30_000 + 3


@pytest.mark.parametrize(
    ("moment", "words"),
    [
        ({"label": "never"}, r"Label never \(\$9999\) did not come"),
        ({"access": 0x4321}, r"An access of \$4321 did not come"),
        ({"until": lambda m: False}, "The condition did not come"),
    ],
)
def test_a_moment_that_does_not_come_is_told_when_its_time_is_up(shed, moment, words):
    m = shed()
    m.run(cycles=10)
    m.labels.add("never", 0x9999)
    with pytest.raises(MomentError, match=words) as given_up:
        m.run(timeout=0.0001, **moment)
    assert 112 <= m.cycle < 112 + 3
    assert f"up to cycle {m.cycle} (${m.cpu.pc:04X} is next)" in given_up.value.message
    assert "longer timeout" in given_up.value.remedy
    assert not m.bus.reach.slow


def test_a_moment_that_comes_with_the_halt_or_the_end_of_the_time_has_come(shed):
    """STP at $8001: what is looked for is looked at before the CPU's state and the clock are."""
    m = shed("EA DB")
    assert m.run(until=lambda m: m.cpu.halted) == m.cycle
    m = shed()
    assert m.run(until=lambda m: m.cycle >= 12, timeout=12e-6) == 12
    m = shed("EA DB")
    said = r"The CPU was stopped by STP at \$8001 before an access of \$4321 came, in cycle \d+\."
    with pytest.raises(MomentError, match=said):
        m.run(access=0x4321)


def test_a_text_is_waited_for_by_frames_and_then_a_whole_frame_is_drawn_with_it():
    m = Machine.load("demo:marlpit")
    frame = m.screen.frame_cycles
    m.run(screen_text="VEGETABLE BEDS", timeout=3)
    seen = m.cycle
    assert "VEGETABLE BEDS" in m.screen.text()
    earlier = Machine.load("demo:marlpit")
    earlier.run(cycles=int(seen - 4 * frame))
    assert "VEGETABLE BEDS" not in earlier.screen.text()
    earlier.run(cycles=int(2 * frame))
    assert "VEGETABLE BEDS" in earlier.screen.text(), "found at the frame after it came, and two frames on"
    with pytest.raises(MomentError, match="'GREENHOUSE' did not come on the screen") as given_up:
        m.run(screen_text="GREENHOUSE", timeout=0.1)
    assert "it shows:\n" in str(given_up.value)
    assert "VEGETABLE BEDS" in str(given_up.value)
    assert given_up.value.remedy == "Give a longer timeout."
    assert 0 <= m.cycle - seen - 200_000 < frame + 10


@pytest.mark.parametrize(("clock", "held"), [("1 MHz", 8), ("2 MHz", 8), ("3 MHz", 12), ("10 MHz", 40)])
def test_the_reset_button_is_held_for_8_cycles_or_4_microseconds(shed, clock, held):
    m = shed(clock=clock)
    m.run(cycles=100)
    low = []
    m.add_probe(lambda seen: low.append(seen.cycle) if not seen.lines["RESET"] else None)
    now = m.cycle
    m.reset()
    assert (m.cycle, low) == (now, [])
    m.run(cycles=5)
    reset = m.lines["RESET"]
    assert reset.asserted
    m.run(cycles=100)
    assert not reset.asserted
    assert reset.since == now + held
    again = [e for e in m.last(64) if e.address == RESET_AT and e.cycle > now]
    assert again
    assert again[0].cycle == now + held + 7


def test_the_last_instructions_stand_oldest_first_with_text_and_label(shed, engine):
    m = shed(engine=engine)
    m.labels.add("loop", 0x8004)
    m.run(cycles=12 + 8 * 40)
    loop = [(0x8004, "loop", "inx"), (0x8005, "loop+1", "stx $10"), (0x8007, "loop+3", "jmp loop")]
    end = m.cycle
    found = m.last(6)
    assert [(e.cycle, e.address) for e in found] == [
        (end - 16, 0x8004), (end - 14, 0x8005), (end - 11, 0x8007),
        (end - 8, 0x8004), (end - 6, 0x8005), (end - 3, 0x8007),
    ]  # fmt: skip
    assert [(e.address, e.label, e.text.lower()) for e in found[:3]] == loop
    assert m.last() == m.last(20)
    assert len(m.last()) == 20
    assert len(m.last(1_000)) == 64
    assert m.last(-1) == m.last(0) == []


def test_instructions_are_taken_apart_from_an_address_on_and_round_the_top(shed):
    m = shed()
    assert [(i.address, i.length) for i in m.disassemble(0x8000, 4)] == [
        (0x8000, 2),
        (0x8002, 2),
        (0x8004, 1),
        (0x8005, 2),
    ]
    assert len(m.disassemble(0x8000)) == 10
    assert [i.address for i in m.disassemble(0xFFFB, 6)][-1] < 0x8000
    assert m.disassemble(0x8000, 0) == []


def test_bytes_are_looked_at_round_the_top_and_one_is_a_number(shed):
    m = shed()
    m.poke(0x0000, 0x12)
    assert m.peek(0x0000) == 0x12
    assert m.peek(0x8000, 2) == b"\xa2\x00"
    assert m.peek(0xFFFE, 3) == IRQ_AT.to_bytes(2, "little") + b"\x12"
    assert m.peek(0xFFFF) == IRQ_AT >> 8


def test_the_vectors_are_those_of_the_part_and_left_out_where_nothing_gives_them(shed):
    """$FFFA to $FFFF: Western Design Center, W65C02S data sheet, section 3.11."""
    assert shed().vectors() == {"NMI": NMI_AT, "RESET": RESET_AT, "IRQ": IRQ_AT}
    hole = SHED.replace('"1xxx xxxx xxxx xxxx"', '"1xxx xxxx xxxx xxxx"\nnot_select = "1111 1111 1111 110x"')
    assert shed(text=hole).vectors() == {"NMI": NMI_AT, "IRQ": IRQ_AT}
    half = SHED.replace('"1xxx xxxx xxxx xxxx"', '"1xxx xxxx xxxx xxxx"\nnot_select = "1111 1111 1111 1111"')
    assert shed(text=half).vectors() == {"NMI": NMI_AT, "RESET": RESET_AT}


@pytest.mark.parametrize("wires", ["", 'wires = { D0 = "D7", D7 = "D0" }\n', 'wires = { A1 = "A9", A9 = "A1" }\n'])
@pytest.mark.parametrize("address", [0x0102, 0x8102])
def test_a_byte_put_into_memory_is_what_the_program_reads_there(shed, wires, address, engine):
    """LDA address; STA $40: through exchanged lines of RAM or ROM, also when the page is read past the card."""
    text = SHED.replace('"0xxx xxxx xxxx xxxx"\n', f'"0xxx xxxx xxxx xxxx"\n{wires if address < 0x8000 else ""}')
    m = shed(f"AD {address & 0xFF:02X} {address >> 8:02X} 85 40 4C 00 80", text, engine=engine)
    m.run(cycles=100)
    for byte in (0x81, 0x7F, 0x01):
        m.poke(address, byte)
        assert m.peek(address) == byte
        m.run(cycles=40)
        assert m.peek(0x40) == byte


def test_the_power_switch_keeps_images_and_engine_and_forgets_queued_input(shed, engine):
    m = shed(engine=engine)
    fresh = m.save_state()
    m.run(cycles=500)
    m.poke(0x8000, 0x00)
    m.poke(0x8000, 0xA2)
    m.reset()
    m.power_cycle()
    assert (m.save_state(), m.engine, m.cycle) == (fresh, engine, 0)
    assert m.bus.agenda.pending_outside() == []


def test_a_machine_inside_an_instruction_says_how_to_save_it(shed):
    m = shed()
    m.run(cycles=12)
    m.step_cycle()
    with pytest.raises(SimkitError, match=r"inside an instruction \(cycle 13\)") as refused:
        m.save_state()
    assert "step()" in refused.value.remedy
    m.step()
    assert m.save_state()


def test_an_engine_is_chosen_by_name_and_changed_between_instructions(shed):
    m = shed(engine="exact")
    m.run(cycles=12)
    m.step_cycle()
    m.engine = "auto"
    assert (m.engine, m.inside_instruction, m.cycle) == ("auto", False, 14)
    other = shed(engine="auto")
    for machine in (m, other):
        machine.run(cycles=1_000 - machine.cycle)
    assert m.save_state() == other.save_state()


def test_outside_events_are_taken_in_the_order_in_which_they_were_queued_for_their_cycle(shed):
    m = shed()
    taken = []
    m.bus.watchers.add(outside=taken.append)
    m.bus.agenda.machine_events["mark"] = lambda arguments, cycle: None
    for at, mark in ((50, "late"), (20, "first"), (20, "second"), (0, "now")):
        m.outside(-1, "machine", "mark", mark, at=at)
    m.run(cycles=100)
    assert [event[-1][0] for event in taken] == ["now", "first", "second", "late"]
