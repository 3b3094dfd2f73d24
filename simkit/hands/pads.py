"""Keys and joysticks of the host to pad buttons. A button is down as long as anything that stands for it is held."""

from __future__ import annotations

from collections.abc import Mapping
from fractions import Fraction

from simkit.contract.errors import SimkitError
from simkit.hands.controls import Controls
from simkit.machine.machine import Machine
from simkit.machine.views import Keys, Pads

SHORTEST_PRESS_SECONDS = Fraction(1, 50)
"""A press and a release that the host delivers together still last a frame, or a program that looks once a frame would
miss them. A quick finger holds a button for some 50 ms (common practice)."""


class PadButtons:
    """The buttons of all pads of a machine, and what holds them down on the host.

    Args:
        cards: the cards with pad sockets; pad numbers count on from card to card.
        clock_hz: machine clock.
    """

    def __init__(self, cards: list[Pads], clock_hz: Fraction) -> None:
        self._pads = [pad for card in cards for pad in card.values()]
        self.buttons = tuple(dict.fromkeys(button for card in cards for button in card.port.buttons))
        self._shortest = max(1, int(SHORTEST_PRESS_SECONDS * clock_hz))
        self._holders: dict[tuple[int, str], set[str]] = {}
        self._free_from: dict[tuple[int, str], int] = {}

    @property
    def numbers(self) -> tuple[int, ...]:
        """Numbers of the pads, from 1."""
        return tuple(range(1, len(self._pads) + 1))

    @property
    def held(self) -> bool:
        """Whether anything on the host holds a button."""
        return any(self._holders.values())

    def hold(self, number: int, button: str, holder: str, cycle: int) -> None:
        """Something on the host (`holder`) presses a button, in `cycle`."""
        if not 1 <= number <= len(self._pads) or button not in self.buttons:
            return
        holders = self._holders.setdefault((number, button), set())
        if not holders:
            at = max(cycle, self._free_from.get((number, button), 0))
            self._free_from[number, button] = at + self._shortest
            self._pads[number - 1].press(button, at=at)
        holders.add(holder)

    def let_go(self, number: int, button: str, holder: str, cycle: int) -> None:
        """It lets go of the button; the button comes up when nothing else holds it."""
        holders = self._holders.get((number, button), set())
        if holder not in holders:
            return
        holders.remove(holder)
        if not holders:
            at = max(cycle, self._free_from[number, button])
            self._free_from[number, button] = at
            self._pads[number - 1].release(button, at=at)

    def let_go_all(self, cycle: int, holder_prefix: str = "") -> None:
        """Everything (or everything whose holder begins so) lets go."""
        for (number, button), holders in list(self._holders.items()):
            for holder in [h for h in holders if h.startswith(holder_prefix)]:
                self.let_go(number, button, holder, cycle)

    def forget(self) -> None:
        """The machine was switched off and on: its pads came up released."""
        self._holders.clear()
        self._free_from.clear()


class KeyPads:
    """Pads played on the host's keyboard."""

    def __init__(self, buttons: PadButtons, controls: Controls) -> None:
        self._buttons = buttons
        self.enabled = True
        self._targets: dict[str, list[tuple[int, str]]] = {}
        for number, pad in controls.pads.items():
            for button, keys in pad.keys.items():
                for key in keys:
                    self._targets.setdefault(key, []).append((number, button))

    def press(self, key: str, cycle: int) -> None:
        """A key of the host went down."""
        if self.enabled:
            for number, button in self._targets.get(key, ()):
                self._buttons.hold(number, button, f"key {key}", cycle)

    def release(self, key: str, cycle: int) -> None:
        """A key of the host came up."""
        for number, button in self._targets.get(key, ()):
            self._buttons.let_go(number, button, f"key {key}", cycle)


