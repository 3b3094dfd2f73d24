"""The terminal at a serial plug: the one this runs in, a TCP port of this computer, or a pseudo-terminal.

converse(machine, machine.serial, open_line("here"))     # until Ctrl-C

What the machine sends appears at once. What comes in is handed to the card byte by byte at the line's own rate, and
waits while the card has no rate set or its receiver is off.
"""

from __future__ import annotations

import contextlib
import os
import re
import select
import signal
import socket
import sys
import threading
import time
from collections.abc import Callable
from fractions import Fraction
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol

import attrs

from simkit.contract.errors import SimkitError
from simkit.files.bounded import read_bounded
from simkit.files.growing import GrowingFile
from simkit.outside.speed import AnySpeed, Speed

if TYPE_CHECKING:
    from simkit.machine.machine import Machine
    from simkit.machine.views import Serial
    from simkit.outside.player import Player

LOOPBACK = "127.0.0.1"
"""Nobody else on the network can reach the machine."""

SLICE_SECONDS = 0.01
"""Machine time between two looks at the line: quicker than a person, slower than a byte."""

READ_BYTES = 4096
PIPE_BYTES = 512
"""A pipe that has room takes that many without waiting (IEEE Std 1003.1-2017, limits.h: {PIPE_BUF} is 512 at least)."""
LOOK_SECONDS = 0.1
"""Between two looks at whether the run is to end, while a pipe is full."""
MAX_PASTE_BYTES = 16_000_000
WHERE = "here, port:6551 or device"
"""What `--terminal` takes, the number as an example."""


class HostLine(Protocol):
    """What carries the bytes on the host's side.

    Attributes:
        live: somebody sits at it, so that the machine runs at its own speed and not faster.
        greeting: what to tell people before it starts, "" for nothing.
        ended: nothing will come any more.
    """

    live: bool
    greeting: str
    ended: bool

    def read(self) -> bytes:
        """What has come since the last look; never waits."""

    def write(self, data: bytes) -> None:
        """Pass on what the machine sent."""

    def close(self) -> None:
        """Leave everything as it was found."""


def open_line(text: str, *, asked_to_end: Callable[[], bool] = lambda: False) -> HostLine:
    """Open what `--terminal` names: "here", "port:NUMBER" or "device".

    Args:
        text: the name.
        asked_to_end: whether the run is to end; a line that waits for whoever reads it waits no longer then.

    Raises:
        SimkitError: not one of them, or not available here.
    """
    kind, _, rest = text.partition(":")
    if kind == "here" and not rest:
        return StdioLine(asked_to_end)
    if kind == "port":
        if not re.fullmatch(r"[0-9]{1,5}", rest) or not 1 <= int(rest) <= 65_535:
            raise SimkitError(f"{text!r} has no port number.", remedy='Write e.g. "port:6551"; ports are 1 to 65535.')
        return TcpLine(int(rest))
    if kind == "device" and not rest:
        return PtyLine()
    raise SimkitError(
        f"{text!r} is no place for a terminal.",
        remedy="Write here (this terminal), port:6551 (any TCP port of this computer) or device (a pseudo-terminal).",
    )


