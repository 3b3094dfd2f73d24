"""Decoding, drivers, open bus and wires, on small machines put together by hand."""

from fractions import Fraction

import attrs
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from simkit_cards.memory.rom import Rom
from simkit_cards.memory.sram import Sram, SramSettings

from simkit.backplane.bus import Bus, overlaps
from simkit.backplane.cycle import Kind
from simkit.backplane.reach import Reach
from simkit.backplane.seat import Seat
from simkit.backplane.select import Expression, Select, ranges
from simkit.backplane.wiring import READ_STROBE, WRITE_STROBE, of_pins
from simkit.contract.card import Card
from simkit.contract.errors import CardError, SimkitError
from simkit.contract.findings import Findings
from simkit.contract.lines import Drive, Pin, PinSpec
from simkit.contract.ports import ButtonsPort
from simkit.contract.registers import Register
from simkit.contract.slot import Slot
from tests.examples import examples


@attrs.define
class Engine:
    cycle: int = 0
    last: int = 0
    horizon: int = 0
    rd: list = attrs.field(factory=list)
    wr: list = attrs.field(factory=list)
    recent: tuple = ()
    attention: bool = False


class Notebook(Card):
    """Two registers and a note of every access."""

    kind = "notebook"
    Settings = SramSettings

    @classmethod
    def registers(cls, settings):
        return (Register(0, "low", "rw", driven=0x0F), Register(1, "write_only", "w"), Register(2, "all", "r"))

    @classmethod
    def pins(cls, settings):
        return (PinSpec(name="BANK", drive=Drive.PUSH_PULL),)

    def __init__(self, settings, slot):
        super().__init__(settings, slot)
        self.seen = []

    def peek(self, offset, cycle):
        return 0x55

    def read(self, offset, cycle):
        self.seen.append(("read", offset, cycle))
        return 0x55

    def write(self, offset, value, cycle):
        self.seen.append(("write", offset, value, cycle))


def build(*cards, open_bus="last", contention="and"):
    findings = Findings()
    bus = Bus(findings, seed=1, open_bus=open_bus, contention=contention)
    made = []
    for number, (cls, options, select, extra) in enumerate(cards, start=1):
        slot = Slot(number, Fraction(1_000_000), 1, findings, bus)
        card_settings = cls.Settings(**options)
        for spec in cls.pins(card_settings):
            slot.pins[spec.name] = Pin(spec, number)
        for name, line in extra.get("lines", {}).items():
            bus.nets.line(line).join(slot.pins[name])
        card = cls(card_settings, slot)
        bus.seat(
            Seat(
                card, number, cls.kind, Select((select,), extra.get("not_select", ())),
                Expression(extra.get("output_enable", READ_STROBE)),
                Expression(extra.get("write_enable", WRITE_STROBE)), of_pins(extra.get("wires", {}), number),
            )
        )  # fmt: skip
        made.append(card)
    engine = Engine()
    bus.attach(engine)
    for card in made:
        card.power_on(0)
    return bus, engine, findings, made


LOW_HALF = "0xxx xxxx xxxx xxxx"
HIGH_HALF = "1xxx xxxx xxxx xxxx"


def test_pages_of_plain_memory_are_views_of_the_card():
    bus, engine, _, (ram,) = build((Sram, {}, LOW_HALF, {"not_select": ("0111 1111 xxxx xxxx",)}))
    assert [p for p in range(256) if engine.rd[p] is not None] == list(range(0x7F))
    engine.wr[0x12][0x34] = 0xAB
    assert ram.peek(0x1234, 0) == 0xAB
    assert bus.peek(0x1234, 0, 0) == 0xAB


def test_a_page_shared_by_two_cards_is_no_view():
    _, engine, _, _ = build((Sram, {}, LOW_HALF, {}), (Notebook, {}, "0111 1111 0000 00xx", {}))
    assert engine.rd[0x7F] is None
    assert engine.rd[0x7E] is not None


STROBES = (READ_STROBE, WRITE_STROBE, "PHI2", "RW and not RW", "A4 and RW", "A9 and not RW")


@st.composite
def boards(draw):
    """A card with strobes of any kind in pages 0 to 3, or in a part of them."""
    cls = draw(st.sampled_from([Sram, Notebook]))
    select = "".join(draw(st.lists(st.sampled_from("xxxxx01"), min_size=10, max_size=10)))
    enables = {name: draw(st.sampled_from(STROBES)) for name in ("output_enable", "write_enable")}
    return cls, {}, "000000" + select, enables


