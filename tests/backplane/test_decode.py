"""What the tables say of an address, against the wiring gone through pin by pin."""

from fractions import Fraction

import attrs
from hypothesis import example, given, settings
from hypothesis import strategies as st
from simkit_cards.memory.rom import Rom
from simkit_cards.memory.sram import Sram

from simkit.backplane.bus import Bus
from simkit.backplane.cycle import Kind
from simkit.backplane.seat import Seat
from simkit.backplane.select import Expression, Select
from simkit.backplane.wiring import READ_STROBE, WRITE_STROBE, of_pins
from simkit.contract import Card, Drive, PinSpec, Register, Slot
from simkit.contract.findings import Findings
from simkit.contract.lines import Pin
from tests.examples import examples

SIZES = (256, 512, 1024, 8192, 65_536, 131_072)
OTHERS = ("low", "high", "BANK", "SPARE")


@attrs.define
class Engine:
    cycle: int = 0
    last: int = 0
    horizon: int = 0
    rd: list = attrs.field(factory=list)
    wr: list = attrs.field(factory=list)
    recent: tuple = ()
    attention: bool = False


@st.composite
def wirings(draw, size):
    """Some address pins moved to another line, and two data lines exchanged or none."""
    pins = (size - 1).bit_length()
    moved = draw(st.lists(st.integers(0, pins - 1), max_size=4, unique=True))
    lines = st.sampled_from([f"A{n}" for n in range(16)] + list(OTHERS))
    wires = {f"A{pin}": draw(lines) for pin in moved}
    for pin in range(16, pins):
        wires.setdefault(f"A{pin}", draw(lines))
    one, other = draw(st.tuples(st.integers(0, 7), st.integers(0, 7)))
    if one != other:
        wires |= {f"D{one}": f"D{other}", f"D{other}": f"D{one}"}
    return wires


@st.composite
def memories(draw, cls=None):
    cls = draw(st.sampled_from([Sram, Rom])) if cls is None else cls
    size = draw(st.sampled_from([size for size in SIZES if cls is Sram or size >= 1024]))
    return cls, size, draw(st.just({}) | wirings(size))


def level(line, address, levels):
    if line in ("low", "high"):
        return line == "high"
    return bool(address >> int(line[1:]) & 1) if line[1:].isdigit() else levels[line]


def offset(size, wires, address, levels):
    """What the card's address pins see, pin by pin."""
    lines = {pin: wires.get(f"A{pin}", f"A{pin}" if pin < 16 else "low") for pin in range((size - 1).bit_length())}
    return sum(level(line, address, levels) << pin for pin, line in lines.items())


def build(cls, size, wires):
    bus = Bus(Findings(), seed=1)
    slot = Slot(1, Fraction(1), 1, Findings(), bus)
    card = cls(cls.Settings(size=size), slot)
    if cls is Rom:
        card.insert(bytes(place * 7 + (place >> 8) & 0xFF for place in range(size)))
    strobes = Expression(READ_STROBE), Expression(WRITE_STROBE)
    bus.seat(Seat(card, 1, cls.kind, Select(("xxxx xxxx xxxx xxxx",)), *strobes, of_pins(wires, 1)))
    drivers = {}
    for name in ("BANK", "SPARE"):
        drivers[name] = Pin(PinSpec(name=name, drive=Drive.PUSH_PULL), 2)
        bus.nets.line(name).join(drivers[name])
    engine = Engine()
    bus.attach(engine)
    card.power_on(0)
    return bus, engine, card, drivers


ADDRESSES = st.lists(st.integers(0, 0xFFFF), min_size=1, max_size=20)
LEVELS = st.lists(st.tuples(st.booleans(), st.booleans()), min_size=1, max_size=4)


