"""What wiring and images say before the first cycle: findings, so that no run and no test passes them over."""

from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from simkit import Machine
from simkit.contract.errors import SimkitError
from tests.examples import examples

ROOT = Path(__file__).parents[2]
SHED = """
name = "Shed"
clock = "1 MHz"
[[card]]
slot = 1
kind = "sram"
select = "00xx xxxx xxxx xxxx"
[card.settings]
size = 16384
[[card]]
slot = 2
kind = "rom"
select = "1xxx xxxx xxxx xxxx"
image = "rom.bin"
"""
KEYBOARD = '[[card]]\nslot = 3\nkind = "keyboard"\nselect = "0111 1111 0001 000x"\n'
PORTS = '[[card]]\nslot = 4\nkind = "ports-6522"\nselect = "0111 1111 0110 xxxx"\n'
LAMPS = '[[card]]\nslot = 5\nkind = "led-row"\nsettings = { joined = "pins" }\n'
WHOLE = (b"\x11" * 0x7FFA) + bytes.fromhex("008000800080")


@pytest.fixture
def load(tmp_path):
    def build(image=WHOLE, text=SHED, wiring=()):
        (tmp_path / "rom.bin").write_bytes(image)
        (tmp_path / "machine.toml").write_text(text)
        return Machine.load(tmp_path, wiring=wiring)

    return build


def found(machine):
    """(rule, slot) of what was found; all of it before the first cycle has passed."""
    assert list(machine.findings) == machine.warnings
    assert {finding.cycle for finding in machine.findings} <= {0}
    return [(finding.rule, finding.slot) for finding in machine.warnings]


@pytest.mark.parametrize("length", [1, 300, 1000, 4096, 16384, 0x7FFA, 0x7FFD, 0x7FFF])
def test_an_image_that_ends_before_the_vectors_is_a_finding(load, length):
    """Vectors at $FFFA-$FFFF: MOS Technology, MCS6500 Hardware Manual, January 1976."""
    machine = load(WHOLE[:length])
    assert found(machine) == [("image-size", 2)]
    text = machine.warnings[0].message
    assert f"the image has {length} bytes, the part 32768; it stands at offset $0000 ($8000 to" in text
    first = max(0xFFFA, 0x8000 + length)
    assert f"in filler (from ${first:04X}, offset ${first - 0x8000:04X})" in text
    assert "Build it whole" in text


def test_the_vectors_that_are_missing_are_named(load):
    assert "the IRQ vector falls in filler" in load(WHOLE[:0x7FFE]).warnings[0].message
    assert "the vectors NMI, RESET and IRQ fall in filler" in load(WHOLE[:99]).warnings[0].message


def test_a_whole_image_is_none(load):
    assert found(load()) == []


@pytest.mark.parametrize(
    "fields",
    [
        'select = "10xx xxxx xxxx xxxx"\n',  # another card may hold the vectors
        'select = "1xxx xxxx xxxx xxxx"\nwires = { A13 = "low", A14 = "low" }\n',  # the quarter that shows is all there
    ],
)
def test_a_short_image_whose_card_has_its_vectors_or_needs_none_is_in_order(load, fields):
    text = SHED.replace('select = "1xxx xxxx xxxx xxxx"\n', fields)
    assert found(load(WHOLE[-8192:], text)) == []


@given(length=st.integers(1, 0x8000))
@settings(deadline=None, max_examples=examples(40))
def test_an_image_is_told_exactly_when_a_byte_of_the_vectors_is_not_of_it(length, tmp_path_factory):
    path = tmp_path_factory.mktemp("shed") / "machine.toml"
    path.write_text(SHED)
    machine = Machine.load(path, images={2: WHOLE[:length]})
    assert bool(machine.warnings) == (length < 0x8000)


def test_the_findings_of_power_on_come_again_with_the_power(load):
    machine = load(WHOLE[:1000])
    machine.run(cycles=200)
    machine.power_cycle()
    assert machine.cycle == 0
    assert found(machine) == [("image-size", 2)]


# lines ----------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("cards", "rule", "words"),
    [
        (KEYBOARD + 'lines = { INT = "IRQX" }\n', ("line-unheard", 3), "slot 3 (keyboard) INT: nobody listens to"),
        (KEYBOARD + 'lines = { INT = "IRQX" }\n', ("line-unheard", 3), "the line IRQX. Did you mean 'IRQ'?"),
        (PORTS + 'lines = { PB0 = "NMI_" }\n', ("line-unheard", 4), "Did you mean 'NMI'?"),
        (LAMPS + 'lines = { L0 = "LAMP0" }\n', ("line-undriven", 5), "slot 5 (led-row) L0: no card drives the line"),
        (
            PORTS + 'lines = { PB0 = "SHADE" }\n' + LAMPS + 'lines = { L0 = "SHAED" }\n',
            ("line-undriven", 5),
            "Did you mean 'SHADE'?",
        ),
        (
            KEYBOARD + 'lines = { INT = "BUSY" }\n' + PORTS + 'lines = { INT = "BUSY" }\n',
            ("line-unheard", 3),
            "slot 3 (keyboard) INT and slot 4 (ports-6522) INT: nobody listens",
        ),
    ],
)
def test_a_line_with_one_end_is_a_finding(load, cards, rule, words):
    machine = load(WHOLE, SHED + cards)
    assert rule in found(machine)
    assert words in machine.warnings[found(machine).index(rule)].message