@given(st.lists(boards(), min_size=1, max_size=3))
@settings(deadline=None)
def test_a_page_goes_past_the_cards_exactly_when_one_memory_answers_all_of_it_and_nothing_else_looks(cards):
    """Else a card that takes data on a read, or drives on a write, would never hear of the access."""
    bus, engine, _, made = build(*cards)
    bus.accesses.read(0, 0, Kind.DATA)
    for pages, plan_of, acting in (
        (engine.rd, bus.reach.table.read_plan, lambda plan: ([seat for seat, _, _ in plan.drivers], plan.takers)),
        (engine.wr, bus.reach.table.write_plan, lambda plan: ([seat for seat, _ in plan.takers], plan.drivers)),
    ):
        for page in range(8):
            plans = [acting(plan_of(page << 8 | low)) for low in range(256)]
            alone = all(len(seats) == 1 and not others for seats, others in plans)
            seats = {seat.slot for seats, _ in plans for seat in seats}
            plain = alone and len(seats) == 1 and isinstance(made[seats.pop() - 1], Sram)
            assert (pages[page] is not None) == plain, (page, cards)


def test_power_up_noise_depends_on_seed_and_slot_only():
    (one,), (two,) = build((Sram, {}, LOW_HALF, {}))[3], build((Sram, {}, LOW_HALF, {}))[3]
    assert one.save(0) == two.save(0)
    assert len(set(one.save(0)["memory"])) == 256


def test_an_undriven_read_finds_what_the_backplane_leaves():
    for open_bus, value in (("last", 0x7F), ("pull-up", 0xFF), ("pull-down", 0x00)):
        bus, engine, _, _ = build((Sram, {}, LOW_HALF, {}), open_bus=open_bus)
        engine.last = 0x7F
        assert bus.accesses.read(0x9000, 1, Kind.DATA) == value


def test_bits_a_register_does_not_drive_keep_the_open_bus_value():
    bus, engine, _, _ = build((Notebook, {}, LOW_HALF, {}))
    engine.last = 0xA0
    assert bus.accesses.read(0x0000, 1, Kind.DATA) == 0xA5
    assert bus.peek(0x0000, 1, 0xA0) == 0xA5
    assert bus.accesses.read(0x0001, 1, Kind.DATA) == 0xA0  # write-only: nothing is driven
    assert bus.accesses.read(0x0002, 1, Kind.DATA) == 0x55


def test_a_write_reaches_every_selected_card():
    bus, _, _, (one, two) = build((Notebook, {}, LOW_HALF, {}), (Notebook, {}, "0000 xxxx xxxx xxxx", {}))
    bus.accesses.write(0x0003, 0x12, 7, Kind.DATA)
    bus.accesses.write(0x4003, 0x34, 8, Kind.DATA)
    assert one.seen == [("write", 3, 0x12, 7), ("write", 3, 0x34, 8)]
    assert two.seen == [("write", 3, 0x12, 7)]


def test_two_drivers_are_named_with_cycle_and_address():
    bus, _, findings, (_, rom) = build((Sram, {"fill": 0xF0}, LOW_HALF, {}), (Rom, {}, "x000 xxxx xxxx xxxx", {}))
    rom.insert(b"\x3c")
    assert bus.accesses.read(0x0000, 42, Kind.DATA) == 0x30  # the lower level wins
    (finding,) = findings
    assert (finding.rule, finding.cycle, finding.address) == ("contention", 42, 0)
    assert "slot 1 (sram)" in finding.message
    assert "slot 2 (rom)" in finding.message
    (first, second, table), *rest = overlaps(bus)
    assert (first.slot, second.slot, ranges(table), rest) == (1, 2, [(0, 0x0FFF)], [])


def test_seeded_contention_mixes_bit_by_bit_and_repeats():
    def mixed(cycle):
        bus, _, _, (_, rom) = build((Sram, {"fill": 0x00}, LOW_HALF, {}), (Rom, {}, LOW_HALF, {}), contention="mix")
        rom.insert(b"\xff")
        return bus.accesses.read(0, cycle, Kind.DATA)

    values = {mixed(cycle) for cycle in range(20)}
    assert len(values) > 5
    assert mixed(3) == mixed(3)


