"""Recordings: what came from outside, by the cycle in which it took effect, so that a run can be made again.

A recording is one JSON object: format, version, machine (name), fingerprint, end (cycle), events as
[cycle, slot, port, action, [arguments]], soonest first. It tells nothing of the program, so it may be played to a new
build of the ROM; the fingerprint says what is no longer as it was.
"""

from __future__ import annotations

import json
from pathlib import Path

import attrs

from simkit.backplane.bus import OutsideEvent
from simkit.contract.errors import SimkitError
from simkit.files.bounded import read_text
from simkit.files.formats import json_format
from simkit.files.whole import Written, write_whole
from simkit.machine.fingerprint import Fingerprint
from simkit.machine.machine import Machine

FORMAT = "simkit-recording"
VERSION = 2
MAX_FILE_BYTES = 32_000_000
MAX_EVENTS = 1_000_000
MAX_CYCLE = 1 << 48
MAX_ARGUMENTS = 4

REMEDY = "Name a file written by run --record."
RECORDING = json_format("a recording", FORMAT)


@attrs.frozen
class Recording:
    """Outside events of one run from power-on.

    Attributes:
        machine: name of the machine.
        fingerprint: of that machine.
        end: cycle at which the recording was stopped.
        events: soonest first.
    """

    machine: str
    fingerprint: Fingerprint
    end: int
    events: tuple[OutsideEvent, ...]

    def write(self, path: Path, *, force: bool = False) -> Written:
        """Write the recording, whole or not at all; over another one, or by force over any file.

        Raises:
            SimkitError: it cannot be written.
        """
        content = {
            "format": FORMAT,
            "version": VERSION,
            "machine": self.machine,
            "fingerprint": self.fingerprint.to_data(),
            "end": self.end,
            "events": [[*event[:4], list(event[4])] for event in self.events],
        }
        text = json.dumps(content, separators=(",", ":")) + "\n"
        return write_whole(path, text, what="recording", known=RECORDING, force=force)

    def queue(self, machine: Machine) -> list[str]:
        """Queue all events on a machine that was just switched on.

        Returns:
            What is different from the recorded machine, in sentences.

        Raises:
            SimkitError: an event is for a port that the machine does not have; nothing is queued then.
        """
        for cycle, slot, port, action, arguments in self.events:
            if not machine.bus.takes(slot, port, action, arguments):
                raise SimkitError(
                    f"The recording holds the input {action!r} at the port {port!r} of slot {slot} (cycle {cycle}), "
                    "which nothing on this machine takes.",
                    remedy=f"It was taken of the machine {self.machine!r}; play it to that one.",
                )
        for cycle, slot, port, action, arguments in self.events:
            machine.outside(slot, port, action, *arguments, at=cycle)
        notes = self.fingerprint.other_models(machine.fingerprint)
        parts = self.fingerprint.other_parts(machine.fingerprint)
        if parts:
            notes.append(
                f"The recording was taken of {self.machine!r}. These differ: {', '.join(parts)}; the input is the "
                "same, what the program makes of it may differ."
            )
        return notes


class Recorder:
    """Notes what a machine takes from outside, from power-on; a power cycle begins anew."""

    def __init__(self, machine: Machine) -> None:
        self._machine = machine
        self._events: list[OutsideEvent] = []
        machine.bus.add_watch(outside=self._note)

    def _note(self, event: OutsideEvent) -> None:
        if self._events and event[0] < self._events[-1][0]:
            self._events.clear()
        self._events.append(event)

    def recording(self) -> Recording:
        """What was noted up to now."""
        machine = self._machine
        taken = tuple(event for event in self._events if event[0] <= machine.cycle)
        return Recording(machine.description.name, machine.fingerprint, machine.cycle, taken)


def read_recording(path: Path) -> Recording:
    """Read a recording; every field is checked.

    Raises:
        SimkitError: no such file, too large, damaged, or of another format or version.
    """
    try:
        content = json.loads(read_text(path, MAX_FILE_BYTES, "recording", longest_line=None))
    except FileNotFoundError as error:
        raise SimkitError(f"There is no recording {path}.", remedy=REMEDY) from error
    except (ValueError, RecursionError) as error:
        raise _damaged(path, "it is not JSON") from error
    if not isinstance(content, dict) or content.get("format") != FORMAT:
        raise SimkitError("The file is no recording.", file=str(path), remedy=REMEDY)
    if content.get("version") != VERSION:
        raise SimkitError(
            f"The recording has format version {content.get('version')!r}; this kit reads version {VERSION}.",
            file=str(path),
            remedy="Record it again with this kit.",
        )
    name, end, events = (content.get(key) for key in ("machine", "end", "events"))
    if not (isinstance(name, str) and isinstance(end, int) and isinstance(events, list)):
        raise _damaged(path, "machine, end or events is missing or of the wrong kind")
    try:
        fingerprint = Fingerprint.from_data(content.get("fingerprint"))
    except ValueError as error:
        raise _damaged(path, f"of which machine it is: {error}") from error
    if len(events) > MAX_EVENTS:
        what = f"The recording holds {len(events)} events; {MAX_EVENTS} are allowed."
        raise SimkitError(what, file=str(path), remedy=REMEDY)
    found: list[OutsideEvent] = []
    for number, event in enumerate(events, start=1):
        checked = _event(event)
        if checked is None or (found and checked[0] < found[-1][0]):
            raise _damaged(path, f"event number {number} is {str(event)[:60]}")
        found.append(checked)
    return Recording(name, fingerprint, end, tuple(found))


def _damaged(path: Path, what: str) -> SimkitError:
    return SimkitError(f"The recording is damaged: {what}.", file=str(path), remedy="Record it again.")


def _is_cycle(value: object) -> bool:
    return isinstance(value, int) and not isinstance(value, bool) and 0 <= value <= MAX_CYCLE


def _event(event: object) -> OutsideEvent | None:
    if not (isinstance(event, list) and len(event) == 5):
        return None
    cycle, slot, port, action, arguments = event
    if not (_is_cycle(cycle) and isinstance(slot, int) and isinstance(port, str) and isinstance(action, str)):
        return None
    if not (isinstance(arguments, list) and len(arguments) <= MAX_ARGUMENTS):
        return None
    if not all(isinstance(argument, str | int) for argument in arguments):
        return None
    return cycle, slot, port, action, tuple(arguments)
