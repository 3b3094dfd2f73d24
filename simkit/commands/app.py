"""The commands as a typer app: one module a command in this folder, imported when its command is asked for.

A command module has a function `register(app)` that adds its command (or group) to the typer app it is given. Commands
raise SimkitError for wrong use. One that found something (findings with --strict, differences, failed checks) raises
`typer.Exit(exits.FOUND)`. What becomes of either is `main.py`'s.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator, Sequence
from importlib import import_module
from typing import Annotated, Any

import typer

from simkit.commands.options import help_text
from simkit.contract.errors import SimkitError, near

COMMANDS: dict[str, str] = {
    "run": "simkit.commands.run",
    "controls": "simkit.commands.controls",
    "check": "simkit.commands.check",
    "burn": "simkit.commands.burn",
    "coverage": "simkit.commands.coverage",
    "explain": "simkit.commands.explain",
    "show": "simkit.commands.show",
    "opcode": "simkit.commands.opcode",
    "video": "simkit.commands.video",
    "cards": "simkit.commands.cards",
    "bench": "simkit.commands.bench",
    "demo": "simkit.commands.demo",
    "new": "simkit.commands.new",
}
"""Module by command; `simkit --help` lists them in this order."""

EXIT_CODES = (
    "Exit codes: 0 fine; 1 findings, failures, differences; 2 wrong use; 3 a card failed; 70 a mistake in the kit; 74 "
    "the system could not read or write; 130 Ctrl-C; 141 whoever read the output has gone."
)

USAGE_ERROR: type[Exception] = typer.BadParameter.__mro__[1]
"""What typer raises for an unknown option, a missing argument, a value it cannot take."""


def build_app(names: Sequence[str]) -> typer.Typer:
    """App that knows the named commands; imports their modules and no others."""
    app = typer.Typer(
        add_completion=False,
        rich_markup_mode=None,  # plain help: examples keep their lines, and nothing has to be drawn in colour
        pretty_exceptions_enable=False,
        context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 110},
    )

    @app.callback(
        help=help_text(
            "Simulate a 6502-class computer on a backplane, card by card.",
            "MACHINE is a folder with a machine.toml, the file itself, or demo:NAME for one that comes with the kit.",
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
        import_module(COMMANDS[name]).register(app)
    return app


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
    command: Any = typer.main.get_command(build_app([first] if first in COMMANDS else list(COMMANDS)))
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