class StdioLine:
    """Standard input and output; a terminal passes keys on at once and shows bytes as they are."""

    def __init__(self, asked_to_end: Callable[[], bool] = lambda: False) -> None:
        self._asked_to_end = asked_to_end
        try:
            self._in, self._out = sys.stdin.fileno(), sys.stdout.fileno()
            select.select([self._in], [], [], 0)
        except (AttributeError, OSError, ValueError) as error:  # closed, or a system that can wait for sockets only
            raise SimkitError(
                "Standard input cannot be looked at without waiting here.",
                remedy="Use --terminal port:6551 and join a terminal program to it.",
            ) from error
        self.live = os.isatty(self._in)
        self.greeting = "Keys go to the machine's serial line; Ctrl-C ends the run." if self.live else ""
        self.ended = False
        self._before: Any = None
        self._handlers: dict[int, Any] = {}
        if self.live:
            self._take_terminal()

    def _take_terminal(self) -> None:
        try:
            import termios
        except ImportError:
            return  # no such terminals there: input comes by the line
        self._before = termios.tcgetattr(self._in)
        self._raw()
        if threading.current_thread() is threading.main_thread():  # the only one that may say so
            self._handlers = {
                # A shell gives a job that it stops and continues the mode of its own command line.
                signal.SIGCONT: signal.signal(signal.SIGCONT, lambda *_: self._raw()),
            }
            if signal.getsignal(signal.SIGTERM) is signal.SIG_DFL:  # nobody else sees to it that all is closed
                end = signal.signal(signal.SIGTERM, lambda *_: sys.exit(128 + signal.SIGTERM))
                self._handlers[signal.SIGTERM] = end

    def _raw(self) -> None:
        import termios

        mode = termios.tcgetattr(self._in)
        mode[0] &= ~(termios.ICRNL | termios.IXON)  # the enter key gives carriage return
        mode[1] &= ~termios.OPOST  # a line feed is a line feed
        mode[3] &= ~(termios.ICANON | termios.ECHO)  # signals stay: Ctrl-C ends the run
        mode[6][termios.VMIN], mode[6][termios.VTIME] = 0, 0
        termios.tcsetattr(self._in, termios.TCSADRAIN, mode)

    def read(self) -> bytes:
        """Keys typed, or a piece of what is piped in."""
        if self.ended or not select.select([self._in], [], [], 0)[0]:
            return b""
        try:
            data = os.read(self._in, READ_BYTES)
        except OSError:  # the terminal has gone
            data = b""
        self.ended = not data and not self.live
        return data

    def write(self, data: bytes) -> None:
        """Show it at once, or as soon as there is room in the pipe."""
        while data:
            if select.select([], [self._out], [], LOOK_SECONDS)[1]:
                try:
                    data = data[os.write(self._out, data[:PIPE_BYTES]) :]
                except OSError:
                    if self._asked_to_end():  # the terminal has gone, which the signal says
                        return
                    raise
            elif self._asked_to_end():
                return

    def close(self) -> None:
        """Give the terminal back as it was."""
        for number, handler in self._handlers.items():
            signal.signal(number, handler)
        self._handlers = {}
        if self._before is not None:
            import termios

            before, self._before = self._before, None
            with contextlib.suppress(OSError, termios.error):  # it may have gone
                termios.tcsetattr(self._in, termios.TCSADRAIN, before)
                os.write(self._out, b"\r\n")


class TcpLine:
    """A TCP port of this computer, one caller at a time; what is sent while nobody listens is lost."""

    live = True

    def __init__(self, port: int) -> None:
        self.ended = False
        self._caller: socket.socket | None = None
        self._listener = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
        self._listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            self._listener.bind((LOOPBACK, port))
        except OSError as error:
            self._listener.close()
            raise SimkitError(
                f"port:{port} cannot be opened: {error.strerror}.", remedy="Choose another port number."
            ) from error
        self._listener.listen(1)
        self._listener.setblocking(False)
        self.greeting = f"The serial line waits at {LOOPBACK} port {port}; Ctrl-C ends the run."

    def read(self) -> bytes:
        """What the caller sent."""
        if self._caller is None:
            try:
                self._caller, _ = self._listener.accept()
            except BlockingIOError:
                return b""
            self._caller.setblocking(False)
        try:
            data = self._caller.recv(READ_BYTES)
        except BlockingIOError:
            return b""
        except OSError:
            data = b""
        if not data:
            self._hang_up()
        return data

    def write(self, data: bytes) -> None:
        """Pass on to the caller."""
        if self._caller is None:
            return
        try:
            self._caller.settimeout(1.0)
            self._caller.sendall(data)
            self._caller.setblocking(False)
        except OSError:
            self._hang_up()

    def _hang_up(self) -> None:
        if self._caller is not None:
            self._caller.close()
            self._caller = None

    def close(self) -> None:
        """Hang up and stop listening."""
        self._hang_up()
        self._listener.close()


