"""The command `simkit`: from the first line to the exit code.

Little is imported here: what a command needs comes when Ctrl-C is looked after. Every way in which a command can end
has its exit code (`exits.py`) and at most one message: for people on stderr, with --json as {"error": {...}} on stdout.
"""

from __future__ import annotations

import os
import sys

from simkit.commands import exits
from simkit.commands.ctrl_c import CtrlC

TYPE_CHECKING = False  # as type checkers know it; `typing` would be one import more before Ctrl-C is looked after
if TYPE_CHECKING:
    from collections.abc import Sequence
    from typing import NoReturn

    from simkit.commands.streams import Streams
    from simkit.contract.errors import SimkitError

TRACEBACK_SWITCH = "SIMKIT_TRACEBACK"
"""Variable of the environment that has a fault of the kit, or of a card, printed with its traceback."""


def main(arguments: Sequence[str] | None = None) -> NoReturn:
    """Run the command line and leave with its exit code.

    Args:
        arguments: words of the command line, for a program that goes on afterwards. Without them it is that of the
            process, which ends here: Ctrl-C and the standard streams are ours, too.
    """
    own = arguments is None
    ctrl_c = CtrlC()
    if own:
        ctrl_c.watch()
    code = _run(sys.argv[1:] if arguments is None else list(arguments), ctrl_c, own=own)
    if own:
        ctrl_c.over()
        _end_with_threads(code)
    raise SystemExit(code)


def _run(argv: list[str], ctrl_c: CtrlC, *, own: bool) -> int:
    """Do what the words say, and tell what came of it; gives the exit code."""
    from simkit.commands.streams import Streams

    streams = Streams(own=own)
    as_json = "--json" in (argv[: argv.index("--")] if "--" in argv else argv)
    told: SimkitError | None = None
    in_threads: list[BaseException] = []
    try:
        from simkit.commands.app import run

        if own:
            _end_with_overdue_calls()
            _tell_of_threads(streams, in_threads)
        code = run(argv, ctrl_c.begin)
        ctrl_c.end()
        if in_threads and code in (0, exits.FOUND):
            code = exits.CARD_FAILED
    except BaseException as error:  # noqa: BLE001 - whatever ends a command gets its exit code here
        ctrl_c.end()
        code, told = _verdict(error, argv, ctrl_c, streams, own=own)
    if told is not None:
        streams.show(told, as_json=as_json)
    elif code == exits.INTERRUPTED:
        ctrl_c.tell(streams.say)
    return streams.hand_over(code, result=code in (0, exits.FOUND) or (as_json and told is not None))


def _end_with_overdue_calls() -> None:
    """A card whose call neither comes back nor can be interrupted has the process end (code 3, CARD_FAILED)."""
    from simkit.backplane.overdue import STANDARD_ERROR, overdue_watch

    overdue_watch().ends = STANDARD_ERROR


def _tell_of_threads(streams: Streams, failed: list[BaseException]) -> None:
    """What a card's code raises in a thread that it has started is told as the card's."""
    import threading

    from simkit.backplane.blame import cards_own

    def tell(ended: threading.ExceptHookArgs) -> None:
        blamed = None if ended.exc_value is None else cards_own(ended.exc_value)
        if blamed is None or ended.exc_value is None:
            threading.__excepthook__(ended)
            return
        failed.append(ended.exc_value)
        streams.say(str(blamed))

    threading.excepthook = tell


def _end_with_threads(code: int) -> None:
    """End the process at once if a card has left a thread, for which Python would wait, perhaps for ever."""
    import threading

    left = [thread for thread in threading.enumerate() if thread is not threading.main_thread() and not thread.daemon]
    if left:
        os._exit(code)  # all that was printed is handed over


def _verdict(
    error: BaseException, argv: list[str], ctrl_c: CtrlC, streams: Streams, *, own: bool
) -> tuple[int, SimkitError | None]:
    """Exit code of what ended a command, and what to tell of it if there is anything to tell."""
    from simkit.commands.streams import GONE, SILENT_ON_BROKEN_PIPE, is_gone
    from simkit.contract.errors import FileError, SimkitError, file_error

    if isinstance(error, SimkitError):
        if error.__cause__ is not None and exits.code_of(error) == exits.CARD_FAILED:
            _show_traceback(error.__cause__, streams)
        return exits.code_of(error), error
    if not ctrl_c.pressed and (own or not isinstance(error, KeyboardInterrupt)):
        from simkit.backplane.blame import cards_own

        blamed = cards_own(error)
        if blamed is not None:
            _show_traceback(error, streams)
            return exits.CARD_FAILED, blamed
    if isinstance(error, SystemExit) and isinstance(error.code, int) and error.code > exits.BY_SIGNAL:
        return error.code, None
    if isinstance(error, KeyboardInterrupt) or ctrl_c.pressed:
        return exits.INTERRUPTED, None
    if isinstance(error, BrokenPipeError) and SILENT_ON_BROKEN_PIPE:
        return exits.BROKEN_PIPE, None
    _show_traceback(error, streams)
    if isinstance(error, OSError):
        # Whoever opens a file tells its name; what has none is most likely what is printed.
        what = f"{error.filename} cannot be used" if error.filename is not None else "The output cannot be written"
        told = file_error(f"{what}: {error.strerror or error}.", error)
        return exits.code_of(told), told
    if isinstance(error, ValueError | AttributeError) and is_gone(sys.stdout):
        return exits.INPUT_OUTPUT, FileError(f"The output cannot be written: {GONE}.")
    return exits.KIT_FAULT, _fault(error, argv)


def _show_traceback(error: BaseException, streams: Streams) -> None:
    if os.environ.get(TRACEBACK_SWITCH):
        import traceback

        streams.say("".join(traceback.format_exception(error)))


def _fault(error: BaseException, argv: list[str]) -> SimkitError:
    """A mistake in the kit, in words for whoever met it."""
    import shlex

    from simkit.contract.errors import SimkitError

    command = shlex.join(["simkit", *argv])
    again = (
        f"what this prints: {TRACEBACK_SWITCH}=1 {command}"
        if os.name == "posix"
        else f"what the command prints while {TRACEBACK_SWITCH}=1 stands in the environment: {command}"
    )
    if isinstance(error, MemoryError):
        return SimkitError(
            "There is no memory left.", remedy=f"Ask for less. If it was little, please report it, with {again}"
        )
    return SimkitError(
        f"A fault in the kit, not in what you wrote: {type(error).__name__}: {error}",
        remedy=f"Please report it to those who make the kit, with {again}",
    )
