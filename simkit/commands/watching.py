"""Files of a machine, and whether they have changed: for `simkit run --watch`."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from pathlib import Path

from simkit.commands.building import Build, BuildError
from simkit.commands.options import MachineOptions
from simkit.contract.errors import SimkitError
from simkit.hands.controls import Controls
from simkit.machinefile.named import named_files
from simkit.machinefile.programs import parse_load
from simkit.machinefile.read import machine_path
from simkit.window.fresh import Fresh

LOOKS_BEFORE_TOLD = 20
"""Looks in which files may go on changing before that is told."""
LOOKS_BEFORE_GONE = 4
"""Looks, two a second, in which a file may be missing: assemblers take theirs away while they write them anew."""

_Stamps = dict[Path, tuple[int, int, int] | None]
"""By path: time of the last change, size and number of the file; None: it is not there."""


class Watch:
    """Looks at the machine file, its bases, images, label lists, file cards and the controls file.

    Make it before the machine is loaded, so that no change in between is missed.

    Args:
        options: how the machine was asked for.
        controls_file: where the controls stand, or would stand.
        controls: reads them.
        build: a command that makes what the machine is loaded from; while it runs nothing is loaded.

    Raises:
        SimkitError: there is no such machine.
    """

    def __init__(
        self,
        options: MachineOptions,
        controls_file: Path,
        controls: Callable[[], Controls],
        build: Build | None = None,
    ) -> None:
        self._options = options
        self._controls_file = controls_file
        self._controls = controls
        self._build = build
        self._machine_file = machine_path(options.machine)
        self._running = _stamps(self._named())  # what the machine that runs was made of
        self._tried = self._running  # what was loaded last, or could not be
        self._seen = self._running  # at the last look
        self._looks_without = self._looks_changing = 0

    def _named(self) -> set[Path]:
        given = (Path(text.partition("=")[2]) for text in self._options.image)
        loaded = (parse_load(text).path for text in self._options.programs)
        return {*named_files(self._machine_file), *given, *loaded, *self._options.labels, self._controls_file}

    def fresh(self) -> Fresh | None:
        """What changed files give, once they have stayed the same from one look to the next; else None.

        Raises:
            Exception: whatever is wrong with them, told once; they are looked at again when they change again.
        """
        if self._build is not None and self._built(self._build):
            return None
        now = _stamps(self._tried)
        still, self._seen = now == self._seen, now
        if now == self._tried:
            self._looks_without = self._looks_changing = 0
            return None
        self._looks_changing = 0 if still else self._looks_changing + 1
        if self._looks_changing == LOOKS_BEFORE_TOLD:
            self._tried = now
            raise SimkitError(
                "Its files go on changing.", remedy="It is loaded anew when they stay the same for half a second."
            )
        gone = any(stamp is None and self._running.get(path) for path, stamp in now.items())
        self._looks_without = self._looks_without + 1 if gone else 0
        if not still or 0 < self._looks_without < LOOKS_BEFORE_GONE:
            return None
        if all(now[path] == stamp for path, stamp in self._running.items()):
            self._take(self._running)
            return Fresh()
        # Stamps are taken before what they stand for is read: what changes in between is read once more.
        named = self._named()
        stamps = _stamps({*self._running, *named})
        if any(stamps[path] != stamp for path, stamp in now.items() if path in stamps):
            return None
        self._take(stamps)
        controls = self._controls()
        changed = {path for path, stamp in stamps.items() if self._running.get(path) != stamp}
        machine = self._options.load() if changed != {self._controls_file} else None
        if machine is not None and self._build is not None:
            self._build.is_of(machine)
        self._running = {path: stamps[path] for path in named}
        self._take(self._running)
        return Fresh(machine=machine, controls=controls)

    def _built(self, build: Build) -> bool:
        """Whether a build is under way. What one that has failed wrote is left alone until it is written again."""
        try:
            return build.look()
        except BuildError:
            if build.failed:
                self._take(_stamps(self._tried))
            raise

    def _take(self, stamps: _Stamps) -> None:
        self._tried = self._seen = stamps
        self._looks_without = self._looks_changing = 0


def _stamps(files: Iterable[Path]) -> _Stamps:
    stamps: _Stamps = {}
    for path in files:
        try:
            status = path.stat()
            stamps[path] = (status.st_mtime_ns, status.st_size, status.st_ino)
        except (OSError, ValueError):  # ValueError: a NUL in a path that a machine file names
            stamps[path] = None
    return stamps
