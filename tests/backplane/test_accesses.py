"""What an access does on any board, against a model that goes through the cards one data line at a time."""

from fractions import Fraction

import attrs
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from simkit.backplane.bus import Bus
from simkit.backplane.cycle import Kind
from simkit.backplane.seat import Seat
from simkit.backplane.select import Expression, Select
from simkit.backplane.wiring import READ_STROBE, WRITE_STROBE, of_pins
from simkit.contract import Card, Register, Slot
from simkit.contract.findings import Findings

ADDRESS = 0x4002
NEVER_TRUE = "RW and not RW"
STROBES = {READ_STROBE: (True, False), WRITE_STROBE: (False, True), "PHI2": (True, True), NEVER_TRUE: (False, False)}
"""Whether each is true on a read, on a write."""


@attrs.define
class Engine:
    cycle: int = 0
    last: int = 0
    horizon: int = 0
    rd: list = attrs.field(factory=list)
    wr: list = attrs.field(factory=list)
    recent: tuple = ()
    attention: bool = False


@attrs.frozen(kw_only=True)
class Settings:
    byte: int = 0
    driven: int = 0xFF


class Source(Card):
    """Gives its byte on the bits it drives, and notes what is done to it."""

    kind = "source"
    Settings = Settings

    @classmethod
    def registers(cls, settings):
        return (
            Register(0, "nothing", "w"),
            Register(2, "byte", "rw" if settings.driven else "w", driven=settings.driven),
        )

    def __init__(self, settings, slot):
        super().__init__(settings, slot)
        self.seen = []

    def peek(self, offset, cycle):
        return self.settings.byte

    def read(self, offset, cycle):
        self.seen.append(("read", offset, cycle))
        return self.settings.byte

    def write(self, offset, value, cycle):
        self.seen.append(("write", offset, value, cycle))

    def steady_until(self, offset, cycle):
        return cycle + self.settings.byte

    def wait_cycles(self, offset, is_write):
        return self.settings.byte % 7 + is_write


@attrs.frozen
class Board:
    """A card as it is wired: `order` says which data line reaches each data pin."""

    byte: int
    driven: int
    output: str
    write: str
    order: tuple[int, ...]
    gated: bool

    def gives(self, bit: int) -> int | None:
        """Level it drives on a data line, or None."""
        pin = self.order.index(bit)
        return self.byte >> pin & 1 if self.driven >> pin & 1 else None

    def takes(self, value: int) -> int:
        return sum((value >> line & 1) << pin for pin, line in enumerate(self.order))


BYTES = st.integers(0, 255)
BOARDS = st.builds(
    Board, BYTES, st.sampled_from([0, 0x0F, 0xF0, 0x81, 0xFF]), st.sampled_from(list(STROBES)),
    st.sampled_from(list(STROBES)), st.permutations(range(8)).map(tuple) | st.just(tuple(range(8))), st.booleans(),
)  # fmt: skip


def build(boards, open_bus="last", contention="and", seed=1):
    findings = Findings()
    bus = Bus(findings, seed=seed, open_bus=open_bus, contention=contention)
    cards = []
    for number, board in enumerate(boards, start=1):
        card = Source(Settings(byte=board.byte, driven=board.driven), Slot(number, Fraction(1), seed, findings, bus))
        wires = {f"D{pin}": f"D{line}" for pin, line in enumerate(board.order) if pin != line}
        strobes = Expression(board.output), Expression(board.write)
        bus.seat(
            Seat(
                card, number, "source", Select(("0100 xxxx xxxx xxxx",)), *strobes, of_pins(wires, number), board.gated
            )
        )
        cards.append(card)
    engine = Engine(last=0x5A)
    bus.attach(engine)
    return bus, findings, cards


def is_true(strobe, *, is_write):
    return STROBES[strobe][is_write]


def active(boards, *, is_write, stalled):
    """(drivers, takers) by number of the card."""
    seen = [(number, board) for number, board in enumerate(boards) if not (stalled and board.gated)]
    drivers = [number for number, board in seen if is_true(board.output, is_write=is_write)]
    return drivers, [number for number, board in seen if is_true(board.write, is_write=is_write)]


def levels_by_line(boards, drivers):
    return [[level for number in drivers if (level := boards[number].gives(bit)) is not None] for bit in range(8)]


