"""The guarded way to call a card: nobody calls one otherwise, and what comes out of one is told as that card's."""

import ast
import json
from fractions import Fraction
from pathlib import Path

import pytest
from simkit_cards.memory.sram import Sram, SramSettings

from simkit.backplane import answers
from simkit.backplane.blame import CallOverdue, failure, is_strangers
from simkit.backplane.bus import Bus
from simkit.backplane.cycle import Kind
from simkit.backplane.overdue import GUARDED
from simkit.backplane.seat import Seat
from simkit.backplane.select import Expression, Select
from simkit.contract import NEVER, Card, Drive, PinSpec, Register, SimkitError
from simkit.contract.errors import CardError, CardMisuse, shown
from simkit.contract.findings import Findings
from simkit.contract.lines import Pin
from simkit.contract.slot import Slot
from simkit.contract.turn import BETWEEN

ROOT = Path(__file__).parents[2]


# nobody calls a card otherwise ----------------------------------------------------------------------------------------

OF_THE_CLASS = {"registers", "pins", "address_pins", "image_size"}
METHODS = OF_THE_CLASS | {name for name, value in vars(Card).items() if callable(value) and not name.startswith("__")}
WITHIN = {
    ("simkit/backplane/agenda.py", "begin"): {"outside", "event"},
    ("simkit/backplane/accesses.py", "_read_cards"): {"read", "write"},
    ("simkit/backplane/accesses.py", "_write_cards"): {"write"},
    ("simkit/backplane/accesses.py", "write_late"): {"write_late"},
    ("simkit/backplane/guard.py", "wait_cycles"): {"wait_cycles"},
}
"""Functions that have the guard within themselves, and what they call."""


def calls_of_cards(path):
    """(function, method) of calls that look like a card's: of something called `card`, or of a class's tables."""
    for function in ast.walk(ast.parse(path.read_text())):
        if not isinstance(function, ast.FunctionDef):
            continue
        for node in ast.walk(function):
            if not isinstance(node, ast.Call) or not isinstance(node.func, ast.Attribute):
                continue
            of = node.func.value
            name = of.attr if isinstance(of, ast.Attribute) else getattr(of, "id", "")
            is_type = isinstance(of, ast.Call) and getattr(of.func, "id", "") == "type"
            if node.func.attr in METHODS and (name == "card" or is_type or node.func.attr in OF_THE_CLASS):
                yield function.name, node.func.attr


def test_each_function_that_calls_a_card_is_known_to_the_watch_on_overdue_calls():
    """Those that call a method by its name, and those of the guard that take any function."""
    names = {(module, name.rpartition(".")[2]) for module, name in GUARDED}
    calling = {(path.removesuffix(".py").replace("/", "."), function) for path, function in WITHIN}
    guard = ast.parse((ROOT / "simkit/backplane/guard.py").read_text())
    for function in ast.walk(guard):
        if isinstance(function, ast.FunctionDef) and any(
            isinstance(node, ast.Call)
            and (isinstance(node.func, ast.IfExp) or getattr(node.func, "id", "") == "function")
            for node in ast.walk(function)
        ):
            calling.add(("simkit.backplane.guard", function.name))
    assert {name for _, name in calling} >= {"call", "ask", "level", "wait_cycles", "call_unplugged"}
    assert calling <= names


def test_every_call_of_a_card_goes_through_the_guard():
    found = {}
    for path in sorted((ROOT / "simkit").rglob("*.py")):
        where = path.relative_to(ROOT).as_posix()
        if where.startswith("simkit/contract/"):
            continue  # the contract itself
        for function, method in calls_of_cards(path):
            found.setdefault((where, function), set()).add(method)
    found.pop(("simkit/measure/cards.py", "_measure_row"))  # of a card of its own: the yardstick
    found.pop(("simkit/machine/inside.py", "inside"))  # of a view, which is called as cards are
    assert found == WITHIN


# what comes out of one ------------------------------------------------------------------------------------------------