class PtyLine:
    """A pseudo-terminal: its name opens in any terminal program as a serial port would."""

    live = True

    def __init__(self) -> None:
        try:
            import pty
            import tty
        except ImportError as error:
            raise SimkitError(
                "This system has no pseudo-terminals.", remedy="Use port:6551 and join a terminal program to it."
            ) from error
        self.ended = False
        self._master, self._slave = pty.openpty()
        tty.setraw(self._slave)
        os.set_blocking(self._master, False)
        self.name = os.ttyname(self._slave)
        self.greeting = f"The serial line is {self.name}; Ctrl-C ends the run."

    def read(self) -> bytes:
        """What was written to the pseudo-terminal."""
        try:
            return os.read(self._master, READ_BYTES)
        except BlockingIOError:
            return b""

    def write(self, data: bytes) -> None:
        """Pass on; what nobody fetches is dropped when its buffer is full, as on a wire."""
        try:
            while data:
                data = data[os.write(self._master, data) :]
        except BlockingIOError:
            return

    def close(self) -> None:
        """Take it away."""
        os.close(self._master)
        os.close(self._slave)


@attrs.define
class Paste:
    """A file to be sent as if it were typed or pasted into a terminal.

    Attributes:
        data: what to send.
        pause_cycles: machine cycles to wait after each line.
    """

    data: bytearray
    pause_cycles: int = 0

    @classmethod
    def read(cls, path: Path, pause_cycles: int = 0) -> Paste:
        """Read a file; line ends become carriage returns, as the enter key sends them.

        Raises:
            SimkitError: it cannot be read, or is too long.
        """
        try:
            data = read_bounded(path, MAX_PASTE_BYTES, "text to paste")
        except FileNotFoundError as error:
            raise SimkitError(f"There is no text to paste at {path}.", remedy="Correct the path.") from error
        return cls(bytearray(data.replace(b"\r\n", b"\r").replace(b"\n", b"\r")), pause_cycles)


class Feeder:
    """Hands bytes to a card no faster than the line carries them, and no sooner than it listens."""

    def __init__(self, machine: Machine, serial: Serial) -> None:
        self._machine = machine
        self._serial = serial
        self._waiting = bytearray()
        self._paste = Paste(bytearray())
        self._free = 0  # cycle in which the line is free again

    def add(self, data: bytes) -> None:
        """Bytes typed; they go before what is still to be pasted."""
        self._waiting += data

    def paste(self, paste: Paste) -> None:
        """A file to send when the card listens."""
        self._paste = paste

    @property
    def empty(self) -> bool:
        """Whether everything was handed over."""
        return not self._waiting and not self._paste.data

    def feed(self, until: int) -> None:
        """Schedule what the line carries before cycle `until`."""
        now = self._machine.cycle
        byte_cycles = self._serial.port.byte_cycles(now)
        if not byte_cycles or self.empty:
            return
        self._free = max(self._free, now)
        while not self.empty and self._free < until:
            pause = 0
            if self._waiting:
                byte = self._waiting.pop(0)
            else:
                byte = self._paste.data.pop(0)
                pause = self._paste.pause_cycles if byte == 0x0D else 0
            self._serial.send(bytes([byte]), at=self._free)
            self._free += byte_cycles + pause