@given(memories(), ADDRESSES, LEVELS)
@example((Rom, 131_072, {}), [0x1234], [(True, True)])
@example((Sram, 131_072, {"A16": "BANK"}), [0x0000, 0xFFFF], [(True, True), (False, True), (True, False)])
@example((Rom, 1024, {"A8": "A0", "A0": "A8"}), [0x0001, 0x0100], [(True, True)])
@settings(deadline=None)
def test_every_address_reaches_the_cell_that_the_pins_say_past_the_card_or_through_it(memory, addresses, changes):
    """Whichever way the access takes, with exchanged address and data lines, pins tied and pins on bank lines."""
    cls, size, wires = memory
    bus, engine, card, drivers = build(cls, size, wires)
    on_pin = [int(wires.get(f"D{pin}", f"D{pin}")[1:]) for pin in range(8)]
    for number, (bank, spare) in enumerate(changes, start=1):
        drivers["BANK"].drive(bank, number)
        drivers["SPARE"].drive(spare, number)
        levels = {"BANK": bank, "SPARE": spare}
        for address in addresses:
            place = offset(size, wires, address, levels)
            assert bus.where(address) == [(bus.seats[0], place)]
            assert bus.where(address, is_write=True) == [(bus.seats[0], place)]
            stored = card.peek(place, number)
            expected = sum((stored >> pin & 1) << line for pin, line in enumerate(on_pin))
            page = engine.rd[address >> 8]
            seen = {bus.peek(address, number, 0), bus.accesses.read(address, number, Kind.DATA)}
            assert seen | ({page[address & 0xFF]} if page is not None else set()) == {expected}
            page = engine.wr[address >> 8]
            byte = (address + number) & 0xFF
            if page is not None:
                page[address & 0xFF] = byte
            else:
                bus.accesses.write(address, byte, number, Kind.DATA)
            kept = sum((byte >> line & 1) << pin for pin, line in enumerate(on_pin)) if cls is Sram else stored
            assert card.peek(place, number) == kept


@given(memories(Rom))
@settings(deadline=None, max_examples=examples(30))
def test_wrong_wiring_of_a_rom_runs_at_full_speed(memory):
    """Every page of a ROM is plain for reads, however its pins are joined; writes always call it."""
    _, engine, _, _ = build(*memory)
    assert all(page is not None and len(page) == 256 for page in engine.rd)
    assert all(page is None for page in engine.wr)


@given(memories(Sram))
@settings(deadline=None, max_examples=examples(30))
def test_a_page_of_ram_is_the_memory_itself_or_no_page(memory):
    """A view, not a copy: what one way writes the other reads."""
    _, engine, card, _ = build(*memory)
    straight = all(
        pin[0] == "A" and int(pin[1:]) > 7 and source[1:] not in "01234567" for pin, source in memory[2].items()
    )
    for view in (engine.rd, engine.wr):
        for page in view:
            assert page is None or page.obj is memoryview(card.plain_memory().read).obj
        assert not straight or all(page is not None for page in view)


class Half(Card):
    """Two registers beside memory that is no `plain_memory`."""

    kind = "half"
    Settings = attrs.make_class("Settings", [])

    @classmethod
    def registers(cls, settings):
        return (Register(0, "low", "r", driven=0x0F), Register(0, "high", "rw", driven=0x30), Register(1, "taken", "w"))

    def holds_program(self, place):
        return place == 3


def test_a_card_drives_the_bits_of_its_readable_registers_and_all_of_its_memory():
    """Two registers that share an offset drive the bits of both; data wires move them."""
    bus = Bus(Findings(), seed=1)
    for slot, wires in ((1, {}), (2, {"D0": "D7", "D7": "D0"})):
        card = Half(Half.Settings(), Slot(slot, Fraction(1), 1, Findings(), bus))
        strobes = Expression(READ_STROBE), Expression(WRITE_STROBE)
        bus.seat(Seat(card, slot, "half", Select((f"{slot:04b} xxxx xxxx xxxx",)), *strobes, of_pins(wires, slot)))
        bus.seats[-1].address_pins = 2
    bus.attach(Engine())
    masks = [
        [mask for _, _, mask in bus.reach.table.read_plan(base | n).drivers]
        for base in (0x1000, 0x2000)
        for n in range(4)
    ]
    assert masks == [[0x3F], [0x00], [0x00], [0xFF], [0xBE], [0x00], [0x00], [0xFF]]