class Wired(Card):
    """Raises, or does, what a test wants, where it wants it."""

    kind = "wired"
    Settings = SramSettings

    @classmethod
    def registers(cls, settings):
        return (Register(0, "r0", "rw"),)

    @classmethod
    def pins(cls, settings):
        return (
            PinSpec(name="OUT", drive=Drive.PUSH_PULL),
            PinSpec(name="IN", drive=Drive.INPUT, listens=True),
            PinSpec(name="RES", drive=Drive.OPEN_DRAIN),
        )

    def __init__(self, settings, slot):
        super().__init__(settings, slot)
        self.does = {}

    def _do(self, name, *arguments, otherwise=None):
        return self.does[name](*arguments) if name in self.does else otherwise

    def read(self, offset, cycle):
        return self._do("read", cycle, otherwise=0)

    def write(self, offset, value, cycle):
        self._do("write", cycle)

    def peek(self, offset, cycle):
        return self._do("peek", cycle, otherwise=0)

    def event(self, name, cycle):
        self._do("event", cycle)

    def reset(self, asserted, cycle):
        self._do("reset", cycle)

    def pin_changed(self, name, level, cycle):
        self._do("pin_changed", cycle)

    def steady_until(self, offset, cycle):
        return self._do("steady_until", cycle, otherwise=NEVER)


class Engine:
    """What the bus needs of one."""

    def __init__(self):
        self.cycle, self.last, self.horizon, self.recent, self.attention = 0, 0xFF, 0, (), False
        self.rd = self.wr = [None] * 256

    def leave_to_reference(self, opcodes, whose):
        pass


def raises(error):
    def call(*arguments):
        raise error

    return call


@pytest.fixture
def two():
    """A bus with two such cards, at $8000 and at $9000; OUT of the first is IN of the second, RES pulls RESET."""
    bus = Bus(Findings(), seed=1)
    for number, (select, lines) in enumerate(
        (("1000 xxxx xxxx xxxx", {"OUT": "JOIN", "RES": "RESET"}), ("1001 xxxx xxxx xxxx", {"IN": "JOIN"})), start=1
    ):
        slot = Slot(number, Fraction(1_000_000), 1, Findings(), bus)
        slot.pins.update({spec.name: Pin(spec, number) for spec in Wired.pins(None)})
        card = Wired(SramSettings(), slot)
        bus.nets.join((line, slot.pins[pin]) for pin, line in lines.items())
        strobes = Expression("RW and PHI2"), Expression("not RW and PHI2")
        bus.seat(Seat(card, number, "wired", Select((select,)), *strobes))
    bus.attach(Engine())
    return bus


def test_a_card_that_is_reset_by_anothers_access_fails_as_itself(two):
    first, second = (seat.card for seat in two.seats)
    first.does["write"] = lambda cycle: first.slot.pin("RES").drive(False, cycle)
    second.does["reset"] = raises(ValueError("no"))
    with pytest.raises(CardError, match=r"slot 2 \(wired\): reset in cycle 7 at \$8000 raised ValueError: no"):
        two.accesses.write(0x8000, 1, 7, Kind.DATA)
    assert two.guard.owed is None


def test_a_card_that_hears_of_anothers_access_fails_as_itself(two):
    first, second = (seat.card for seat in two.seats)
    first.does["write"] = lambda cycle: first.slot.pin("OUT").drive(False, cycle)
    second.does["pin_changed"] = raises(SystemExit(0))
    with pytest.raises(CardError, match=r"slot 2 \(wired\): pin_changed in cycle 7 at \$8000 raised SystemExit: 0"):
        two.accesses.write(0x8000, 1, 7, Kind.DATA)


def test_what_another_card_has_swallowed_comes_out_in_the_next_cycle(two):
    first, second = (seat.card for seat in two.seats)

    def write(cycle):
        try:
            first.slot.pin("RES").drive(False, cycle)
        except Exception:  # noqa: BLE001 - that is what is wrong with it
            return

    first.does["write"] = write
    second.does["reset"] = raises(ValueError("no"))
    two.accesses.write(0x8000, 1, 7, Kind.DATA)
    assert two._engine.horizon == 0
    with pytest.raises(CardError, match=r"slot 2 \(wired\): reset in cycle 7"):
        two.agenda.begin(8)
    assert two._engine.horizon == NEVER
    two.agenda.begin(9)


