"""Wiring: what is done to a line is the same on both engines, at core speed."""

import random

import pytest

from simkit import Machine
from simkit.contract.errors import SimkitError
from tests.backplane.wired import RAM, ROM, STORE, both, image, variant


def test_a_data_line_held_low_at_a_rom_changes_what_the_cpu_reads():
    m = both("A9 0F 85 10 4C 04 80", "slot 2: D3 stuck low", fill=0xEA)
    assert m.peek(0x8001) == 0x07


@pytest.mark.parametrize(
    ("wiring", "given", "back"),
    [
        ("slot 1: D3 stuck low", 0xFF, 0xF7),
        ("slot 1: D3 stuck high", 0x00, 0x08),
        ("slot 1: D3 inverted", 0x5A, 0x5A),
        ("slot 1: D3 exchanged with D4", 0x08, 0x08),
        ("slot 1: D3 shorted to D4", 0x0F, 0x07),
        ("slot 1: D3 shorted to D4", 0x18, 0x18),
    ],
)
def test_a_ram_with_odd_data_pins_gives_back_what_they_make_of_a_byte(wiring, given, back):
    m = both(STORE.format(given), wiring)
    assert m.peek(0x11) == back


def test_an_open_data_pin_leaves_its_line_floating_on_reads_and_reads_high_on_writes():
    """LDA zero page: the byte before on the bus is the operand, $10."""
    m = both(STORE.format(0x00), "slot 1: D4 open")
    assert m.cpu.a == 0x10
    assert both(STORE.format(0xFF), "slot 1: D3 open").cpu.a == 0xF7


def test_a_data_pin_driven_late_is_taken_as_it_was_before():
    assert both(STORE.format(0xFF), "slot 1: D3 late").cpu.a == 0xF7
    assert both(STORE.format(0x00), "slot 1: D4 late").cpu.a == 0x10


@pytest.mark.parametrize(
    ("wiring", "twin"),
    [
        ("slot 1: pin A4 stuck low", 0x00),
        ("slot 1: pin A4 open", None),
        ("slot 1: pin A5 stuck high", 0x30),
        ("slot 1: pin A4 exchanged with A5", None),
        ("slot 1: pin A4 inverted", None),
        ("slot 1: pin A4 shorted to A5", 0x00),
        ("slot 1: line A4 open", None),
        ("slot 1: pin A4 joined to A3", 0x00),
        ("slot 1: pin A4 joined to not A3", None),
        ("A4 stuck low", 0x00),
        ("A4 shorted to A9", 0x00),
        ("A4 exchanged with A5", None),
        ("A4 inverted", None),
        ("slot 1: pins A4 to A7 reversed", None),
        ("slot 1: A4 to A7 reversed", None),
        ("A4 to A7 reversed", None),
    ],
)
def test_address_pins_and_lines_reach_other_bytes(wiring, twin):
    """A byte written at $10 comes back, and comes back at the address that the wiring makes the same."""
    code = "A9 42 85 10 A5 10 85 80 4C 08 80"
    rom = image(code)
    if not wiring.startswith("slot"):  # the ROM sees it as well: its bytes lie where the wiring looks for them
        rom = rewired(rom, wiring)
    m = both(code, wiring, rom=rom)
    assert m.cpu.a == 0x42
    if twin is not None:
        assert m.peek(twin) == 0x42


def rewired(rom, wiring):
    m = Machine.load("demo:bench", images={ROM: bytes(0x8000)}, wiring=[wiring])
    table = m.bus.reach.table
    seat = next(seat for seat in m.bus.seats if seat.slot == ROM)
    moved = bytearray(rom)
    for address in (*range(0x8000, 0x8010), *range(0xFFFA, 0x10000)):
        moved[table.offset(seat, address)] = rom[address - 0x8000]
    return bytes(moved)


@pytest.mark.parametrize("wiring", ["D3 stuck low", "D3 stuck high", "D3 open", "D3 inverted", "D3 shorted to D4",
                                    "D3 exchanged with D4", "D3 late"])  # fmt: skip
def test_a_data_line_that_is_odd_for_all_is_so_for_every_card(wiring):
    m = both(STORE.format(0x12), wiring)
    straight = bytes(m.bus.seats[1].image[:2])
    seen = {
        "D3 stuck low": 0xA1, "D3 stuck high": 0xA9, "D3 open": 0xA9, "D3 inverted": 0xA1,
        "D3 shorted to D4": 0xA1, "D3 exchanged with D4": 0xB1,
    }  # fmt: skip
    assert straight[0] == 0xA9
    if wiring in seen:
        assert m.peek(0x8000) == seen[wiring]


@pytest.mark.parametrize("wiring", ["slot 1: RW open", "slot 1: RW stuck low", "RW stuck high", "RW inverted",
                                    "slot 4: PHI2 stuck low", "PHI2 open"])  # fmt: skip
