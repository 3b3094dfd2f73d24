"""Waiting for a moment, at the speed of the engine: it is told, and never asked between two instructions.

A label is a stop of the engine; accesses of one address are told by the bus, as its page is taken from the engines;
findings tell themselves, while no write waits; texts are looked at whenever a frame has ended. So all of them come in
the same cycle on both engines.
"""

from __future__ import annotations

from collections.abc import Callable
from fractions import Fraction
from typing import TYPE_CHECKING

from simkit.contract.errors import SimkitError, near, numbers
from simkit.contract.findings import Finding
from simkit.machine.accessed import AccessWatch, register_named
from simkit.machine.banked import candidates
from simkit.machine.lengths import whole
from simkit.machine.moments import Moment, Span
from simkit.machine.teletype import Teletype
from simkit.machine.views import Screen, Serial

if TYPE_CHECKING:
    from simkit.machine.machine import Machine

TERMINAL_LOOKS_HZ = 50
"""How often the text on a terminal is looked at, where no screen has frames."""


class Wait:
    """Waits for one moment.

    Args:
        machine: the machine.
        moment: what is waited for.
        call: called once, with the cycle that the moment is, when that is known: in a run between the instruction in
            which it came true and the next one; at once of a time after power-on.

    Attributes:
        moment: the moment.
        cycle: the first cycle after the instruction in which it came true, and so long after that as it says; None
            while it has not come.
        next_look: cycle from which on `look` wants to be called between two instructions, or None.

    Raises:
        SimkitError: there is no such label, address, screen.
    """

    def __init__(self, machine: Machine, moment: Moment, call: Callable[[int], None]) -> None:
        self.moment = moment
        self.cycle: int | None = None
        self.next_look: int | None = None
        self._machine = machine
        self._call = call
        self._after = sum(span_cycles(machine, span) for span in moment.after)
        self._left = moment.number
        self._begun = machine.cycle
        self._stood = False  # whether the text stood there at the last look
        self._text: Callable[[], str | None] = str  # None: the same as at the last look
        self._every = Fraction(0)
        self._cancel: Callable[[], None] = lambda: None
        if not moment.kind:
            self._come(0)
            return
        {
            "label": self._await_arrival,
            "finding": self._await_finding,
            "text": self._await_text,
            "read": self._await_access,
            "write": self._await_access,
            "access": self._await_access,
        }[moment.kind]()

    def cancel(self) -> None:
        """Wait no longer."""
        self._left = 0
        cancel, self._cancel = self._cancel, lambda: None
        self.next_look = None
        cancel()

    def _come(self, base: int) -> None:
        self.cycle = base + self._after
        self._call(self.cycle)

    def _once(self) -> None:
        """It came true, and the machine stands between two instructions, or does not run."""
        if self._left == 0:  # told twice for one instruction
            return
        self._left -= 1
        if self._left == 0:
            self.cancel()
            self._come(self._machine.cycle)

    # kinds ------------------------------------------------------------------------------------------------------------

    def _await_arrival(self) -> None:
        cpu, address = self._machine.cpu, address_of(self._machine, self.moment.value)

        def arrived() -> None:
            if self._machine.cycle != self._begun and not self._in_other_bank(address):
                self._once()

        cpu.at_arrival(address, arrived)
        self._cancel = lambda: cpu.no_more_at_arrival(address, arrived)

    def _in_other_bank(self, address: int) -> bool:
        """Whether the label is that of another bank than the one which is seen at its address."""
        its = {label for _, label, distance in candidates(self._machine, address) if not distance}
        return self.moment.value in its and self._machine.place(address).name != self.moment.value

    def _await_access(self) -> None:
        machine, kind = self._machine, self.moment.kind
        register = register_named(machine, self.moment.value, kind)
        if register is not None:
            watch = AccessWatch(machine, register, kind, lambda access: self._seen())
            self._cancel = watch.cancel
            return
        address = address_of(machine, self.moment.value)

        def seen(is_write: bool) -> None:
            if kind == "access" or is_write == (kind == "write"):
                self._seen()

        watchers = machine.bus.watchers
        watchers.see(address, seen)
        self._cancel = lambda: watchers.see_no_more(address, seen)

    def _seen(self) -> None:
        if self._left > 1:  # nobody asks when that was
            self._left -= 1
        else:
            self._machine.cpu.after_instruction(self._once)

    def _await_finding(self) -> None:
        machine = self._machine
        findings, cpu, bus = machine.findings, machine.cpu, machine.bus

        def found(finding: Finding) -> None:
            if self.moment.value not in ("", finding.rule):
                return
            if cpu.running:
                cpu.after_instruction(self._once)
            else:
                self._once()

        findings.tell(found)
        bus.watchers.let_no_write_wait(True)

        def cancel() -> None:
            findings.tell_no_more(found)
            bus.watchers.let_no_write_wait(False)

        self._cancel = cancel

    def _await_text(self) -> None:
        machine = self._machine
        self._begin_reading()
        machine.looking.append(self)
        self._cancel = lambda: machine.looking.remove(self)
        self.look()

    def _begin_reading(self) -> None:
        machine, shown = self._machine, text_shown_by(self._machine, self.moment)
        if isinstance(shown, Screen):
            self._text, self._every = shown.text, shown.frame_cycles
        else:
            self._text, self._every = _on_terminal(shown), machine.clock_hz / TERMINAL_LOOKS_HZ

    def look(self) -> None:
        """Look at the text; called between two instructions."""
        self.next_look = whole((self._machine.cycle // self._every + 1) * self._every)
        shown = self._text()
        if shown is None:
            return
        stood, self._stood = self._stood, self.moment.value in shown
        if self._stood and not stood:
            self._once()

    def begin_anew(self) -> None:
        """The machine has become another one: time may have gone back."""
        if self.moment.kind == "text":
            self._begin_reading()
        self.next_look = self._machine.cycle + 1


def _on_terminal(plug: Serial) -> Callable[[], str | None]:
    """What stands on a terminal at the plug; None where no byte came since it was asked last."""
    shown, newest, asked = Teletype(), None, False

    def text() -> str | None:
        nonlocal shown, newest, asked
        data, newest, _ = plug.sent_after(newest)
        if asked and not data:
            return None
        asked = True
        shown.feed(data)
        return shown.text()

    return text


def text_shown_by(machine: Machine, moment: Moment) -> Screen | Serial:
    """What shows the text that a moment waits for: the screen, or the line with a terminal, that it names.

    Without a name the only screen, and where there is none, a terminal at the only serial line.

    Raises:
        SimkitError: there is no such one, or several are meant.
    """
    name, screens, lines = moment.screen, machine.ports(Screen), machine.ports(Serial)
    if not name:
        if screens or not lines:
            return screen_named(machine, "")
        if len(lines) > 1:
            raise SimkitError(
                f"{len(lines)} cards have a serial line: slots {numbers([line.slot for line in lines])}.",
                remedy=f'Say which, behind a slash: text:"READY"/{lines[0].slot}.',
            )
        return lines[0]
    if name.isdecimal():
        name = str(int(name[:9]))
    if any(name in (screen.port.name, str(screen.slot)) for screen in screens):
        return screen_named(machine, name)
    found = [line for line in lines if name in (line.port.name, str(line.slot))]
    if not found:
        known = sorted({*(screen.slot for screen in screens), *(line.slot for line in lines)})
        raise SimkitError(
            f"Neither a screen nor a serial line is called {name!r}, or stands in such a slot.",
            remedy=f"Slots that show a text: {numbers(known)}." if known else "No card of this machine shows a text.",
        )
    if len(found) > 1:
        raise SimkitError(f"{len(found)} serial lines are called {name!r}.", remedy=f"Write a slot: /{found[0].slot}.")
    return found[0]


def screen_named(machine: Machine, name: str) -> Screen:
    """The screen of a port's name or a slot; the only one for "".

    Raises:
        SimkitError: there is no such screen, or several are meant.
    """
    if not name:
        screens = machine.ports(Screen)
        if len(screens) > 1:
            slots = [screen.slot for screen in screens]
            raise SimkitError(
                f"{len(slots)} cards have a screen: slots {numbers(slots)}.",
                remedy=f'Say which, behind a slash: 120f/{slots[0]}, text:"READY"/{slots[0]}.',
            )
        return machine.port(Screen)
    if name.isdecimal():
        return machine.port(Screen, int(name[:9]))
    screens = machine.ports(Screen)
    found = [screen for screen in screens if screen.port.name == name]
    if not found:
        remedy = near(name, [screen.port.name for screen in screens]) if screens else "No card has a screen."
        raise SimkitError(f"There is no screen {name!r}.", remedy=remedy)
    if len(found) > 1:
        raise SimkitError(f"{len(found)} screens are called {name!r}.", remedy=f"Write a slot: /{found[0].slot}.")
    return found[0]


def span_cycles(machine: Machine, span: Span) -> int:
    """Cycles of a length of time, whole ones.

    Raises:
        SimkitError: it counts frames of a screen that is not there.
    """
    if span.unit == "c":
        return whole(span.amount)
    if span.unit == "f":
        return whole(span.amount * screen_named(machine, span.screen).frame_cycles)
    return whole(span.amount * machine.clock_hz / {"s": 1, "ms": 1_000, "us": 1_000_000}[span.unit])


def address_of(machine: Machine, text: str) -> int:
    """Address written as "$7F22", as a label, or as a place is told: "main_loop+3".

    Raises:
        SimkitError: none of these.
    """
    digits = text.removeprefix("$")
    if text.startswith("$") or (digits[:1].isdigit() and text not in machine.labels):
        try:
            address = int(digits, 16)
        except ValueError:
            address = -1
        if not 0 <= address <= 0xFFFF:
            raise SimkitError(f"{text!r} is not an address.", remedy="Write $0000 to $FFFF or a label.")
        return address
    label, plus, offset = text.rpartition("+")
    if plus and text not in machine.labels and offset.isdecimal() and len(offset) < 6:
        return machine.labels[label] + int(offset) & 0xFFFF
    return machine.labels[text]