class JoystickPads:
    """Pads played on host joysticks, which come and go during a run.

    A joystick takes the lowest pad that no other joystick has; when it is pulled out its buttons come up and the pad
    is free for the next one.
    """

    def __init__(self, buttons: PadButtons, controls: Controls) -> None:
        self._buttons = buttons
        self._controls = controls
        self.pad_of: dict[int, int] = {}
        self._axes: dict[tuple[int, int], str] = {}
        self._hats: dict[tuple[int, int], tuple[int, int]] = {}

    def plugged_in(self, joystick: int) -> int | None:
        """A joystick came; returns the pad it plays, or None when all pads are taken."""
        if joystick in self.pad_of:
            return self.pad_of[joystick]
        free = [number for number in self._buttons.numbers if number not in self.pad_of.values()]
        if not free:
            return None
        self.pad_of[joystick] = free[0]
        return free[0]

    def pulled_out(self, joystick: int, cycle: int) -> int | None:
        """A joystick went; returns the pad it played."""
        self._buttons.let_go_all(cycle, f"joystick {joystick} ")
        for state in (self._axes, self._hats):
            for key in [key for key in state if key[0] == joystick]:
                del state[key]
        return self.pad_of.pop(joystick, None)

    def button(self, joystick: int, number: int, down: bool, cycle: int) -> None:
        """A joystick button moved."""
        self._contact(joystick, f"button {number}", down, cycle)

    def axis(self, joystick: int, number: int, value: float, cycle: int) -> None:
        """An axis moved; within the dead zone it stands for nothing.

        Args:
            value: -1 to 1.
        """
        before = self._axes.get((joystick, number), "")
        now = ("-" if value < 0 else "+") if abs(value) > self._controls.dead_zone else ""
        if now == before:
            return
        self._axes[joystick, number] = now
        if before:
            self._contact(joystick, f"axis {number} {before}", False, cycle)
        if now:
            self._contact(joystick, f"axis {number} {now}", True, cycle)

    def hat(self, joystick: int, number: int, value: tuple[int, int], cycle: int) -> None:
        """A hat moved.

        Args:
            value: (right - left, up - down), each -1, 0 or 1.
        """
        before = self._hats.get((joystick, number), (0, 0))
        self._hats[joystick, number] = value
        for place, names in enumerate((("left", "right"), ("down", "up"))):
            for name, sign in zip(names, (-1, 1), strict=True):
                if (before[place] == sign) != (value[place] == sign):
                    self._contact(joystick, f"hat {number} {name}", value[place] == sign, cycle)

    def _contact(self, joystick: int, contact: str, down: bool, cycle: int) -> None:
        number = self.pad_of.get(joystick)
        if number is None or number not in self._controls.pads:
            return
        for button, contacts in self._controls.pads[number].joystick.items():
            if contact in contacts:
                act = self._buttons.hold if down else self._buttons.let_go
                act(number, button, f"joystick {joystick} {contact}", cycle)


def keys_of_both(machine: Machine, controls: Controls) -> dict[int, tuple[str, ...]]:
    """Keys that play a pad of the machine and are on a keyboard of it as well, by the slot of the keyboard."""
    pads = range(1, sum(len(card) for card in machine.ports(Pads)) + 1)
    playing = [key for number in pads for keys in _keys_of(controls, number).values() for key in keys]
    both = {board.slot: tuple(key for key in playing if key in board.port.keys) for board in machine.ports(Keys)}
    return {slot: keys for slot, keys in both.items() if keys}


def _keys_of(controls: Controls, number: int) -> Mapping[str, tuple[str, ...]]:
    return controls.pads[number].keys if number in controls.pads else {}


def words_on_both(machine: Machine, controls: Controls) -> str:
    """What is to be told of them before play; "" when there are none."""
    boards = " and ".join(machine.cards[slot].title for slot in keys_of_both(machine, controls))
    if not boards:
        return ""
    return (
        f"Keys that play pads reach {boards} as well; `simkit controls MACHINE` lists them, "
        "'Keys play pads' in the bar parts them."
    )


def check_buttons(controls: Controls, buttons: tuple[str, ...]) -> None:
    """Check that the pads of the machine have the buttons that a controls file names.

    Raises:
        SimkitError: a button they do not have; names those they have.
    """
    if not buttons:
        return
    for number, pad in controls.pads.items():
        for button in (*pad.keys, *pad.joystick):
            if button not in buttons:
                raise SimkitError(
                    f"pad {number}: the pads of this machine have no button {button!r}.",
                    file=controls.file,
                    remedy=f"Their buttons are {', '.join(buttons)}.",
                )
