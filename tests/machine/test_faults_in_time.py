"""Faults that come and go: what the CPU and the cards see of them, on both engines, and in states."""

import pytest

from simkit import Machine
from simkit.contract.errors import SimkitError
from simkit.outside.journal import Journal
from simkit.records.observed import observe
from tests.backplane.wired import ROM, image
from tests.machine.test_faults import both

COUNTS = "A2 00 E8 86 10 A5 10 85 11 4C 02 80"  # X counts up; $10 has it, and what is read of it goes to $11


@pytest.mark.parametrize(
    "fault",
    [
        "slot 1: D3 sometimes open",
        "A5 low, from cycle 150, until cycle 180",
        "D3 open, 1 in 100",
        "slot 2: pin A4 high, 1 in 300",
        "slot 2: pin CE high, 1 in 500",
        "IRQ low, from cycle 100, until cycle 200",
        "RESET bounces",
        "slot 4: INT shorted to GND, 1 in 20, 10 cycles long",
        "RDY low, from cycle 60, until cycle 90",
        "slot 1: card removed, from cycle 100, until cycle 200",
        "slot 1: writes end late, 1 in 3",
        "slot 1: write data end early, 1 in 3",
        "PHI2 doubled, 1 in 50",
        "PHI2 missing, 1 in 50",
        "slot 1: PHI2 doubled, 1 in 4",
        "slot 1: PHI2 missing, 1 in 4",
        "D7 pulled down, 1 in 4",
    ],
)
def test_the_core_and_the_reference_see_the_same_of_a_fault_in_time(fault):
    m = both(COUNTS, fault, cycles=700)
    saved = m.save_state()
    m.run(cycles=400)
    n = Machine.load("demo:bench", images={ROM: image(COUNTS)}, faults=[fault], engine="exact")
    n.load_state(saved)
    n.run_to(m.cycle)
    assert (n.cycle, n.state_hashes()) == (m.cycle, m.state_hashes())


def test_a_fault_is_there_in_its_cycles_and_the_machine_is_sound_in_the_others():
    """INX, STX $10, LDA $10, STA $11, JMP: the byte on D0 is what was stored but for the cycles in between."""
    m = Machine.load(
        "demo:bench", images={ROM: image(COUNTS)}, faults=["slot 1: D0 low, from cycle 100, until cycle 200"]
    )
    seen = []
    m.add_probe(lambda bus: seen.append(bus) if bus.address == 0x10 and not bus.is_write else None)
    m.run(cycles=400)
    odd_before, odd_between, odd_after = (
        [bus.data & 1 for bus in seen if first <= bus.cycle < last]
        for first, last in ((0, 100), (104, 200), (218, 400))
    )
    assert 1 in odd_before
    assert 1 in odd_after
    assert odd_between
    assert 1 not in odd_between


def test_reset_that_is_released_late_keeps_the_cpu_waiting():
    """The reset sequence begins when RESET has gone high (W65C02S data sheet, section 3, RESB): seven cycles."""
    m = Machine.load("demo:bench", images={ROM: image(COUNTS)}, faults=["RESET released after 500 cycles"])
    fetched = []
    m.add_probe(lambda bus: fetched.append(bus.cycle) if bus.address == 0x8000 else None)
    m.run(cycles=600)
    assert 506 <= fetched[0] <= 508


def test_a_missing_pulse_costs_the_cpu_a_period_each():
    """The part is fully static (from memory), so that a pulse that does not come makes a cycle longer."""
    sound = both("EA 4C 00 80", cycles=200)
    late = both("EA 4C 00 80", "PHI2 missing, from cycle 50, until cycle 60", cycles=200)
    fetches = [{one.cycle for one in m.last(60)} for m in (sound, late)]
    before = {cycle for cycle in fetches[0] if cycle < 50}
    assert before <= fetches[1]
    assert {cycle + 10 for cycle in fetches[0] if 50 <= cycle < 180} <= fetches[1]
    assert not any(50 <= cycle < 60 for cycle in fetches[1])


def test_a_doubled_pulse_leaves_no_time_for_memory():
    """The CPU makes a cycle more; a read takes what is still on the lines, here the operand of LDA $10."""
    sound = Machine.load("demo:bench", images={ROM: image(COUNTS)})
    reads = []
    sound.add_probe(lambda bus: reads.append(bus.cycle) if bus.address == 0x10 and not bus.is_write else None)
    sound.run(cycles=100)
    m = both(COUNTS, f"PHI2 doubled, at cycle {reads[1]}", cycles=0)
    m.run_to(reads[1] + 1)
    assert m.cpu.a == 0x10


@pytest.mark.parametrize(("fault", "times"), [("slot 1: PHI2 doubled", 2), ("slot 1: PHI2 missing", 0)])
def test_a_card_that_sees_a_pulse_twice_is_accessed_twice_and_one_that_misses_it_not_at_all(monkeypatch, fault, times):
    m = Machine.load("demo:bench", images={ROM: image("A9 5A 85 10 A5 10 4C 06 80")}, faults=[fault])
    card, seen = m.bus.by_slot[1].card, []
    for name in ("read", "write"):
        own = getattr(type(card), name)
        monkeypatch.setattr(
            type(card), name, lambda self, *a, own=own, name=name: (seen.append((name, a[-1])), own(self, *a))[1]
        )
    m.run(cycles=20)
    seen = [one for one in seen if one[1] >= 7]  # behind the reset sequence, which reads the stack
    assert [name for name, _ in seen] == ["write"] * times + ["read"] * times
    assert len({cycle for _, cycle in seen}) == (2 if times else 0)
    assert m.cpu.a == (0x5A if times else 0x10)


