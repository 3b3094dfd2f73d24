"""The machine behind a page: what the page's worker asks of it, in the browser's Python or any other.

The worker hands over and gets texts and bytes alone, so that nothing of Python is kept by JavaScript. `frame` runs what
is due of machine time, `picture` gives what is on the screen, `ask` does what a visitor wants: a JSON object with `do`
in, one with the answer out, or with `problem`, a text for people.
"""

from __future__ import annotations

import json
import time
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from simkit.backplane.areas import area_list, first_of
from simkit.contract.errors import SimkitError
from simkit.contract.plain import plain
from simkit.files.png import screen_rows
from simkit.hands.controls import read_controls
from simkit.hands.found import Found, count_words, list_lines
from simkit.hands.pacing import Pacer
from simkit.kitfile.reading import read_kit
from simkit.kitfile.unpacking import unpack
from simkit.machine.inside import inside, words
from simkit.machine.machine import Machine
from simkit.machine.registers import placed_registers
from simkit.machine.views import Lamps, Screen
from simkit.outside.speed import Speed
from simkit.page.at_hand import Hands
from simkit.page.dropped import told_apart
from simkit.page.tapes import Tapes

FRAME_SECONDS = 0.012
"""Of host time that a frame may run at most, so that what the visitor does is seen soon."""
UNPACKED, OWN = Path("/machine"), Path("/own.rec")
"""Where the kit is unpacked in the browser's own file system, and where what happens is recorded."""
TERMINAL_LINES = 200
"""Of a terminal that the page shows."""


