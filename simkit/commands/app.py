"""The commands as a typer app: one module a command in this folder, imported when its command is asked for.

A command module has a function `register(app)` that adds its command (or group) to the typer app it is given. Commands
raise SimkitError for wrong use. One that found something (findings with --strict, differences, failed checks) raises
`typer.Exit(exits.FOUND)`. What becomes of either is `main.py`'s.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator, Sequence
from importlib import import_module
from typing import Annotated, Any, NamedTuple

import typer

from simkit.commands.options import help_text
from simkit.commands.plain_help import PlainGroup, PlainTyper
from simkit.contract.errors import SimkitError, near

RUN, LOOK, CHECK = "Run a machine", "Look at machines and parts", "Before the ROM is burned"
SHARE, MAKE = "Share a machine", "Make and measure"


class Command(NamedTuple):
    """A command of the list.

    Attributes:
        module: where it is.
        head: under which it is listed.
        summary: what it is for, in MOST_SUMMARY characters.
    """

    module: str
    head: str
    summary: str


COMMANDS: dict[str, Command] = {
    "run": Command("simkit.commands.run", RUN, "run a machine in a window, or headless"),
    "demo": Command("simkit.commands.demo", RUN, "machines that come with the kit, to run or to unpack"),
    "controls": Command("simkit.commands.controls", RUN, "which keys and joystick buttons play the pads"),
    "show": Command("simkit.commands.show", LOOK, "CPU, cards in words, last instructions at a moment"),
    "trace": Command("simkit.commands.trace", LOOK, "bus cycles as text, waves for viewers; who wrote it last"),
    "video": Command("simkit.commands.video", LOOK, "patterns, names, sprites and memory of a video card"),
    "map": Command("simkit.commands.map", LOOK, "who answers where; constants for ROM sources"),
    "cards": Command("simkit.commands.cards", LOOK, "the cards there are, or those of a machine as wired"),
    "opcode": Command("simkit.commands.opcode", LOOK, "an instruction with every bus cycle, on both parts"),
    "check": Command("simkit.commands.check", CHECK, "what the hardware will choke on, and what to do"),
    "budget": Command("simkit.commands.budget", CHECK, "whether the parts are fast enough for the clock"),
    "explain": Command("simkit.commands.explain", CHECK, "what a rule of the check means, and how to see it"),
    "coverage": Command("simkit.commands.coverage", CHECK, "which instructions ran, which branches went both ways"),
    "rehearse": Command("simkit.commands.rehearse", CHECK, "a capture as an analyser would take it, to try tools on"),
    "suspect": Command("simkit.commands.suspect", CHECK, "which single fault explains what you saw"),
    "burn": Command("simkit.commands.burn", CHECK, "the image for a programmer; compare what it read back"),
    "compare": Command("simkit.commands.compare", CHECK, "a capture of the real bus beside the machine"),
    "replay": Command("simkit.commands.replay", SHARE, "a recording gone through and compared; chapters, stories"),
    "pack": Command("simkit.commands.pack", SHARE, "a machine with all that it needs as one file, a kit"),
    "unpack": Command("simkit.commands.unpack", SHARE, "a kit as a folder; or what is in it"),
    "page": Command("simkit.commands.page", SHARE, "a machine for a web host, played in the browser"),
    "film": Command("simkit.commands.film", SHARE, "a stretch of a run as a film, or a picture a frame"),
    "new": Command("simkit.commands.new", MAKE, "a machine or a card of your own, to be changed"),
    "bench": Command("simkit.commands.bench", MAKE, "how fast the engines are, side by side"),
    "completion": Command("simkit.commands.completion", MAKE, "have bash, zsh or fish complete what you type"),
}
"""`simkit --help` lists them in this order."""

EXIT_CODES = (
    "Exit codes: 0 fine; 1 findings, failures, differences; 2 wrong use; 3 a card failed; 70 a mistake in the kit; 74 "
    "the system could not read or write; 130 Ctrl-C; 141 whoever read the output has gone."
)

USAGE_ERROR: type[Exception] = typer.BadParameter.__mro__[1]
"""What typer raises for an unknown option, a missing argument, a value it cannot take."""


def build_app(names: Sequence[str]) -> typer.Typer:
    """App that knows the named commands; imports their modules and no others."""
    app = PlainTyper(
        cls=PlainGroup,
        add_completion=False,
        rich_markup_mode=None,  # plain help: examples keep their lines, and nothing has to be drawn in colour
        pretty_exceptions_enable=False,
        context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 110},
    )

    @app.callback(
        help=help_text(
            "Simulate a 6502-class computer on a backplane, card by card.",
            "MACHINE is a folder with a machine.toml, the file itself, a machine packed as a kit (.kit), or demo:NAME "
            "for one that comes with simkit.",
            "A machine folder is a program: cards that lie in it as Python files run with your rights. Run those of "
            "people whom you would let run a program here.",
            EXIT_CODES,
            examples=("simkit run demo:marlpit", "simkit new machine my-machine", "simkit demo"),
        )
    )
    def simkit(
        version: Annotated[bool, typer.Option("--version", help="Print the version and stop.")] = False,
    ) -> None:
        """Take the options that stand before a command."""

    for name in names:
        import_module(COMMANDS[name].module).register(app)
    return app


def build_list() -> typer.Typer:
    """App that lists all commands, for the help alone; imports none of their modules."""
    app = build_app([])
    for name, command in COMMANDS.items():
        app.command(name, short_help=command.summary, rich_help_panel=command.head)(_listed)
    return app


def _listed() -> None:
    raise AssertionError("a command is listed only for the help")


def run(argv: Sequence[str], begins: Callable[[], None] = lambda: None) -> int:
    """Do what a command line says; gives the exit code.

    Args:
        argv: the words behind `simkit`.
        begins: called when everything is imported and the command itself is about to begin.

    Raises:
        SimkitError: wrong use, or what the command came upon.
    """
    if "--version" in argv and {"--version", "--json"}.issuperset(argv):
        _print_version(as_json="--json" in argv)
        return 0
    first = argv[0] if argv else "--help"
    if not first.startswith("-") and first not in COMMANDS:
        raise SimkitError(f"There is no command {first!r}.", remedy=near(first, COMMANDS))
    if first == "--version":
        raise SimkitError("--version stands alone.", remedy="Leave the rest out, or --version.")
    if first in COMMANDS:
        app = build_app([first])
    else:  # the help, most likely
        app = build_app(list(COMMANDS)) if any(word in COMMANDS for word in argv) else build_list()
    command: Any = typer.main.get_command(app)
    words = list(argv)
    _refuse_repeated(command, words)
    if not words or (len(words) == 1 and hasattr(command.commands.get(first), "commands")):
        words.append("--help")  # of a group alone
    try:
        # Not `command()`, which has a way of its own with Ctrl-C and closed pipes.
        with command.make_context("simkit", words) as context:
            begins()
            command.invoke(context)
    except typer.Exit as ended:
        return ended.exit_code
    except USAGE_ERROR as error:
        raise _in_words(error) from error
    return 0


def _print_version(*, as_json: bool) -> None:
    from importlib.metadata import version

    from simkit.cpu.core.runtime import words as core_words

    found = {"version": version("backplane-simkit"), "core": core_words()}
    print(json.dumps(found, indent=2) if as_json else f"{found['version']}\ncore: {found['core']}")


def _refuse_repeated(command: Any, argv: Sequence[str]) -> None:
    """Refuse an option that says two things of which only one would count.

    Raises:
        SimkitError: there is one.
    """
    words = iter(argv)
    options: dict[str, Any] = {}
    while hasattr(command, "commands"):  # a group: what follows belongs to the command named next
        command = command.commands.get(next(words, ""))
    for parameter in getattr(command, "params", ()):
        options |= dict.fromkeys(parameter.opts, parameter)
    said: dict[str, str] = {}
    for name, value in _values_in(words, options):
        before = said.setdefault(name, value)
        if before != value and not options[name].multiple:
            raise SimkitError(
                f"{name} is given twice, as {before!r} and as {value!r}; one can count.", remedy="Leave one out."
            )


def _values_in(words: Iterator[str], options: dict[str, Any]) -> Iterator[tuple[str, str]]:
    """The options among words that have values, with these."""
    for word in words:
        if word == "--":
            return
        name, equals, value = word.partition("=")
        if name in options and word.startswith("--") and not options[name].is_flag:
            yield name, value if equals else next(words, "")


def _in_words(error: Exception) -> SimkitError:
    """The error of a command line in our form."""
    text = error.format_message() if hasattr(error, "format_message") else str(error)
    context = getattr(error, "ctx", None)
    command = context.command_path if context is not None else "simkit"
    return SimkitError(text if text.endswith((".", "?")) else f"{text}.", remedy=f"`{command} --help` shows how.")