def test_a_latch_clocked_without_rw_loads_on_reads_too():
    """A bank latch clocked by its select alone: "Update on MKHBC-8-R2 6502 computer", 6502cpu.blogspot.com, 2016."""
    bus, engine, findings, (note,) = build(
        (Notebook, {}, LOW_HALF, {"output_enable": "not RW and RW", "write_enable": "PHI2"})
    )
    engine.last = 0x78
    assert bus.accesses.read(0x7800, 5, Kind.DATA) == 0x78
    assert note.seen == [("write", 0, 0x78, 5)]
    assert len(findings) == 0


def test_an_output_enable_without_rw_fights_the_cpu_on_writes():
    bus, _, findings, _ = build((Notebook, {}, LOW_HALF, {"output_enable": "PHI2"}))
    bus.accesses.write(0x0002, 0xFF, 9, Kind.DATA)
    assert [f.rule for f in findings] == ["contention"]
    assert "while the CPU writes $0002" in findings[0].message


@given(st.permutations(range(8)), st.integers(0, 255))
@settings(deadline=None, max_examples=examples(40))
def test_exchanged_data_wires_are_undone_by_a_ram_but_not_by_a_rom(order, value):
    wires = {f"D{n}": f"D{source}" for n, source in enumerate(order)}
    bus, engine, _, (_, rom) = build((Sram, {}, LOW_HALF, {"wires": wires}), (Rom, {}, HIGH_HALF, {"wires": wires}))
    bus.accesses.write(0x1234, value, 1, Kind.DATA)
    assert bus.accesses.read(0x1234, 2, Kind.DATA) == value
    rom.insert(bytes([value]) * 256)
    expected = sum((value >> n & 1) << source for n, source in enumerate(order))
    assert bus.accesses.read(0x8000, 3, Kind.DATA) == expected
    assert engine.rd[0x80] is None or engine.rd[0x80][0] == expected


def test_two_data_lines_exchanged_at_the_rom_give_the_reported_opcodes():
    """D3 and D4 exchanged: A9 03 85 10 4C 04 80 is seen as B1 03 85 08 54 04 80. Forum 6502.org post p=65053, 2019."""
    bus, engine, _, (rom,) = build((Rom, {}, HIGH_HALF, {"wires": {"D3": "D4", "D4": "D3"}}))
    rom.insert(bytes.fromhex("A9 03 85 10 4C 04 80"))
    assert bytes(engine.rd[0x80][:7]) == bytes.fromhex("B1 03 85 08 54 04 80")
    assert bytes(bus.accesses.read(0x8000 + n, n, Kind.DATA) for n in range(7)) == bytes.fromhex("B1 03 85 08 54 04 80")


def test_register_selects_joined_in_reverse_reach_other_registers():
    """RS0-RS3 joined in reverse: a write to register 2 lands in register 4. rosco_m68k issues 7 and 11, 2020."""

    class Sixteen(Notebook):
        kind = "sixteen"

        @classmethod
        def registers(cls, settings):
            return tuple(Register(n, f"r{n}", "rw") for n in range(16))

    wires = {"A0": "A3", "A1": "A2", "A2": "A1", "A3": "A0"}
    bus, _, _, (card,) = build((Sixteen, {}, "0110 xxxx xxxx xxxx", {"wires": wires}))
    bus.accesses.write(0x6002, 0xFF, 1, Kind.DATA)
    bus.accesses.write(0x6000, 0x55, 2, Kind.DATA)
    assert card.seen == [("write", 4, 0xFF, 1), ("write", 0, 0x55, 2)]


def test_an_address_pin_tied_low_shows_the_lower_half_twice():
    """A14 of the ROM stuck low: the vectors are fetched at chip offset $3FFC. A builders' forum thread, 2025."""
    bus, engine, _, (rom,) = build((Rom, {}, HIGH_HALF, {"wires": {"A14": "low"}}))
    rom.insert(bytes(range(256)) * 64 + b"\xee" * 0x4000)
    assert engine.rd[0xFF][0xFC] == 0xFC
    assert bus.accesses.read(0xFFFC, 1, Kind.DATA) == 0xFC


