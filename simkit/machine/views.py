"""What people hold of a machine: its screen, keys, pads, serial plug, lamps, cards. Inputs are scheduled, never run."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from fractions import Fraction
from pathlib import Path
from typing import TYPE_CHECKING, Any, ClassVar, TypeVar

from simkit.backplane.guarded_ports import sent_byte
from simkit.backplane.seat import Seat
from simkit.contract.errors import SimkitError, near, numbers
from simkit.contract.lines import Line, Pin
from simkit.contract.ports import ButtonsPort, KeysPort, LampsPort, PadsPort, Port, ScreenPort, SerialPort
from simkit.contract.registers import Register
from simkit.files.png import PICTURE, screen_png, screen_rows
from simkit.files.whole import write_whole
from simkit.machine.teletype import Teletype

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from simkit.machine.handle import Handle


class LineView:
    """One line as it is now; looking changes nothing."""

    def __init__(self, machine: Handle, line: Line) -> None:
        self._machine = machine
        self._line = line
        self.name = line.name

    @property
    def level(self) -> bool:
        """Electrical level, True is high; also of outputs that are computed only when somebody asks."""
        return self._line.level_now(self._machine.cycle)

    @property
    def asserted(self) -> bool:
        """Whether an active-low line (IRQ, NMI, RESET) is pulled low."""
        return not self.level

    @property
    def since(self) -> int:
        """Cycle from which the level counts, of a line that somebody follows: the CPU, a listening card, a trace."""
        return self._line.since

    @property
    def pins(self) -> tuple[Pin, ...]:
        """The pins joined to it: .slot, .spec, .value."""
        return tuple(self._line.pins)


class LineViews(Mapping[str, LineView]):
    """The lines of a machine by name."""

    def __init__(self, machine: Handle, lines: Mapping[str, Line]) -> None:
        self._machine = machine
        self._lines = lines

    def __getitem__(self, name: str) -> LineView:
        try:
            return LineView(self._machine, self._lines[name])
        except KeyError:
            raise SimkitError(f"There is no line {name!r}.", remedy=near(name, self._lines)) from None

    def __contains__(self, name: object) -> bool:
        return name in self._lines

    def __iter__(self) -> Iterator[str]:
        return iter(self._lines)

    def __len__(self) -> int:
        return len(self._lines)


class Screen:
    """The picture of one card."""

    word: ClassVar[str] = "screen"
    noun: ClassVar[str] = "a screen"

    def __init__(self, machine: Handle, seat: Seat, port: ScreenPort) -> None:
        self._machine = machine
        self.slot = seat.slot
        self.port = port

    @property
    def pixels(self) -> NDArray[np.uint8]:
        """Palette numbers of the last whole frame, shape (height, width), rows from the top."""
        import numpy as np

        found = np.frombuffer(self.port.pixels(self._machine.cycle), np.uint8)
        return found.reshape(self.port.height, self.port.width)

    @property
    def pixels_with_border(self) -> NDArray[np.uint8]:
        """The same with the border round it: shape (top + height + bottom, left + width + right) of `port.margins`."""
        import numpy as np

        found = np.frombuffer(b"".join(screen_rows(self.port, self._machine.cycle, border=True)), np.uint8)
        across, down = self.port.size_with_border
        return found.reshape(down, across)

    def text(self) -> str:
        """What can be read on the screen, lines joined by newlines."""
        return self.port.text(self._machine.cycle)

    def png(self, *, scale: int = 1, border: bool = True) -> bytes:
        """The picture as the content of a PNG file; arguments as of `save_png`."""
        return screen_png(self.port, self._machine.cycle, scale=scale, border=border)

    def save_png(self, path: str | Path, *, scale: int = 1, border: bool = True, force: bool = False) -> Path:
        """Write the picture as PNG.

        Args:
            path: file to write; another picture of the kit there is written over.
            scale: repeats of each pixel across and down, 1 to 8.
            border: with the border round the picture.
            force: write over any file.

        Raises:
            FileError: the system does not let it be written.
            SimkitError: another file stands there, or there is no such folder.
        """
        write_whole(Path(path), self.png(scale=scale, border=border), what="picture", known=PICTURE, force=force)
        return Path(path)

    @property
    def frame_cycles(self) -> Fraction:
        """Machine cycles a frame, exact."""
        return self.port.frame_cycles


class Keys:
    """The keyboard plugged into one card."""

    word: ClassVar[str] = "keys"
    noun: ClassVar[str] = "a keyboard"

    def __init__(self, machine: Handle, seat: Seat, port: KeysPort) -> None:
        self._machine = machine
        self.slot = seat.slot
        self.port = port

    def press(self, key: str, *, at: int | None = None) -> None:
        """Press a key, now or in cycle `at`.

        Raises:
            SimkitError: the keyboard has no such key.
        """
        self._schedule("press", key, at)

    def release(self, key: str, *, at: int | None = None) -> None:
        """Release a key, now or in cycle `at`."""
        self._schedule("release", key, at)

    def type(self, text: str, *, at: int | None = None) -> int:
        """Type a text, paced so that the keyboard follows, after its self-test and after keys already queued.

        Returns:
            The cycle of the last release.

        Raises:
            SimkitError: a character that no key gives; nothing is typed then.
        """
        strokes = self.strokes(text)
        now = self._machine.cycle if at is None else at
        ready = self.port.ready_at(self._machine.cycle)
        cycle = max(now, ready, self._machine.last_queued(self.slot, self.port.name))
        for action, key in strokes:
            cycle += self.port.gap_cycles
            self._machine.outside(self.slot, self.port.name, action, key, at=cycle)
        return cycle

    def strokes(self, text: str) -> list[tuple[str, str]]:
        """What typing a text does, in order: press or release, and the key.

        Raises:
            SimkitError: a character that no key gives.
        """
        strokes: list[tuple[str, str]] = []
        for character in text:
            keys = self.port.characters.get(character)
            if keys is None:
                raise SimkitError(f"No key gives {character!r}.", remedy="Type characters of the US layout.")
            strokes += [("press", key) for key in keys]
            strokes += [("release", key) for key in reversed(keys)]
        return strokes

    def _schedule(self, action: str, key: str, at: int | None) -> None:
        if key not in self.port.keys:
            raise SimkitError(f"The keyboard has no key {key!r}.", remedy=near(key, self.port.keys))
        self._machine.outside(self.slot, self.port.name, action, key, at=at)


class Pad:
    """One pad in one socket."""

    def __init__(self, machine: Handle, slot: int, port: PadsPort, number: int) -> None:
        self._machine = machine
        self._slot = slot
        self._port = port
        self.number = number

    def press(self, *buttons: str, at: int | None = None) -> None:
        """Press buttons, now or in cycle `at`.

        Raises:
            SimkitError: the pad has no such button.
        """
        self._schedule("press", buttons, at)

    def release(self, *buttons: str, at: int | None = None) -> None:
        """Release buttons, now or in cycle `at`."""
        self._schedule("release", buttons, at)

    def unplug(self, *, at: int | None = None) -> None:
        """Pull the plug."""
        self._machine.outside(self._slot, self._port.name, "unplug", self.number, at=at)

    def plug(self, *, at: int | None = None) -> None:
        """Plug it in again."""
        self._machine.outside(self._slot, self._port.name, "plug", self.number, at=at)

    def check(self, *buttons: str) -> None:
        """Check that the pad has these buttons.

        Raises:
            SimkitError: it has not.
        """
        for button in buttons:
            if button not in self._port.buttons:
                raise SimkitError(f"The pad has no button {button!r}.", remedy=near(button, self._port.buttons))

    def _schedule(self, action: str, buttons: tuple[str, ...], at: int | None) -> None:
        self.check(*buttons)
        for button in buttons:
            self._machine.outside(self._slot, self._port.name, action, self.number, button, at=at)


class Pads(Mapping[int, Pad]):
    """The sockets of one pads card, by number from 1."""

    word: ClassVar[str] = "pads"
    noun: ClassVar[str] = "pads"

    def __init__(self, machine: Handle, seat: Seat, port: PadsPort) -> None:
        self.slot = seat.slot
        self.port = port
        self._pads = {number: Pad(machine, seat.slot, port, number) for number in port.numbers}

    def __getitem__(self, number: int) -> Pad:
        try:
            return self._pads[number]
        except KeyError:
            raise SimkitError(f"There is no pad {number}.", remedy=f"Sockets: {numbers(self._pads)}.") from None

    def __iter__(self) -> Iterator[int]:
        return iter(self._pads)

    def __len__(self) -> int:
        return len(self._pads)


class Serial:
    """The serial plug of one card."""

    word: ClassVar[str] = "serial"
    noun: ClassVar[str] = "a serial line"

    def __init__(self, machine: Handle, seat: Seat, port: SerialPort) -> None:
        self._machine = machine
        self._seat = seat
        self.slot = seat.slot
        self.card_title = seat.title
        self.port = port

    def send(self, data: bytes, *, at: int | None = None) -> None:
        """Send bytes to the card, one after another at the line's rate, from now or cycle `at` on."""
        for byte in data:
            self._machine.outside(self.slot, self.port.name, "receive", byte, at=at)

    @property
    def received(self) -> bytes:
        """Everything the card has sent since power-on, up to now (bounded: the newest million bytes)."""
        self._machine.settle()
        return bytes(sent_byte(self._seat, self.port, entry) for entry in self.port.sent)

    def take(self) -> bytes:
        """What the card has sent and nobody has taken; it is gone from `received` then."""
        self._machine.look_at_texts()  # who waits for one on the terminal sees it before it is gone
        taken, sent = bytearray(), self.port.sent
        while sent:
            taken.append(sent_byte(self._seat, self.port, sent.popleft()))
        return bytes(taken)

    def begin_anew(self) -> None:
        """The machine has become another one: forget what was sent in cycles that, for it, are still to come."""
        sent, now = self.port.sent, self._machine.cycle
        while sent and isinstance(sent[-1], tuple) and isinstance(sent[-1][0], int) and sent[-1][0] >= now:
            sent.pop()

    def sent_after(self, newest: object) -> tuple[bytes, object, bool]:
        """What the card has sent since somebody looked; it stays in `received`.

        Args:
            newest: what this gave the last time; None at first.

        Returns:
            The bytes, what to ask with the next time, and whether they follow on those before: not when another state
            was loaded.
        """
        sent = self.port.sent
        fresh: list[object] = []
        for entry in reversed(sent):
            if entry is newest:
                break
            fresh.append(entry)
        goes_on = newest is None or not sent or len(fresh) < len(sent)
        data = bytes(sent_byte(self._seat, self.port, entry) for entry in reversed(fresh))
        return data, sent[-1] if sent else None, goes_on

    def text(self, *, cr_adds_lf: bool = False) -> str:
        """What stands on a terminal that got `received`, lines joined by newlines, blanks at their ends left out.

        Args:
            cr_adds_lf: the terminal's own setting: each carriage return goes down a line too.
        """
        shown = Teletype(cr_adds_lf=cr_adds_lf)
        shown.feed(self.received)
        return shown.text()


