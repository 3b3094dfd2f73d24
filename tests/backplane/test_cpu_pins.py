"""Pins of the CPU as wiring: outputs tied to a supply, inputs left open, contacts of a socket made for another part.

[WDC] Western Design Center, W65C02S data sheet, section 3: BE, MLB, RDY, SYNC, VPB. Numbers of pins from memory.
"""

import pytest

from simkit import Machine
from simkit.backplane.cpu_pins import PINS, at_part
from simkit.backplane.sentences import read_sentence
from simkit.backplane.wiring import CPU
from simkit.contract.errors import SimkitError
from simkit.machinefile.read import read_description

COUNT = "A2 FF 9A E6 10 4C 03 80"
BUSY = "A9 55 85 10 A9 AA 85 10 4C 00 80"


def rom(code):
    image = bytearray(b"\xea" * 0x8000)
    image[: len(bytes.fromhex(code))] = bytes.fromhex(code)
    image[0x7FFA:] = bytes.fromhex("00 80 00 80 00 80")
    return bytes(image)


def machine_of(tmp_path, cpu, wiring, more=""):
    base = Machine.load("demo:bench").description.path.as_posix()
    sentences = ", ".join(f'"{text}"' for text in wiring)
    (tmp_path / "machine.toml").write_text(
        f'base = "{base}"\ncpu = "{cpu}"\n[backplane]\nwiring = [{sentences}]\n{more}'
    )
    return tmp_path / "machine.toml"


@pytest.fixture
def both(tmp_path):
    """Runs a machine with such wiring on both engines, which agree; gives that of the core."""

    def run(cpu, *wiring, code=COUNT, cycles=3000, more=""):
        path = machine_of(tmp_path, cpu, wiring, more)
        made = [Machine.load(path, images={2: rom(code)}, engine=engine) for engine in ("exact", "core")]
        for m in made:
            m.run(cycles=cycles)
        assert made[0].save_state() == made[1].save_state()
        assert list(made[0].findings) == list(made[1].findings)
        return made[1]

    return run


def rules(m):
    return sorted({one.rule for one in m.findings})


def test_a_part_in_the_socket_of_the_other_meets_its_wires(both):
    """Pin 1 on ground and pin 36 open: right for the NMOS part, a short and a floating BE on the W65C02S."""
    old = both("6502", "CPU: pin 1 low", "CPU: pin 36 open")
    assert old.peek(0x10) > 100
    assert rules(old) == []
    new = both("65C02", "CPU: pin 1 low", "CPU: pin 36 open", "RDY high")
    assert sorted(one.rule for one in new.warnings) == ["input-open", "output-fight", "ready-tied"]
    assert "VPB (pin 1) is an output of the 65C02 and is shorted to ground" in "".join(w.message for w in new.warnings)
    assert "bus-released" in rules(new)
    cut = both("65C02", "CPU: pin 1 open", "CPU: pin 36 high")
    assert cut.peek(0x10) > 100
    assert rules(cut) == []


@pytest.mark.parametrize(
    ("wiring", "same"),
    [
        ("CPU: pin 1 low", "CPU: VPB low"),
        ("CPU: pin 36 open", "CPU: BE open"),
        ("CPU: pin 5 high", "CPU: MLB high"),
        ("CPU: pin 4 open", "IRQ open"),
        ("CPU: pin 33 low", "D0 low"),
        ("CPU: pin 25 open", "A15 open"),
        ("CPU: pin 8 open", "CPU: VDD open"),
        ("CPU: pin 21 high", "CPU: VSS reversed"),
        ("CPU: PHI0 high", None),
        ("CPU: IRQ shorted to VPB", "CPU: VPB shorted to IRQ"),
        ("CPU: pin 4 shorted to VPB", "CPU: VPB shorted to IRQ"),
        ("CPU: BE joined to BUSY", "CPU: BE joined to BUSY"),
    ],
)
def test_a_contact_is_the_pin_that_the_part_has_there(wiring, same):
    entry = read_sentence(wiring)
    assert read_sentence(str(entry)) == entry
    if same is None:
        with pytest.raises(SimkitError, match="is the clock"):
            at_part(entry, "65C02")
    else:
        assert str(at_part(entry, "65C02") if entry.slot == CPU else entry) == same


def test_both_parts_have_forty_pins():
    assert all(sorted(pins) == list(range(1, 41)) for pins in PINS.values())


@pytest.mark.parametrize("name", ["VPB", "MLB", "SYNC", "PHI1O", "PHI2O"])
@pytest.mark.parametrize("level", ["low", "high"])
def test_an_output_of_the_cpu_on_a_rail_is_a_fight_and_the_program_runs_on(both, name, level):
    m = both("65C02", f"CPU: {name} {level}", cycles=300)
    assert [one.rule for one in m.warnings] == ["output-fight"]
    assert name in m.warnings[0].message
    assert m.peek(0x10) > 10


@pytest.mark.parametrize("wiring", ["CPU: VPB open", "CPU: MLB open", "CPU: SYNC open", "CPU: BE high",
                                    "CPU: BE pulled up", "CPU: PHI2O open", "CPU: pin 35 low"])  # fmt: skip