def test_a_line_driven_by_a_card_swaps_the_decode_table_from_the_next_cycle():
    bus, engine, _, (ram, note) = build(
        (Sram, {"size": 65_536}, "0xxx xxxx xxxx xxxx", {"wires": {"A15": "BANK0"}}),
        (Notebook, {}, "1000 0000 0000 00xx", {"lines": {"BANK": "BANK0"}}),
    )
    pin = note.slot.pins["BANK"]
    pin.drive(False, 1)
    generation = bus.reach.generation
    engine.wr[0][0] = 0x11
    pin.drive(True, 2)
    assert bus.reach.generation > generation
    engine.wr[0][0] = 0x22
    assert (ram.peek(0x0000, 2), ram.peek(0x8000, 2)) == (0x11, 0x22)
    pin.drive(False, 3)
    assert engine.rd[0][0] == 0x11


class Banks(Notebook):
    """Drives three lines from the byte it takes, and raises on 0xFF when they have moved."""

    kind = "banks"

    @classmethod
    def pins(cls, settings):
        return tuple(PinSpec(name=f"Q{n}", drive=Drive.PUSH_PULL) for n in range(3))

    def write(self, offset, value, cycle):
        for n in range(3):
            self.slot.pin(f"Q{n}").drive(bool(value >> n & 1), cycle)
        if value == 0xFF:
            raise ValueError

    def event(self, name, cycle):
        self.write(0, int(name), cycle)


def banked():
    bank = {"wires": {f"A{15 + n}": f"BANK{n}" for n in range(3)}}
    lines = {"lines": {f"Q{n}": f"BANK{n}" for n in range(3)}}
    return build((Sram, {"size": 262_144}, "0xxx xxxx xxxx xxxx", bank), (Banks, {}, "1000 0000 0000 0000", lines))


@settings(deadline=None, max_examples=15)
@given(st.lists(st.tuples(st.booleans(), st.integers(0, 7) | st.just(0xFF)), max_size=12))
def test_after_each_access_and_event_memory_is_that_of_the_lines_as_they_stand(writes):
    """Also when the access was broken off after lines had moved."""
    bus, engine, _, (ram, banks) = banked()
    for cycle, (by_event, value) in enumerate(writes, start=1):
        if by_event:
            banks.slot.at(cycle, str(value))
        try:
            bus.agenda.begin(cycle) if by_event else bus.accesses.write(0x8000, value, cycle, Kind.DATA)
        except CardError:
            assert value == 0xFF
        levels = sum(bus.nets.line(f"BANK{n}").level << n for n in range(3))
        assert levels == value & 7
        engine.wr[0][0] = cycle
        assert ram.peek(levels << 15, cycle) == cycle
        assert bus.accesses.read(0x0000, cycle, Kind.DATA) == cycle


def test_an_access_that_moves_several_lines_of_the_decoding_chooses_a_table_once(monkeypatch):
    bus, _, _, _ = banked()
    bus.accesses.write(0x8000, 0, 1, Kind.DATA)
    chosen = []
    choose = Reach.choose_table
    monkeypatch.setattr(Reach, "choose_table", lambda self: (chosen.append(1), choose(self)))
    bus.accesses.write(0x8000, 7, 2, Kind.DATA)
    bus.accesses.write(0x8000, 7, 3, Kind.DATA)
    assert len(chosen) == 1


def test_a_card_that_raises_stops_the_run_with_card_slot_and_cycle():
    class Broken(Notebook):
        kind = "broken"

        def read(self, offset, cycle):
            return {}[offset]

    bus, _, _, _ = build((Broken, {}, LOW_HALF, {}))
    with pytest.raises(CardError, match=r"slot 1 \(broken\): read in cycle 77 at \$0002 raised KeyError: 2\."):
        bus.accesses.read(0x0002, 77, Kind.DATA)


def test_outside_events_come_before_card_events_of_the_same_cycle():
    order = []

    class Listener(Notebook):
        kind = "listener"

        def event(self, name, cycle):
            order.append(("event", name, cycle))

        def outside(self, port, action, arguments, cycle):
            order.append(("outside", action, cycle))

    bus, engine, _, (card,) = build((Listener, {}, LOW_HALF, {}))
    card.slot.at(10, "tick")
    bus.agenda.schedule(10, 1, "keys", "press", ("a",))
    assert engine.horizon == 10
    bus.agenda.begin(9)
    assert order == []
    bus.agenda.begin(10)
    assert order == [("outside", "press", 10), ("event", "tick", 10)]
    assert engine.horizon > 1 << 40


