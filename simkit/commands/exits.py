"""Exit codes of the commands, and which one an error gives; 0 is success.

Sources: 70 (EX_SOFTWARE) and 74 (EX_IOERR) are those of sysexits.h 8.1 (Berkeley), 2 June 1993. Shells give more than
128 of a process that a signal ended (IEEE Std 1003.1-2017, Shell and Utilities, 2.8.2); 128 plus the signal's number is
common practice.
"""

from __future__ import annotations

FOUND = 1
"""Findings, failures or differences."""
WRONG_USE = 2
"""The command line, or a file that a person wrote, is wrong."""
CARD_FAILED = 3
"""A card of the machine raised an exception or broke its contract."""
KIT_FAULT = 70
"""A mistake in the kit itself."""
INPUT_OUTPUT = 74
"""The system could not read or write: no room, no permission, a device that fails."""
BY_SIGNAL = 128
"""Ended by a signal: this and its number."""
INTERRUPTED = 130
"""Ctrl-C: 128 + SIGINT."""
BROKEN_PIPE = 141
"""Whoever read our output has gone: 128 + SIGPIPE."""


def code_of(error: Exception) -> int:
    """Exit code of an error of the kit (SimkitError); of several the gravest."""
    from simkit.contract.errors import CardError, FileError, SeveralErrors

    if isinstance(error, SeveralErrors):
        codes = {code_of(one) for one in error.errors}
        # What a person can put right comes before what only the system can.
        return next((code for code in (CARD_FAILED, WRONG_USE, INPUT_OUTPUT) if code in codes), WRONG_USE)
    if isinstance(error, CardError):
        return CARD_FAILED
    return INPUT_OUTPUT if isinstance(error, FileError) else WRONG_USE
