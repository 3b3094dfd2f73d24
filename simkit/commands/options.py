"""Options that every command with a MACHINE shares, and the machine they describe."""

from __future__ import annotations

import contextlib
import inspect
import os
import re
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import attrs
import typer

from simkit.commands.say import say
from simkit.contract.errors import SimkitError
from simkit.files.bounded import is_folder
from simkit.files.streams import is_stream

if TYPE_CHECKING:
    from simkit.machine.machine import Machine

OptionTable = Mapping[str, tuple[Any, object]]
"""Annotation and default of options by name of their parameter."""

ReplayOption = Annotated[
    Path | None, typer.Option("--replay", metavar="FILE", help="Have what a recording holds happen again.")
]
ForceOption = Annotated[
    bool, typer.Option("--force", help="Write over files, also those that are not of the kit's own making.")
]
JsonOption = Annotated[bool, typer.Option("--json", help="Print for programs.")]


def help_text(*paragraphs: str, examples: Sequence[str]) -> str:
    """Help of a command: paragraphs, then examples, one a line."""
    # \b on a line of its own keeps the lines of its paragraph as they are.
    shown = "\n".join(f"  {example}" for example in examples)
    return "\n\n".join((*paragraphs, f"\b\nExamples:\n{shown}"))


_MACHINE = Annotated[str, typer.Argument(metavar="MACHINE", help="A folder, a machine.toml, a kit, or demo:NAME.")]

_OPTIONS: OptionTable = {
    "seed": (
        Annotated[
            int | None,
            typer.Option("--seed", metavar="N", help="Seed of everything that real hardware leaves to chance."),
        ],
        None,
    ),
    "image": (
        Annotated[
            list[str] | None,
            typer.Option(
                "--image", metavar="SLOT=FILE", help="ROM image for a slot instead of the file's; may be repeated."
            ),
        ],
        None,
    ),
    "labels": (
        Annotated[
            list[Path] | None,
            typer.Option(
                "--labels", metavar="FILE", help="A label list, debug file or listing besides the file's; repeatable."
            ),
        ],
        None,
    ),
    "programs": (
        Annotated[
            list[str] | None,
            typer.Option(
                "--load",
                metavar="FILE@ADDRESS",
                help="Put a program into RAM at power-on: 'prog.bin@$0200' (hexadecimal), or a hex file. Repeatable.",
            ),
        ],
        None,
    ),
    "start": (
        Annotated[
            str | None,
            typer.Option("--start", metavar="PLACE", help="Go on there after RESET: an address or a label."),
        ],
        None,
    ),
    "clock": (
        Annotated[str | None, typer.Option("--clock", metavar="CLOCK", help='Machine clock, e.g. "4 MHz".')],
        None,
    ),
    "settings": (
        Annotated[
            list[str] | None,
            typer.Option(
                "--set", metavar="SLOT.NAME=VALUE", help="A setting of a card, e.g. 4.port_1=2; may be repeated."
            ),
        ],
        None,
    ),
    "wires": (
        Annotated[
            list[str] | None,
            typer.Option("--wire", metavar="SENTENCE", help='Wire it so besides: "slot 4: D3 stuck low". Repeatable.'),
        ],
        None,
    ),
    "faults": (
        Annotated[
            list[str] | None,
            typer.Option(
                "--fault",
                metavar="SENTENCE",
                help='Put a fault in: "slot 4: D3 sometimes open"; `simkit explain faults` has them all. Repeatable.',
            ),
        ],
        None,
    ),
    "engine": (
        Annotated[
            str,
            typer.Option("--engine", metavar="ENGINE", help="auto, exact or core: the same machine, other speeds."),
        ],
        "auto",
    ),
}
"""The one table of what every command with a MACHINE takes: annotation and default by field of MachineOptions."""


def takes_machine(
    command: Callable[..., None],
    more: OptionTable | None = None,
    gather: Callable[..., object] | None = None,
) -> Callable[..., None]:
    """Give a command the argument MACHINE and all options of the table; its first parameter gets them together.

    Args:
        command: the command.
        more: another table of options.
        gather: makes of them what the command's second parameter gets.
    """
    signature = inspect.signature(command, eval_str=True)
    own = list(signature.parameters.values())[1 if gather is None else 2 :]
    keyword = inspect.Parameter.KEYWORD_ONLY

    def of_table(table: OptionTable) -> list[inspect.Parameter]:
        return [
            inspect.Parameter(name, keyword, default=default, annotation=annotation)
            for name, (annotation, default) in table.items()
        ]

    more = more or {}
    parameters = [
        inspect.Parameter("machine", keyword, annotation=_MACHINE),
        *of_table(more),
        *(parameter.replace(kind=keyword) for parameter in own if parameter.name != "as_json"),
        *of_table(_OPTIONS),
        *(parameter.replace(kind=keyword) for parameter in own if parameter.name == "as_json"),
    ]

    def called(**words: Any) -> None:
        machine = {name: words.pop(name) for name in ("machine", *_OPTIONS)}
        gathered = [gather(**{name: words.pop(name) for name in more})] if gather is not None else []
        command(MachineOptions(**machine), *gathered, **words)

    called.__doc__ = command.__doc__
    called.__signature__ = inspect.Signature(parameters)  # type: ignore[attr-defined] # what typer reads
    called.__annotations__ = {parameter.name: parameter.annotation for parameter in parameters}
    return called