@pytest.mark.parametrize("ready", [True, False])
@pytest.mark.parametrize("bank", [True, False])
@pytest.mark.parametrize("event", [9, None])
@pytest.mark.parametrize("input_at", [7, None])
def test_after_a_load_all_that_follows_from_the_state_is_as_if_the_bus_had_come_there_by_itself(
    ready, bank, event, input_at
):
    """Pages of plain memory (banks; none while RDY is low), horizon, and whether an engine must look."""

    class WithButtons(Notebook):
        def __init__(self, settings, slot):
            super().__init__(settings, slot)
            slot.port(ButtonsPort("row", ("go",)))

    parts = (
        (Sram, {"size": 65_536}, LOW_HALF, {"wires": {"A15": "BANK"}}),
        (WithButtons, {}, HIGH_HALF, {"lines": {"BANK": "BANK"}}),
        (Notebook, {}, "1111 xxxx xxxx xxxx", {"lines": {"BANK": "RDY"}}),
    )

    def fresh(ready, bank, event, input_at):
        bus, engine, _, (ram, bank_card, ready_card) = build(*parts)
        bank_card.slot.pin("BANK").drive(bank, 3)
        ready_card.slot.pin("BANK").drive(ready, 3)
        if event is not None:
            bus.arm(event, 2, "tick")
        if input_at is not None:
            bus.agenda.schedule(input_at, 2, "row", "press", ("go",))
        return bus, engine, ram

    def followed(bus, engine, ram):
        views = [tuple(None if page is None else bytes(page) for page in pages) for pages in (engine.rd, engine.wr)]
        return bus.reach.slow, engine.horizon, views, [bus.where(0x0000)[0][1], bus.where(0x7FFF)[0][1]]

    came = fresh(ready, bank, event, input_at)
    other = fresh(not ready, not bank, None if event else 5, None if input_at else 6)
    generation, other[1].attention = other[0].reach.generation, False
    other[0].load(came[0].save())
    assert followed(*other) == followed(*came)
    assert other[1].attention
    assert other[0].reach.generation > generation
    assert other[0].save() == came[0].save()


def test_memory_changed_from_outside_is_announced():
    bus, engine, _, (rom,) = build((Rom, {}, HIGH_HALF, {"wires": {"D0": "D1", "D1": "D0"}}))
    rom.insert(b"\x01")
    assert engine.rd[0x80][0] == 0x02
    generation = bus.reach.generation
    rom.insert(b"\x02")
    assert engine.rd[0x80][0] == 0x01
    assert bus.reach.generation > generation


def test_a_card_hears_that_a_read_is_a_spare_cycle_and_a_look_before_comes_before():
    class Asking(Notebook):
        def read(self, offset, cycle):
            self.seen.append(self.slot.spare)
            return 0x55

        def write(self, offset, value, cycle):
            self.seen.append(self.slot.spare)

    bus, _, _, (card,) = build((Asking, {}, HIGH_HALF, {}))
    looks = []
    bus.watchers.before.append(
        lambda cycle, address, is_write, kind, _plan: looks.append((cycle, address, is_write, kind))
    )
    for cycle, kind in enumerate((Kind.DATA, Kind.DUMMY, Kind.DATA)):
        bus.accesses.read(0x8000, cycle, kind)
        assert len(looks) == len(card.seen) == cycle + 1
    bus.accesses.write(0x8001, 1, 3, Kind.DATA)
    assert card.seen == [False, True, False, False]
    assert looks[1] == (1, 0x8000, False, Kind.DUMMY)
    assert looks[3] == (3, 0x8001, True, Kind.DATA)
    bus.accesses.read(0x8000, 4, Kind.DUMMY, stalled=True)
    assert len(looks) == 4


