"""Lines of the backplane and between cards: who drives them, what level they have, and since which cycle.

A line is one electric node. Cards reach it through pins. Levels are electrical (True is high); IRQ, NMI and RESET
are asserted when low, RDY and SO are wires with a meaning for either level. A pin may be driven only in an event
(phase 0 of a bus cycle) or in the current access (phase 4); what is driven in phase 4 counts from the next cycle.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from enum import Enum
from typing import TYPE_CHECKING, Any

import attrs

from simkit.contract.errors import CardMisuse, shown
from simkit.contract.turn import ANY_TIME, Turn

if TYPE_CHECKING:
    from simkit.contract.held_moves import HeldMoves
    from simkit.contract.nets import Nets
    from simkit.contract.pin_group import PinGroup

SYSTEM_LINES = ("IRQ", "NMI", "RESET", "RDY", "SO")
"""Lines every backplane has; the CPU samples them."""

HISTORY = 16
"""Changes that a line remembers; an instruction has at most 8 cycles, each may change a line twice."""


class Drive(Enum):
    """What the output stage behind a pin can do."""

    OPEN_DRAIN = "open drain"  # pulls low or lets go
    PUSH_PULL = "push-pull"  # always drives, high or low
    THREE_STATE = "three-state"  # drives high, low, or lets go
    INPUT = "input"  # never drives


@attrs.frozen(slots=True, kw_only=True)
class PinSpec:
    """A pin that a card brings out to its edge connector.

    Attributes:
        name: as the board or the data sheet prints it, e.g. "INT", "CA1".
        drive: output stage; INPUT for pins that only listen.
        listens: whether the card wants `pin_changed` calls for it.
        open_level: level the card sees on the pin when nothing is joined to it (pull-up True, pull-down False).
        jumpered: whether a jumper on the board gives it `open_level` while nothing is joined to it; a pin that wiring
            says to be open has no jumper and reads high, as open inputs do.
        cable: whether the board leads it to a connector or to a part of its own, and no line can: wiring may leave it
            open, hold it, or exchange it with another such pin. It is joined to a line then, and to none otherwise.
        request: whether it asks for an interrupt, low while it does, and a program must have let it.
        help: one line for people.
    """

    name: str
    drive: Drive
    listens: bool = False
    open_level: bool = True
    jumpered: bool = False
    cable: bool = False
    request: bool = False
    help: str = ""


class Pin:
    """One pin of one card, joined to a line or open.

    Attributes:
        spec: what the pin is.
        slot: slot number of its card; -1 for pins that the outside or a test holds.
        line: the line it is joined to, or None.
        value: what the card drives: True, False, or None when it lets go.
        group: the group it stands in, told when its level may have changed; or None.
        bit: its place there, as a mask.
        stiff: whether it drives high whenever its card lets go, as an output stage does that is not the card's own.
        turn: when it may be driven; a card's pin gets that of its backplane.
        asks: called as asks(pin, lazy_level, cycle) where a stranger's `lazy_level` must be guarded; or None.
    """

    __slots__ = (
        "_lazy_level",
        "_lets_go_high",
        "asks",
        "bit",
        "followed",
        "group",
        "line",
        "notify",
        "order",
        "slot",
        "spec",
        "stiff",
        "turn",
        "value",
    )

    def __init__(self, spec: PinSpec, slot: int) -> None:
        self.spec = spec
        self.slot = slot
        self.line: Line | None = None
        self.value: bool | None = None
        self.group: PinGroup | None = None
        self.bit = 0
        self.order = (slot, spec.name)  # in which listening pins are told
        self._lets_go_high = spec.drive is Drive.OPEN_DRAIN
        self.stiff = False
        # Called as notify(name, level, cycle) when the line changes; set by the slot for pins that listen.
        self.notify: Callable[[str, bool, int], None] | None = None
        self._lazy_level: Callable[[int], bool | None] | None = None
        # Called as followed(name, cycle) when somebody begins to follow the line of such an output in mid-run, or ends.
        self.followed: Callable[[str, int], None] | None = None
        self.turn: Turn = ANY_TIME
        self.asks: Callable[[Pin, Callable[[int], bool | None], int], bool | None] | None = None

    @property
    def lazy_level(self) -> Callable[[int], bool | None] | None:
        """level(cycle) of an output that moves by the clock alone and is computed only when somebody asks; or None.

        Who takes it away drives the pin in the same call: what it was driven to is of the time before.
        """
        return self._lazy_level

    @lazy_level.setter
    def lazy_level(self, call: Callable[[int], bool | None] | None) -> None:
        if call == self._lazy_level:
            return
        if call is not None and not callable(call):
            raise CardMisuse(
                f"gave pin {self.spec.name} the lazy_level {shown(call)}", "Give a function of the cycle, or None."
            )
        self._lazy_level = call
        if self.group is not None:
            self.group.kept = -1
        line = self.line
        if line is not None:
            was_clocked = line.clocked
            line.survey()
            if call is None and was_clocked and self.turn.cycle >= 0:
                self._let_go(line, self.turn.cycle)

    def _let_go(self, line: Line, cycle: int) -> None:
        """Drive nothing until the next `drive`, which then counts though it be to the same value as long ago."""
        self.value = None
        if self.group is not None:
            self.group.let_go(self.bit)
        line.resolve(cycle)

    def drive(self, value: bool | None, cycle: int) -> None:
        """Drive high (True), low (False), or let go (None), in the event or access of `cycle`.

        An open-drain pin lets go when told to drive high.

        Raises:
            CardMisuse: it is no such value, another cycle, or not the card's turn.
        """
        if value is True and self._lets_go_high:
            value = None
        elif value is None and self.stiff:
            value = True
        if value is self.value:
            return
        if cycle is not self.turn.cycle or not (value is None or value is True or value is False):
            self.check_drive(value, cycle)
        self.value = value
        line = self.line
        if line is not None:
            if line.sole is not self and line.sole is not None:  # an input that drives after all
                line.survey()
            line.resolve(cycle)
        elif self.group is not None:
            self.group.moved(self.bit, self.spec.open_level if value is None else value)

    def check_drive(self, value: object, cycle: object) -> None:
        """Refuse to drive what no pin can be driven to, or when it is not the card's turn.

        Raises:
            CardMisuse: so it is.
        """
        name = self.spec.name
        if not (value is None or value is True or value is False):
            remedy = "Drive it True (high), False (low) or None (let go); bool(...) makes one of a number."
            raise CardMisuse(f"drove pin {name} to {shown(value)}", remedy)
        if type(cycle) is not int:
            raise CardMisuse(f"drove pin {name} in cycle {shown(cycle)}", "Hand on the cycle of the call.")
        self.turn.check(self.slot, f"moved pin {name}", cycle)

    def computed(self, cycle: int) -> bool | None:
        """What the `lazy_level` says in `cycle`."""
        function = self._lazy_level
        assert function is not None
        return function(cycle) if self.asks is None else self.asks(self, function, cycle)

    def level(self, cycle: int) -> bool:
        """Electrical level on the pin in `cycle`."""
        if self.line is None:
            value = self.value if self._lazy_level is None else self.computed(cycle)
            return self.spec.open_level if value is None else value
        return self.line.level_now(cycle)

    @property
    def whose(self) -> str:
        """Its card, before its name in a sentence; "" of a pin that is no card's."""
        return f"slot {self.slot} " if self.slot > 0 else ""

    @property
    def clocked(self) -> bool:
        """Whether its level moves by the clock alone and is computed only when somebody asks."""
        return self._lazy_level is not None if self.line is None else self.line.clocked

    @property
    def watched(self) -> bool:
        """Whether somebody follows the line, so that the card must move the pin edge by edge in events."""
        return self.line is not None and self.line.watched