def test_control_lines_decide_whether_a_card_drives_or_takes(wiring):
    m = both("A9 42 85 10 A5 10 85 11 4C 08 80", wiring)
    taken = {"slot 4: PHI2 stuck low": 0x42, "PHI2 open": 0x42}.get(wiring)
    if taken is not None:
        assert m.cpu.a == taken
    elif wiring in ("slot 1: RW open", "RW stuck high"):
        assert m.findings.counts()  # the RAM drives against the CPU


TIMER = "58 A9 40 8D 0B 60 A9 C0 8D 0E 60 A9 20 8D 04 60 A9 00 8D 05 60 E6 10 4C 15 80"
SERVE = {"x9000": "2C 04 60 E6 11 40"}


@pytest.mark.parametrize(
    ("wiring", "served"),
    [
        ("slot 4: INT open", False),
        ("slot 4: pin INT joined to NMI", True),
        ("slot 4: IRQ open", False),
        ("IRQ open", False),
        ("IRQ stuck high", False),
        ("IRQ stuck low", True),
        ("IRQ exchanged with NMI", True),
        ("IRQ shorted to SO", True),
        ("IRQ inverted", True),
        ("slot 4: INT inverted", True),
        ("slot 4: INT stuck high", False),
    ],
)
def test_interrupts_reach_the_cpu_by_whatever_line_is_left(wiring, served):
    m = both(TIMER, wiring, irq=0x9000, cycles=600, **SERVE)
    assert bool(m.peek(0x11)) is served


@pytest.mark.parametrize("said", ["slot 3: IRQ push-pull", "slot 3: INT is a totem-pole output"])
def test_an_interrupt_output_that_drives_high_as_well_fights_the_one_that_pulls(said):
    """The timer of slot 4 pulls IRQ, the serial card drives it high; the low one wins (from memory)."""
    m = both(TIMER, said, irq=0x9000, cycles=600, **SERVE)
    fight = next(one for one in m.findings if one.rule == "output-fight")
    assert "slot 3 INT (push-pull) high" in fight.message
    assert "slot 4 INT (open drain) low" in fight.message
    assert m.peek(0x11)  # served all the same
    assert not list(both(TIMER, irq=0x9000, cycles=600, **SERVE).findings)


def test_an_output_that_is_open_drain_leaves_its_line_to_the_resistor(tmp_path):
    lines = '[[card]]\nslot = 3\nlines = { RTS = "SHADE" }\n[[card]]\nslot = 4\nlines = { CA1 = "SHADE" }\n'
    assert pulled(tmp_path, "SHADE", "down", more=lines).lines["SHADE"].level  # RTS is high after a reset
    assert not pulled(tmp_path, "SHADE", "down", "slot 3: RTS open collector", more=lines).lines["SHADE"].level


def test_only_outputs_have_an_output_stage_that_can_be_said():
    for said, words in (
        ("slot 4: PB0 push-pull", "no output that is always one"),
        ("slot 4: CA1 open drain", "no output that is always one"),
        ("IRQ push-pull", "an output of a card"),
        ("slot 4: A5 push-pull", "that cards join to lines"),
        ("slot 1: IRQ push-pull", "has no pin"),
    ):
        with pytest.raises(SimkitError, match=words):
            Machine.load("demo:bench", wiring=[said])


def test_a_cpu_that_is_held_in_reset_does_nothing_and_one_never_ready_says_so():
    assert both("E6 10 4C 00 80", "RESET stuck low").peek(0x10) == 0
    never = Machine.load("demo:bench", images={ROM: image("E6 10 4C 00 80")}, wiring=["RDY stuck low"])
    with pytest.raises(SimkitError, match="RDY is held low by the wiring"):
        never.run(cycles=1000)


def test_released_lines_and_data_lines_follow_their_resistors(tmp_path):
    text = 'base = "{}"\n[backplane.pulls]\nD7 = "up"\nD0 = "down"\nSHADE = "down"\n[[card]]\nslot = 4\n'
    text += 'lines = { PB0 = "SHADE" }\n'
    path = tmp_path / "machine.toml"
    path.write_text(text.replace("{}", Machine.load("demo:bench").description.path.as_posix(), 1))
    code = image("AD 01 40 85 10 AD 00 60 85 11 4C 0A 80")
    made = [Machine.load(path, images={ROM: code}, engine=engine) for engine in ("exact", "core")]
    for m in made:
        m.run(cycles=200)
    assert made[0].save_state() == made[1].save_state()
    assert made[1].peek(0x10) == 0xC0  # nobody drives: $40 stays, line 7 is pulled up
    assert made[1].peek(0x11) & 1 == 0