class Failing(Card):
    """Raises what it is told to, where it is told to, after it has moved its pin."""

    kind = "failing"
    Settings = SramSettings
    place = ""
    error: BaseException = RuntimeError("x")

    @classmethod
    def registers(cls, settings):
        return (Register(0, "all", "rw"),)

    @classmethod
    def pins(cls, settings):
        return (
            PinSpec(name="OUT", drive=Drive.PUSH_PULL),
            PinSpec(name="IN", drive=Drive.INPUT, listens=True),
        )

    def _fail(self, place, cycle):
        if place == self.place:
            out = self.slot.pin("OUT")
            if place not in ("peek", "wait_cycles", "reset"):
                out.drive(not out.value, cycle)
            raise self.error

    def peek(self, offset, cycle):
        self._fail("peek", cycle)
        return 0x55

    def read(self, offset, cycle):
        self._fail("read", cycle)
        return 0x55

    def write(self, offset, value, cycle):
        self._fail("write", cycle)
        if value == 0xFF:
            self.slot.pin("OUT").drive(False, cycle)

    def event(self, name, cycle):
        self._fail("event", cycle)

    def outside(self, port, action, arguments, cycle):
        self._fail("outside", cycle)

    def pin_changed(self, name, level, cycle):
        self._fail("pin_changed", cycle)

    def wait_cycles(self, offset, is_write):
        self._fail("wait_cycles", 0)
        return 0

    def reset(self, asserted, cycle):
        self._fail("reset", cycle)


def _press_reset(bus, card):
    hand = Pin(PinSpec(name="hand", drive=Drive.OPEN_DRAIN), -1)
    bus.nets.line("RESET").join(hand)
    bus.agenda.machine_events["reset"] = lambda arguments, cycle: hand.drive(False, cycle)
    bus.agenda.schedule(5, -1, "machine", "reset", (True,))
    bus.agenda.begin(5)


def _event_and_another_later(bus, card):
    bus.arm(9, card.slot.number, "later")
    bus.arm(5, card.slot.number, "now")
    bus.agenda.begin(5)


def _outside_and_an_event_later(bus, card):
    bus.arm(9, card.slot.number, "later")
    bus.agenda.schedule(5, card.slot.number, "port", "action", ())
    bus.agenda.begin(5)


PLACES = {
    "read": lambda bus, card: bus.accesses.read(0x8000, 5, Kind.DATA),
    "spare read": lambda bus, card: bus.accesses.read(0x8000, 5, Kind.DUMMY),
    "write": lambda bus, card: bus.accesses.write(0x8000, 1, 5, Kind.DATA),
    "pin_changed": lambda bus, card: bus.accesses.write(0x8000, 0xFF, 5, Kind.DATA),
    "wait_cycles": lambda bus, card: bus.accesses.wait_cycles(0x8000, False),
    "peek": lambda bus, card: bus.peek(0x8000, 5, 0),
    "reset": _press_reset,
    "event": _event_and_another_later,
    "outside": _outside_and_an_event_later,
}


@pytest.mark.parametrize("place", PLACES)
@pytest.mark.parametrize(
    "error",
    [RuntimeError("x"), SimkitError("x"), KeyboardInterrupt(), RecursionError(), SystemExit(0), GeneratorExit()],
    ids=lambda error: type(error).__name__,
)
def test_an_access_or_event_leaves_the_bus_clean_whatever_a_card_raises(place, error):
    bus, engine, _, (card, other) = build((Failing, {}, HIGH_HALF, {}), (Failing, {}, "0001 xxxx xxxx xxxx", {}))
    bus.nets.line("JOIN").join(card.slot.pin("OUT"))
    bus.nets.line("JOIN").join(other.slot.pin("IN"))
    failing = other if place == "pin_changed" else card
    card.slot.pin("OUT").value = True
    failing.place, failing.error = place.removeprefix("spare "), error
    pressed = isinstance(error, KeyboardInterrupt)
    with pytest.raises(KeyboardInterrupt if pressed else CardError) as raised:
        PLACES[place](bus, card)
    if not pressed:
        assert raised.value.slot == failing.slot.number
        assert f": {place.removeprefix('spare ')} " in raised.value.message
        assert raised.value.__cause__ is error
    if place in ("event", "outside"):
        assert engine.horizon == 9
    assert (bus.nets.delay, bus.access.address, bus.access.spare, bus.nets.unsettled) == (0, None, False, False)
    card.place = other.place = ""
    bus.arm(20, card.slot.number, "moves")
    card.event = lambda name, cycle: card.slot.pin("OUT").drive(not card.slot.pin("OUT").value, cycle)
    bus.agenda.begin(20)
    assert bus.nets.line("JOIN").since == 20  # moved in phase 0: counts at once, not a cycle late
