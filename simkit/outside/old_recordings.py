"""Recordings of the versions 1 and 2: one JSON object with the input of one power-on, and no hashes.

Version 2 holds format, version, machine (name), fingerprint, end (cycle) and events as [cycle, slot, port, action,
[arguments]], soonest first; version 1 in place of the fingerprint an identity, one hash of the whole machine that was
worked out in another way than today and says nothing any more.
"""

from __future__ import annotations

from typing import Any

import attrs

from simkit.backplane.agenda import OUTSIDE_MACHINE
from simkit.contract.shapes import Shape, StateError, many, record, row, whole
from simkit.outside.entries import CYCLE, FINGERPRINT, MAX_PARTS, SHAPES, SLOT, TEXT, Entry, Place

FORMAT = "simkit-recording"
OLD_VERSIONS = (1, 2)
MAX_EVENTS = 1_000_000
MAX_FILE_BYTES = 16_000_000
MAX_END = 1 << 44
"""Cycle in which an old recording may end: 100 days at 2 MHz."""
_HEAD_BYTES = 1000

_EVENT = row(CYCLE, SLOT, TEXT, TEXT, SHAPES["input"]["arguments"])
_FIELDS = {"machine": TEXT, "end": whole(0, MAX_END), "events": many(_EVENT)}
_IDENTITY = {1: ("identity", TEXT), 2: ("fingerprint", FINGERPRINT)}


@attrs.frozen
class OldRecording:
    """The object of an old recording.

    Attributes:
        version: of its format.
        data: all of it.
    """

    version: int
    data: dict[str, Any]

    @classmethod
    def of(cls, data: dict[str, Any] | None) -> OldRecording | None:
        """The old recording that an object is, if it is one."""
        if data is None or data.get("format") != FORMAT:
            return None
        version = data.get("version")
        return cls(version, data) if type(version) is int and version in OLD_VERSIONS else None

    def checked(self) -> tuple[dict[str, Any], list[Entry]]:
        """Fields for a header, and the entries.

        Raises:
            StateError: a field is missing or not what it should be.
        """
        name, shape = _IDENTITY[self.version]
        shapes: dict[str, Shape] = {**_FIELDS, name: shape}
        given = {key: value for key, value in self.data.items() if key not in ("format", "version")}
        events = given.get("events")
        if isinstance(events, list) and len(events) > MAX_EVENTS:
            raise StateError("events", f"has {len(events)} entries; {MAX_EVENTS} are allowed")
        found = record(**shapes).take(given)
        entries = [_entry(*event) for event in found["events"]]
        entries.append(Entry("end", Place(1, found["end"]), {"why": None}))
        return {"machine": found["machine"], "fingerprint": found.get("fingerprint")}, entries


def may_be_old(content: bytes) -> bool:
    """Whether it is worth while to take a file apart as one JSON object: a recording names itself at its beginning."""
    return (
        len(content) <= MAX_FILE_BYTES
        and FORMAT.encode() in content[:_HEAD_BYTES]
        and content.count(b"[") + content.count(b"{") <= 2 * MAX_EVENTS + MAX_PARTS
    )


def _entry(cycle: int, slot: int, port: str, action: str, arguments: tuple[Any, ...]) -> Entry:
    at = Place(1, cycle)
    if slot == OUTSIDE_MACHINE and action == "reset" and len(arguments) == 1 and isinstance(arguments[0], bool):
        return Entry("reset", at, {"asserted": arguments[0]})
    return Entry("input", at, {"slot": slot, "port": port, "action": action, "arguments": arguments})