def test_what_belongs_so_costs_nothing_and_is_no_finding(both, wiring):
    m = both("65C02", wiring, cycles=300)
    assert rules(m) == []
    assert m.peek(0x10) > 10
    assert m.bus.accesses.cpu_lines is None or wiring == "CPU: BE pulled up"


@pytest.mark.parametrize("wiring", ["CPU: BE low", "CPU: BE pulled down", "CPU: BE inverted"])
def test_a_be_that_is_low_for_good_leaves_the_cpu_alone_with_a_floating_bus(both, wiring):
    """[WDC] BE: address, data and R/W float; the CPU reads whatever is there."""
    m = both("65C02", wiring, code=BUSY, cycles=300)
    before = m.peek(0x10)
    assert "bus-released" in rules(m)
    m.run(cycles=300)
    assert m.peek(0x10) == before
    assert m.cpu.pc != 0x8000


def test_an_open_be_releases_the_bus_at_random_by_the_seed(tmp_path):
    path = machine_of(tmp_path, "65C02", ["CPU: BE open"])
    starts = set()
    for seed in (1, 2, 3):
        m = Machine.load(path, images={2: rom(COUNT)}, seed=seed)
        m.run(cycles=5000)
        again = Machine.load(path, images={2: rom(COUNT)}, seed=seed)
        again.run(cycles=2500)
        other = Machine.load(path, images={2: rom(COUNT)}, seed=seed)
        other.load_state(again.save_state())
        other.run_to(m.cycle)
        assert other.save_state() == m.save_state()
        starts.add(next(one.cycle for one in m.findings if one.rule == "bus-released"))
    assert len(starts) > 1


@pytest.mark.parametrize(
    ("wiring", "line"),
    [
        ("CPU: VPB joined to NMI", "NMI"),
        ("CPU: VPB shorted to IRQ", "IRQ"),
        ("CPU: VPB exchanged with MLB", "MLB"),
        ("CPU: VPB inverted", "VPB"),
    ],
)
def test_an_output_of_the_cpu_moves_the_line_that_it_is_joined_to(both, wiring, line):
    """The line moves when the two bytes of the vector are fetched, in cycles 5 and 6 after power-on."""
    m = both("65C02", wiring, cycles=60)
    levels = [m.bus.nets.line(line).level_at(cycle) for cycle in range(4, 9)]
    low = [level is (line == "VPB") for level in levels]
    assert low == [False, True, True, False, False]


@pytest.mark.parametrize("name", ["VPB", "SYNC"])
def test_a_cpu_that_holds_its_own_rdy_low_is_told_at_once(both, name):
    with pytest.raises(SimkitError, match=f"CPU {name} holds RDY low, which keeps it low"):
        both("65C02", f"CPU: {name} joined to RDY")


def test_rdy_tied_to_the_supply_is_told_and_fights_wai(both):
    """[WDC] RDY: bidirectional; WAI pulls it low."""
    m = both("65C02", "RDY high", code="A2 FF 9A CB EA 4C 03 80", cycles=200)
    assert rules(m) == ["output-fight", "ready-tied"]
    for soft in ("RDY pulled up", "CPU: RDY pulled up"):
        assert rules(both("65C02", soft, code="A2 FF 9A CB EA 4C 03 80", cycles=200)) == []
    assert rules(both("6502", "RDY high", cycles=200)) == []


@pytest.mark.parametrize("name", ["IRQ", "NMI", "RESET", "RDY", "SO"])
def test_an_open_input_of_the_cpu_is_told_and_a_pulled_one_is_not(both, name):
    m = both("65C02", f"CPU: {name} open", cycles=300)
    assert "input-open" in rules(m)
    assert m.peek(0x10) > 10
    assert "input-open" not in rules(both("65C02", f"CPU: {name} open", f"{name} pulled up", cycles=300))


@pytest.mark.parametrize(
    ("cpu", "wiring", "words"),
    [
        ("65C02", "CPU: pin 41 open", "there is no pin 41"),
        ("65C02", "CPU: PHI2 low", "is the clock of the 65C02"),
        ("6502", "CPU: PHI0 open", "is the clock of the 6502"),
        ("6502", "CPU: VPB exchanged with MLB", "where VPB is said there is VSS"),
        ("65C02", "CPU: VPB pulled up", "no resistor pulls"),
        ("65C02", "CPU: PHI2O inverted", "nothing here hears PHI2O"),
        ("65C02", "CPU: VPB exchanged with IRQ", "Exchange it with another of"),
        ("65C02", "CPU: VBP low", "the CPU has no pin VBP"),
        ("65C02", "CPU: VPB joined to NOWHERE", "there is no line 'NOWHERE'"),
    ],
)
def test_what_cannot_be_done_to_a_pin_of_the_cpu_is_refused_in_words(tmp_path, cpu, wiring, words):
    with pytest.raises(SimkitError) as refused:
        read_description(machine_of(tmp_path, cpu, [wiring]))
    assert words in str(refused.value)
    assert "machine.toml:4" in str(refused.value)
