"""The one reader of files that people hand in: regular files only, up to a size; text with a bound for its lines.

A pipe would wait for its writer, a device never ends, a file of gigabytes fills the memory: all are refused by name
before anything is read. Nothing here shows what stands in a file: it may be another one than was meant.
"""

from __future__ import annotations

import os
import stat
from collections.abc import Generator
from contextlib import contextmanager
from pathlib import Path

from simkit.contract.errors import SimkitError, file_error

MAX_LINE = 10_000
"""Characters of a line, where lines are told apart. Assemblers' widest ones have some hundreds."""

_CHUNK = 1 << 20
_OPEN = (
    os.O_RDONLY
    | getattr(os, "O_NONBLOCK", 0)  # what has become a pipe since it was looked at must not hold us up
    | getattr(os, "O_NOCTTY", 0)
    | getattr(os, "O_CLOEXEC", 0)
    | getattr(os, "O_BINARY", 0)
)
_UTF_16_OR_32 = (b"\xff\xfe", b"\xfe\xff", b"\0\0\xfe\xff")


def is_file(path: Path) -> bool:
    """Whether a regular file is there and may be looked at; of no name at all an error."""
    try:
        return stat.S_ISREG(path.stat().st_mode)
    except (OSError, ValueError):  # too long a name, links in a circle, a NUL
        return False


def is_folder(path: Path) -> bool:
    """Whether a folder is there and may be looked at; of no name at all an error."""
    try:
        return stat.S_ISDIR(path.stat().st_mode)
    except (OSError, ValueError):
        return False


def read_bounded(path: Path, most_bytes: int, what: str) -> bytes:
    """Content of a file.

    Args:
        path: of the file.
        most_bytes: largest size accepted.
        what: the file in words, e.g. "image"; stands in the messages.

    Raises:
        FileNotFoundError: there is no such file; the caller knows the remedy.
        FileError: the system does not let it be read.
        SimkitError: a folder, a device, a pipe, a name that none can have, or larger than allowed.
    """
    with _opened(path, most_bytes, what) as handle:
        content = _content(handle, most_bytes + 1)
    if len(content) > most_bytes:
        raise _too_large(path, what, f"more than {most_bytes}", most_bytes)
    return content


def pieces(path: Path, most_bytes: int, what: str, piece_bytes: int = 2 << 20) -> Generator[bytes]:
    """Content of a file that is too large to be held at once, piece by piece; arguments and errors as `read_bounded`.

    The file is opened when the first piece is asked for.
    """
    with _opened(path, most_bytes, what) as handle:
        done = 0
        while piece := os.read(handle, piece_bytes):
            done += len(piece)
            if done > most_bytes:
                raise _too_large(path, what, f"more than {most_bytes}", most_bytes)
            yield piece


@contextmanager
def _opened(path: Path, most_bytes: int, what: str) -> Generator[int]:
    """A plain file, open for reading; what the system says against it or a read is told as `read_bounded` does."""
    try:
        _refuse_what_is_no_file(path.stat(), path, most_bytes, what)
        handle = os.open(path, _OPEN)
        try:
            _refuse_what_is_no_file(os.fstat(handle), path, most_bytes, what)
            yield handle
        finally:
            os.close(handle)
    except (FileNotFoundError, NotADirectoryError) as error:
        raise FileNotFoundError(error.errno, error.strerror, str(path)) from error
    except OSError as error:
        message = f"The {what} {path} cannot be read: {error.strerror or error}."
        raise file_error(message, error, remedy="Look at the path and the rights.") from error
    except ValueError as error:
        raise SimkitError(f"The {what} {path} cannot be read: {error}.", remedy="Correct the path.") from error


def read_text(
    path: Path, most_bytes: int, what: str, *, longest_line: int | None = MAX_LINE, remedy: str | None = None
) -> str:
    r"""Text of a file, its lines ended by "\n" alone; `lines_of` splits it so that they count as in editors.

    UTF-8 is read, with or without its mark at the beginning; lines may end as on any system.

    Args:
        path: of the file.
        most_bytes: largest size accepted.
        what: the file in words, e.g. "label list"; stands in the messages.
        longest_line: characters a line may have; None where lines mean nothing, as in JSON.
        remedy: what to do if it is no text.

    Raises:
        FileNotFoundError: there is no such file; the caller knows the remedy.
        FileError: the system does not let it be read.
        SimkitError: what `read_bounded` refuses, what is no UTF-8 text, a line too long; with the line.
    """
    return text_of(read_bounded(path, most_bytes, what), str(path), what, longest_line=longest_line, remedy=remedy)


def lines_of(text: str) -> list[str]:
    """Lines of what `read_text` gave. `str.splitlines` would end lines at form feeds and the like as well."""
    return text.removesuffix("\n").split("\n") if text else []


def text_of(
    content: bytes, file: str, what: str, *, longest_line: int | None = MAX_LINE, remedy: str | None = None
) -> str:
    """Text of the content of a file, as `read_text` gives it; `file` is its name for messages.

    Raises:
        SimkitError: no UTF-8 text, or a line too long.
    """
    if content.startswith(_UTF_16_OR_32):
        raise SimkitError(f"The {what} is UTF-16 or UTF-32 text.", file=file, remedy="Save it as UTF-8.")
    at = content.find(b"\0")
    if at >= 0:
        message = f"The {what} holds a NUL byte, so it is no text."
        remedy = remedy or f"Name a {what}; it is a text file."
        raise SimkitError(message, file=file, line=_line(content, at), remedy=remedy)
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        at = error.start + (3 if content.startswith(b"\xef\xbb\xbf") else 0)
        raise SimkitError(
            f"The {what} is not UTF-8 text.",
            file=file,
            line=_line(content, at),
            remedy=remedy or "Save it as UTF-8, if it is text at all.",
        ) from error
    text = text.replace("\r\n", "\n").replace("\r", "\n")
    if longest_line is not None:
        for number, line in enumerate(lines_of(text), start=1):
            if len(line) > longest_line:
                raise SimkitError(
                    f"The line has {len(line)} characters; {longest_line} are allowed in a {what}.",
                    file=file,
                    line=number,
                    remedy="Break it up, or name another file.",
                )
    return text


def _line(content: bytes, at: int) -> int:
    """Number of the line in which a byte stands, however lines are ended."""
    before = content[:at]
    return 1 + before.count(b"\n") + before.count(b"\r") - before.count(b"\r\n")


def _refuse_what_is_no_file(found: os.stat_result, path: Path, most_bytes: int, what: str) -> None:
    if not stat.S_ISREG(found.st_mode):
        kind = "a folder" if stat.S_ISDIR(found.st_mode) else "a device or a pipe"
        raise SimkitError(f"The {what} {path} is {kind}, not a file.", remedy="Name a file.")
    if found.st_size > most_bytes:
        raise _too_large(path, what, str(found.st_size), most_bytes)


def _content(handle: int, most_bytes: int) -> bytes:
    pieces = []
    while most_bytes > 0 and (piece := os.read(handle, min(most_bytes, _CHUNK))):
        pieces.append(piece)
        most_bytes -= len(piece)
    return b"".join(pieces)


def _too_large(path: Path, what: str, size: str, most_bytes: int) -> SimkitError:
    return SimkitError(
        f"The {what} {path} has {size} bytes; {most_bytes} are allowed.", remedy="Name another file, or a part of it."
    )