class Host:
    """One page's machine.

    Args:
        folder: of the unpacked kit.
        facts: what the page knows of it: `machine`, the machine file in the folder; `recordings`, as `Tapes` has them.
        own: file in which what happens is recorded.
        now: host time in seconds.

    Raises:
        SimkitError: the machine cannot be built.
    """

    def __init__(
        self, folder: Path, facts: Mapping[str, Any], own: Path, now: Callable[[], float] = time.perf_counter
    ) -> None:
        self._folder = folder
        self._file = folder / facts["machine"]
        self._now = now
        self._controls = read_controls(None, beside=self._file)
        self._going = True
        self._failure = ""
        self._speed = Speed.REAL
        self._tapes = Tapes(folder, facts.get("recordings", ()), own)
        self._begin_with(Machine.load(self._file))

    def _take(self, machine: Machine) -> None:
        """Go on with another machine."""
        self.machine = machine
        self.hands = Hands(machine, self._controls)
        screens = machine.ports(Screen)
        self._screen = screens[0] if screens else None
        self._shown: bytes = b""
        self._lamps = machine.ports(Lamps)
        self._found = Found(machine)
        self._said = [*(one.message for one in machine.warnings), *machine.notes]
        self._failure = ""
        self._pacer = Pacer(machine.description.clock_hz, self._now, self._speed)
        self._pacer.begin(machine.cycle)

    # time -------------------------------------------------------------------------------------------------------------

    def frame(self) -> bool:
        """Run what is due of machine time; whether the picture is another one."""
        try:
            self._run()
        except SimkitError as error:
            self._failure = str(error)
        return self._look()

    def _run(self) -> None:
        end = self._now() + FRAME_SECONDS
        while self._going and not self._failure:
            self._pacer.keep_real(self.hands.typing or bool(self.machine.cpu.halted), self.machine.cycle)
            due = self._pacer.due(self.machine.cycle)
            if not due:
                return
            self._advance(due)
            self._pacer.ran(self.machine.cycle)
            if self._now() >= end:
                return

    def _advance(self, cycles: int) -> None:
        """Run the machine, as a recording says while one is played."""
        before = self.machine.cycle
        self.hands.feed(before + cycles)
        machine, ran = self._tapes.run(self.machine, cycles)
        if machine is not self.machine:
            self._take(machine)
        elif machine.cycle != before + ran:  # switched off and on, or a state was loaded
            self._pacer.begin(machine.cycle)
        self.hands.tied = self._tapes.playing

    # what is seen -----------------------------------------------------------------------------------------------------

    def _look(self) -> bool:
        if self._screen is None:
            return False
        shown = b"".join(screen_rows(self._screen.port, self.machine.cycle, border=True))
        if shown == self._shown:
            return False
        self._shown = shown
        return True

    def picture(self) -> bytes:
        """The picture with its border, a palette number a pixel, rows from the top."""
        return self._shown

    def pixels(self) -> bytes:
        """The picture alone, as `ScreenPort.pixels`."""
        return self._screen.port.pixels(self.machine.cycle) if self._screen is not None else b""

    def recording(self) -> bytes:
        """What has happened since the machine was switched on, as a recording."""
        return self._tapes.so_far()

    def _looks(self) -> dict[str, Any]:
        """What the page has to know of a machine before it shows it."""
        machine, screen = self.machine, None
        if self._screen is not None:
            port = self._screen.port
            across, down = port.size_with_border
            aspect = [port.pixel_aspect.numerator, port.pixel_aspect.denominator]
            screen = {"width": across, "height": down, "palette": port.palette, "aspect": aspect}
        return {
            "name": machine.description.name,
            "about": machine.description.about,
            "part": machine.description.cpu,
            "clock": machine.description.clock_text,
            "screen": screen,
            "pads": self.hands.pads,
            "keyboard": self.hands.has_keyboard,
            "lamps": [{"title": one.card_title, "labels": one.port.labels} for one in self._lamps],
            "buttons": [
                {"slot": one.slot, "title": one.card_title, "labels": one.port.labels} for one in self.hands.buttons
            ],
            "terminals": [one.serial.card_title for one in self.hands.terminals],
            "sockets": sorted(machine.images()),
            "notes": [plain(text) for text in self._said],
        }

    def _state(self) -> dict[str, Any]:
        """How it goes."""
        machine = self.machine
        for terminal in self.hands.terminals:
            terminal.catch_up()
        return {
            "cycle": machine.cycle,
            "seconds": machine.seconds,
            "going": self._going and not self._failure,
            "failure": self._failure,
            "halted": machine.cpu.halted or "",
            "speed": self._speed.value,
            "speed_words": self._pacer.words(machine.description.clock_text) or self._speed.words,
            "share": self._pacer.share(),
            "findings": count_words(machine),
            "news": [plain(text) for text in self._found.news()],
            "lamps": [one.levels for one in self._lamps],
            "terminals": [
                {"lines": one.screen.lines[-TERMINAL_LINES:], "column": one.screen.column, "rings": one.screen.rings}
                for one in self.hands.terminals
            ],
            "tape": self._tapes.state(),
        }

    # what is asked ----------------------------------------------------------------------------------------------------

    def ask(self, text: str) -> str:
        """Do what the page wants; JSON in and out."""
        asked = json.loads(text)
        try:
            answer = getattr(self, f"do_{asked.pop('do')}")(**asked)
        except SimkitError as error:
            answer = {"problem": str(error)}
        return json.dumps(answer if answer is not None else {}, separators=(",", ":"))

    def do_looks(self) -> dict[str, Any]:
        """What the page has to know before it shows the machine."""
        return self._looks()

    def do_state(self) -> dict[str, Any]:
        """How it goes; findings and chapters that came up are told once."""
        return self._state()

    def do_inside(self) -> dict[str, Any]:
        """CPU, slots, last instructions, in words."""
        return {"lines": [plain(line) for line in words(self.machine, inside(self.machine, []))]}

    def do_map(self) -> dict[str, Any]:
        """Which card answers where, and its registers."""
        return {"cards": [self._mapped(slot) for slot in sorted(self.machine.cards)]}

    def _mapped(self, slot: int) -> dict[str, Any]:
        table = next(read | write for seat, read, write in self.machine.bus.drive_tables() if seat.slot == slot)
        registers = [
            f"{f'${first:04X}' if (first := first_of(one.answers)) is not None else ''} {one.register.name} "
            f"({one.register.access})"
            for one in placed_registers(self.machine.bus.reach.table)
            if one.seat.slot == slot
        ]
        return {
            "title": self.machine.cards[slot].title,
            "areas": area_list(table),
            "registers": [plain(text.strip()) for text in registers],
        }

    def do_findings(self) -> dict[str, Any]:
        """All findings: what, where, why, what to do."""
        lines = [{"text": plain(line.text), "heading": line.heading} for line in list_lines(self.machine)]
        return {"lines": lines}

    def do_text(self) -> dict[str, Any]:
        """What can be read on the screen."""
        text = self._screen.text() if self._screen is not None else ""
        return {"text": "\n".join(plain(line) for line in text.split("\n"))}

    def do_key(self, code: str, down: bool) -> None:
        """A key of the visitor's."""
        self.hands.key(code, down=down)

    def do_type(self, text: str) -> dict[str, Any]:
        """A text for the machine's keyboard."""
        return {"characters": self.hands.type(text)}

    def do_touch(self, pad: int, button: str, down: bool) -> None:
        """A pad's button drawn on the page."""
        self.hands.touch(pad, button, down=down)

    def do_gamepad(self, number: int, buttons: list[int], axes: list[float], standard: bool) -> dict[str, Any]:
        """How a gamepad stands."""
        return {"pad": self.hands.gamepad(number, buttons, axes, standard=standard)}

    def do_gamepad_gone(self, number: int) -> None:
        """A gamepad was pulled out."""
        self.hands.gamepad_gone(number)

    def do_push(self, slot: int, label: str, down: bool) -> None:
        """A push button of a card."""
        self.hands.push(slot, label, down=down)

    def do_terminal(self, number: int, text: str = "", code: str = "", control: bool = False) -> None:
        """Characters, or the code of a key that makes none, for a terminal."""
        self.hands.terminal(number, text, code, control=control)

    def do_let_go(self) -> None:
        """Nothing is held any more: the page has lost the focus."""
        self.hands.let_go_all()

    def do_go(self, on: bool) -> None:
        """Start or pause."""
        self._going = on
        self._pacer.begin(self.machine.cycle)

    def do_reset(self) -> None:
        """Press the reset button."""
        if not self._tapes.playing:
            self.machine.reset()

    def do_power(self) -> None:
        """Switch it off and on."""
        if not self._tapes.playing:
            self.machine.power_cycle()
            self.hands.forget()
            self._failure = ""
            self._pacer.begin(self.machine.cycle)

    def do_speed(self, speed: str) -> None:
        """Another speed."""
        self._speed = Speed(speed)
        self._pacer.run_at(self._speed, self.machine.cycle)

    def do_load(self, files: list[str], slot: int | None = None) -> dict[str, Any]:
        """Run a visitor's image on this board.

        Args:
            files: paths of the image, raw or a hex file, and of label lists of it.
            slot: of its socket; None where there is one alone.
        """
        image, labels = told_apart([Path(file) for file in files])
        sockets = sorted(self.machine.images())
        if slot is None:
            if len(sockets) != 1:
                raise SimkitError(
                    f"This machine has {len(sockets)} sockets for images.", remedy="Choose the slot of the one to fill."
                )
            slot = sockets[0]
        self._begin_with(Machine.load(self._file, images={slot: image}, labels=labels))
        return self._looks()

    def do_own(self) -> dict[str, Any]:
        """The machine as it was published, just switched on."""
        self._begin_with(Machine.load(self._file))
        return self._looks()

    def _begin_with(self, machine: Machine) -> None:
        self._tapes.begin_with(machine)
        self._take(machine)
        self._going = True

    def do_play(self, recording: int, chapter: int | None = None, seconds: float = 0) -> dict[str, Any]:
        """Play a recording of the kit, from 0, from a chapter of it on, from 0, or from a time in it."""
        self._take(self._tapes.play(recording, Machine.load(self._file), chapter=chapter, seconds=seconds))
        self.hands.tied = self._tapes.playing
        self._going = True
        return self._looks()

    def do_take_over(self) -> None:
        """The recording is played no further: the machine is the visitor's."""
        self._tapes.let_go()
        self.hands.tied = False


def open_host(kit: str, facts: str) -> Host:
    """As `Host`, from texts.

    Args:
        kit: path of the kit, which is unpacked: cards of its own may run here, as the browser keeps them in.
        facts: a JSON object, see `Host`; the machine file is the kit's.
    """
    found = read_kit(Path(kit))
    unpack(found, UNPACKED)
    return Host(UNPACKED, {**json.loads(facts), "machine": found.manifest.machine}, OWN)