class Lamps:
    """Lamps of one card."""

    word: ClassVar[str] = "lamps"
    noun: ClassVar[str] = "a row of lamps"

    def __init__(self, machine: Handle, seat: Seat, port: LampsPort) -> None:
        self._machine = machine
        self.slot = seat.slot
        self.card_title = seat.title
        self.port = port

    @property
    def levels(self) -> tuple[bool, ...]:
        """Which lamps are lit, leftmost first."""
        return self.port.levels(self._machine.cycle)

    def text(self) -> str:
        """The lamps in words."""
        return ", ".join(
            f"{label} {'on' if lit else 'off'}" for label, lit in zip(self.port.labels, self.levels, strict=True)
        )


class Buttons:
    """Push buttons of one card."""

    word: ClassVar[str] = "buttons"
    noun: ClassVar[str] = "a row of buttons"

    def __init__(self, machine: Handle, seat: Seat, port: ButtonsPort) -> None:
        self._machine = machine
        self.slot = seat.slot
        self.card_title = seat.title
        self.port = port

    def press(self, label: str, *, at: int | None = None) -> None:
        """Press a button, now or in cycle `at`."""
        self._schedule("press", label, at)

    def release(self, label: str, *, at: int | None = None) -> None:
        """Release a button, now or in cycle `at`."""
        self._schedule("release", label, at)

    def _schedule(self, action: str, label: str, at: int | None) -> None:
        if label not in self.port.labels:
            raise SimkitError(f"There is no button {label!r}.", remedy=near(label, self.port.labels))
        self._machine.outside(self.slot, self.port.name, action, label, at=at)


