"""RESET as it is wired: at a card, at the CPU, and pulled."""

from __future__ import annotations

import pytest

from simkit import Machine

ROM, PORTS = 2, 4
PROGRAM = bytearray(b"\xff" * 0x8000)
PROGRAM[:13] = bytes.fromhex("A9 55 8D 00 60 A9 FF 8D 02 60 4C 0A 80")  # port B shows $55
PROGRAM[0x7FFC:0x7FFE] = b"\x00\x80"


@pytest.fixture(params=["exact", "auto"])
def bench(request):
    return lambda *wiring: Machine.load("demo:bench", images={ROM: bytes(PROGRAM)}, wiring=wiring, engine=request.param)


def outputs(machine):
    return machine.card(PORTS).words()[1].split(", ")[-1]


@pytest.mark.parametrize(
    ("sentence", "running", "pressed"),
    [
        ("slot 4: RESET joined to RESET", "outputs $FF", "no outputs"),
        ("slot 4: RESET not connected", "outputs $FF", "outputs $FF"),
        ("slot 4: RES tied high", "outputs $FF", "outputs $FF"),
        ("slot 4: RESB stuck low", "no outputs", "no outputs"),
        ("slot 4: IRQ exchanged with RESET", "outputs $FF", "outputs $FF"),
        ("slot 4: RESET inverted", "no outputs", "no outputs"),
        ("slot 1: RESET stuck low", "outputs $FF", "no outputs"),
    ],
)
def test_a_card_hears_the_reset_button_as_its_pin_is_wired(bench, sentence, running, pressed):
    """W65C22S data sheet, WDC, RESB: low clears the registers of the ports, and they stay so while it is."""
    m = bench(*([] if "joined" in sentence else [sentence]))
    m.run(cycles=60)
    assert outputs(m) == running
    m.reset()
    m.run(cycles=4)
    assert outputs(m) == pressed


def test_with_reset_open_at_the_cpu_the_button_resets_the_cards_alone(bench):
    m = bench("CPU: RESET open")
    m.run(cycles=60)
    m.reset()
    m.run(cycles=200)
    assert outputs(m) == "no outputs", "nobody sets the port up again"
    assert 0x800A <= m.cpu.pc <= 0x800D
    assert [finding.rule for finding in m.findings] == ["input-open"]


@pytest.mark.parametrize("sentence", ["RESET stuck low", "RESET pulled down", "RESET inverted"])
def test_a_machine_that_stays_in_reset_says_so(bench, sentence):
    m = bench(sentence)
    m.run(cycles=200)
    assert outputs(m) == "no outputs"
    assert [finding.rule for finding in m.findings] == ["reset-held"]


@pytest.mark.parametrize("name", ["IRQ", "NMI", "RDY", "SO", "RESET"])
def test_an_input_of_the_cpu_that_nothing_pulls_is_told(bench, name):
    """From memory, common practice: each of them wants its own resistor where no output drives it both ways."""
    m = bench(f"no pull-up on {name}")
    assert [(finding.rule, name in finding.message) for finding in m.findings] == [("input-open", True)]


def registers(machine, *offsets):
    return [machine.peek(0x6000 + offset) for offset in offsets]


@pytest.mark.parametrize("engine", ["exact", "auto"])
def test_a_part_without_reset_begins_with_what_its_registers_fall_into(engine):
    """From memory: sheets give the values of registers behind RESET alone. Ports, directions, controls, enables."""
    offsets = (0x0, 0x2, 0x3, 0xB, 0xC, 0xE)
    halted = bytearray(PROGRAM)
    halted[:3] = bytes.fromhex("4C 00 80")
    begun = []
    for wiring in ([], ["slot 4: RES open"], ["slot 4: RES tied high"]):
        for seed in (1, 2, 3):
            m = Machine.load("demo:bench", images={ROM: bytes(halted)}, wiring=wiring, seed=seed, engine=engine)
            m.run(cycles=60)
            begun.append(registers(m, *offsets[1:]))
            m.power_cycle()
            assert registers(m, *offsets[1:]) == begun[-1], "the same power-up is the same"
    behind_reset, without = begun[:3], begun[3:]
    assert behind_reset == [[0, 0, 0, 0, 0x80]] * 3
    assert len({tuple(one) for one in without}) == 3
    assert without[:3] == without[3:], "open or high: no RESET either way"
    assert all(any(one[:2]) for one in without)


HELD = {
    "serial-6551": lambda state: (state["command"], state["control"]),
    "tile-video": lambda state: tuple(state["registers"][:2]),
}


@pytest.mark.parametrize("kind", HELD)
def test_registers_that_reset_would_have_cleared_hold_noise_without_it(kind, tmp_path):
    path = tmp_path / "machine.toml"
    path.write_text(f'clock = "1 MHz"\n[[card]]\nslot = 1\nkind = "{kind}"\nselect = "A15 and not A14"\n')

    def held(*wiring):
        return {HELD[kind](Machine.load(path, wiring=wiring, seed=seed).bus.seats[0].card.save(0)) for seed in range(6)}

    assert held() == {(0, 0)}
    assert len(held("slot 1: RES open")) == 6