def as_tuple(given: Sequence[Any] | None) -> tuple[Any, ...]:
    """What a repeatable option was given, in order; nothing when it was not."""
    return tuple(given or ())


@attrs.frozen(kw_only=True)
class MachineOptions:
    """What the command line says about a machine.

    Attributes:
        machine: a folder, a machine.toml, a kit, or demo:NAME.
        seed: replaces the file's seed.
        image: texts SLOT=FILE.
        labels: label lists to add.
        programs: texts FILE@ADDRESS, or hex files.
        start: where the CPU begins: an address or a label.
        clock: replaces the file's clock.
        settings: texts SLOT.NAME=VALUE.
        wires: sentences of wiring.
        faults: sentences of faults.
        engine: auto, exact or core.
    """

    machine: str
    seed: int | None = None
    image: Sequence[str] = attrs.field(default=(), converter=as_tuple)
    labels: Sequence[Path] = attrs.field(default=(), converter=as_tuple)
    programs: Sequence[str] = attrs.field(default=(), converter=as_tuple)
    start: str | None = None
    clock: str | None = None
    settings: Sequence[str] = attrs.field(default=(), converter=as_tuple)
    wires: Sequence[str] = attrs.field(default=(), converter=as_tuple)
    faults: Sequence[str] = attrs.field(default=(), converter=as_tuple)
    engine: str = "auto"

    def load(
        self, *, tell_notes: bool = True, seed: int | None = None, images: Mapping[int, bytes] | None = None
    ) -> Machine:
        """The machine, built and switched on; its notes go to standard error, unless who asks tells them.

        Args:
            tell_notes: say its notes.
            seed: in place of what the command line says.
            images: in place of those that it names, by slot.

        Raises:
            SimkitError: the options or the machine file are wrong.
        """
        from simkit.machine.machine import Machine

        machine = Machine.load(
            self.machine,
            seed=self.seed if seed is None else seed,
            images={**self.images(), **(images or {})},
            clock=self.clock,
            settings=parse_settings(self.settings),
            programs=self.programs,
            labels=self.labels,
            start=self.start,
            wiring=self.wires,
            faults=self.faults,
            engine=self.engine,
        )
        notes = [*self._kit_notes(), *machine.notes] if tell_notes else []
        if notes:
            say(*(f"Note: {note}" for note in notes), error=True)
        return machine

    def _kit_notes(self) -> list[str]:
        """What is to be told of a kit that was packed elsewhere."""
        from simkit.kitfile.reading import is_kit, read_kit

        path = Path(self.machine)
        if not is_kit(path) or is_folder(path):
            return []
        from simkit.machinefile.packed import notes_on

        return notes_on(read_kit(path).manifest)

    def images(self) -> dict[int, str | Path | bytes]:
        """Image files by slot.

        Raises:
            SimkitError: not SLOT=FILE, or two images for one slot.
        """
        found: dict[int, str | Path | bytes] = {}
        for text in self.image:
            slot, equals, file = text.partition("=")
            if not equals or not re.fullmatch(r"\s*[0-9]{1,4}\s*", slot) or not file:
                raise SimkitError(
                    f"--image {text!r} does not say SLOT=FILE.", remedy="Write e.g. --image 2=my-rom.bin."
                )
            if int(slot) in found:
                raise SimkitError(f"--image names slot {int(slot)} twice.", remedy="Give one image a slot.")
            if not os.path.lexists(file):
                raise SimkitError(f"--image {text!r}: there is no file {file}.", remedy="Correct the path.")
            found[int(slot)] = Path(file)
        return found


def check_apart(named: Mapping[str, Path | None]) -> None:
    """Check that no two options name one file, of which the one would take away what the other gave.

    Args:
        named: paths by option; None: not given.

    Raises:
        SimkitError: two do.
    """
    seen: dict[object, str] = {}
    for option, path in named.items():
        if path is not None and not is_stream(path):
            other = seen.setdefault(_same_for_one_file(path), option)
            if other != option:
                raise SimkitError(f"{other} and {option} name one file, {path}.", remedy="Name two.")


def _same_for_one_file(path: Path) -> object:
    """Equal for all names of one file, be they links; of a file that is not there, its whole path."""
    with contextlib.suppress(OSError, ValueError):
        found = path.stat()
        if found.st_ino:
            return found.st_dev, found.st_ino
    return os.path.realpath(path)


def parse_settings(texts: Sequence[str]) -> Mapping[int, Mapping[str, Any]]:
    """Settings by slot and name from texts SLOT.NAME=VALUE.

    VALUE is read as the machine file would read it (5, true, "text"); what is none of these is text without quotes.

    Raises:
        SimkitError: not of that form.
    """
    from simkit.machinefile.tomlfile import parse_toml

    found: dict[int, dict[str, Any]] = {}
    for text in texts:
        place, equals, value = text.partition("=")
        slot, dot, name = place.strip().partition(".")
        if not equals or not dot or not re.fullmatch(r"[0-9]{1,4}", slot) or not name:
            raise SimkitError(
                f"--set {text!r} does not say SLOT.NAME=VALUE.",
                remedy="Write e.g. --set 4.port_1=2 or --set 4.bit_order=first-bit-high.",
            )
        try:
            found.setdefault(int(slot), {})[name.strip()] = parse_toml(f"value = {value}", "--set").data["value"]
        except SimkitError:
            found.setdefault(int(slot), {})[name.strip()] = value.strip()
    return found