def test_what_is_owed_to_nobody_is_not_told_twice(two):
    """The failure came out of the access itself."""
    two.seats[0].card.does["read"] = raises(ValueError("no"))
    with pytest.raises(CardError):
        two.accesses.read(0x8000, 7, Kind.DATA)
    two.agenda.begin(8)


def test_ctrl_c_passes_wherever_it_comes(two):
    for does, call in (
        ("read", lambda: two.accesses.read(0x8000, 7, Kind.DATA)),
        ("write", lambda: two.accesses.write(0x8000, 1, 8, Kind.DATA)),
        ("peek", lambda: two.peek(0x8000, 9, 0)),
        ("steady_until", lambda: two.steady_until(0x8000, 9)),
    ):
        two.seats[0].card.does[does] = raises(KeyboardInterrupt())
        with pytest.raises(KeyboardInterrupt):
            call()
        assert (two.turn.cycle, two.turn.asked) == (BETWEEN, "")


def test_who_watches_memory_is_not_the_card_that_announces_a_change(two):
    class OfATestError(Exception):
        pass

    two.seats[0].card.does["write"] = lambda cycle: two.seats[0].card.slot.changed(0, 1)
    two.watchers.add(memory=raises(OfATestError()))
    with pytest.raises(OfATestError):
        two.accesses.write(0x8000, 1, 7, Kind.DATA)


def test_who_watches_input_is_not_the_card_that_takes_it(two):
    two.watchers.add(outside=raises(ValueError("a test's")))
    two.agenda.schedule(5, 1, "port", "action", ())
    with pytest.raises(ValueError, match="a test's"):
        two.agenda.begin(5)


def test_a_call_farther_out_that_is_overdue_is_told_as_that(two):
    """Raised by the watch in the middle of a call that the overdue one made."""
    first = two.seats[0].card
    frames = []

    def peek(cycle):
        raise type("CallOverdue", (CallOverdue,), {"seconds": 9, "call": frames[0]})

    def read(cycle):
        import sys

        frames.append(sys._getframe().f_back.f_back.f_back)  # _do, read, and the guard's own
        return two.peek(0x8000, cycle, 0)

    first.does |= {"read": read, "peek": peek}
    with pytest.raises(CardError, match=r"slot 1 \(wired\): read in cycle 7 at \$8000 did not come back within 9 s:"):
        two.accesses.read(0x8000, 7, Kind.DATA)


def test_the_turn_is_over_when_an_access_is(two):
    seen = []
    card = two.seats[0].card
    card.does |= {name: lambda cycle: seen.append((two.turn.cycle, two.turn.asked)) or 0 for name in ("read", "peek")}
    two.accesses.read(0x8000, 7, Kind.DATA)
    two.peek(0x8000, 8, 0)
    assert seen == [(7, ""), (BETWEEN, "it was only asked")]
    assert (two.turn.cycle, two.turn.asked) == (BETWEEN, "")


# where it was ---------------------------------------------------------------------------------------------------------


def raised(call):
    try:
        call()
    except BaseException as error:  # noqa: BLE001 - to look at it
        return error
    raise AssertionError


def test_the_place_is_in_the_strangers_own_code_and_not_in_a_library():
    told = failure(raised(lambda: json.loads("{")), "slot 1", "read")
    assert told.file == __file__
    assert told.message.startswith("slot 1: read raised JSONDecodeError: ")


def test_what_the_kit_refuses_is_placed_where_the_card_asked_for_it(two):
    card = two.seats[0].card
    card.does["write"] = lambda cycle: card.slot.at(None, "x")
    with pytest.raises(CardError) as told:
        two.accesses.write(0x8000, 1, 7, Kind.DATA)
    assert told.value.file == __file__
    assert "write in cycle 7 at $8000 armed the event 'x' for cycle None" in told.value.message
    assert "Arm it for a whole number of cycles" in told.value.remedy


