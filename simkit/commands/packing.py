"""What `simkit pack` and `simkit page` share: what goes into a kit, as the command line says it, and the list of it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import attrs
import typer

from simkit.commands.options import MachineOptions, OptionTable, as_tuple, parse_settings, takes_machine
from simkit.commands.say import say
from simkit.contract.errors import SimkitError

if TYPE_CHECKING:
    from simkit.kit.packing import Asked, Packed
    from simkit.kitfile.manifest import Manifest
    from simkit.machine.machine import Machine

DEFAULT_POSTER = "2s"

_PACKING: OptionTable = {
    "recordings": (
        Annotated[
            list[Path] | None,
            typer.Option("--recording", metavar="FILE", help="A recording that goes along. Repeatable."),
        ],
        None,
    ),
    "notes": (
        Annotated[
            list[Path] | None,
            typer.Option("--notes", metavar="FILE", help="Notes in Markdown that go along. Repeatable."),
        ],
        None,
    ),
    "licence": (
        Annotated[
            Path | None,
            typer.Option("--licence", metavar="FILE", help="The licence under which others may use the files."),
        ],
        None,
    ),
    "sources": (
        Annotated[bool, typer.Option("--sources", help="Sources that lie beside the ROM images go along, too.")],
        False,
    ),
    "include": (
        Annotated[
            list[Path] | None,
            typer.Option(
                "--include",
                metavar="PATH",
                help="A file or folder that goes along, also from outside of the machine's project. Repeatable.",
            ),
        ],
        None,
    ),
    "poster": (
        Annotated[
            str,
            typer.Option("--poster", metavar="MOMENT", help="When the picture is taken that people see first."),
        ],
        DEFAULT_POSTER,
    ),
}
"""By field of Packing."""


def packs_machine(command: Callable[..., None]) -> Callable[..., None]:
    """As `takes_machine`: the second parameter of the command gets the options of Packing together."""
    return takes_machine(command, _PACKING, Packing)


@attrs.frozen(kw_only=True)
class Packing:
    """What the command line says of a kit.

    Attributes:
        recordings: recordings of the machine.
        notes: Markdown files.
        licence: text of the licence, or None.
        sources: whether sources of the ROMs go along.
        include: files and folders besides.
        poster: moment at which the picture is taken.
    """

    recordings: Sequence[Path] = attrs.field(default=(), converter=as_tuple)
    notes: Sequence[Path] = attrs.field(default=(), converter=as_tuple)
    licence: Path | None = None
    sources: bool = False
    include: Sequence[Path] = attrs.field(default=(), converter=as_tuple)
    poster: str = DEFAULT_POSTER

    def pack(self, options: MachineOptions) -> tuple[Machine, Packed]:
        """Load a machine, take its picture, and pack it; gives it as it is switched on.

        Raises:
            SimkitError: something is wrong with what was said, or with a file.
        """
        from simkit.commands.long_run import LongRun
        from simkit.kit.packing import pack

        for option, given in (("--load", options.programs), ("--wire", options.wires)):
            if given:
                raise SimkitError(f"{option} is not kept in a kit.", remedy="Say it in the machine file.")
        machine = options.load()
        picture = self._picture(options)
        with LongRun(f"Playing the recordings of {machine.description.name}") as run:
            packed = pack(machine, self._asked(options, picture, run.goes_on))
        if run.stopped:
            raise KeyboardInterrupt
        if packed.telling:
            say(f"Note: where your files lie on this computer can be read in {', '.join(packed.telling)}", error=True)
        return machine, packed

    def _asked(self, options: MachineOptions, picture: bytes | None, goes_on: Callable[[float], bool]) -> Asked:
        from simkit.kit.packing import Asked

        return Asked(
            notes=self.notes,
            recordings=self.recordings,
            licence=self.licence,
            sources=self.sources,
            include=self.include,
            changes=_changes(options),
            poster=picture,
            goes_on=goes_on,
        )

    def _picture(self, options: MachineOptions) -> bytes | None:
        """The poster, of a machine that has a screen."""
        from simkit.commands.goal import Goal
        from simkit.commands.headless import run_forward
        from simkit.machine.views import Screen

        machine = options.load(tell_notes=False)
        screens = machine.ports(Screen)
        if not screens:
            return None
        goal = Goal(machine, screens[0], self.poster)
        if not run_forward(machine, goal):
            raise KeyboardInterrupt
        if missed := goal.missed():
            raise SimkitError(f"--poster {self.poster!r}: {missed[0]}", remedy="Name a moment that comes.")
        return screens[0].png()


def _changes(options: MachineOptions) -> Any:
    """What the machine is given besides what its file says, or None."""
    from simkit.kit.changes import Changes

    images = {slot: Path(str(path)) for slot, path in options.images().items()}
    found = Changes(
        seed=options.seed,
        clock=options.clock,
        start=options.start,
        faults=tuple(options.faults),
        images=images,
        labels=tuple(options.labels),
        settings=parse_settings(options.settings),
    )
    return found or None


def file_lines(manifest: Manifest) -> list[str]:
    """The files of a kit for people: what each is, how large, its name."""
    files = sorted(manifest.files.items(), key=lambda one: (one[1].role, one[0]))
    wide = max(len(file.role) for _, file in files)
    long = max(len(f"{file.size}") for _, file in files)
    return [f"  {file.role:<{wide}}  {file.size:>{long}}  {name}" for name, file in files]


def files_as_dicts(manifest: Manifest) -> list[dict[str, Any]]:
    """The same for --json."""
    return [{"name": name, **attrs.asdict(file)} for name, file in sorted(manifest.files.items())]


def card_lines(manifest: Manifest, own: Sequence[str]) -> list[str]:
    """Packages that cards come from, and kinds of the cards that the kit brings itself."""
    packages = sorted({f"{one.package} {one.version}" for one in manifest.cards if one.package})
    told = [f"Cards come from {', '.join(packages)}."] if packages else []
    if own:
        told.append(f"It brings Python code of its own: {', '.join(own)}. On a desktop that runs from a folder alone.")
    return told