@given(
    st.lists(BOARDS, max_size=4), st.sampled_from(["last", "pull-up", "pull-down"]), st.sampled_from(["and", "mix"]),
    st.booleans(), st.integers(0, 1_000),
)  # fmt: skip
@settings(deadline=None)
def test_a_read_finds_on_each_data_line_what_drives_it(boards, open_bus, contention, stalled, cycle):
    """A line that nobody drives keeps what the backplane leaves; of several the low one wins, or a seeded one."""
    bus, findings, cards = build(boards, open_bus, contention)
    rests = {"last": 0x5A, "pull-up": 0xFF, "pull-down": 0x00}[open_bus]
    drivers, takers = active(boards, is_write=False, stalled=stalled)
    by_line = levels_by_line(boards, drivers)
    if not stalled:
        peeked = bus.peek(ADDRESS, cycle, 0x5A)
        assert all(card.seen == [] for card in cards)
        assert len(findings) == 0
    value = bus.accesses.read(ADDRESS, cycle, Kind.DATA, stalled=stalled)
    for bit, levels in enumerate(by_line):
        allowed = set(levels) if contention == "mix" and levels else {min(levels, default=rests >> bit & 1)}
        assert value >> bit & 1 in allowed, f"D{bit}"
    assert 0 <= value <= 0xFF
    assert stalled or peeked == value
    for number, (board, card) in enumerate(zip(boards, cards, strict=True)):
        told = [("read", 2, cycle)] * (number in drivers)
        assert card.seen == told + [("write", 2, board.takes(value), cycle)] * (number in takers)
    fights = any(len(levels) > 1 for levels in by_line)
    assert [finding.rule for finding in findings] == ["contention"] * fights
    if fights:
        several = {bit for bit, levels in enumerate(by_line) if len(levels) > 1}
        fighting = [n + 1 for n in drivers if any(boards[n].gives(bit) is not None for bit in several)]
        assert findings[0].message.startswith(" and ".join(f"slot {slot} (source)" for slot in fighting) + " drive")
        assert (findings[0].cycle, findings[0].address, findings[0].slot) == (cycle, ADDRESS, None)
    assert (bus.access.address, bus.nets.delay, bus.access.spare) == (None, 0, False)


@given(st.lists(BOARDS, max_size=4), BYTES, st.booleans(), st.integers(0, 1_000))
@settings(deadline=None)
def test_a_write_reaches_every_card_that_is_enabled_with_what_stands_on_the_lines(boards, byte, stalled, cycle):
    """A card that drives against the CPU pulls lines low, and is told of (common practice: the low level wins)."""
    bus, findings, cards = build(boards)
    shown = []
    bus.watchers.add(probe=lambda seen: shown.append(seen))
    drivers, takers = active(boards, is_write=True, stalled=stalled)
    bus.accesses.write(ADDRESS, byte, cycle, Kind.DATA, stalled=stalled)
    value = sum(min([byte >> bit & 1, *levels]) << bit for bit, levels in enumerate(levels_by_line(boards, drivers)))
    for number, (board, card) in enumerate(zip(boards, cards, strict=True)):
        told = [("read", 2, cycle)] * (number in drivers)
        assert card.seen == told + [("write", 2, board.takes(value), cycle)] * (number in takers)
    fighting = [n + 1 for n in drivers if boards[n].driven]
    assert [(finding.rule, finding.slot) for finding in findings] == [("contention", slot) for slot in fighting]
    (cycle_shown,) = shown
    assert (cycle_shown.cycle, cycle_shown.address, cycle_shown.data, cycle_shown.is_write) == (
        cycle,
        ADDRESS,
        value,
        True,
    )
    selected, _ = zip(*enumerate(boards), strict=True) if boards else ((), ())
    wanted = [n + 1 for n in selected if any(is_true(s, is_write=True) for s in (boards[n].output, boards[n].write))]
    assert cycle_shown.selected == tuple(wanted)
    assert cycle_shown.drivers == tuple(fighting)
    assert cycle_shown.lines == {"IRQ": True, "NMI": True, "RESET": True, "RDY": True, "SO": True}


@given(st.lists(BOARDS, max_size=4))
@settings(deadline=None)
def test_what_is_asked_of_an_address_is_asked_of_the_cards_that_answer_there(boards):
    """Longest wait, soonest change, and the cards reached."""
    bus, _, _ = build(boards)
    for is_write in (False, True):
        drivers, takers = active(boards, is_write=is_write, stalled=False)
        waits = [boards[number].byte % 7 + is_write for number in {*drivers, *takers}]
        assert bus.accesses.wait_cycles(ADDRESS, is_write) == max(waits, default=0)
        reached = takers if is_write else drivers
        assert [(seat.slot, offset) for seat, offset in bus.where(ADDRESS, is_write=is_write)] == [
            (number + 1, 2) for number in reached
        ]
    drivers, takers = active(boards, is_write=False, stalled=False)
    promised = bus.steady_until(ADDRESS, 1_000)
    if takers or len(drivers) > 1:
        assert promised == 1_000
    else:
        assert promised == (1_000 + boards[drivers[0]].byte if drivers else 1 << 62)
    assert bus.steady_until(0x8000, 1_000) == 1 << 62, "where no card answers nothing changes"


