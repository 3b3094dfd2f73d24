"""Standard output and error: ready for whatever is printed, and handed over whole or with a word about it."""

from __future__ import annotations

import os
import signal
import sys

from simkit.commands import exits

TYPE_CHECKING = False  # as type checkers know it; see main.py
if TYPE_CHECKING:
    from simkit.contract.errors import SimkitError

SILENT_ON_BROKEN_PIPE = hasattr(signal, "SIGPIPE")
"""On POSIX whoever reads our output may go away, as `head` does. Elsewhere it is an error as any other."""


class Streams:
    """Standard output and error of a command.

    Args:
        own: they are those of this process, which ends with the command.
    """

    def __init__(self, *, own: bool) -> None:
        self._own = own
        self._failure: OSError | None = None
        if own:
            _occupy()
            # A character that the terminal's encoding lacks is no reason to fail; JSON is ASCII anyway.
            for stream in (sys.stdout, sys.stderr):
                if hasattr(stream, "reconfigure"):
                    stream.reconfigure(errors="backslashreplace")

    def say(self, text: str) -> None:
        """Print a message for people; if nobody can be reached, nobody is."""
        if self._own and is_gone(sys.stderr):
            sys.stderr = open(2, "w", encoding="utf-8", errors="backslashreplace", closefd=False)  # noqa: SIM115
        try:
            print(text, file=sys.stderr, flush=True)
        except (OSError, ValueError):
            self._drop(sys.stderr, 2)

    def show(self, error: SimkitError, *, as_json: bool) -> None:
        """Print an error: for people on stderr, or its fields as {"error": {...}} on stdout."""
        if not as_json:
            self.say(str(error))
            return
        from simkit.commands.say import say_json

        try:
            say_json({"error": error.as_dict()})
        except OSError as failure:
            self._failure = failure
        except (ValueError, AttributeError):
            if not is_gone(sys.stdout):
                raise

    def hand_over(self, code: int, *, result: bool) -> int:
        """Send off what stands in the buffer.

        Args:
            code: exit code of the command.
            result: whether what is printed on stdout is what the command is there for. If not (the message stands on
                stderr) the code stays as it is even when the output goes lost.

        Returns:
            The code, or that of the output if it cannot be written.
        """
        if is_gone(sys.stdout):
            self._failure = OSError(GONE)
        else:
            try:
                sys.stdout.flush()
            except OSError as failure:
                self._failure = failure
        if self._failure is None:
            return code
        self._drop(sys.stdout, 1)
        if not result:
            return code
        if isinstance(self._failure, BrokenPipeError) and SILENT_ON_BROKEN_PIPE:
            return exits.BROKEN_PIPE
        self.say(f"The output cannot be written: {self._failure.strerror or self._failure}.")
        return exits.INPUT_OUTPUT

    def _drop(self, stream: object, number: int) -> None:
        """Let what is left in a buffer go nowhere: Python would try, and fail, once more at the end of the process."""
        if self._own and not is_gone(stream) and hasattr(stream, "fileno"):
            nowhere = os.open(os.devnull, os.O_WRONLY)
            os.dup2(nowhere, number)
            os.close(nowhere)


GONE = "the program closed it on the way"
"""What became of a standard stream that is gone."""


def is_gone(stream: object) -> bool:
    """Whether a standard stream is there no more: a card may have closed it, or put something else in its place."""
    return not hasattr(stream, "flush") or bool(getattr(stream, "closed", False))


def _occupy() -> None:
    """Have something stand where a standard stream was closed, so that no file opened later is taken for it.

    Output is then refused as by a closed stream, messages go nowhere, and `sys.stdin` stays None.
    """
    for number, flags in ((0, os.O_WRONLY), (1, os.O_RDONLY), (2, os.O_WRONLY)):
        try:
            os.fstat(number)
        except OSError:
            handle = os.open(os.devnull, flags)
            if handle != number:
                os.dup2(handle, number)
                os.close(handle)
    if sys.stdout is None:
        sys.stdout = open(1, "w", encoding="utf-8", closefd=False)  # noqa: SIM115 - a handle, for good
    if sys.stderr is None:
        sys.stderr = open(2, "w", encoding="utf-8", closefd=False)  # noqa: SIM115