PortView = Screen | Keys | Pads | Serial | Lamps | Buttons
"""What people hold of a port: `word` is its name at a machine or card, `noun` what it is in sentences."""

_V = TypeVar("_V", Screen, Keys, Pads, Serial, Lamps, Buttons)

_VIEWS: tuple[tuple[type[Port], type[PortView]], ...] = (
    (ScreenPort, Screen),
    (KeysPort, Keys),
    (PadsPort, Pads),
    (SerialPort, Serial),
    (LampsPort, Lamps),
    (ButtonsPort, Buttons),
)


class CardView:
    """One card of a machine: its registers, ports, and what it looks like inside.

    Attributes:
        slot: slot number.
        kind: its kind.
        title: how people are told of it, as "Keyboard controller (slot 3)".
        settings: how it is wired.
        ports: views of its ports by name.
    """

    def __init__(self, machine: Handle, seat: Seat) -> None:
        self._machine = machine
        self._seat = seat
        self.slot = seat.slot
        self.kind = seat.kind
        self.title = seat.title
        self.settings = seat.settings
        self.ports: dict[str, PortView] = {}
        for name, port in seat.ports.items():
            for kind, view in _VIEWS:
                if isinstance(port, kind):
                    make: Any = view
                    self.ports[name] = make(machine, seat, port)

    @property
    def registers(self) -> tuple[Register, ...]:
        """The board as wired."""
        return self._seat.registers

    def peek(self, offset: int) -> int:
        """Byte a read of the offset would give, without effect."""
        cycle = self._machine.cycle
        self._seat.advance(cycle)
        return self._seat.peek(offset, cycle)

    def words(self) -> list[str]:
        """What the card looks like inside, one line each."""
        cycle = self._machine.cycle
        self._seat.advance(cycle)
        return self._seat.words(cycle)

    def __getattr__(self, name: str) -> Any:
        for _, view in _VIEWS:
            if view.word == name:
                found = [port for port in self.ports.values() if isinstance(port, view)]
                if len(found) == 1:
                    return found[0]
                raise SimkitError(
                    f"slot {self.slot} ({self.kind}) has {len(found)} ports of the kind {name!r}.",
                    remedy="Take one of its `ports` by name.",
                )
        raise AttributeError(name)