def converse(
    machine: Machine,
    serial: Serial,
    line: HostLine,
    *,
    until: int | None = None,
    left: Callable[[], int | None] = lambda: None,
    paste: Paste | None = None,
    capture: GrowingFile | None = None,
    speed: AnySpeed = Speed.REAL,
    player: Player | None = None,
    asked_to_end: Callable[[], bool] = lambda: False,
    announce: Callable[[str], None] = lambda text: print(text, file=sys.stderr, flush=True),
) -> bool:
    """Run the machine with its serial line at the host's, until a cycle, a halt, or Ctrl-C.

    Args:
        machine: the machine.
        serial: which plug.
        line: the host's end; closed at the end.
        until: cycle to stop at; None: run until Ctrl-C, or until piped input has ended and the line has been quiet
            for a second of machine time.
        left: asked again and again: how many cycles to run still, when that is known to be less than `until` says.
        paste: a file to send first.
        capture: an open file that gets everything the machine sends.
        speed: how fast machine time goes where somebody sits at the line.
        player: a recording that is played first; what comes from the host waits so long.
        asked_to_end: whether the run is to end; asked again and again.
        announce: tells people where the line is.

    Returns:
        False when Ctrl-C or `asked_to_end` ended it.

    Raises:
        FileError: the system does not take what goes into the capture.
    """
    try:
        if line.greeting:
            announce(line.greeting + ("\r" if line.live else ""))
        talk = _Talk(line, capture, until, left, speed.factor if line.live else None, asked_to_end, machine)
        if player is not None:
            if line.live and line.greeting:
                announce("The recording is played first; what you send waits until it has ended.\r")
            machine, serial = talk.play(player, serial)
        feeder = Feeder(machine, serial)
        if paste is not None:
            feeder.paste(paste)
        talk.go_on(machine, serial, feeder)
    except KeyboardInterrupt:
        return False
    finally:
        line.close()
    return not asked_to_end()


class _Talk:
    """Machine and line, slice by slice."""

    def __init__(
        self,
        line: HostLine,
        capture: GrowingFile | None,
        until: int | None,
        left: Callable[[], int | None],
        factor: Fraction | None,
        asked_to_end: Callable[[], bool],
        machine: Machine,
    ) -> None:
        self._line = line
        self._capture = capture
        self._until = until
        self._left = left
        self._factor = factor
        self._asked_to_end = asked_to_end
        self._hz = machine.description.clock_hz
        self._step = max(1, int(float(self._hz) * SLICE_SECONDS))
        self._cycle = machine.cycle  # as if the machine were never switched off
        self._begin()

    def play(self, player: Player, serial: Serial) -> tuple[Machine, Serial]:
        """Play a recording; gives the machine that comes out of it, and its plug."""
        while not player.ended and (slice_cycles := self._slice()):
            self._ran(player.run(slice_cycles))
            serial = player.machine.card(serial.slot).serial
            self._pass_on(serial)
        return player.machine, serial

    def go_on(self, machine: Machine, serial: Serial, feeder: Feeder) -> None:
        """Run, and hand on what comes from either side."""
        quiet_since = machine.cycle
        halted = machine.cpu.halted
        while slice_cycles := self._slice():
            data = self._line.read()
            feeder.add(data)
            before = machine.cycle
            feeder.feed(before + slice_cycles)
            machine.run(cycles=slice_cycles)
            sent = self._pass_on(serial)
            if data or sent or not feeder.empty:
                quiet_since = machine.cycle
            if machine.cpu.halted and machine.cpu.halted != halted:
                return
            if self._until is None and self._line.ended and machine.cycle - quiet_since > self._hz:
                return
            self._ran(machine.cycle - before)

    def _slice(self) -> int:
        """Cycles to run now; 0 when it is time to stop."""
        if self._asked_to_end():
            return 0
        known = [self._step, self._left(), None if self._until is None else self._until - self._cycle]
        return max(0, min(cycles for cycles in known if cycles is not None))

    def _pass_on(self, serial: Serial) -> bytes:
        """What the machine has sent goes to the host."""
        sent = serial.take()
        if sent:
            self._line.write(sent)
            if self._capture is not None:
                self._capture.write(sent)
        return sent

    def _begin(self) -> None:
        self._started, self._first = time.monotonic(), self._cycle

    def _ran(self, cycles: int) -> None:
        """Wait for the host's time, where somebody sits at the line and the machine is not to be as fast as it goes."""
        self._cycle += cycles
        if self._factor is not None:
            ahead = float((self._cycle - self._first) / self._hz / self._factor) - (time.monotonic() - self._started)
            if ahead > 0:
                time.sleep(ahead)
            elif ahead < -1.0:  # the host cannot keep up: do not run after lost time
                self._begin()