class Line:
    """One electric node.

    Attributes:
        name: as the machine file writes it.
        level: level after the last settled change.
        since: cycle from which that level counts.
        history: the changes before, (cycle from which it counted, level), oldest first.
        pins: every pin joined to it.
        observers: called as call(line, cycle) at once on every change.
        sole: the one pin that can drive it, where there is just one.
        nets: it belongs to.
        held: what last held back moves of `sole`, or None.
        tied: level at which a supply holds it, or None.
        bridged: other lines that a short makes one with it.
    """

    __slots__ = (
        "_clocked",
        "_fight",
        "_followers",
        "_groups",
        "_listeners",
        "bridged",
        "held",
        "history",
        "level",
        "name",
        "nets",
        "observers",
        "pins",
        "pull",
        "since",
        "sole",
        "system",
        "tied",
    )

    def __init__(self, name: str, nets: Nets, pull: bool | None = True) -> None:
        self.name = name
        self.level = True if pull is None else pull
        self.since = 0
        self.pull = pull
        self.pins: list[Pin] = []
        self.system = name in SYSTEM_LINES
        self.tied: bool | None = None
        self.bridged: tuple[Line, ...] = ()
        self._followers = 0
        self.nets = nets
        self.history: deque[tuple[int, bool]] = deque(maxlen=HISTORY)
        self.observers: list[Callable[[Line, int], None]] = []
        self.held: HeldMoves | None = None
        self._fight = False
        self.survey()

    @property
    def watched(self) -> bool:
        """Whether a listening pin, the CPU, a decoder or a recorder follows the line."""
        return self.system or self._followers > 0 or any(pin.spec.listens for pin in self.pins)

    @property
    def asserted(self) -> bool:
        """Whether an active-low line (IRQ, NMI, RESET) is pulled low."""
        return not self.level

    def join(self, pin: Pin) -> None:
        """Join a pin to the line."""
        pin.line = self
        self.pins.append(pin)
        self.survey()

    def survey(self) -> None:
        """Look again at the pins: which drive, which listen, and whether levels must be asked of the clock alone."""
        moving = [pin for pin in self.pins if pin.lazy_level is not None]
        driving = [pin for pin in self.pins if pin.spec.drive is not Drive.INPUT or pin.value is not None]
        # An output on it is computed on demand, and nobody makes it move by itself.
        self._clocked = bool(moving) and not self.watched
        alone = len(driving) == 1 and not moving and self.tied is None and not self.bridged
        self.sole = driving[0] if alone else None
        self._listeners = tuple(pin for pin in self.pins if pin.spec.listens)
        self._groups = tuple((pin.bit, pin.group) for pin in self.pins if pin.group is not None)
        for _, group in self._groups:
            group.joined()

    def can_hold_moves_of(self, pin: Pin) -> bool:
        """Whether nobody could tell that moves of the pin are written into the line later, when somebody asks."""
        if self.sole is not pin or self.watched or self._fight:
            return False
        return (
            type(pin) is Pin and pin.spec.drive is not Drive.OPEN_DRAIN
        )  # a pin of another class may look at its moves

    @property
    def clocked(self) -> bool:
        """Whether its level is computed on demand: an output on it moves by the clock alone, and nobody follows."""
        return self._clocked

    def follow(self, cycle: int) -> None:
        """Follow the line from `cycle` on: outputs computed on demand are brought up to it and then move by themselves.

        Between two cycles, or in phase 0 of `cycle`; as often as it is followed it must be left alone again.
        """
        moving = [pin for pin in self.pins if pin.lazy_level is not None] if self._clocked else []
        self._followers += 1
        self.survey()
        for pin in moving:
            pin.value = pin.computed(cycle)
        if moving:
            self.resolve(cycle)
        for pin in moving:
            if pin.followed is not None:
                pin.followed(pin.spec.name, cycle)

    def unfollow(self, cycle: int) -> None:
        """Follow it no more: when nobody else does, outputs that move by the clock are computed on demand again."""
        self._followers -= 1
        self.survey()
        if self._clocked:
            for pin in self.pins:
                if pin.lazy_level is not None and pin.followed is not None:
                    pin.followed(pin.spec.name, cycle)

    def level_at(self, cycle: int) -> bool:
        """Settled level that counted in `cycle`, back through the last changes."""
        if cycle >= self.since:
            return self.level
        for since, level in reversed(self.history):
            if cycle >= since:
                return level
        return self.history[0][1] if self.history else self.level

    def level_now(self, cycle: int) -> bool:
        """Level in `cycle`, asking outputs that are computed only on demand when nobody watches the line."""
        return self._resolved(cycle)[0] if self._clocked else self.level

    def level_shown(self, cycle: int) -> bool:
        """Level that counted in `cycle`, its accesses just done: for probes."""
        return self.level_now(cycle) if self._clocked and cycle >= self.since else self.level_at(cycle)

    def _resolved(self, cycle: int) -> tuple[bool, bool]:
        """(level, whether outputs fight)."""
        high = low = False
        for pin in self.pins if not self.bridged else [p for line in (self, *self.bridged) for p in line.pins]:
            value = pin.computed(cycle) if self._clocked and pin.lazy_level is not None else pin.value
            if value is True:
                high = True
            elif value is False:
                low = True
        if self.bridged:
            tied = [line.tied for line in (self, *self.bridged)]
            low, high = low or False in tied, high or True in tied
        elif self.tied is not None:
            return self.tied, low if self.tied else high
        if low:
            return False, high
        if high:
            return True, False
        return self.level if self.pull is None else self.pull, False

    def _report_fight(self, cycle: int) -> None:
        if self._fight:
            return
        who = ", ".join(
            f"{pin.whose}{pin.spec.name} ({pin.spec.drive.value}) {'high' if pin.value else 'low'}"
            for line in (self, *self.bridged)
            for pin in line.pins
            if pin.value is not None
        )
        who += "".join(
            f", the supply {'high' if line.tied else 'low'}" for line in (self, *self.bridged) if line.tied is not None
        )
        self.nets.findings.add(
            "output-fight", cycle, f"Outputs fight on line {self.name}: {who}. Use open-drain outputs or a gate."
        )

    def resolve(self, cycle: int) -> None:
        """Work the level out again after a pin changed; notify listeners once the wiring settles."""
        sole = self.sole
        if sole is not None:
            value = sole.value
            level = value if value is not None else self.level if self.pull is None else self.pull
            self._fight = False
        else:
            level, fight = self._resolved(cycle)
            if fight:
                self._report_fight(cycle)
            self._fight = fight
        if level is self.level:
            return
        nets = self.nets
        self.take(level, cycle + nets.delay)
        for pin in self._listeners:
            if pin.notify is not None:
                nets.queue.append((pin, level))
        for bit, group in self._groups:
            group.moved(bit, level)
        for call in self.observers:
            call(self, cycle)
        for line in self.bridged:
            line.resolve(cycle)

    def take(self, level: bool, counts_from: int) -> None:
        """Have another level, which counts from a cycle on, and remember the one before."""
        if counts_from > self.since:
            self.history.append((self.since, self.level))
        self.since = counts_from
        self.level = level

    def state(self) -> dict[str, Any]:
        """What `nets.LINES` saves of it."""
        return {
            "level": self.level,
            "since": self.since,
            "history": self.history,
            "pins": [(pin.slot, pin.spec.name, pin.value) for pin in self.pins],
            "fight": self._fight,
        }

    def adopt(self, state: dict[str, Any]) -> None:
        """Become what `nets.LINES` took; listeners are not called."""
        self.level, self.since, self._fight = state["level"], state["since"], state["fight"]
        self.history = state["history"]
        values = {(slot, name): value for slot, name, value in state["pins"]}
        for pin in self.pins:
            pin.value = values[pin.slot, pin.spec.name]
        self.survey()