def test_a_strobe_that_outlasts_the_address_writes_where_the_next_one_leads():
    """Address and data hold 10 ns after PHI2 falls (W65C02S data sheet, Table 6-3, tAH, tDHW)."""
    rom = "A9 11 85 20 EA 4C 05 80"  # the next address is the ROM's: the RAM is no longer selected
    sound, late = (both(rom, *faults, cycles=60) for faults in ((), ("slot 1: writes end late",)))
    assert late.memory(0, 0x100) == sound.memory(0, 0x100)
    pushed = "A2 FF 9A 20 20 80"  # JSR: the high byte lands at $01FE too, where the low byte then goes
    m = both(pushed, "slot 1: writes end late", x8020="4C 20 80", cycles=40)
    assert m.memory(0x1FE, 2) == bytes([0x05, 0x80])
    in_ram = "A9 85 8D 00 02 A9 20 8D 01 02 A9 EA 8D 02 02 A9 11 4C 00 02"  # STA $20 in RAM, then $0202 is fetched
    for faults, byte in ((), 0xEA), (("slot 1: writes end late, from cycle 30",), 0x11):
        m = both(in_ram, *faults, cycles=34)
        assert (m.peek(0x20), m.peek(0x202)) == (0x11, byte)


def test_a_strobe_that_outlasts_the_data_stores_the_next_byte_on_the_lines():
    m = both("A9 11 85 20 EA 4C 05 80", "slot 1: write data end early", cycles=60)
    assert m.peek(0x20) == 0xEA  # the opcode that was fetched next


def test_a_card_that_gets_its_supply_late_comes_up_then():
    m = Machine.load("demo:bench", images={ROM: image(COUNTS)}, faults=["slot 1: comes up after 300 cycles"])
    m.run(cycles=200)
    assert m.bus.where(0x10) == []
    m.run(cycles=200)
    assert [seat.slot for seat, _ in m.bus.where(0x10)] == [1]


def test_a_fault_is_put_into_a_running_machine_and_taken_out_and_a_fresh_one_does_the_same():
    m = Machine.load("demo:bench", images={ROM: image(COUNTS)})
    m.run(cycles=100)
    before, sound = m.save_state(), m.identity
    handle = m.add_fault("slot 1: D0 low")
    assert m.identity != sound
    m.run(cycles=100)
    between = m.cycle
    handle.remove()
    handle.remove()
    assert str(handle) == f"slot 1: pin D0 low, from cycle {handle.fault.when.first.number}, until cycle {between}"
    m.run(cycles=100)
    fresh = Machine.load("demo:bench", images={ROM: image(COUNTS)}, faults=[str(fault) for fault in m.faults])
    fresh.run_to(m.cycle)
    assert (fresh.cycle, fresh.state_hashes()) == (m.cycle, m.state_hashes())
    fresh.load_state(m.save_state())
    with pytest.raises(SimkitError, match="These differ: faults"):
        m.load_state(before)


def test_a_fault_that_is_taken_out_before_it_came_was_never_there():
    m = Machine.load("demo:bench", images={ROM: image(COUNTS)})
    sound = m.identity
    m.add_fault("slot 1: D0 low, from cycle 5000").remove()
    assert (m.identity, m.faults) == (sound, ())


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("slot 4: setting port_1 = 3", "from power-on"),
        ("slot 2: bit 3 of $8123 low", "from power-on"),
        ("slot 9: D3 open", "there is no card in slot 9"),
        ("slot 4: D3 lwo", "nothing that can be done to D3"),
        ("A5 low, until cycle 5", "is over"),
        ("PHI2 missing", "without a clock no cycle passes"),
        ("PHI2 missing, 999 in 1000", "without a clock no cycle passes"),
        ("CPU: BE open, 1 in 5", "so from power-on"),
    ],
)
def test_what_cannot_be_put_into_a_running_machine_is_told_and_nothing_has_changed(text, words):
    m = Machine.load("demo:bench", images={ROM: image(COUNTS)})
    m.run(cycles=50)
    identity, state = m.identity, m.save_state()
    with pytest.raises(SimkitError) as told:
        m.add_fault(text)
    assert words in str(told.value)
    assert (m.identity, m.save_state()) == (identity, state)


def test_a_recording_ends_with_a_word_when_a_fault_is_put_in(tmp_path):
    m = Machine.load("demo:bench", images={ROM: image(COUNTS)})
    said = []
    journal = Journal(m, tmp_path / "a.rec", tell=said.append)
    m.run(cycles=100)
    m.add_fault("slot 1: D0 low")
    assert journal.ended
    assert "a fault was put into the machine" in said[0]


def test_what_is_observed_has_each_select_as_the_machine_was_wired_then():
    faults = ["slot 1: pin CE low, from cycle 100, until cycle 200"]
    m = Machine.load("demo:bench", images={ROM: image(COUNTS)}, faults=faults)
    found = observe(m, 400, ["1.select", "A15"])
    cycle, levels = found.cycles.cycle, found.levels
    during = (cycle >= 100) & (cycle < 200)
    assert set(levels[during].tolist()) <= {0, 2}  # always selected
    assert 3 in levels[~during].tolist()
