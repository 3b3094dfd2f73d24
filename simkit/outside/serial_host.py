"""The host's end of a serial plug: this terminal, a TCP port of this computer, or a pseudo-terminal.

converse(machine, machine.serial, open_line("stdio"))     # until Ctrl-C

What the machine sends appears at once. What comes in is handed to the card byte by byte at the line's own rate, and
waits while the card has no rate set or its receiver is off.
"""

from __future__ import annotations

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

from simkit.contract.errors import SimkitError, near
from simkit.files.bounded import read_bounded
from simkit.files.growing import GrowingFile
from simkit.outside.speed import Speed

if TYPE_CHECKING:
    from simkit.machine.machine import Machine
    from simkit.machine.views import Serial

LOOPBACK = "127.0.0.1"
"""Nobody else on the network can reach the machine."""

SLICE_SECONDS = 0.01
"""Machine time between two looks at the line: quicker than a person, slower than a byte."""

READ_BYTES = 4096
MAX_PASTE_BYTES = 16_000_000
KINDS = ("stdio", "tcp:PORT", "pty")


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


def open_line(text: str) -> HostLine:
    """Open what `--serial` names: "stdio", "tcp:PORT" or "pty".

    Raises:
        SimkitError: not one of them, or not available here.
    """
    kind, _, rest = text.partition(":")
    if kind == "stdio" and not rest:
        return StdioLine()
    if kind == "tcp":
        if not re.fullmatch(r"[0-9]{1,5}", rest) or not 1 <= int(rest) <= 65_535:
            raise SimkitError(f"{text!r} has no port number.", remedy='Write e.g. "tcp:6551"; ports are 1 to 65535.')
        return TcpLine(int(rest))
    if kind == "pty" and not rest:
        return PtyLine()
    raise SimkitError(f"{text!r} is not a serial line.", remedy=near(text, KINDS) or f"Write {', '.join(KINDS)}.")


class StdioLine:
    """Standard input and output; a terminal passes keys on at once and shows bytes as they are."""

    def __init__(self) -> None:
        try:
            self._in, self._out = sys.stdin.fileno(), sys.stdout.fileno()
            select.select([self._in], [], [], 0)
        except (AttributeError, OSError, ValueError) as error:  # closed, or a system that can wait for sockets only
            raise SimkitError(
                "Standard input cannot be looked at without waiting here.",
                remedy="Use --serial tcp:PORT and join a terminal program to it.",
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
                signal.SIGTERM: signal.signal(signal.SIGTERM, lambda *_: sys.exit(128 + signal.SIGTERM)),
            }

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
        data = os.read(self._in, READ_BYTES)
        self.ended = not data and not self.live
        return data

    def write(self, data: bytes) -> None:
        """Show it at once."""
        while data:
            data = data[os.write(self._out, data) :]

    def close(self) -> None:
        """Give the terminal back as it was."""
        for number, handler in self._handlers.items():
            signal.signal(number, handler)
        self._handlers = {}
        if self._before is not None:
            import termios

            termios.tcsetattr(self._in, termios.TCSADRAIN, self._before)
            self._before = None
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
                f"tcp:{port} cannot be opened: {error.strerror}.", remedy="Choose another port number."
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
            raise SimkitError("This system has no pseudo-terminals.", remedy="Use tcp:PORT.") from error
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
    paste: Paste | None = None,
    capture: GrowingFile | None = None,
    speed: Speed = Speed.REAL,
    announce: Callable[[str], None] = lambda text: print(text, file=sys.stderr, flush=True),
) -> bool:
    """Run the machine with its serial line at the host's, until a cycle, a halt, or Ctrl-C.

    Args:
        machine: the machine.
        serial: which plug.
        line: the host's end; closed at the end.
        until: cycle to stop at; None: run until Ctrl-C, or until piped input has ended and the line has been quiet
            for a second of machine time.
        paste: a file to send first.
        capture: an open file that gets everything the machine sends.
        speed: how fast machine time goes where somebody sits at the line.
        announce: tells people where the line is.

    Returns:
        False when Ctrl-C ended it.

    Raises:
        FileError: the system does not take what goes into the capture.
    """
    feeder = Feeder(machine, serial)
    if paste is not None:
        feeder.paste(paste)
    try:
        if line.greeting:
            announce(line.greeting + ("\r" if line.live else ""))
        _loop(machine, serial, line, feeder, until, capture, speed.factor if line.live else None)
    except KeyboardInterrupt:
        return False
    finally:
        line.close()
    return True


def _loop(
    machine: Machine,
    serial: Serial,
    line: HostLine,
    feeder: Feeder,
    until: int | None,
    capture: GrowingFile | None,
    factor: Fraction | None,
) -> None:
    hz = machine.description.clock_hz
    step = max(1, int(float(hz) * SLICE_SECONDS))
    started, first = time.monotonic(), machine.cycle
    quiet_since = machine.cycle
    halted = machine.cpu.halted
    while until is None or machine.cycle < until:
        data = line.read()
        feeder.add(data)
        target = machine.cycle + step if until is None else min(until, machine.cycle + step)
        feeder.feed(target)
        machine.run(cycles=target - machine.cycle)
        sent = serial.take()
        if sent:
            line.write(sent)
            if capture is not None:
                capture.write(sent)
        if data or sent or not feeder.empty:
            quiet_since = machine.cycle
        if machine.cpu.halted and machine.cpu.halted != halted:
            return
        if until is None and line.ended and machine.cycle - quiet_since > hz:
            return
        if factor is not None:
            ahead = float((machine.cycle - first) / hz / factor) - (time.monotonic() - started)
            if ahead > 0:
                time.sleep(ahead)
            elif ahead < -1.0:  # the host cannot keep up: do not run after lost time
                started, first = time.monotonic(), machine.cycle