def pulled(tmp_path, line, pull, *wiring, code="A9 42 85 10 A5 10 85 11 4C 00 80", more="", cycles=300, **image_of):
    """A machine with such a resistor, run on both engines, which agree."""
    text = f'[backplane.pulls]\n{line} = "{pull}"\n{more}'
    path = variant(tmp_path, text)
    rom = image(code, **image_of)
    made = [Machine.load(path, images={ROM: rom}, wiring=wiring, engine=engine) for engine in ("exact", "core")]
    for m in made:
        m.run(cycles=cycles)
    assert made[0].save_state() == made[1].save_state()
    assert list(made[0].findings) == list(made[1].findings)
    return made[1]


@pytest.mark.parametrize(("pull", "level"), [("up", True), ("down", False)])
def test_what_a_released_line_reads_is_said_by_its_resistor_for_every_kind_of_line(tmp_path, pull, level):
    """An address line, control lines, data lines, those that the CPU samples, and those of cards."""
    m = pulled(tmp_path, "A4", pull, "A4 open")
    assert m.bus.reach.table.offset(m.bus.seats[0], 0x00) == (0x10 if level else 0)
    assert m.bus.reach.table.offset(m.bus.seats[0], 0x10) == (0x10 if level else 0)

    m = pulled(tmp_path, "PHI2", pull, "PHI2 open")
    assert bool(m.bus.where(0x10)) is level  # every read strobe wants PHI2

    m = pulled(tmp_path, "RW", pull, "RW open")
    assert bool(m.bus.where(0x10)) is level

    m = pulled(tmp_path, "D3", pull, "slot 1: D3 open")
    assert m.cpu.a == (0x4A if level else 0x42)

    m = pulled(tmp_path, "D3", pull, "D3 open", code="EA", fill=0xEA)
    assert m.peek(0x8100) == (0xEA if level else 0xE2)

    m = pulled(tmp_path, "D3", pull, code="AD 01 40 85 10 4C 05 80")  # nobody is at $4001
    assert m.peek(0x10) & 8 == (8 if level else 0)

    m = pulled(tmp_path, "IRQ", pull, "IRQ open", code="58 E6 10 4C 01 80", irq=0x9000, x9000="E6 11 40")
    assert bool(m.peek(0x11)) is not level

    bank = '[[card]]\nslot = 6\nkind = "sram"\nselect = "A14 and not A15 and not A13 and not A12 and BANK"\n'
    bank += '[[card]]\nslot = 7\nkind = "bank-latch"\nselect = "0111 1111 0000 0000"\nlines = { Q0 = "BANK" }\n'
    m = pulled(tmp_path, "BANK", pull, "BANK open", more=bank)
    assert bool(m.bus.where(0x4000)) is level

    m = pulled(tmp_path, "SHADE", pull, code="AD 00 60 85 10 4C 05 80", more="[[card]]\nslot = 4\n"
               'lines = { PB0 = "SHADE" }\n')  # fmt: skip
    assert m.peek(0x10) & 1 == level


def test_an_rdy_that_is_pulled_low_and_driven_by_nobody_says_so(tmp_path):
    with pytest.raises(SimkitError, match="RDY is held low by the wiring"):
        pulled(tmp_path, "RDY", "down")
    with pytest.raises(SimkitError, match="RDY is held low by the wiring"):
        pulled(tmp_path, "RDY", "up", "RDY inverted")


# at core speed --------------------------------------------------------------------------------------------------------

AT_A_SLOT = [
    "D3 open",
    "D3 late",
    "D3 stuck low",
    "D3 inverted",
    "D3 shorted to D4",
    "D0 to D7 reversed",
    "pin A4 open",
    "pin A4 exchanged with A5",
    "line A4 exchanged with A5",
    "pins A0 to A7 reversed",
]
FOR_ALL = [
    "D6 open",
    "D6 late",
    "D6 stuck high",
    "D6 inverted",
    "D3 shorted to D4",
    "D0 to D7 reversed",
    "A4 inverted",
    "A4 exchanged with A5",
    "A4 stuck low",
    "A4 shorted to A5",
]


@pytest.mark.parametrize(
    "wiring", [*(f"slot {slot}: {text}" for slot in (RAM, ROM) for text in AT_A_SLOT), *FOR_ALL, "D7 not pulled"]
)
def test_static_wiring_of_memories_asks_nobody(wiring):
    """Its pages are in the decode tables: plain, or with what the core needs to reach them."""
    m = Machine.load("demo:bench", images={ROM: image("EA")}, wiring=[wiring])
    table = m.bus.reach.table
    crossed = table.crossed_pages()
    for page in (0x02, 0x81):
        assert table.rd[page] is not None or page in crossed
        assert page >= 0x80 or table.wr[page] is not None or crossed[page].takes is not None


