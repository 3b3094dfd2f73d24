"""Playing a recording: the same history again, on a machine just switched on.

    played = replay(machine, "evening.rec", chapter="Level 2")
    played.machine.run(frames=10)

A replay is true or says where it is not: the machine's state is compared wherever the recording holds a hash of it. An
old recording played to a new build of the ROM is not compared; what is different is told instead.
"""

from __future__ import annotations

from collections.abc import Container, Sequence
from pathlib import Path
from typing import Any

import attrs

from simkit.backplane.agenda import OUTSIDE_MACHINE
from simkit.contract.errors import CardError, SimkitError
from simkit.machine.fingerprint import Fingerprint
from simkit.machine.machine import Machine
from simkit.machine.snapshot import VERSION as STATE_VERSION
from simkit.outside.contents import with_programs
from simkit.outside.entries import OPENS_POWER_ON, Entry, Place
from simkit.outside.jumping import Rest, Stored, rest_behind
from simkit.outside.recording import Recording, read_recording

_ANYWHERE = OPENS_POWER_ON | {"hash", "end"}
"""Entries that may lie where no instruction ends: what comes is as if nothing had been, or a comparison tells more."""


_KNOWN = 10_000
"""Inputs that are asked about once only."""


class ReplayError(SimkitError):
    """The replay is not what was recorded."""


@attrs.frozen
class Difference:
    """Where a replay first was not what was recorded.

    Attributes:
        at: the place of the recording.
        cycle: in which the machine stood; another than the place's when no instruction ended there.
        parts: what was different: "cpu", "bus", "findings", "slot 4".
        since: the last place before at which all was the same; None when there is none.
    """

    at: Place
    cycle: int
    parts: tuple[str, ...]
    since: Place | None

    def words(self) -> str:
        """In a sentence."""
        since = f" It was the same up to {self.since}." if self.since is not None else ""
        found = []
        if self.cycle != self.at.cycle:
            found.append(f"the machine stands in cycle {self.cycle}")
        if self.parts:
            found.append(f"these differ: {', '.join(self.parts)}")
        return f"The replay is not what was recorded: at {self.at} {', and '.join(found)}.{since}"

    def as_dict(self) -> dict[str, Any]:
        """For --json."""
        since = attrs.asdict(self.since) if self.since is not None else None
        return {"at": attrs.asdict(self.at), "cycle": self.cycle, "parts": list(self.parts), "since": since}


