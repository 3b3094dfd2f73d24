"""Recordings of a kit on the page: one of them is played, or none; and what the visitor does is recorded."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from simkit.contract.errors import SimkitError
from simkit.contract.plain import plain
from simkit.files.bounded import read_bounded
from simkit.hands.tape import Tape
from simkit.machine.machine import Machine
from simkit.outside.entries import Place
from simkit.outside.journal import Journal, record
from simkit.outside.jumping import Stored, stored_states
from simkit.outside.player import Player
from simkit.outside.recording import MAX_FILE_BYTES, Recording, read_recording


class Tapes:
    """The recordings.

    Args:
        folder: of the unpacked kit.
        recordings: a `file` in the folder and `states`, as ((power-on, cycle), file), each.
        own: file in which what happens is recorded.
    """

    def __init__(self, folder: Path, recordings: Sequence[Mapping[str, Any]], own: Path) -> None:
        self._folder = folder
        self._known = tuple(recordings)
        self._player: Player | None = None
        self._tape = Tape()
        self._number = 0
        self._own = own
        self._journal: Journal | None = None

    @property
    def playing(self) -> bool:
        """Whether the machine does what a recording says."""
        return self._tape.playing

    def run(self, machine: Machine, cycles: int) -> tuple[Machine, int]:
        """As `Tape.run`."""
        return self._tape.run(machine, cycles)

    def begin_with(self, machine: Machine) -> None:
        """Another machine takes the place: no recording is played, and what happens to it is recorded."""
        self._tape, self._player = Tape(), None
        self._record(machine)

    def _record(self, machine: Machine) -> None:
        if self._journal is not None:
            self._journal.close()
        self._journal = record(machine, self._own, force=True)

    def so_far(self) -> bytes:
        """What has happened since the machine was switched on, as a recording."""
        assert self._journal is not None
        return self._journal.so_far()

    def let_go(self) -> None:
        """Play no more; what the recording has left pressed comes up."""
        self._tape.let_go()

    def play(self, number: int, machine: Machine, *, chapter: int | None = None, seconds: float = 0) -> Machine:
        """Play a recording from a chapter of it on, or from a time in it.

        Args:
            number: of the recording, from 0.
            machine: just switched on.
            chapter: number of it, from 0; None: by its time.
            seconds: of machine time in it.

        Returns:
            The machine that it is then.

        Raises:
            SimkitError: there is no such recording or chapter, or it cannot be played.
        """
        if not 0 <= number < len(self._known):
            raise SimkitError(f"There is no recording {number + 1}; there are {len(self._known)}.")
        known = self._known[number]
        recording = read_recording(self._folder / known["file"])
        if chapter is not None and not 0 <= chapter < len(recording.chapters):
            raise SimkitError(f"There is no chapter {chapter + 1}; there are {len(recording.chapters)}.")
        self._record(machine)
        player = Player(machine, recording)
        cycles = int(seconds * machine.clock_hz) if chapter is None else recording.chapters[chapter].cycles
        player.jump(min(max(cycles, 0), recording.cycles), self._states(recording, known))
        self._player, self._tape, self._number = player, Tape(player=player), number
        return player.machine

    def _states(self, recording: Recording, known: Mapping[str, Any]) -> list[Stored]:
        """States that the kit has of a recording."""
        states = {
            Place(*at): read_bounded(self._folder / name, MAX_FILE_BYTES, "state")
            for at, name in known.get("states", ())
        }
        return stored_states(recording, states)

    def state(self) -> dict[str, Any] | None:
        """What is played, how far it has come, and what came up since this was asked last; None: nothing is."""
        player = self._player
        if player is None:
            return None
        hz = float(player.machine.clock_hz)
        return {
            "recording": self._number,
            "playing": self._tape.playing,
            "seconds": player.played / hz,
            "length": player.recording.cycles / hz,
            "news": plain(self._tape.news()),
            "compared": player.compared,
            "difference": plain(player.difference.words()) if player.difference is not None else "",
            "notes": [plain(note) for note in player.notes],
        }