@pytest.mark.parametrize(
    ("file", "is_so"),
    [
        ("<string>", False),
        ("<frozen importlib._bootstrap>", False),
        (str(ROOT / "simkit/backplane/bus.py"), False),
        (str(ROOT / "simkit/shipped/demo/traps/card.py"), True),
        (ast.__file__, False),
        (str(Path(ast.__file__).parent / "site-packages/their_cards/card.py"), True),
        ("/home/somebody/machine/card.py", True),
    ],
)
def test_whose_code_a_file_is(file, is_so):
    assert is_strangers(file) is is_so


@pytest.mark.parametrize("text", ["x" * 100_000, "", "a\nb"])
def test_the_text_of_what_was_raised_is_shown_up_to_a_length(text):
    told = failure(ValueError(text), "slot 1", "read")
    assert len(told.message) < 600
    assert told.message.startswith("slot 1: read raised ValueError")


def test_a_value_is_shown_whatever_its_repr_does():
    class Nasty:
        def __repr__(self):
            raise SystemExit(0)

    assert shown(Nasty()) == "a Nasty"
    assert shown("x" * 1000) == "'" + "x" * 59 + "…"

    class Pressed:
        def __repr__(self):
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        shown(Pressed())


# what is taken --------------------------------------------------------------------------------------------------------


class Index:
    """A whole number of a library's."""

    def __init__(self, number):
        self.number = number

    def __index__(self):
        return self.number


@pytest.mark.parametrize(("given", "taken"), [(0, 0), (255, 255), (True, 1), (False, 0), (Index(7), 7)])
def test_every_whole_number_within_a_byte_is_one(two, given, taken):
    card = two.seats[0].card
    card.does |= {"read": lambda cycle: given, "peek": lambda cycle: given}
    for found in (two.accesses.read(0x8000, 7, Kind.DATA), two.peek(0x8000, 7, 0)):
        assert (found, type(found)) == (taken, int)


def test_numbers_of_numpy_are_taken_as_what_they_are(two):
    import numpy as np

    card = two.seats[0].card
    card.does |= {"read": lambda cycle: np.uint8(0x80), "event": lambda cycle: card.slot.at(np.int64(cycle + 3), "x")}
    assert two.accesses.read(0x8000, 7, Kind.DATA) == 0x80
    card.slot.at(9, "x")
    two.agenda.begin(9)
    assert two.agenda.events.armed(1, "x") == 12
    assert type(two.agenda.events.armed(1, "x")) is int


def test_a_state_is_copied_and_holds_plain_values_alone():
    inner = [1, (2, 3)]
    given = {"a": inner, "b": bytearray(b"x"), "c": {"d": memoryview(b"y")}, "e": None, "f": 1.5, "g": True}
    taken = answers.state(given)
    assert taken == {"a": [1, [2, 3]], "b": b"x", "c": {"d": b"y"}, "e": None, "f": 1.5, "g": True}
    inner.append(4)
    assert taken["a"] == [1, [2, 3]]


@pytest.mark.parametrize("value", [None, 1, "x", [], b""])
def test_a_state_is_a_table(value):
    with pytest.raises(CardMisuse, match="which is no table"):
        answers.state(value)


def test_memory_keeps_its_size_as_long_as_it_is_plugged_in(two):
    memory = bytearray(32_768)

    class Small(Sram):
        def plain_memory(self):
            from simkit.contract import PlainMemory

            return PlainMemory(memory, memory)

    slot = Slot(3, Fraction(1_000_000), 1, Findings(), two)
    seat = Seat(
        Small(SramSettings(), slot),
        3,
        "small",
        Select(("0000 xxxx xxxx xxxx",)),
        Expression("RW"),
        Expression("not RW"),
    )
    two.seat(seat)
    assert seat.plain.read is seat.plain.write
    with pytest.raises(BufferError):
        memory.append(1)


def test_a_misuse_outside_of_any_call_is_an_error_of_the_contract():
    slot = Slot(1, Fraction(1_000_000), 1, Findings())
    with pytest.raises(SimkitError, match="The card asked for its pin 'X', which it does not declare"):
        slot.pin("X")
