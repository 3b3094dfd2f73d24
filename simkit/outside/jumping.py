"""Places of a recording from which a replay can go on without all that comes before: states, and what is left."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from typing import Any

import attrs

from simkit.outside.entries import OPENS_POWER_ON, Entry, Place
from simkit.outside.recording import Recording, Way

_INPUT = ("input", "reset")


@attrs.frozen
class Stored:
    """A state of the machine on the way through a recording.

    Attributes:
        at: where it was taken, between two instructions, with all done that the recording says up to there.
        cycles: machine time up to there, of all power-ons together.
        data: the state, as `Machine.save_state` gives it.
    """

    at: Place
    cycles: int
    data: bytes = attrs.field(repr=False)


@attrs.define
class Rest:
    """What is left of a recording behind a place.

    Attributes:
        entries: still to come.
        cycles: machine time up to the place, of all power-ons together.
        chapter: name of the last chapter before it, or None.
        held: input that has pressed something which nothing has released, in order.
        loaded: entries before it that load the machine anew.
    """

    entries: Iterator[Entry]
    cycles: int = 0
    chapter: str | None = None
    held: dict[tuple[int, str, tuple[Any, ...]], None] = attrs.field(factory=dict)
    loaded: list[Entry] = attrs.field(factory=list)


def rest_behind(recording: Recording, at: Place) -> Rest:
    """What is left behind a place at which all was done up to it; input of its own cycle is still to come."""
    entries = recording.entries()
    way = Way(recording.header.clock)
    found = Rest(iter(()))
    for entry in entries:
        if _is_behind(entry, at):
            found.entries = _with_first(entry, entries)
            break
        way.go(entry)
        _note(found, entry)
    found.cycles = way.cycles + at.cycle - way.now.cycle
    return found


def _is_behind(entry: Entry, at: Place) -> bool:
    if entry.at.power_on != at.power_on:
        return entry.at.power_on > at.power_on
    return entry.at.cycle >= at.cycle if entry.kind in _INPUT else entry.at.cycle > at.cycle


def _with_first(first: Entry, rest: Iterator[Entry]) -> Iterator[Entry]:
    yield first
    yield from rest


def _note(found: Rest, entry: Entry) -> None:
    fields = entry.fields
    if entry.kind == "chapter":
        found.chapter = fields["name"]
    elif entry.kind == "input":
        key = fields["slot"], fields["port"], fields["arguments"]
        if fields["action"] == "press":
            found.held[key] = None
        elif fields["action"] == "release":
            found.held.pop(key, None)
    if entry.kind == "reload":
        found.loaded.append(entry)
    if entry.kind in OPENS_POWER_ON:
        found.held.clear()


def stored_states(recording: Recording, states: Mapping[Place, bytes] | Iterable[tuple[Place, bytes]]) -> list[Stored]:
    """States by their places, with how far each is into the recording; in order."""
    given = dict(states)
    found: list[Stored] = []
    places = iter(sorted(given))
    at = next(places, None)
    way = Way(recording.header.clock)
    for entry in (*recording.entries(), None):
        while at is not None and (entry is None or _is_behind(entry, at)):
            found.append(Stored(at, way.cycles + at.cycle - way.now.cycle, given[at]))
            at = next(places, None)
        if at is None or entry is None:
            break
        way.go(entry)
    return found
