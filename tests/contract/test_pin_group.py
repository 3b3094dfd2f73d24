"""Pin groups: the same levels and lines as pins asked and driven one by one, and open inputs named."""

from hypothesis import given
from hypothesis import strategies as st

from simkit.contract.findings import Findings
from simkit.contract.lines import Drive, Pin, PinSpec
from simkit.contract.nets import Nets
from simkit.contract.pin_group import PinGroup

PINS = 4
JOINS = st.lists(st.sampled_from((None, "A", "B", "C")), min_size=PINS, max_size=PINS)


class Port:
    """Pins on lines, some shared, each line with a hand on it; the last pin may move by the clock alone."""

    def __init__(self, joins, followed):
        self.nets = Nets(Findings())
        self.pins = [Pin(PinSpec(name=f"P{n}", drive=Drive.THREE_STATE, open_level=n % 2 == 0), 1) for n in range(PINS)]
        self.hands = {}
        for pin, line in zip(self.pins, joins, strict=True):
            if line is not None:
                self.nets.line(line).join(pin)
        for line in sorted(set(joins) - {None}):
            self.hands[line] = Pin(PinSpec(name="hand", drive=Drive.OPEN_DRAIN), 2)
            self.nets.line(line).join(self.hands[line])
            if followed:
                self.nets.line(line).follow(0)

    def by_the_clock(self, moves):
        self.pins[-1].lazy_level = (lambda cycle: cycle % 3 == 0) if moves else None

    def each(self, cycle):
        return sum(1 << n for n, pin in enumerate(self.pins) if pin.level(cycle))


STEPS = st.lists(
    st.one_of(
        st.tuples(st.just("drive"), st.integers(0, 15), st.integers(0, 15)),
        st.tuples(st.just("hand"), st.sampled_from("ABC"), st.sampled_from((False, None))),
        st.tuples(st.just("clock"), st.booleans(), st.none()),
        st.tuples(st.just("forget"), st.none(), st.none()),
        st.tuples(st.just("save"), st.none(), st.none()),
        st.tuples(st.just("load"), st.none(), st.none()),
    ),
    max_size=20,
)


@given(joins=JOINS, steps=STEPS, followed=st.booleans())
def test_a_group_is_its_pins(joins, steps, followed):
    grouped, single = Port(joins, followed), Port(joins, followed)
    group = PinGroup(grouped.pins)
    driven = saved = (0, 0)
    lines = grouped.nets.save()
    for cycle, (action, first, second) in enumerate(steps, start=1):
        if action == "drive":
            driven = (first, second)
            group.drive(first, second, cycle)
            for n, pin in enumerate(single.pins):
                pin.drive(bool(first >> n & 1) if second >> n & 1 else None, cycle)
        elif action == "hand" and first in grouped.hands:
            for port in (grouped, single):
                port.hands[first].drive(second, cycle)
        elif action == "clock":
            for port in (grouped, single):
                port.by_the_clock(first)
        elif action == "forget":
            group.forget()
        elif action == "save":
            lines, saved = grouped.nets.save(), driven
        elif action == "load":
            for port in (grouped, single):
                port.nets.adopt(port.nets.checked(lines))
            group.restore(*saved)
            for n, pin in enumerate(single.pins):
                if pin.line is None:
                    pin.value = bool(saved[0] >> n & 1) if saved[1] >> n & 1 else None
        assert group.levels(cycle) == single.each(cycle) == grouped.each(cycle)
        assert grouped.nets.save() == single.nets.save()


def test_an_input_is_undriven_until_somebody_who_can_drive_is_joined():
    nets = Nets(Findings())
    pins = [Pin(PinSpec(name=f"P{n}", drive=Drive.THREE_STATE), 1) for n in range(3)]
    group = PinGroup(pins)
    assert group.undriven == 0b111
    nets.line("A").join(pins[0])
    nets.line("B").join(pins[1])
    nets.line("A").join(Pin(PinSpec(name="lamp", drive=Drive.INPUT), 2))
    assert group.undriven == 0b111
    nets.line("A").join(Pin(PinSpec(name="button", drive=Drive.OPEN_DRAIN), 3))
    assert group.undriven == 0b110


def test_a_drive_touches_only_the_pins_that_change():
    pins = [Pin(PinSpec(name=f"P{n}", drive=Drive.THREE_STATE), 1) for n in range(3)]
    nets = Nets(Findings())
    for n, pin in enumerate(pins):
        nets.line(f"L{n}").join(pin)
    moved = []
    for n in range(3):
        nets.observe(f"L{n}", lambda line, cycle: moved.append((line.name, cycle)))
    group = PinGroup(pins)
    group.drive(0b000, 0b111, 1)
    group.drive(0b001, 0b111, 2)
    group.drive(0b001, 0b111, 3)
    group.drive(0b001, 0b110, 4)  # let go: the pull holds it high
    assert moved == [("L0", 1), ("L1", 1), ("L2", 1), ("L0", 2)]


def test_what_a_drive_sets_off_may_drive_the_group_again():
    """A pin that pulls RESET low, and a card that lets go of everything when it is reset."""
    pins = [Pin(PinSpec(name=f"P{n}", drive=Drive.THREE_STATE), 1) for n in range(2)]
    nets = Nets(Findings())
    for n, pin in enumerate(pins):
        nets.line(f"L{n}").join(pin)
    group = PinGroup(pins)
    group.drive(0b11, 0b11, 1)

    def let_go(line, cycle):
        if not line.level:
            group.drive(0, 0, cycle)

    nets.observe("L0", let_go)
    group.drive(0b00, 0b11, 2)
    assert [pin.value for pin in pins] == [None, False]  # the rest of the drive under way came after it
    group.drive(0, 0, 3)
    assert [pin.value for pin in pins] == [None, None]