def ports(cards: Mapping[int, CardView], kind: type[_V]) -> list[_V]:
    """All ports of a kind that a machine has, in slot order."""
    return [port for _, card in sorted(cards.items()) for port in card.ports.values() if isinstance(port, kind)]


def port(cards: Mapping[int, CardView], kind: type[_V], slot: int | None = None, *, option: str = "") -> _V:
    """The only port of a kind, or that of the card in a slot.

    Args:
        cards: the machine's.
        kind: Screen, Keys, Pads, Serial, Lamps or Buttons.
        slot: slot of the card; None when the machine has but one such port.
        option: the command-line option that names the slot, for the message; "" for Python.

    Raises:
        SimkitError: the slot has none, no card has one, or several have and no slot is named.
    """
    found = ports(cards, kind)
    slots = [view.slot for view in found]
    if slot is not None and slots.count(slot) == 1:
        return found[slots.index(slot)]
    have = f"Slots with {kind.noun}: {numbers(slots)}." if found else f"No card of this machine has {kind.noun}."
    if slot is not None:
        raise SimkitError(f"No card in slot {slot} has {kind.noun}.", slot=slot, remedy=have)
    if not found:
        raise SimkitError(have, remedy="Plug one in that has; `simkit cards` lists them.")
    if len(found) > 1:
        raise SimkitError(
            f"{len(found)} cards have {kind.noun}: slots {numbers(slots)}.",
            remedy=f"Say which: {option} {slots[0]}." if option else f"Say which: m.card({slots[0]}).{kind.word}.",
        )
    return found[0]
