"""What comes in while the program runs: a pipe, a serial port, a file that grows. It is read as it comes.

Nothing here waits for ever without looking up: `read` gives back after a while, so that whoever waits can end.
"""

from __future__ import annotations

import contextlib
import os
import stat
import time
from pathlib import Path
from types import TracebackType
from typing import Any

from simkit.contract.errors import SimkitError, file_error

READ_BYTES = 1 << 20
LOOK_SECONDS = 0.1
"""Between two looks at a file that has not grown."""
_OPEN = os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_NOCTTY", 0) | getattr(os, "O_CLOEXEC", 0)
_OPEN |= getattr(os, "O_BINARY", 0)


class Incoming:
    """Something that grows; `with Incoming(path) as incoming: incoming.read(0.2)`.

    Args:
        path: of a named pipe, a serial port, or a file.
        what: it in words, for messages.
        baud: bits a second of a serial port; eight bits, no parity, one stop bit.

    Attributes:
        ended: nothing more will come, as who wrote the pipe has closed it. Files and serial ports do not end.

    Raises:
        FileError: the system does not let it be read.
        SimkitError: nothing is there, or it is a folder, a disk, or a device that is no serial port.
    """

    def __init__(self, path: Path, *, what: str = "input", baud: int = 115_200) -> None:
        self._path, self._what, self.ended = path, what, False
        self._before: list[Any] | None = None
        try:
            mode = path.stat().st_mode
            if stat.S_ISDIR(mode) or stat.S_ISBLK(mode):
                raise SimkitError(
                    f"The {what} {path} is no file, pipe or serial port.", remedy="Name one from which bytes come."
                )
            self._handle = os.open(path, _OPEN)
        except FileNotFoundError as error:
            raise SimkitError(f"There is no {what} {path}.", remedy="Correct the path, or plug it in.") from error
        except OSError as error:
            raise file_error(
                f"The {what} {path} cannot be read: {error.strerror or error}.", error, remedy="Look at the rights."
            ) from error
        except ValueError as error:
            raise SimkitError(f"The {what} {path} cannot be read: {error}.", remedy="Correct the path.") from error
        self._is_file = stat.S_ISREG(mode)
        if stat.S_ISCHR(mode):
            try:
                self._take_port(baud)
            except BaseException:
                os.close(self._handle)
                raise

    def read(self, seconds: float) -> bytes:
        """What has come, waiting for some at most so long; nothing if nothing has.

        Raises:
            FileError: the system no longer lets it be read, as when a port is pulled out.
        """
        if self._is_file:
            data = os.read(self._handle, READ_BYTES)
            if not data:
                time.sleep(min(seconds, LOOK_SECONDS))
            return data
        import select

        if not hasattr(select, "poll"):
            raise SimkitError("This system cannot wait for a pipe.", remedy="Write into a file, and name that.")
        poll = select.poll()
        poll.register(self._handle, select.POLLIN)
        ready = poll.poll(1000 * seconds)
        if not ready:
            return b""
        if not ready[0][1] & select.POLLIN:
            self.ended = True
            return b""
        try:
            data = os.read(self._handle, READ_BYTES)
        except BlockingIOError:
            return b""
        except OSError as error:
            if self._before is not None:  # the other end of a pseudo-terminal has gone
                self.ended = True
                return b""
            message = f"The {self._what} {self._path} cannot be read any more: {error.strerror or error}."
            raise file_error(message, error, remedy="Look at the plug.") from error
        self.ended = not data
        return data

    def close(self) -> None:
        """Leave it as it was found; a second time does nothing."""
        handle, self._handle = self._handle, -1
        if handle < 0:
            return
        if self._before is not None:
            import termios

            with contextlib.suppress(OSError, termios.error):  # it may have gone
                termios.tcsetattr(handle, termios.TCSANOW, self._before)
        os.close(handle)

    def __enter__(self) -> Incoming:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, tb: TracebackType | None) -> None:
        self.close()

    def _take_port(self, baud: int) -> None:
        """Have bytes of a serial port as they come."""
        if not os.isatty(self._handle):
            raise SimkitError(
                f"The {self._what} {self._path} is a device that is no serial port.", remedy="Name a serial port."
            )
        import termios
        import tty

        speed = getattr(termios, f"B{baud}", None)
        if speed is None:
            known = sorted(int(name[1:]) for name in dir(termios) if name[:1] == "B" and name[1:].isdigit())
            raise SimkitError(
                f"A serial port does not have {baud} baud here.",
                remedy=f"Take one of {', '.join(str(each) for each in known if each >= 1200)}.",
            )
        self._before = termios.tcgetattr(self._handle)
        tty.setraw(self._handle, termios.TCSANOW)
        mode = termios.tcgetattr(self._handle)
        mode[2] = (mode[2] & ~(termios.PARENB | termios.CSTOPB | termios.CSIZE)) | termios.CS8 | termios.CLOCAL
        mode[4] = mode[5] = speed
        termios.tcsetattr(self._handle, termios.TCSANOW, mode)