@pytest.mark.parametrize("open_bus", ["last", "pull-up", "pull-down"])
@pytest.mark.parametrize("seed", range(6))
def test_any_program_runs_alike_on_both_engines_whatever_is_wired_how(tmp_path, seed, open_bus):
    chance = random.Random(f"{seed} {open_bus}")
    said = [f"slot {chance.choice((RAM, ROM))}: {text}" for text in chance.sample(AT_A_SLOT, 2)]
    said += [*chance.sample(FOR_ALL, chance.randrange(2)), "IRQ stuck high"]
    path = variant(tmp_path, f'[backplane]\nopen_bus = "{open_bus}"\n')
    rom = bytearray(chance.randbytes(0x8000))
    made = [Machine.load(path, images={ROM: bytes(rom)}, wiring=said, engine=engine) for engine in ("exact", "core")]
    for cycles in (400, 3000):
        for m in made:
            m.run(cycles=cycles)
        assert made[0].cycle == made[1].cycle
        assert made[0].save_state() == made[1].save_state(), said
        assert list(made[0].findings) == list(made[1].findings)


# what a probe sees ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("wiring", "on_lines", "at_cpu"),
    [
        ("D3 stuck low", lambda b: b & 0xF7, lambda b: b & 0xF7),  # the line is low, for all
        ("D3 shorted to D4", lambda b: _shorted(b), lambda b: _shorted(b)),
        ("D3 inverted", lambda b: b, lambda b: b ^ 0x08),  # on the way to the CPU
        ("CPU: D3 open", lambda b: b, lambda b: b | 0x08),
        ("CPU: D0 to D7 reversed", lambda b: b, lambda b: int(f"{b:08b}"[::-1], 2)),
        ("slot 2: D3 stuck low", lambda b: b & 0xF7, lambda b: b & 0xF7),  # the pin that drives the line
        ("slot 1: D3 stuck low", lambda b: b, lambda b: b),  # not of the memory that is read here
    ],
)
@pytest.mark.parametrize("engine", ["exact", "core"])
def test_a_probe_tells_the_byte_on_the_backplane_and_that_at_the_cpu(wiring, on_lines, at_cpu, engine):
    """Bytes of a ROM, read by the reset sequence and what comes behind it."""
    rom = bytes(random.Random(wiring).choice((0xEA, 0x18, 0x5A, 0x82, 0x38, 0xA8)) for _ in range(0x8000))
    m = Machine.load("demo:bench", images={ROM: rom}, wiring=[wiring], engine=engine)
    seen = []
    m.add_probe(seen.append)
    m.run(cycles=60)
    reads = [one for one in seen if one.drivers == (ROM,) and not one.is_write]
    assert len(reads) > 3
    for one in reads:
        byte = rom[one.address - 0x8000]
        assert (one.data, one.cpu_data) == (on_lines(byte), at_cpu(byte))


def _shorted(byte):
    return byte if byte & 0x18 == 0x18 else byte & 0xE7


@pytest.mark.parametrize(("wiring", "on_lines"), [("D3 inverted", 0x4A), ("slot 1: D3 stuck high", 0x42)])
def test_a_probe_tells_what_a_write_puts_on_the_backplane(wiring, on_lines):
    turned = 8 if wiring == "D3 inverted" else 0
    rom = bytes(byte ^ turned for byte in image("A9 42 85 10 4C 00 80"))
    m = Machine.load("demo:bench", images={ROM: rom}, wiring=[wiring])
    seen = []
    m.add_probe(seen.append)
    m.run(cycles=12)
    assert [(one.address, one.data, one.cpu_data) for one in seen if one.is_write] == [(0x10, on_lines, 0x42)]


# cards that are not there -------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "said", ["slot 4: card removed", "slot 4: empty", "slot 4: the card is not plugged in", "slot 4: missing"]
)
def test_a_card_that_is_not_in_its_slot_answers_nothing_and_pulls_nothing(said):
    """Nobody drives the read: the high byte of the address was the last on the lines."""
    code = "A9FF8D0260A9558D0060AD006085104C1080"
    m = both(code, said)
    assert 4 not in [seat.slot for seat in m.bus.seats]
    assert "slot 4: card removed" in m.description.sentences()
    assert m.peek(0x10) == 0x60
    assert both(code).peek(0x10) == 0x55


def test_a_card_may_be_taken_out_by_a_sentence_of_its_own_and_another_machine_comes_of_it(tmp_path):
    path = variant(tmp_path, '[[card]]\nslot = 4\nwiring = ["removed"]\n')
    m = Machine.load(path, images={ROM: image("EA")})
    assert [seat.slot for seat in m.bus.seats] == [1, 2, 3, 5]
    assert m.description.parts() != Machine.load("demo:bench", images={ROM: image("EA")}).description.parts()
    with pytest.raises(SimkitError, match="no card in slot 9"):
        Machine.load("demo:bench", wiring=["slot 9: card removed"])
