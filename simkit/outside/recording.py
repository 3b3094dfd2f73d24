"""Recordings: the history of a machine from its power-on, so that it can be made again.

A recording is JSON Lines: a header (of which machine it is), then an entry for everything that came from outside or was
changed by hand, each with its place (see entries.py). It grows line by line while the run goes on, and is good up to
its last whole line however the run ended. It tells nothing of the program, so it may be played to a new build of the
ROM; the fingerprint says what is no longer as it was. Recordings of the versions before (old_recordings.py) are read,
too.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import attrs

from simkit.contract.clock import parse_hz
from simkit.contract.errors import SimkitError, near
from simkit.contract.shapes import StateError, record, whole
from simkit.contract.strict_json import strict_object
from simkit.files.bounded import read_bounded
from simkit.machine.fingerprint import Fingerprint
from simkit.outside.entries import (
    MACHINE,
    MAX_CYCLE,
    MAX_LINE_BYTES,
    OPENS_POWER_ON,
    Entry,
    Place,
    UnknownEntryError,
    entry_of,
    line_of_data,
)
from simkit.outside.old_recordings import OLD_VERSIONS, OldRecording, may_be_old

FORMAT = "simkit-recording"
VERSION = 4
IN_LINES = (3, VERSION)
"""Versions that are JSON Lines; captions came with the last."""
MAX_FILE_BYTES = 100_000_000
MAX_ENTRIES = 500_000
MAX_GAP_SECONDS = 3600
"""Most machine time between two entries; hashes come every ten seconds, unless the CPU is held in an instruction."""

REMEDY = "Name a file written by run --record."
_HEAD = b'{"format":"' + FORMAT.encode()
_HEADER = {**MACHINE, "state_version": whole(1, 1_000_000)}


@attrs.frozen
class Header:
    """Of which machine a recording is.

    Attributes:
        machine: its name.
        seed: its seed; None in old recordings.
        clock: its clock as the machine file says it; None in old recordings.
        fingerprint: what makes it that machine; None in recordings of version 1.
        state_version: of the states of which hashes are in the recording; None in old recordings, which hold none.
    """

    machine: str
    seed: int | None = None
    clock: str | None = None
    fingerprint: Fingerprint | None = None
    state_version: int | None = None

    def line(self) -> bytes:
        """As the first line of a recording.

        Raises:
            StateError: something of it is too large for a recording.
        """
        values = attrs.asdict(self, recurse=False)
        data = {name: shape.data(values[name]) for name, shape in _HEADER.items()}
        record(**_HEADER).take(data)
        return line_of_data({"format": FORMAT, "version": VERSION, **data})


@attrs.frozen
class Chapter:
    """A named place.

    Attributes:
        name: as it was marked.
        at: where.
        cycles: machine time up to there, of all power-ons together.
        caption: what is to be said there, in Markdown; "" for nothing.
    """

    name: str
    at: Place
    cycles: int = 0
    caption: str = ""


@attrs.frozen
class Recording:
    """A recording that was read and checked to its end.

    Attributes:
        path: of the file.
        version: of its format.
        header: of which machine it is.
        end: where it ends.
        cut: whether it has no end of its own, as the run that wrote it was killed, found no more room, or is going on.
        why: why it had to end before the run did; None if it did not.
        chapters: named places, in order.
        cycles: machine time in it, of all power-ons together.
    """

    path: Path
    version: int
    header: Header
    end: Place
    cut: bool
    why: str | None
    chapters: tuple[Chapter, ...]
    cycles: int
    _entries: Callable[[], Iterator[Entry]] = attrs.field(repr=False, eq=False)

    def entries(self) -> Iterator[Entry]:
        """Everything that happened, in order; read anew each time, as there may be many."""
        return self._entries()

    def chapter(self, name: str) -> Chapter:
        """The first chapter of that name.

        Raises:
            SimkitError: there is none; offers the near ones.
        """
        for one in self.chapters:
            if one.name == name:
                return one
        names = [one.name for one in self.chapters]
        remedy = near(name, names) if names else "It has no chapters."
        raise SimkitError(f"The recording has no chapter {name!r}.", file=str(self.path), remedy=remedy)

    def words(self) -> list[str]:
        """Sentences about an end that is none of the usual ones."""
        if self.cut:
            return [
                f"The recording was cut off at {self.end}: the run that wrote it was killed, found no more room, or "
                "is still going on. It is played up to there."
            ]
        return [f"The recording ends at {self.end}, before the run did: {self.why}"] if self.why else []

    def as_dict(self) -> dict[str, Any]:
        """For --json."""
        return {
            "file": str(self.path),
            "version": self.version,
            "machine": self.header.machine,
            "seed": self.header.seed,
            "clock": self.header.clock,
            "cycles": self.cycles,
            "end": attrs.asdict(self.end),
            "cut": self.cut,
            "why": self.why,
            "chapters": [
                {"name": chapter.name, **attrs.asdict(chapter.at), "caption": chapter.caption}
                for chapter in self.chapters
            ],
        }


class Way:
    """Where in the history the entries before have come to; refuses one that cannot follow.

    Args:
        clock: of the machine, as its file says it; None when the recording holds no hashes, between which not much time
            may pass.

    Attributes:
        now: the place.
        cycles: machine time up to there, of all power-ons together.
    """

    def __init__(self, clock: str | None) -> None:
        self.now = Place(1, 0)
        self.cycles = 0
        self._farthest = _farthest(clock)

    def check(self, at: Place) -> None:
        """Check that something can come at a place.

        Raises:
            StateError: it lies before the place before, too far behind it, or in another power-on.
        """
        now = self.now
        if at.power_on != now.power_on:
            raise StateError("at", f"lies in power-on {at.power_on}; power-on {now.power_on} goes on here")
        if at.cycle < now.cycle:
            raise StateError("at", f"lies in cycle {at.cycle}, before the one before, {now.cycle}")
        if at.cycle - now.cycle > self._farthest:
            raise StateError(
                "at", f"lies in cycle {at.cycle}, hours behind the one before, though a recording tells of every minute"
            )

    def go(self, entry: Entry) -> None:
        """Go on to the place of an entry, and to where it leads.

        Raises:
            StateError: as `check`.
        """
        at, now = entry.at, self.now
        self.check(at)
        if entry.kind == "reload":
            self._farthest = _farthest(entry.fields["clock"])
        self.cycles += at.cycle - now.cycle
        self.now = Place(now.power_on + 1, entry.fields.get("cycle", 0)) if entry.kind in OPENS_POWER_ON else at


def _farthest(clock: str | None) -> int:
    """Most cycles between two entries."""
    return MAX_CYCLE if clock is None else -int(-MAX_GAP_SECONDS * parse_hz(clock) // 1)


def read_recording(path: str | Path) -> Recording:
    """Read a recording and check every field of it.

    Raises:
        FileError: the file cannot be read.
        SimkitError: no such file, none of its kind, too large, damaged, of a version or with an entry not known here.
    """
    path = Path(path)
    try:
        content = read_bounded(path, MAX_FILE_BYTES, "recording")
    except FileNotFoundError as error:
        raise SimkitError(f"There is no recording {path}.", remedy=REMEDY) from error
    return recording_of(content, path)


def recording_of(content: bytes, path: Path) -> Recording:
    """A recording from the content of its file; `path` is for messages.

    Raises:
        SimkitError: as `read_recording`.
    """
    if not content:
        raise SimkitError(
            "The recording is empty: the run that was to write it had not begun.",
            file=str(path),
            remedy="Record it again.",
        )
    first, newline, _ = content.partition(b"\n")
    head = strict_object(first) if len(first) < MAX_LINE_BYTES else None
    if newline and head is not None and head.get("format") == FORMAT and _in_lines(head):
        return _read(path, content, head)
    old = OldRecording.of(head if head is not None else strict_object(content) if may_be_old(content) else None)
    if old is not None:
        return _read_old(path, old)
    if head is not None and head.get("format") == FORMAT:
        if _in_lines(head):
            raise _cut_at_once(path)
        known = f"{min(OLD_VERSIONS)} to {VERSION}"
        raise SimkitError(
            f"The recording has format version {str(head.get('version'))[:20]}; this kit reads versions {known}.",
            file=str(path),
            remedy="Take the kit that wrote it, or a later one.",
        )
    if not newline and content.startswith(_HEAD[: len(content)]):
        raise _cut_at_once(path)
    raise SimkitError("The file is no recording.", file=str(path), remedy=REMEDY)


def _in_lines(head: dict[str, Any]) -> bool:
    """Whether the first line is that of a recording in lines."""
    return type(head.get("version")) is int and head["version"] in IN_LINES


def _cut_at_once(path: Path) -> SimkitError:
    return SimkitError(
        "The recording was cut off within its first line: there is nothing in it to play.",
        file=str(path),
        remedy="Record it again.",
    )


def _read(path: Path, content: bytes, head: dict[str, Any]) -> Recording:
    given = {name: value for name, value in head.items() if name not in ("format", "version")}
    try:
        header = Header(**record(**_HEADER).take(given))
    except StateError as error:
        raise _damaged(path, 1, error) from error

    def entries() -> Iterator[Entry]:
        return _entries_of(path, content, header)

    way, end, chapters = _survey(entries(), header)
    return Recording(
        path,
        head["version"],
        header,
        way.now,
        end is None,
        end.fields["why"] if end else None,
        chapters,
        way.cycles,
        entries,
    )


def _read_old(path: Path, old: OldRecording) -> Recording:
    try:
        fields, entries = old.checked()
        header = Header(**fields)
        way, _, _ = _survey(iter(entries), header)
    except StateError as error:
        raise _damaged(path, None, error) from error
    return Recording(path, old.version, header, way.now, False, None, (), way.cycles, lambda: iter(entries))


def _survey(entries: Iterator[Entry], header: Header) -> tuple[Way, Entry | None, tuple[Chapter, ...]]:
    """Go through all entries: where they lead, the end if there is one, the chapters."""
    way, end, chapters = Way(header.clock), None, []
    for entry in entries:
        way.go(entry)
        if entry.kind == "chapter":
            chapters.append(Chapter(entry.fields["name"], entry.at, way.cycles, entry.fields["caption"]))
        elif entry.kind == "end":
            end = entry
    return way, end, tuple(chapters)


def _entries_of(path: Path, content: bytes, header: Header) -> Iterator[Entry]:
    """Entries of the whole lines behind the header, each checked."""
    way, ended = Way(header.clock), False
    start, number = content.index(b"\n") + 1, 1
    while start < len(content):
        number += 1
        if ended:
            raise _damaged(path, number, StateError("", "something stands behind the end"))
        stop = content.find(b"\n", start)
        if stop < 0:
            return  # the run was killed while it wrote this line
        if number > MAX_ENTRIES + 1:
            raise SimkitError(f"The recording holds more than {MAX_ENTRIES} entries.", file=str(path), remedy=REMEDY)
        if stop - start >= MAX_LINE_BYTES:
            problem = StateError("", f"the line has {stop - start + 1} bytes; {MAX_LINE_BYTES} are allowed")
            raise _damaged(path, number, problem)
        data = strict_object(content[start:stop])
        start = stop + 1
        if data is None:
            raise _damaged(
                path, number, StateError("", "the line is no JSON object, or not one that a recording holds")
            )
        try:
            entry = entry_of(data)
            way.go(entry)
        except UnknownEntryError as error:
            remedy = "Take the kit that wrote it, or a later one."
            raise SimkitError(f"The recording {error.problem}.", file=str(path), line=number, remedy=remedy) from error
        except StateError as error:
            raise _damaged(path, number, error) from error
        ended = entry.kind == "end"
        yield entry


def _damaged(path: Path, line: int | None, error: StateError) -> SimkitError:
    return SimkitError(
        f"The recording is damaged: {error}.",
        file=str(path),
        line=line,
        field=error.field or None,
        remedy="Record it again.",
    )
