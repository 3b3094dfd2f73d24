"""Help in plain text: commands and options by what they are for, each list under its own head."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

import typer
from typer.core import TyperCommand, TyperGroup

MOST_SUMMARY = 60
"""Characters of a summary in a list of commands."""

OPTION_GROUPS: Mapping[str, tuple[str, ...]] = {
    "The machine": ("--machine", "--seed", "--image", "--labels", "--clock", "--set", "--engine", "--load", "--start"),
    "How long, and when": ("--from", "--for", "--timeout", "--speed", "--watch", "--build"),
    "What happens to it": (
        *("--type", "--send", "--pad", "--fault", "--controls", "--bar-key", "--replay"),
        *("--terminal", "--terminal-slot", "--paste", "--paste-pause"),
    ),
    "What comes out": (
        *("--last", "--before", "--address", "--label", "--kind", "--only", "--line"),
        *(
            "--text",
            "--vcd",
            "--svg",
            "--png",
            "--screen",
            "--record",
            "--capture",
            "--folder",
            "--picture",
            "--memory",
        ),
        *(
            "--html",
            "--lcov",
            "--cobertura",
            "--save",
            "--merge",
            "--sarif",
            "--accepted",
            "--one-line",
            "--time",
            "--each-frame",
        ),
        *("--out", "--force", "--strict", "--json"),
    ),
}
"""Options by head, in order; those of no group stand under "Options"."""
_GROUP_OF = {option: head for head, options in OPTION_GROUPS.items() for option in options}


class PlainCommand(TyperCommand):
    """A command whose options are grouped, if there are many."""

    def format_options(self, ctx: Any, formatter: Any) -> None:
        """Write arguments and options."""
        arguments, options = _records(self.get_params(ctx), ctx)
        _section(formatter, "Arguments", arguments)
        heads = ("Options", *OPTION_GROUPS) if len(options) > 8 else ("Options",)
        found: dict[str, list[tuple[str, str]]] = {head: [] for head in heads}
        for names, record in options:
            head = next((_GROUP_OF[name] for name in names if name in _GROUP_OF), "Options")
            found[head if head in found else "Options"].append(record)
        for head in heads:
            _section(formatter, head, found[head])


class PlainGroup(TyperGroup):
    """Commands under heads; commands of a group below another stand under "Commands"."""

    command_class = PlainCommand

    def format_commands(self, ctx: Any, formatter: Any) -> None:
        """Write the commands."""
        heads: dict[str, list[tuple[str, str]]] = {}
        for name, command in self.commands.items():
            head = getattr(command, "rich_help_panel", None)
            text = command.short_help or (command.help or "").partition("\n\n")[0]
            heads.setdefault(head if isinstance(head, str) else "Commands", []).append((name, " ".join(text.split())))
        width = max(len(name) for name in self.commands)
        for head, rows in heads.items():
            _section(formatter, head, [(name.ljust(width), text) for name, text in rows])


class PlainTyper(typer.Typer):
    """An app whose commands print plain help."""

    def command(self, name: str | None = None, **more: Any) -> Any:
        """As `typer.Typer.command`."""
        return super().command(name, cls=PlainCommand, **more)


def _records(
    parameters: Iterable[Any], ctx: Any
) -> tuple[list[tuple[str, str]], list[tuple[tuple[str, ...], tuple[str, str]]]]:
    arguments, options = [], []
    for parameter in parameters:
        record = parameter.get_help_record(ctx)
        if record is None:
            continue
        if parameter.param_type_name == "argument":
            arguments.append(record)
        else:
            options.append((tuple(parameter.opts), record))
    return arguments, options


def _section(formatter: Any, head: str, rows: list[tuple[str, str]]) -> None:
    if rows:
        with formatter.section(head):
            formatter.write_dl(rows)
