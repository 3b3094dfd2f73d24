"""The journal of a machine: a recording that grows line by line while the machine is used.

    with record(machine, "evening.rec") as journal:
        machine.run(seconds=2)
        journal.chapter("Level 2")

It is bound to what people do and not to one machine object: a machine loaded anew goes on in it (`go_on_with`). What no
recording can hold, as a byte put into memory in the middle of an instruction, ends it with a word; the machine runs on.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from simkit.backplane.agenda import OUTSIDE_MACHINE
from simkit.backplane.watchers import OutsideEvent, WatchHandle
from simkit.contract.errors import SimkitError, file_error
from simkit.contract.events import NEVER
from simkit.contract.shapes import StateError
from simkit.files.bounded import read_bounded
from simkit.files.formats import json_format
from simkit.files.growing import GrowingFile
from simkit.machine.lengths import whole
from simkit.machine.machine import Machine
from simkit.machine.snapshot import VERSION as STATE_VERSION
from simkit.machine.snapshot import SnapshotError
from simkit.outside.contents import contents
from simkit.outside.entries import MAX_CAPTION, MAX_TEXT, SETTABLE, Entry, Place, line_of
from simkit.outside.recording import FORMAT, MAX_ENTRIES, MAX_FILE_BYTES, Header, Way

RECORDING = json_format("a recording", FORMAT)
HASH_SECONDS = 10
"""Machine time between two hashes."""
END_BYTES = 8000
"""Room kept for the last line."""
WHY_CHARACTERS = 500

_SYNCED = frozenset({"reload", "chapter", "end"})
"""Behind these all is put safely on the disk. A process that dies loses nothing anyway, but a computer may."""


class Journal:
    """Writes a machine's history into a file; `record` makes one.

    Args:
        machine: whose history.
        path: of the file.
        force: write over a recording that is there.
        tell: is told at once, in a sentence, when the recording has to end before the run; may be set later.

    Attributes:
        machine: that is recorded now.
        path: of the file.
        written: what is to be told of the file.
        problem: why the recording ended before the run, in a sentence; None if it did not.
        failure: the error behind that, if the file could not be written.
        chapters: how many places were named.
        next_look: cycle from which on the next hash is due.

    Raises:
        FileError: the file cannot be written.
        SimkitError: something is there already, or the machine is no longer as any file describes it.
    """

    def __init__(
        self, machine: Machine, path: Path, *, force: bool = False, tell: Callable[[str], None] | None = None
    ) -> None:
        machine.cpu.refuse_while_running()
        state = _state_to_begin_with(machine)
        try:
            head = _header(machine).line()
        except StateError as error:
            raise SimkitError(f"The machine does not fit into a recording: {error}.") from error
        self.path = path
        self.tell = tell
        self.problem: str | None = None
        self.failure: SimkitError | None = None
        self.chapters = 0
        self.next_look = NEVER
        self._ended = False
        self._way = Way(machine.description.clock_text)
        self._hashed: Place | None = None
        self._broken: str | None = None
        self._entries = 0
        self._size = len(head)
        self._file = GrowingFile(path, what="recording", force=force)
        self.written = self._file.written
        try:
            self._file.write(head)
            self._file.sync()
        except BaseException:
            self._file.drop()
            raise
        self._watch(machine)
        self._begin(state)

    def __enter__(self) -> Journal:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: object) -> None:
        self.close()
        if self.problem is not None and kind is None:
            raise self.failure or SimkitError(self.problem, file=str(self.path))

    @property
    def ended(self) -> bool:
        """Whether nothing is recorded any more."""
        return self._ended

    def chapter(self, name: str = "", caption: str = "") -> str:
        """Name the place at which the machine stands.

        Args:
            name: in a line; "" for "Chapter" with its number.
            caption: what is to be said there, in Markdown.

        Returns:
            The name.

        Raises:
            SimkitError: no name, too long, several lines, or the machine is running.
        """
        self.machine.cpu.refuse_while_running()
        name = name or f"Chapter {self.chapters + 1}"
        if not name.strip() or not name.isprintable() or len(name) > MAX_TEXT:
            raise SimkitError(
                f"{name[:40]!r} is no name for a chapter.", remedy=f"Write one line of at most {MAX_TEXT} characters."
            )
        if len(caption) > MAX_CAPTION or not all(line.isprintable() for line in caption.split("\n")):
            raise SimkitError(
                "The caption is too long, or holds characters that cannot be shown.",
                remedy=f"Write at most {MAX_CAPTION} characters of Markdown.",
            )
        self._settle()
        self._write("chapter", name=name, caption=caption)
        self.chapters += not self._ended
        return name

    def go_on_with(self, machine: Machine) -> None:
        """A machine loaded anew takes the place of the one before."""
        self.about_to_be_another()
        if self._ended:
            return
        try:
            state = _state_to_begin_with(machine)
        except SimkitError as error:
            self._give_up(f"the machine loaded anew cannot be recorded: {error.message}")
            return
        self._write("reload", **_described(machine), **contents(machine))
        if not self._ended:
            self._unwatch()
            self._watch(machine)
            self._begin(state)

    def so_far(self) -> bytes:
        """The whole recording as it would be if it ended where the machine stands; it goes on.

        Raises:
            FileError: the file cannot be read.
        """
        self.about_to_be_another()
        content = read_bounded(self.path, MAX_FILE_BYTES, "recording")
        if self._ended:
            return content
        return content + line_of(Entry("end", self._here(), {"why": self._broken}))

    def close(self) -> None:
        """End the recording where the machine stands; a second time does nothing."""
        if self._ended:
            return
        if self._broken is not None:
            self._give_up(self._broken)
            return
        self.about_to_be_another()
        self._write("end", why=None)
        self._stop()

    # what the machine tells -------------------------------------------------------------------------------------------

    def about_to_run(self) -> None:
        """Registers may have been set since it stood still."""
        if self._broken is not None:
            self._give_up(self._broken)
        else:
            self._settle()

    def has_run(self, error: BaseException | None) -> None:
        """Note the registers; take a hash if one is due."""
        if error is not None:
            told = error.message if isinstance(error, SimkitError) else str(error)  # without the place on this computer
            text = " ".join(told.split())[:200]
            self._broken = f"an instruction was broken off there: {type(error).__name__}{f': {text}' if text else ''}"
            return
        self._seen = self._registers()
        if self.machine.cycle >= self.next_look and not self.machine.inside_instruction:
            self._hash()
            self.next_look = self._after(self.machine)

    def poked(self, address: int, value: int) -> None:
        """A byte was put into memory."""
        if self._stands("memory was changed"):
            self._settle()
            self._write("state poke", address=address, value=int(value))

    def about_to_be_another(self) -> None:
        """Take a hash: what is compared nowhere else is what has happened since the last one."""
        self._settle()
        if self._broken is None and not self.machine.inside_instruction and not self.machine.cpu.running:
            self._hash()

    def state_loaded(self, data: bytes, before: int) -> None:
        """The machine has become another in one go."""
        self._write("state loaded", at=before, cycle=self.machine.cycle, data=data)
        self._begin(None)

    def power_cycled(self, before: int) -> None:
        """The machine was switched off and on."""
        self._write("power", at=before)
        self._begin(None)

    def faults_changed(self) -> None:
        """The machine is no longer the one that the file names."""
        self._give_up("a fault was put into the machine, or taken out")

    def _taken(self, event: OutsideEvent) -> None:
        cycle, slot, port, action, arguments = event
        if slot == OUTSIDE_MACHINE and action == "reset":
            self._write("reset", at=cycle, asserted=bool(arguments[0]))
        else:
            self._write("input", at=cycle, slot=slot, port=port, action=action, arguments=arguments)

    # inside -----------------------------------------------------------------------------------------------------------

    def _watch(self, machine: Machine) -> None:
        self.machine = machine
        self._handle: WatchHandle = machine.bus.watchers.add(outside=self._taken, run=self)
        machine.histories.append(self)

    def _unwatch(self) -> None:
        self._handle.remove()
        if self in self.machine.histories:
            self.machine.histories.remove(self)

    def _begin(self, state: bytes | None) -> None:
        """The machine is as it was switched on, or as the state says."""
        self._broken = None
        self._seen = self._registers()
        if state is not None:
            self._write("state loaded", at=0, cycle=self.machine.cycle, data=state)
        self.next_look = self._after(self.machine)

    def _after(self, machine: Machine) -> int:
        return machine.cycle + whole(HASH_SECONDS * machine.clock_hz)

    def _registers(self) -> tuple[Any, ...]:
        cpu = self.machine.cpu
        return (*(getattr(cpu, name) for name in SETTABLE), cpu.cycle)

    def _settle(self) -> None:
        """Write down which registers were set since the machine stood still."""
        if self._ended or self._broken is not None or self.machine.cpu.running:
            return
        before, now = self._seen, self._registers()
        if now == before:
            return
        self._seen = now
        changed = {name: value for name, value, old in zip(SETTABLE, now, before, strict=False) if value != old}
        if now[-1] != before[-1]:
            self._give_up("the cycle number was set by hand", at=before[-1])
        elif self._stands("a register was set"):
            self._write("state registers", registers=changed)

    def _stands(self, what: str) -> bool:
        """Whether the machine stands between two instructions; if not, nobody could do the same again."""
        if self._ended or self._broken is not None:
            return False
        if self.machine.cpu.running or self.machine.inside_instruction:
            self._give_up(f"{what} in the middle of an instruction")
            return False
        return True

    def _here(self) -> Place:
        return Place(self._way.now.power_on, self.machine.cycle)

    def _hash(self) -> None:
        """A hash of the state, where there is none yet."""
        if self._ended or self._here() == self._hashed:
            return
        try:
            parts = self.machine.state_hashes()
        except SimkitError as error:
            self._give_up(f"the state could not be looked at: {error.message}")
            return
        self._write("hash", parts=parts)
        self._hashed = self._here()

    def _write(self, kind: str, *, at: int | None = None, **fields: Any) -> None:
        """One entry more, if it is one that can be read again."""
        if self._ended:
            return
        place = self._here() if at is None else Place(self._way.now.power_on, at)
        entry = Entry(kind, place, fields)
        try:
            line = line_of(entry)
            self._way.check(place)
        except StateError as error:
            self._give_up(f"no recording can hold what came then ({kind}, {error})", at=place.cycle)
            return
        if self._entries + 1 >= MAX_ENTRIES:
            self._give_up(f"it holds {self._entries} entries, and {MAX_ENTRIES} are the most", at=place.cycle)
        elif self._size + len(line) + END_BYTES > MAX_FILE_BYTES:
            self._give_up(f"it has {self._size} bytes, and {MAX_FILE_BYTES} are the most", at=place.cycle)
        else:
            self._hashed = None
            self._add(entry, line)

    def _add(self, entry: Entry, line: bytes) -> None:
        try:
            self._way.go(entry)
            self._file.write(line)
            self._entries += 1
            self._size += len(line)
            if entry.kind in _SYNCED:
                self._file.sync()
        except (SimkitError, OSError) as error:
            self._fail(error)
        except BaseException:  # Ctrl-C: nobody knows how much of the line is written, so that nothing may follow it
            self._stop()
            self.problem = (
                f"{self.path} was broken off in the middle of a line. The recording ends at its last whole line."
            )
            raise

    def _give_up(self, why: str, *, at: int | None = None) -> None:
        """End the recording before the run, with a word in it, where it can end: here, or where the last entry was."""
        if self._ended:
            return
        words = "".join(character if character.isprintable() else " " for character in why)[:WHY_CHARACTERS]
        place = self._here() if at is None else Place(self._way.now.power_on, at)
        try:
            entry = Entry("end", place, {"why": words})
            line = line_of(entry)
            self._way.check(place)
        except StateError:
            entry = Entry("end", self._way.now, {"why": words})
            line = line_of(entry)
        self._add(entry, line)
        if not self._ended:
            self._stop()
            self._say(f"{self.path} ends at {entry.at}, before the run does: {words}.")

    def _fail(self, error: SimkitError | OSError) -> None:
        """The file takes no more."""
        self._stop()
        told = error if isinstance(error, SimkitError) else file_error(f"{self.path}: {error.strerror}.", error)
        self.failure = told
        self._say(f"{told.message} The recording ends at its last whole line.")

    def _say(self, problem: str) -> None:
        self.problem = problem
        if self.tell is not None:
            self.tell(problem)

    def _stop(self) -> None:
        self._ended = True
        self.next_look = NEVER
        self._unwatch()
        with contextlib.suppress(OSError):
            self._file.close()


def record(machine: Machine, path: str | Path, *, force: bool = False) -> Journal:
    """Record what happens to a machine from now on, in a file that is opened at once.

    Use it in a `with` statement, or call `close` at the end. A recording that had to end before raises at the end of
    the `with` statement why; the machine was not disturbed by it.

    Args:
        machine: just switched on, or in the middle of its work: then the recording begins with its state.
        path: of the file.
        force: write over a recording that is there.

    Raises:
        FileError: the file cannot be written.
        SimkitError: something is there already, or the machine cannot be recorded from here on.
    """
    return Journal(machine, Path(path), force=force)


def _described(machine: Machine) -> Mapping[str, Any]:
    """What is told of a machine that is switched on."""
    description = machine.description
    return {
        "machine": description.name[:MAX_TEXT],
        "seed": description.seed,
        "clock": description.clock_text,
        "fingerprint": machine.fingerprint,
    }


def _header(machine: Machine) -> Header:
    return Header(**_described(machine), state_version=STATE_VERSION)


def _state_to_begin_with(machine: Machine) -> bytes | None:
    """State of a machine that is no longer as it was switched on; None when it is.

    Raises:
        SimkitError: nobody could come to that state again.
    """
    fresh = Machine(machine.description, machine.images(), engine="exact")
    state = machine.save_state()
    if machine.cycle == 0 and fresh.state_hashes() == machine.state_hashes():
        return None
    try:
        fresh.load_state(state)
    except SnapshotError as error:
        raise SimkitError(
            "The machine cannot be recorded from here on: its state does not load into the machine as it is described "
            f"({error.message})",
            remedy="Begin the recording when the machine has been switched on, before ROM is changed by hand.",
        ) from error
    return state
