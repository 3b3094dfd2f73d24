"""What a front records and plays, and whether somebody outside asks for its end."""

from __future__ import annotations

from collections.abc import Callable

from simkit.machine.machine import Machine
from simkit.outside.journal import Journal
from simkit.outside.player import Player


class Tape:
    """A recording that is written, one that is played, both, or none.

    Args:
        journal: records what happens, or None.
        player: plays a recording before the person does, or None.
        asked_to_end: whether the run is to end; asked each time round the loop.

    Attributes:
        playing: whether the machine does what a recording says; the person's hands wait.
    """

    def __init__(
        self,
        journal: Journal | None = None,
        player: Player | None = None,
        asked_to_end: Callable[[], bool] = lambda: False,
    ) -> None:
        self.journal = journal
        self.asked_to_end = asked_to_end
        self.playing = player is not None
        self._player = player
        self._told: tuple[str | None, bool] = (None, False)

    @property
    def recording(self) -> bool:
        """Whether what happens is written down."""
        return self.journal is not None and not self.journal.ended

    def run(self, machine: Machine, cycles: int) -> tuple[Machine, int]:
        """Run the machine as the recording says, or as it is.

        Returns:
            The machine that it is then, and the cycles it ran; they are not those between its two cycle numbers where
            it was switched off and on.
        """
        player = self._player
        if player is None or not self.playing:
            before = machine.cycle
            machine.run(cycles=cycles)
            return machine, machine.cycle - before
        ran = player.run(cycles)
        if player.ended:
            self.let_go()
        return player.machine, ran

    def let_go(self) -> None:
        """Play no more; what the recording has left pressed comes up."""
        if self._player is not None and self.playing:
            if not self._player.ended:
                self._player.stop()
            self._player.let_go()
            self.playing = False

    def loaded_anew(self, machine: Machine) -> None:
        """Another machine goes on in the place of the one before."""
        if self.journal is not None:
            self.journal.go_on_with(machine)

    def words(self) -> str:
        """What goes on, for the title; empty when nothing does."""
        player = self._player
        if player is not None and self.playing:
            hz = float(player.machine.clock_hz)
            return f"replaying, {player.played / hz:.0f} s of {player.recording.cycles / hz:.0f} s"
        return "recording" if self.recording else ""

    def greeting(self, bar_key: str) -> str:
        """What is told when a recording begins to be played."""
        name = self._player.recording.path.name if self._player is not None else ""
        return (
            f"Replaying {name}. Keys and pads wait until it ends; the bar, where you can take over before, opens with "
            f"{bar_key}."
        )

    def news(self) -> str:
        """What has come up since the last time this was asked: a chapter, a difference; empty when nothing has."""
        player = self._player
        if player is None:
            return ""
        before, self._told = self._told, (player.chapter, player.difference is not None)
        if player.difference is not None and not before[1]:
            return player.difference.words()
        return f"Chapter: {player.chapter}" if player.chapter is not None and player.chapter != before[0] else ""

    def remarks(self) -> list[str]:
        """What is to be told when the recording has ended, in sentences."""
        player = self._player
        return [player.difference.words()] if player is not None and player.difference is not None else []
