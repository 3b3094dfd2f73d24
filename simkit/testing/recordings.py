"""Recordings as tests: each is played on the machine of the tests, and must be what was recorded."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest


class RecordingFile(pytest.File):
    """A file with a recording: one test."""

    def collect(self) -> Iterator[RecordingItem]:
        """The test."""
        yield RecordingItem.from_parent(self, name="replay")


class RecordingItem(pytest.Item):
    """Plays a recording and compares the machine wherever it holds a hash."""

    def runtest(self) -> None:
        """Play it.

        Raises:
            ReplayError: the machine does not do what it did.
            SimkitError: the recording cannot be played, or nothing of it can be compared.
        """
        from simkit.contract.errors import SimkitError
        from simkit.machine.machine import Machine
        from simkit.outside.player import replay
        from simkit.testing.plugin import machine_path

        player = replay(Machine.load(machine_path(None, self.config)), self.path)
        if not player.compared:
            raise SimkitError(
                "Nothing of the recording was compared.",
                file=str(self.path),
                lines=player.notes,
                remedy="Record it again with the machine as it is now: simkit run MACHINE --record FILE.",
            )

    def repr_failure(self, excinfo: pytest.ExceptionInfo[BaseException], style: Any = None) -> Any:
        """What is wrong, in the words of the error, without the kit's insides."""
        from simkit.contract.errors import SimkitError

        if isinstance(excinfo.value, SimkitError):
            return str(excinfo.value)
        return super().repr_failure(excinfo, style)

    def reportinfo(self) -> tuple[Path, int | None, str]:
        """Where it is."""
        return self.path, None, f"replay of {self.path.name}"