class Player:
    """Plays a recording piece by piece.

    Args:
        machine: just switched on; input queued on it already comes besides what the recording holds.
        recording: to play.

    Attributes:
        machine: as it is now; another object where the recording loads it anew.
        recording: that is played.
        notes: what is different from the recorded machine, and other remarks, in sentences.
        difference: where the replay first was not what was recorded, or None.
        compared: how many places were compared.
        chapter: name of the last chapter that was reached, or None.
        played: machine time played, in cycles, of all power-ons together.
        ended: whether all was played.

    Raises:
        SimkitError: the machine has run already, or nothing on it takes what the recording holds.
    """

    def __init__(self, machine: Machine, recording: Recording) -> None:
        if machine.cycle != 0:
            raise SimkitError(
                f"A recording is played from power-on; the machine stands in cycle {machine.cycle}.",
                remedy="Give it a machine just loaded, or call power_cycle() before.",
            )
        self.machine = machine
        self.recording = recording
        self.notes: list[str] = []
        self.difference: Difference | None = None
        self.compared = 0
        self.chapter: str | None = None
        self.played = 0
        self.ended = False
        self._first = machine.description, machine.images()
        self._comparable = recording.header.state_version in (STATE_VERSION, None)
        if not self._comparable:
            self.notes.append(
                f"The recording holds hashes of states of version {recording.header.state_version}, and this kit makes "
                f"version {STATE_VERSION}: nothing can be compared."
            )
        self._same = self._is_recorded(recording.header.fingerprint, 1)
        self._last_same: Place | None = None
        self._held: dict[tuple[int, str, tuple[Any, ...]], None] = {}
        self._check()
        self._own_from: int | None = None
        pending = machine.bus.agenda.pending_outside()
        if pending:
            self.other_input(pending[0][0])
        self.notes += recording.words()
        self._entries = recording.entries()
        self._next: Entry | None = None
        self._look_ahead()

    def other_input(self, cycle: int) -> None:
        """Input besides that of the recording comes from that cycle on."""
        if self._own_from is None and self._same:
            self.notes.append(
                f"Input besides that of the recording comes from cycle {cycle} on: from there on nothing is compared."
            )
        self._own_from = cycle if self._own_from is None else min(cycle, self._own_from)

    # before anything happens ------------------------------------------------------------------------------------------

    def _is_recorded(self, then: Fingerprint | None, power_on: int) -> bool:
        """Whether the machine is the one that was recorded; if not, it is noted how it differs."""
        if then is None:
            self.notes.append(
                f"The recording was taken of {self.recording.header.machine!r}; its format version does not say more, "
                "so that nothing can be compared."
            )
            return False
        return self._differences(then, self.machine.fingerprint, power_on) == []

    def _differences(self, then: Fingerprint, now: Fingerprint, power_on: int) -> list[str]:
        since = f" from power-on {power_on} on" if power_on > 1 else ""
        found = then.other_models(now)
        parts = then.other_parts(now)
        if parts:
            found.append(
                f"The recording was taken of {self.recording.header.machine!r}. These differ{since}: "
                f"{', '.join(parts)}; the input is the same, what the program makes of it may differ."
            )
        self.notes += [note for note in found if note not in self.notes]
        return found

    def _check(self) -> None:
        """Refuse what cannot be played before anything is."""
        known: set[tuple[Any, ...]] = set()
        bus, sockets, description = self.machine.bus, set(self.machine.images()), self.machine.description
        then, now = self.recording.header.fingerprint, self.machine.fingerprint
        for entry in self.recording.entries():
            fields = entry.fields
            if entry.kind == "input":
                event = (fields["slot"], fields["port"], fields["action"], fields["arguments"])
                if event not in known and not bus.agenda.takes(*event):
                    slot, port, action, _ = event
                    raise self._refused(
                        f"holds the input {action!r} at the port {port!r} of slot {slot}, which nothing on this "
                        "machine takes",
                        entry.at,
                    )
                if len(known) < _KNOWN:
                    known.add(event)
            elif entry.kind == "reload":
                if set(fields["images"]) != sockets:
                    raise self._refused("loads images into other sockets than this machine has", entry.at)
                then = fields["fingerprint"]
                description = with_programs(description, fields)
                now = Fingerprint.of(description, fields["images"])
            elif entry.kind == "state loaded" and then is not None:
                differ = ", ".join([*then.other_parts(now), *then.other_models(now)])
                if differ:
                    what = f"loads a state, which only the recorded machine takes (these differ: {differ})"
                    raise self._refused(what, entry.at)

    def _refused(self, what: str, at: Place) -> SimkitError:
        return SimkitError(
            f"The recording {what} ({at}).",
            file=str(self.recording.path),
            remedy=f"It was taken of the machine {self.recording.header.machine!r}; play it to that one.",
        )

    # playing ----------------------------------------------------------------------------------------------------------

    def run(self, cycles: int, *, before: Container[str] = ()) -> int:
        """Go on for so many cycles at least, or to the end of the recording.

        Args:
            cycles: of machine time.
            before: kinds of entries at whose place to stop before they are done; `step` does them.

        Returns:
            The cycles played: fewer when the recording has ended, an entry is waited for, or somebody who waited for a
            moment has ended the run.

        Raises:
            SimkitError: the machine cannot do what the recording says; says where.
            CardError: a card failed.
        """
        target = self.played + cycles
        first = self.played
        while self._next is not None:
            if self._next.at.cycle <= self.machine.cycle:
                if self._next.kind in before:
                    break
                self.step()
            elif self.played < target:
                wanted = min(target - self.played, self._next.at.cycle - self.machine.cycle)
                if self._run(wanted) < wanted and self.machine.cpu.halted is None:
                    break  # somebody has ended the run: `Machine.end_run_at`
            else:
                break
        return self.played - first

    @property
    def place(self) -> Place:
        """Where in the recording the machine stands."""
        return self.recording.end if self._next is None else Place(self._next.at.power_on, self.machine.cycle)

    @property
    def due(self) -> Entry | None:
        """The entry at whose place the machine stands, if there is one."""
        entry = self._next
        return entry if entry is not None and entry.at.cycle <= self.machine.cycle else None

    def step(self) -> Entry | None:
        """Go to the next place at which something else than input comes, and do what the recording says; gives that."""
        entry = self._next
        if entry is None:
            return None
        while self.machine.cycle < entry.at.cycle:
            self._run(entry.at.cycle - self.machine.cycle)
        try:
            self._do(entry)
        except CardError:
            raise
        except SimkitError as error:
            raise ReplayError(
                f"The recording cannot be played beyond {entry.at}: {error.message}",
                file=str(self.recording.path),
                remedy=error.remedy,
            ) from error
        self._look_ahead()
        return entry

    def jump(self, cycles: int, states: Sequence[Stored] = ()) -> None:
        """Go to a place of the recording, forward or back: from where it is, the last state before it, or power-on.

        What the machine is then is what it is when all is played up to there. Differences are looked for anew from
        there on; hashes on the way are compared.

        Args:
            cycles: machine time up to there, of all power-ons together.
            states: taken on the way through this recording, as `stored_states` gives them, in order.

        Raises:
            SimkitError: the machine cannot do what the recording says; says where.
            CardError: a card failed.
        """
        before = [state for state in states if state.cycles <= cycles]
        best = before[-1] if before and self._same_as_recorded else None
        is_ahead = self.played > cycles or self.ended
        if best is not None and (is_ahead or best.cycles > self.played):
            self._go_on_from(best)
        elif is_ahead:
            self._begin_anew()
        self.run(cycles - self.played)

    @property
    def _same_as_recorded(self) -> bool:
        """Whether the machine that was recorded is the one that was given: another takes no state of it."""
        then = self.recording.header.fingerprint
        now = Fingerprint.of(*self._first)
        return then is not None and self._comparable and not then.other_parts(now) and not then.other_models(now)

    def _begin_anew(self) -> None:
        """The recording from its beginning."""
        self._take_place(self._as_given())
        self._same = self._is_recorded(self.recording.header.fingerprint, 1)
        self.machine.power_cycle()
        self._set_out(Rest(self.recording.entries()))

    def _go_on_from(self, state: Stored) -> None:
        """The recording from a state on."""
        rest = rest_behind(self.recording, state.at)
        if rest.loaded:
            description = self._first[0]
            for entry in rest.loaded:
                description = with_programs(description, entry.fields)
            self._take_place(Machine(description, rest.loaded[-1].fields["images"], engine=self.machine.engine))
        else:
            self._take_place(self._as_given())
            self.machine.power_cycle()  # which takes back what was done to a ROM by hand
        self.machine.load_state(state.data)
        self._same = True
        self._set_out(rest)

    def _as_given(self) -> Machine:
        """The machine that was given, or its like where another one has taken its place."""
        description, images = self._first
        if self.machine.description is description:
            return self.machine
        return Machine(description, images, engine=self.machine.engine)

    def _take_place(self, machine: Machine) -> None:
        """A machine takes the place of the one before."""
        before = self.machine
        if machine is before:
            return
        self.machine = machine
        if machine.images() == before.images() and machine.description.parts() == before.description.parts():
            machine.named_as(before)
        for history in tuple(before.histories):  # somebody records what is played
            history.go_on_with(machine)

    def _set_out(self, rest: Rest) -> None:
        """Play what is left, from where the machine stands."""
        self._anew()
        self.ended = False
        self.difference = self._last_same = None
        self.chapter, self.played = rest.chapter, rest.cycles
        self._held.update(rest.held)
        self._entries = rest.entries
        self._look_ahead()

    def stop(self) -> None:
        """Play no more; input that would have come is dropped."""
        self.machine.bus.agenda.forget_outside()
        self._next = None
        self.ended = True

    def let_go(self) -> None:
        """What the recording has left pressed comes up now: nobody else knows of it."""
        for slot, port, arguments in tuple(self._held):
            self.machine.outside(slot, port, "release", *arguments)
        self._held.clear()

    def _run(self, cycles: int) -> int:
        machine = self.machine
        before = machine.cycle
        try:
            machine.run(cycles=cycles)
        except CardError:
            # It failed when it was recorded, too: what comes next makes the machine anew.
            expected = self._next
            if expected is None or expected.kind not in OPENS_POWER_ON or expected.at.cycle != machine.cycle:
                raise
        self.played += machine.cycle - before
        return machine.cycle - before

    def _look_ahead(self) -> None:
        """Queue the input up to the next entry of another kind."""
        entry: Entry | None
        for entry in self._entries:
            if entry.kind == "input":
                self._queue_input(entry)
            elif entry.kind == "reset":
                held = entry.fields["asserted"]
                self.machine.outside(OUTSIDE_MACHINE, "machine", "reset", held, at=entry.at.cycle)
            else:
                self._next = entry
                return
        # Cut off: the place that it came to stands for the end.
        end = self.recording.end
        beyond = self._next is not None and self._next.kind == "end"
        self._next = None if self.ended or beyond else Entry("end", end, {"why": None})

    def _queue_input(self, entry: Entry) -> None:
        slot, port, action, arguments = (entry.fields[name] for name in ("slot", "port", "action", "arguments"))
        self.machine.outside(slot, port, action, *arguments, at=entry.at.cycle)
        if action == "press":
            self._held[slot, port, arguments] = None
        elif action == "release":
            self._held.pop((slot, port, arguments), None)

    def _do(self, entry: Entry) -> None:
        machine, fields = self.machine, entry.fields
        if machine.cycle != entry.at.cycle and entry.kind not in _ANYWHERE:
            self._differs(entry.at, ())
        match entry.kind:
            case "power":
                machine.power_cycle()
                self._anew()
            case "reload":
                self._load_anew(entry)
            case "state poke":
                machine.poke(fields["address"], fields["value"])
            case "state registers":
                for name, value in fields["registers"].items():
                    setattr(machine.cpu, name, value)
            case "state loaded":
                machine.load_state(fields["data"])
                if machine.cycle != fields["cycle"]:
                    raise SimkitError(f"its state is of cycle {machine.cycle} and not {fields['cycle']}.")
                self._anew()
            case "hash":
                self._compare(entry)
            case "chapter":
                self.chapter = fields["name"]
            case "end":
                self.ended = True

    def _anew(self) -> None:
        """A power-on begins: input comes from the recording alone."""
        self.machine.bus.agenda.forget_outside()
        self._own_from = None
        self._held.clear()

    def _load_anew(self, entry: Entry) -> None:
        description = with_programs(self.machine.description, entry.fields)
        self._take_place(Machine(description, entry.fields["images"], engine=self.machine.engine))
        self._same = not self._differences(entry.fields["fingerprint"], self.machine.fingerprint, entry.at.power_on + 1)
        self._anew()

    def _compare(self, entry: Entry) -> None:
        machine = self.machine
        own = self._own_from is not None and entry.at.cycle > self._own_from
        if not self._same or not self._comparable or own or self.difference is not None:
            return
        then, now = entry.fields["parts"], machine.state_hashes()
        parts = tuple(name for name in sorted({*then, *now}) if then.get(name) != now.get(name))
        self.compared += 1
        if parts:
            self._differs(entry.at, parts)
        else:
            self._last_same = entry.at

    def _differs(self, at: Place, parts: tuple[str, ...]) -> None:
        own = self._own_from is not None and at.cycle > self._own_from
        if self._same and not own and self.difference is None:
            self.difference = Difference(at, self.machine.cycle, parts, self._last_same)


def replay(machine: Machine, path: str | Path, *, chapter: str | None = None) -> Player:
    """Have a machine go through a recording again.

    Args:
        machine: just switched on.
        path: of the recording.
        chapter: name of a place at which to stop; None plays all.

    Returns:
        The player: its `machine` is the one that was loaded last where the recording loads it anew, its `notes` say
        what is different from the recorded machine.

    Raises:
        ReplayError: the machine is the recorded one, but does not do what it did then; it stands where that showed.
        SimkitError: the recording cannot be read, is damaged, or is none of this machine; or has no such chapter.
    """
    recording = read_recording(path)
    if chapter is not None:
        recording.chapter(chapter)
    player = Player(machine, recording)
    while (entry := player.step()) is not None:
        if player.difference is not None:
            player.stop()
            raise ReplayError(player.difference.words(), file=str(path))
        if entry.kind == "chapter" and entry.fields["name"] == chapter:
            player.stop()
    return player
