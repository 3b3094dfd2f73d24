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

from simkit.commands import exits
from simkit.commands.say import say
from simkit.contract.errors import SimkitError
from simkit.files.streams import is_stream

if TYPE_CHECKING:
    from simkit.commands.script import Goal, Script
    from simkit.machine.machine import Machine

_RUNNING: dict[str, tuple[Any, object]] = {
    "length": (
        Annotated[
            str | None,
            typer.Option(
                "--for", "--until", "--at", metavar="MOMENT", help="When the run ends: 2s, 120f, 5000c, label:NAME#3."
            ),
        ],
        None,
    ),
    "typed": (
        Annotated[
            list[str] | None,
            typer.Option(
                "--type",
                metavar="TEXT@MOMENT",
                help="Type a text, without a keyboard over the serial line; \\n is the enter key. Repeatable.",
            ),
        ],
        None,
    ),
    "sent": (
        Annotated[
            list[str] | None,
            typer.Option(
                "--send",
                metavar="TEXT@MOMENT",
                help="Send a text over the serial line as it stands; \\r, \\x1A. Repeatable.",
            ),
        ],
        None,
    ),
    "pads": (
        Annotated[
            list[str] | None,
            typer.Option(
                "--pad", metavar="N=BUTTONS@FROM..TO", help='Hold pad buttons, e.g. "1=right+a@1.5s..2s". Repeatable.'
            ),
        ],
        None,
    ),
}
"""What every command takes that runs a machine: annotation and default by field of Running."""

MOMENTS = (
    "A MOMENT is a time after power-on (2s, 20ms, 120f frames of the screen, 5000c cycles; 120f/5 of the screen in "
    'slot 5) or KIND:VALUE: label:NAME (its instruction is next), finding:RULE, text:"WORDS" (on the screen, or the '
    "terminal), read:ADDRESS, write:ADDRESS; #3 behind it is the third time, +5000c so long after it. An event that "
    "does not come is given up after 30 s of machine time."
)
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


_MACHINE = Annotated[str, typer.Argument(metavar="MACHINE", help="A folder, a machine.toml, or demo:NAME.")]

_OPTIONS: dict[str, tuple[Any, object]] = {
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
    "engine": (
        Annotated[
            str,
            typer.Option("--engine", metavar="ENGINE", help="auto, exact or core: the same machine, other speeds."),
        ],
        "auto",
    ),
}
"""The one table of what every command with a MACHINE takes: annotation and default by field of MachineOptions."""


def runs_machine(command: Callable[..., None]) -> Callable[..., None]:
    """As `takes_machine` for a command that runs it: its second parameter gets the options of Running together."""
    return takes_machine(command, running=True)


def takes_machine(command: Callable[..., None], *, running: bool = False) -> Callable[..., None]:
    """Give a command the argument MACHINE and all options of the table; its first parameter gets them together."""
    signature = inspect.signature(command, eval_str=True)
    own = list(signature.parameters.values())[2 if running else 1 :]
    table = _RUNNING if running else {}
    keyword = inspect.Parameter.KEYWORD_ONLY
    shared = [
        inspect.Parameter(name, keyword, default=default, annotation=annotation)
        for name, (annotation, default) in _OPTIONS.items()
    ]
    parameters = [
        inspect.Parameter("machine", keyword, annotation=_MACHINE),
        *(
            inspect.Parameter(name, keyword, default=default, annotation=annotation)
            for name, (annotation, default) in table.items()
        ),
        *(parameter.replace(kind=keyword) for parameter in own if parameter.name != "as_json"),
        *shared,
        *(parameter.replace(kind=keyword) for parameter in own if parameter.name == "as_json"),
    ]

    def called(**words: Any) -> None:
        machine = {name: words.pop(name) for name in ("machine", *_OPTIONS)}
        run = {name: words.pop(name) for name in table}
        command(MachineOptions(**machine), *([Running(**run)] if running else []), **words)

    called.__doc__ = command.__doc__
    called.__signature__ = inspect.Signature(parameters)  # type: ignore[attr-defined] # what typer reads
    called.__annotations__ = {parameter.name: parameter.annotation for parameter in parameters}
    return called


def _tuple(given: Sequence[Any] | None) -> tuple[Any, ...]:
    return tuple(given or ())


@attrs.frozen(kw_only=True)
class Running:
    """What the command line says about a run.

    Attributes:
        length: text of the moment at which it ends, or None.
        typed: texts to type.
        sent: texts to send over the serial line.
        pads: pad buttons to hold.
    """

    length: str | None = None
    typed: Sequence[str] = attrs.field(default=(), converter=_tuple)
    sent: Sequence[str] = attrs.field(default=(), converter=_tuple)
    pads: Sequence[str] = attrs.field(default=(), converter=_tuple)

    def begin(self, machine: Machine, usually: str) -> tuple[Goal, Script]:
        """Queue what is to be done; gives where the run ends, `usually` if nothing was said.

        Raises:
            SimkitError: a text says nothing that this machine knows.
        """
        from simkit.commands.script import Goal, Script

        script = Script(machine, None, self.typed, self.pads, self.sent)
        return Goal(machine, None, self.length or usually), script


def tell_missed(goal: Goal, script: Script) -> None:
    """Tell of moments that have not come, beside the result.

    Raises:
        typer.Exit: the one at which the run should have ended is among them.
    """
    missed = goal.missed()
    lines = [f"Note: {text}" for text in (*script.not_given(), *missed)]
    if lines:
        say(*lines, error=True)
    if missed:
        raise typer.Exit(exits.FOUND)


@attrs.frozen(kw_only=True)
class MachineOptions:
    """What the command line says about a machine.

    Attributes:
        machine: a folder, a machine.toml, or demo:NAME.
        seed: replaces the file's seed.
        image: texts SLOT=FILE.
        labels: label lists to add.
        programs: texts FILE@ADDRESS, or hex files.
        start: where the CPU begins: an address or a label.
        clock: replaces the file's clock.
        settings: texts SLOT.NAME=VALUE.
        engine: auto, exact or core.
    """

    machine: str
    seed: int | None = None
    image: Sequence[str] = attrs.field(default=(), converter=_tuple)
    labels: Sequence[Path] = attrs.field(default=(), converter=_tuple)
    programs: Sequence[str] = attrs.field(default=(), converter=_tuple)
    start: str | None = None
    clock: str | None = None
    settings: Sequence[str] = attrs.field(default=(), converter=_tuple)
    engine: str = "auto"

    def load(self, *, tell_notes: bool = True) -> Machine:
        """The machine, built and switched on; its notes go to standard error, unless who asks tells them.

        Raises:
            SimkitError: the options or the machine file are wrong.
        """
        from simkit.machine.machine import Machine

        machine = Machine.load(
            self.machine,
            seed=self.seed,
            images=self.images(),
            clock=self.clock,
            settings=parse_settings(self.settings),
            programs=self.programs,
            labels=self.labels,
            start=self.start,
            engine=self.engine,
        )
        if tell_notes and machine.notes:
            say(*(f"Note: {note}" for note in machine.notes), error=True)
        return machine

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
