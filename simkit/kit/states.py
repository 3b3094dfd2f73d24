"""States on the way through a recording, from which a replay can jump."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence

from simkit.machine.machine import Machine
from simkit.machine.snapshot import SnapshotError
from simkit.outside.entries import Place
from simkit.outside.player import Player
from simkit.outside.recording import Recording

SECONDS = 20
"""Machine time between two states, where a recording is short enough; a browser plays it in about a second."""
MOST_STATES = 60
"""In a longer recording they lie farther apart."""
MOST_BYTES = 1_000_000
"""Of the states of a recording in a kit: memory just switched on is noise, which nothing makes small."""


def states_on_the_way(
    machine: Machine,
    recording: Recording,
    *,
    seconds: float = SECONDS,
    goes_on: Callable[[float], bool] = lambda part: True,
) -> Iterator[tuple[Place, bytes]]:
    """Play a recording and take the states.

    Args:
        machine: just switched on.
        recording: of it.
        seconds: machine time between two states.
        goes_on: told how much is done, 0 to 1; False ends it.

    Raises:
        SimkitError: the recording cannot be played.
    """
    player = Player(machine, recording)
    every = max(int(seconds * machine.clock_hz), recording.cycles // MOST_STATES, 1)
    beside: Machine | None = None
    for cycles in range(every, recording.cycles, every):
        if not goes_on(cycles / max(1, recording.cycles)):
            return
        player.run(cycles - player.played)
        if player.ended or player.difference is not None:
            return
        now = player.machine
        if beside is None or beside.fingerprint != now.fingerprint:
            beside = Machine(now.description, now.images(), engine=now.engine)
        state = now.save_state()
        try:
            beside.load_state(state)
        except SnapshotError:
            continue  # a ROM was changed by hand, which no state tells
        yield player.place, state


def few(states: Sequence[tuple[Place, bytes]], most_bytes: int = MOST_BYTES) -> list[tuple[Place, bytes]]:
    """As many of the states, as evenly spread, as have room in so many bytes."""
    step = 1
    while sum(len(data) for _, data in states[step - 1 :: step]) > most_bytes:
        step += 1
    return list(states[step - 1 :: step])