@pytest.mark.parametrize(
    "cards",
    [
        KEYBOARD + 'lines = { INT = "IRQ" }\n',
        KEYBOARD + 'lines = { INT = "KEY" }\n' + PORTS + 'lines = { CA1 = "KEY" }\n',
        KEYBOARD + 'lines = { INT = "KEY" }\n' + LAMPS + 'lines = { L0 = "KEY" }\n',
        PORTS + 'lines = { PB0 = "TURN", PA0 = "TURN" }\n',
        PORTS + 'lines = { PB7 = "SOUND" }\n',  # brought out for a probe
        PORTS + 'lines = { PB0 = "HALF" }\n[[card]]\nslot = 6\nkind = "sram"\nselect = "A14 and not A15 and HALF"\n'
        'not_select = "0111 xxxx xxxx xxxx"\n',
        PORTS + 'lines = { PB0 = "HALF" }\n[[card]]\nslot = 6\nkind = "sram"\nselect = "0101 xxxx xxxx xxxx"\n'
        'wires = { A14 = "HALF" }\n',
    ],
)  # fmt: skip
def test_a_line_that_ends_at_a_card_a_lamp_or_a_decoder_is_in_order(load, cards):
    assert found(load(WHOLE, SHED + cards)) == []


@pytest.mark.parametrize("demo", sorted(path.parent.name for path in (ROOT / "demo").glob("*/machine.toml")))
def test_no_demo_machine_is_found_fault_with_before_it_runs(demo):
    assert Machine.load(ROOT / "demo" / demo).warnings == []


@pytest.mark.parametrize("field", ["select", "not_select", "output_enable", "write_enable"])
@pytest.mark.parametrize("name", ["A16", "a20", "D3", "D8"])
def test_a_line_that_the_bus_does_not_have_is_refused(load, field, name):
    """The CPU brings out A0 to A15 (Western Design Center, W65C02S data sheet, section 3)."""
    text = SHED + f'[[card]]\nslot = 6\nkind = "sram"\nselect = "0101 xxxx xxxx xxxx"\n{field} = "A13 and {name}"\n'
    if field == "select":
        text = text.replace('select = "0101 xxxx xxxx xxxx"\nselect', "select")
    with pytest.raises(SimkitError, match=f"no address line {name.upper()}|data line {name.upper()}") as refused:
        load(WHOLE, text)
    assert "slot 6 (sram)" in str(refused.value)
    assert refused.value.line is not None


WIRED = KEYBOARD + 'lines = { INT = "IRQ" }\n' + PORTS + 'lines = { CA1 = "KEY", PB7 = "KEY" }\n'


@pytest.mark.parametrize(
    "wiring",
    ["IRQ inverted", "IRQ exchanged with NMI", "IRQ shorted to SO", "slot 3: INT inverted", "slot 3: IRQ inverted",
     "slot 3: pin INT joined to NMI", "slot 3: IRQ exchanged with NMI", "KEY shorted to IRQ", "NMI inverted",
     "slot 4: CA1 inverted", "slot 4: PB7 inverted", "slot 4: CA1 low", "slot 3: INT high", "slot 3: INT low",
     "KEY low", "slot 4: CA1 shorted to PB7"],
)  # fmt: skip
def test_who_listens_is_found_through_whatever_wiring_does_on_the_way(load, wiring):
    rules = [rule for rule, _ in found(load(WHOLE, SHED + WIRED, wiring=[wiring]))]
    assert not {"line-unheard", "line-undriven"} & set(rules)


def test_a_line_that_is_open_for_all_is_heard_by_nobody_and_says_where(load):
    machine = load(WHOLE, SHED + WIRED, wiring=["IRQ open"])
    told = next(one for one in machine.warnings if one.rule == "line-unheard")
    assert told.slot == 3
    assert told.message.endswith("nobody listens to the line IRQ. It is open on its way to the CPU.")


@pytest.mark.parametrize("engine", ["exact", "core"])
@pytest.mark.parametrize("said", ["slot 4: INT shorted to GND", "slot 4: IRQ shorted to GND", "IRQ low"])
def test_a_short_at_one_card_holds_the_whole_line_and_a_pin_that_is_low_is_cut_off_from_it(engine, said):
    def lines(*wiring):
        machine = Machine.load("demo:bench", wiring=wiring, engine=engine)
        machine.run(cycles=50_000)
        return machine.bus.nets.line("IRQ").level, 0x8045 <= machine.cpu.pc < 0x804B

    assert lines("slot 4: INT low") == lines() == (True, True), "the main loop waits"
    assert lines(said) == (False, False), "nothing but the handler runs"


def test_an_output_that_drives_against_a_short_fights_on_its_own_line():
    machine = Machine.load("demo:monitor", wiring=["slot 4: PB3 shorted to VCC"])
    machine.run(seconds=0.1)
    assert [one.rule for one in machine.findings] == ["output-fight"]
    assert "LAMP3" in machine.findings[0].message