def test_seeded_contention_depends_on_seed_and_cycle_and_lets_each_driver_win_about_half_of_its_lines():
    """1,600 lines with two drivers: 800 for each, give or take 5 standard deviations (100)."""
    straight = tuple(range(8))
    boards = [Board(byte, 0xFF, READ_STROBE, WRITE_STROBE, straight, False) for byte in (0x00, 0xFF)]
    reads = {}
    for seed in (1, 2):
        bus, _, _ = build(boards, contention="mix", seed=seed)
        reads[seed] = [bus.accesses.read(ADDRESS, cycle, Kind.DATA) for cycle in range(100)]
        assert [bus.accesses.read(ADDRESS, cycle, Kind.DATA) for cycle in range(100)] == reads[seed]
    assert reads[1] != reads[2]
    won = sum(value.bit_count() for values in reads.values() for value in values)
    assert 700 < won < 900


@pytest.mark.parametrize("is_write", [False, True])
def test_a_repeat_of_a_stalled_access_is_no_access_of_the_program(is_write):
    """What watches the program hears of the access once, before and after; probes see every cycle."""
    bus, _, (card,) = build([Board(0x12, 0xFF, READ_STROBE, WRITE_STROBE, tuple(range(8)), False)])
    heard = {"before": [], "tap": [], "probe": []}
    watch = bus.watchers.add(
        before=lambda cycle, address, write, kind, plan: heard["before"].append((cycle, address, write, kind)),
        tap=lambda cycle, address, value, write, kind, plan: heard["tap"].append((cycle, address, value, write, kind)),
        probe=lambda seen: heard["probe"].append(seen.cycle),
    )
    for cycle in (5, 6, 7):
        if is_write:
            bus.accesses.write(ADDRESS, 0x34, cycle, Kind.DATA, stalled=cycle < 7)
        else:
            assert bus.accesses.read(ADDRESS, cycle, Kind.DATA, stalled=cycle < 7) == 0x12
    value = 0x34 if is_write else 0x12
    assert heard["before"] == [(7, ADDRESS, is_write, Kind.DATA)]
    assert heard["tap"] == [(7, ADDRESS, value, is_write, Kind.DATA)]
    assert heard["probe"] == [5, 6, 7]
    assert len(card.seen) == 3, "a card whose strobes are not gated with ready sees every repeat"
    assert watch.attached
    watch.remove()
    assert not watch.attached
    watch.remove()
    bus.accesses.write(ADDRESS, 0, 8, Kind.DATA)
    assert heard["probe"] == [5, 6, 7]
    assert not bus.reach.slow


@pytest.mark.parametrize(
    ("kind", "word", "is_fetch"),
    [
        (Kind.FETCH, "instruction", True),
        (Kind.DATA, "instruction", False),
        (Kind.DUMMY, "dummy", False),
        (Kind.INTERRUPT, "interrupt", False),
        (Kind.RESET, "reset", False),
        (Kind.INTERRUPT_FETCH, "interrupt", True),
    ],
)
def test_a_probe_is_told_what_the_cpu_does(kind, word, is_fetch):
    """SYNC is high in an opcode fetch, also in one that an interrupt makes void (W65C02S data sheet, section 3)."""
    bus, _, _ = build([])
    seen = []
    bus.watchers.add(probe=seen.append)
    bus.accesses.read(ADDRESS, 3, kind)
    assert (seen[0].kind, seen[0].is_fetch, seen[0].is_write) == (word, is_fetch, False)
    assert (seen[0].drivers, seen[0].selected, seen[0].data) == ((), (), 0x5A)


@given(BYTES, st.permutations(range(8)).map(tuple))
def test_what_stood_on_the_lines_before_is_seen_through_a_cards_wires(byte, order):
    board = Board(0, 0xFF, READ_STROBE, WRITE_STROBE, order, False)
    bus, _, (card,) = build([board])
    bus._engine.last = byte
    assert card.slot.data_before == board.takes(byte)
