"""Errors for people: what is wrong, where, and what to do about it."""

from __future__ import annotations

import errno
from collections.abc import Iterable
from difflib import get_close_matches

from simkit.contract.plain import plain

MAX_MESSAGE = 2000
"""Characters of a message. Of a longer one, which cites some endless text of a file, the middle is left out."""
MAX_ERRORS = 50
"""Errors told in one go. Who has more has one mistake many times, or a file of another kind."""


class SimkitError(Exception):
    """Base of every error the kit raises on purpose.

    Attributes:
        message: what is wrong, with the value found and the value expected.
        file: path of the file the error stands in, if any.
        line: line number in that file, counted from 1.
        slot: slot number of the card concerned.
        field: name of the setting or key concerned.
        remedy: what to do about it.
        lines: what stands below the message, a line each: calls, what is on a screen.
    """

    def __init__(
        self,
        message: str,
        *,
        file: str | None = None,
        line: int | None = None,
        slot: int | None = None,
        field: str | None = None,
        remedy: str | None = None,
        lines: Iterable[str] = (),
    ) -> None:
        if len(message) > MAX_MESSAGE:
            message = f"{message[: MAX_MESSAGE // 2]} … {message[-MAX_MESSAGE // 2 :]}"
        super().__init__(message)
        self.message = message
        self.file = file
        self.line = line
        self.slot = slot
        self.field = field
        self.remedy = remedy
        self.lines = tuple(lines)

    def __str__(self) -> str:
        where = ""
        if self.file is not None:
            where = f"{plain(self.file)}:{self.line}: " if self.line is not None else f"{plain(self.file)}: "
        text = "\n".join((where + plain(self.message), *map(plain, self.lines)))
        if self.remedy:
            text += f"\n{plain(self.remedy)}"
        return text

    def as_dict(self) -> dict[str, object]:
        """Fields of the error, for --json."""
        return {
            "message": self.message,
            "file": self.file,
            "line": self.line,
            "slot": self.slot,
            "field": self.field,
            "remedy": self.remedy,
            **({"lines": list(self.lines)} if self.lines else {}),
        }


class FileError(SimkitError):
    """The system could not read or write: no permission, no room, a device that fails.

    A path that is written wrongly (nothing there, a folder where a file belongs) is wrong use, a plain SimkitError.
    """


WRONG_PATH = frozenset(
    {
        errno.ENOENT,
        errno.ENOTDIR,
        errno.EISDIR,
        errno.EEXIST,
        errno.ENOTEMPTY,
        errno.ENAMETOOLONG,
        errno.ELOOP,
        errno.EINVAL,  # a name that the file system cannot hold
    }
)
"""What the system answers to a path that names the wrong thing; whoever wrote the path can put it right."""


def file_error(message: str, error: OSError, *, file: str | None = None, remedy: str | None = None) -> SimkitError:
    """The error to raise for what the system said: a FileError, or wrong use where the path is the mistake."""
    kind = SimkitError if error.errno in WRONG_PATH or isinstance(error, FileNotFoundError) else FileError
    return kind(message, file=file, remedy=remedy)


class SeveralErrors(SimkitError):  # noqa: N818 - it holds errors
    """Several errors found in one go, e.g. all those of a machine file."""

    def __init__(self, errors: Iterable[SimkitError]) -> None:
        self.errors = list(errors)
        super().__init__(f"{len(self.errors)} errors" if len(self.errors) != 1 else "1 error")

    def __str__(self) -> str:
        return "\n".join(str(error) for error in self.errors)

    def as_dict(self) -> dict[str, object]:
        """All errors, for --json."""
        return {"message": self.message, "errors": [error.as_dict() for error in self.errors]}


class CardError(SimkitError):
    """A card failed: it raised, or did or gave what the contract does not allow; the run stops.

    `slot` is that of the card; `file` and `line` are the place in its own code, where there is one.
    """


class CardMisuse(SimkitError):  # noqa: N818 - what the card did, told as an error by whoever has called it
    """A card did, with its slot, its pins or its answer, what it may not.

    Attributes:
        did: what it did, to go on from the name of the card: "armed the event 'tick' for cycle 5, which is over".
    """

    def __init__(self, did: str, remedy: str) -> None:
        super().__init__(f"The card {did}.", remedy=remedy)
        self.did = did


class Errors:
    """Errors gathered, to be told in one go.

    Attributes:
        found: what was gathered.
    """

    def __init__(self) -> None:
        self.found: list[SimkitError] = []

    def add(self, error: SimkitError) -> None:
        """Gather an error.

        Raises:
            SeveralErrors: it is one of far too many; they are told, and looking for more ends here.
        """
        self.found.append(error)
        if len(self.found) == MAX_ERRORS:
            more = SimkitError(f"These are the first {MAX_ERRORS} errors.", remedy="Correct them and look again.")
            raise SeveralErrors([*self.found, more])

    def raise_any(self) -> None:
        """Go on if nothing was gathered.

        Raises:
            SimkitError: the one error; SeveralErrors if there are several.
        """
        if len(self.found) == 1:
            raise self.found[0]
        if self.found:
            raise SeveralErrors(self.found)


def shown(value: object, most: int = 60) -> str:
    """A value of a stranger's in a message: its repr, or its type where that cannot be had; `most` characters."""
    try:
        text = repr(value)
    except KeyboardInterrupt:
        raise
    except BaseException:  # noqa: BLE001 - whatever it raises, it must not take the place of the message
        text = f"a {type(value).__name__}"
    return text if len(text) <= most else f"{text[:most]}…"


def numbers(found: Iterable[int]) -> str:
    """Numbers as people write them, lowest first: "1, 2, 7"."""
    return ", ".join(str(number) for number in sorted(found))


def near(name: str, known: Iterable[str]) -> str:
    """Sentence that offers the near names, or lists all of them when none is near and the list is short."""
    names = sorted(set(known))
    close = get_close_matches(name, names, n=3, cutoff=0.5)
    if close:
        return f"Did you mean {' or '.join(repr(c) for c in close)}?"
    if names and len(names) <= 24:
        return f"Known are: {', '.join(names)}."
    return ""
