"""The command `simkit`: one module a command in this folder, imported when its command is asked for.

A command module has a function `register(app)` that adds its command (or group) to the typer app it is given. Commands
raise SimkitError for wrong use; here it becomes one message and exit code 2. A command that found something
(findings with --strict, differences, failed checks) raises `typer.Exit(1)`.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Sequence
from importlib import import_module
from typing import Annotated

import typer

from simkit.commands import exits
from simkit.commands.options import help_text
from simkit.contract.errors import SimkitError, near

TRACEBACK_SWITCH = "SIMKIT_TRACEBACK"

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


def main(arguments: Sequence[str] | None = None) -> None:
    """Run the command line and leave with its exit code."""
    argv = list(sys.argv[1:] if arguments is None else arguments)
    as_json = "--json" in argv
    try:
        code = _run(argv)
        if code == exits.INTERRUPTED:  # newer versions of typer hand Ctrl-C back as an exit code, older ones raise
            raise KeyboardInterrupt
    except SimkitError as error:
        print_error(error, as_json=as_json)
        code = exits.WRONG_USE
    except (KeyboardInterrupt, typer.Abort):
        print("\nStopped.", file=sys.stderr)
        code = exits.INTERRUPTED
    except BrokenPipeError:
        # Whoever read our output has gone (`| head`); what is left must not fail once more at the end of the process.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        code = exits.FOUND
    except Exception as error:
        if os.environ.get(TRACEBACK_SWITCH):
            raise
        unexpected = SimkitError(
            f"A fault in the kit, not in what you wrote: {type(error).__name__}: {error}",
            remedy=f"Please report it, with what `{TRACEBACK_SWITCH}=1 simkit {' '.join(argv)}` prints.",
        )
        print_error(unexpected, as_json=as_json)
        code = exits.WRONG_USE
    raise SystemExit(code)


def _run(argv: list[str]) -> int:
    if not argv:
        argv = ["--help"]
    if argv == ["--version"]:
        from importlib.metadata import version

        from simkit.cpu.core.runtime import words as core_words

        print(f"{version('backplane-simkit')}\ncore: {core_words()}")
        return 0
    first = argv[0]
    if not first.startswith("-") and first not in COMMANDS:
        raise SimkitError(f"There is no command {first!r}.", remedy=near(first, COMMANDS))
    app = build_app([first] if first in COMMANDS else list(COMMANDS))
    try:
        result = app(argv, standalone_mode=False, prog_name="simkit")
    except USAGE_ERROR as error:
        raise _in_words(error) from error
    return result if isinstance(result, int) else 0


def _in_words(error: Exception) -> SimkitError:
    """The error of a command line in our form."""
    text = error.format_message() if hasattr(error, "format_message") else str(error)
    context = getattr(error, "ctx", None)
    command = context.command_path if context is not None else "simkit"
    return SimkitError(text if text.endswith((".", "?")) else f"{text}.", remedy=f"`{command} --help` shows how.")


def print_error(error: SimkitError, *, as_json: bool) -> None:
    """Print an error: for people on stderr, or its fields as {"error": {...}} on stdout."""
    if as_json:
        import json

        print(json.dumps({"error": error.as_dict()}, indent=2))
    else:
        print(error, file=sys.stderr)
