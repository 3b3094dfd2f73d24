"""One run of a machine from the command line: what it plays, what it records, and how it ends."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import attrs
import typer

from simkit.commands import exits
from simkit.commands.ending import Ending
from simkit.commands.say import say
from simkit.contract.plain import plain
from simkit.machine.again import Again

if TYPE_CHECKING:
    from simkit.commands.script import Script
    from simkit.machine.machine import Machine
    from simkit.outside.journal import Journal
    from simkit.outside.player import Player


@attrs.define
class TapedRun:
    """What goes on.

    Attributes:
        ending: whether somebody asked for the end.
        player: plays a recording, or None.
        journal: records the run, or None.
        again: what is needed to run it again from power-on.
    """

    ending: Ending
    _machine: Machine
    again: Again
    player: Player | None = None
    journal: Journal | None = None
    _last: Machine | None = None

    @property
    def machine(self) -> Machine:
        """The machine as it is now; a recording may load it anew, or changed files."""
        if self._last is not None:
            return self._last
        return self.player.machine if self.player is not None else self._machine

    def go_on_with(self, machine: Machine) -> None:
        """That one was the last, whatever was played before."""
        self._last = machine

    def close(self) -> None:
        """End the recording that is written; a second time does nothing."""
        if self.journal is not None and not self.journal.ended:
            self.journal.close()
            if self.journal.problem is None:
                note(f"Recorded: {plain(self.journal.path)}")

    def as_dict(self) -> dict[str, Any]:
        """For --json, of a run that is closed: what was recorded and what was played."""
        journal, player = self.journal, self.player
        recorded = {"file": str(journal.path), "problem": journal.problem} if journal is not None else None
        played = None
        if player is not None:
            played = player.recording.as_dict() | {
                "notes": player.notes,
                "played_cycles": player.played,
                "ended": player.ended,
                "compared": player.compared,
                "difference": player.difference.as_dict() if player.difference is not None else None,
            }
        return {"recorded": recorded, "replayed": played}

    def lines(self) -> list[str]:
        """For people: how the replay went."""
        player = self.player
        if player is None:
            return []
        told = []
        if player.difference is not None:
            told.append(player.difference.words())
        elif player.compared:
            often = "one place" if player.compared == 1 else f"{player.compared} places"
            told.append(f"Replayed as it was recorded: compared at {often}.")
        if not player.ended:
            told.append("The recording was not played to its end.")
        return told

    def leave(self, *, usually: int | None = None) -> None:
        """Leave with the exit code of what went wrong, gravest first.

        Args:
            usually: a signal that is the usual way to end the run, and no reason for an exit code.

        Raises:
            typer.Exit: something did.
        """
        if self.ending.number != usually:
            self.ending.leave()
        if self.journal is not None and self.journal.problem is not None:  # the recording is not of the whole run
            raise typer.Exit(exits.INPUT_OUTPUT if self.journal.failure is not None else exits.FOUND)
        if self.player is not None and self.player.difference is not None:
            raise typer.Exit(exits.FOUND)


@contextlib.contextmanager
def taped_run(
    machine: Machine, script: Script, *, record: Path | None, replay: Path | None, force: bool = False
) -> Iterator[TapedRun]:
    """Begin to play and to record; whatever ends the run, the recording is ended with it.

    Args:
        machine: just loaded.
        script: what is typed and held on it.
        record: file to write, opened at once.
        replay: file to play.
        force: write over a recording that is there.

    Raises:
        SimkitError: a file is wrong, or cannot be read or written.
    """
    with Ending() as ending:
        found = TapedRun(ending, machine, Again(machine))
        if replay is not None:
            found.player = start_replay(machine, replay, script)
        if record is not None:
            from simkit.outside.journal import Journal

            found.journal = Journal(machine, record, force=force, tell=lambda text: note(f"Note: {text}"))
            note(*map(plain, found.journal.written.notes()))
        try:
            yield found
        finally:
            found.close()


def start_replay(machine: Machine, path: Path, script: Script) -> Player:
    """Read a recording and make ready to play it, besides the input of the command line, which is queued.

    Tells what is different from the recorded machine.
    """
    from simkit.outside.player import Player
    from simkit.outside.recording import read_recording

    player = Player(machine, read_recording(path))
    script.tell = player.other_input
    for text in player.notes:
        note(f"Note: {text}")
    return player


def note(*texts: str) -> None:
    """Tell people something beside the result; where nobody is there any more nobody is told."""
    lines = [line for text in texts for line in text.splitlines()]
    if lines:
        with contextlib.suppress(OSError, ValueError):
            say(*lines, error=True, flush=True)
