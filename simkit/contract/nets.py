"""All nets of a machine, and how changes of a cycle settle: listeners are called in slot order, round after round."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable
from typing import TYPE_CHECKING, Any

from simkit.contract.lines import HISTORY, SYSTEM_LINES, Drive, Line, Pin
from simkit.contract.shapes import CYCLE, FLAG, TEXT, StateError, many, optional, record, row, table, whole

if TYPE_CHECKING:
    from simkit.contract.findings import Findings

MAX_SETTLING_ROUNDS = 16
"""Rounds in which changes of one cycle must settle; more is a ring of cards that feed each other."""

LINES = table(
    record(
        level=FLAG,
        since=CYCLE,
        history=many(row(CYCLE, FLAG)).into(lambda changes: deque(changes, maxlen=HISTORY)),
        pins=many(row(whole(-1), TEXT, optional(FLAG))),
        fight=FLAG,
    )
)
"""What is saved of lines, by name; of pins (slot, name, value)."""


class Nets:
    """All lines of a machine and the queue through which changes settle.

    Attributes:
        lines: every line by name.
        delay: cycles until a change counts: 0 while events run (phase 0), 1 during an access (phase 4).
        notifying: the listening pin whose card is being told of a change, else None.
        queue: listening pins whose lines have changed, with the level, in the order of the changes.
        led: by the name of a line those that it moves through a gate: (line, the gate's output).
    """

    def __init__(self, findings: Findings) -> None:
        self.findings = findings
        self.lines: dict[str, Line] = {}
        self.delay = 0
        self.notifying: Pin | None = None
        self.queue: list[tuple[Pin, bool]] = []
        self.led: dict[str, list[tuple[Line, Pin]]] = {}
        for name in SYSTEM_LINES:
            self.line(name)

    def line(self, name: str, pull: bool | None = True) -> Line:
        """The line of that name, made on first use."""
        line = self.lines.get(name)
        if line is None:
            line = self.lines[name] = Line(name, self, pull)
        return line

    def lead(self, source: Line, sink: Line, gate: Pin) -> None:
        """A gate stands between two lines: what moves the first moves the second."""
        self.led.setdefault(source.name, []).append((sink, gate))

    def reached(self, name: str) -> list[Line]:
        """The line, and all that move with it: through gates behind it, and through shorts."""
        found = [self.lines[name]] if name in self.lines else []
        for line in found:  # grows meanwhile
            behind = [*line.bridged, *(sink for sink, _ in self.led.get(line.name, ()))]
            found += [other for other in dict.fromkeys(behind) if other not in found]
        return found

    def moving(self, name: str) -> list[Line]:
        """The line, and all that move it: before gates, and through shorts."""
        line = self.lines.get(name)
        if line is None:
            return []
        feeding = [self.lines[source] for source, led in self.led.items() if any(sink is line for sink, _ in led)]
        if not feeding and not line.bridged:
            return [line]
        return [other for known, other in self.lines.items() if line in self.reached(known)]

    def drivers(self, name: str) -> list[Pin]:
        """Outputs on lines that move it, those of gates left out."""
        gates = {id(gate) for led in self.led.values() for _, gate in led}
        pins = [pin for line in self.moving(name) for pin in line.pins]
        return [pin for pin in pins if pin.spec.drive is not Drive.INPUT and id(pin) not in gates]

    def observe(self, name: str, call: Callable[[Line, int], None], cycle: int = 0) -> None:
        """Call `call(line, cycle)` at once on every change of a line; for the machine's own parts, not for cards.

        Args:
            name: of the line.
            call: what to call.
            cycle: the present one, when the machine has run already.
        """
        line = self.line(name)
        line.follow(cycle)
        line.observers.append(call)

    def unobserve(self, name: str, call: Callable[[Line, int], None], cycle: int) -> None:
        """Call it no more, from the present cycle on."""
        line = self.line(name)
        line.observers.remove(call)
        line.unfollow(cycle)

    @property
    def unsettled(self) -> bool:
        """Whether notifications wait, or one was broken off."""
        return bool(self.queue) or self.notifying is not None

    def drop_unsettled(self) -> None:
        """Forget notifications that wait: what was broken off must not reach listeners in another cycle."""
        self.queue.clear()
        self.notifying = None

    def settle(self, cycle: int) -> None:
        """Call the listeners of changed lines in slot order until nothing changes any more.

        After MAX_SETTLING_ROUNDS the rest is dropped and a finding names the lines that still move.
        """
        rounds = 0
        while self.queue:
            rounds += 1
            if rounds > MAX_SETTLING_ROUNDS:
                names = sorted({pin.line.name for pin, _ in self.queue if pin.line is not None})
                self.queue.clear()
                self.findings.add(
                    "unsettled-lines",
                    cycle,
                    f"Lines {', '.join(names)} do not settle in {MAX_SETTLING_ROUNDS} rounds: outputs feed each other.",
                )
                return
            batch, self.queue = self.queue, []
            if len(batch) > 1:
                batch.sort(key=lambda entry: entry[0].order)
            for pin, level in batch:
                assert pin.notify is not None
                self.notifying = pin
                pin.notify(pin.spec.name, level, cycle)
            self.notifying = None

    def join(self, names: Iterable[tuple[str, Pin]]) -> None:
        """Join pins to lines by name."""
        for name, pin in names:
            self.line(name).join(pin)

    def save(self) -> dict[str, Any]:
        """State for a snapshot."""
        saved: dict[str, Any] = LINES.data({name: line.state() for name, line in self.lines.items()})
        return saved

    def checked(self, state: Any) -> dict[str, dict[str, Any]]:
        """What `save` gave, for `adopt`. Lines without pins come and go with those who look at them.

        Raises:
            StateError: it is nothing of the kind, or of other lines and pins.
        """
        new: dict[str, dict[str, Any]] = LINES.take(state)
        for name, line in self.lines.items():
            if not line.pins and not line.system:
                continue
            if name not in new:
                raise StateError(name, "is missing")
            if {pin[:2] for pin in new[name]["pins"]} != {(pin.slot, pin.spec.name) for pin in line.pins}:
                raise StateError(f"{name}.pins", "are not the pins of that line")
        return new

    def adopt(self, new: dict[str, dict[str, Any]]) -> None:
        """Become what `checked` gave; listeners are not called."""
        self.queue.clear()
        for name, line in self.lines.items():
            if name in new:
                line.adopt(new[name])
