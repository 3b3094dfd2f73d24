"""`simkit cards`: every card, how it is set and read, where its facts come from, whether it keeps the contract."""

from __future__ import annotations

import inspect
import json
import re
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import attrs
import typer

from simkit.commands import exits
from simkit.commands.options import JsonOption, help_text
from simkit.commands.say import say, say_json
from simkit.contract.errors import SimkitError, near

if TYPE_CHECKING:
    from simkit.contract.card import Card
    from simkit.testing.contract import ContractReport

TEST_SEEDS = 5
"""Random scripts a card goes through; each has its own seed, named in the report."""

HELP = help_text(
    "List the cards: settings, registers, pins, sources; also those that cannot be loaded, with the reason.",
    "With --test a card goes through the contract test: a look changes nothing, it is the same however rarely it is "
    "asked, it can be saved and loaded, it refuses a damaged state, and what it promises to fast engines is true. What "
    'no script could try is told as not exercised. KIND is the name of a card, or "file:my_card.py:MyCard".',
    examples=(
        "simkit cards",
        "simkit cards serial-6551",
        "simkit cards --test serial-6551",
        "simkit cards --test file:my_card.py:MyCard",
    ),
)


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("cards", help=HELP)(cards)


def cards(
    kind: Annotated[str | None, typer.Argument(metavar="[KIND]", help="Only this card.")] = None,
    test: Annotated[str | None, typer.Option("--test", metavar="KIND", help="Run the contract test of a card.")] = None,
    as_json: JsonOption = False,
) -> None:
    """List or test cards (see HELP)."""
    if test is not None:
        if kind is not None:
            raise SimkitError("One card is enough: name it with --test.", remedy="Leave the other name out.")
        report = contract_report(test)
        if as_json:
            say_json(_test_json(test, report))
        else:
            say(*_test_lines(test, report))
        if report.problems:
            raise typer.Exit(exits.FOUND)
        return
    described, failed = describe_all(kind)
    if as_json:
        say_json({"cards": described, "failed": failed})
    else:
        for number, entry in enumerate(described):
            say(*([""] if number else []), *card_lines(entry))
        for entry in failed:
            say("", f"{entry['kind']}: {entry['reason']}", error=True)


def _class(kind: str) -> type[Card]:
    from simkit.machinefile.catalogue import card_class

    return card_class(kind, Path.cwd())


def contract_report(kind: str) -> ContractReport:
    """What the contract test finds, over TEST_SEEDS random scripts or up to the first that finds a problem.

    Raises:
        SimkitError: there is no such card, or it cannot be loaded.
    """
    from simkit.testing.contract import check_contract, together

    card = _class(kind)
    reports = []
    for seed in range(1, TEST_SEEDS + 1):
        report = check_contract(card, seed=seed)
        if report.problems:
            reports.append(attrs.evolve(report, problems=tuple(f"{told} (script {seed})" for told in report.problems)))
            break
        reports.append(report)
    return together(reports)


def _test_lines(kind: str, report: ContractReport) -> list[str]:
    if report.problems:
        lines = [f"{kind} breaks the contract of a card:", *(f"  {problem}" for problem in report.problems)]
    else:
        count = f"{sum(report.promises.values()):,}".replace(",", " ")
        lines = [f"{kind} keeps the contract of a card, over {TEST_SEEDS} random scripts and {count} comparisons."]
    if report.not_exercised:
        lines += ["Not exercised:", *(f"  {missed}" for missed in report.not_exercised)]
    return lines


def _test_json(kind: str, report: ContractReport) -> dict[str, Any]:
    return {
        "kind": kind,
        "problems": report.problems,
        "not_exercised": report.not_exercised,
        "promises": dict(report.promises),
    }


def describe_all(kind: str | None) -> tuple[list[dict[str, Any]], list[dict[str, str]]]:
    """Descriptions of all cards, or of one, and of all those that cannot be loaded with the reason.

    Raises:
        SimkitError: there is no card of the kind that is named.
        CardError: it cannot be loaded.
    """
    from simkit.machinefile.catalogue import FILE_PREFIX, entries, load_entry, unreadable

    if kind is not None and kind.startswith(FILE_PREFIX):
        return [describe(kind, _class(kind))], []
    known = entries()
    if kind is not None:
        if kind not in known:
            raise SimkitError(f"There is no card {kind!r}.", remedy=near(kind, known))
        return [describe(kind, load_entry(known[kind]))], []
    described = []
    failed = [{"kind": place, "reason": reason, "remedy": "Install it anew."} for place, reason in unreadable().items()]
    for name, claims in sorted(known.items()):
        try:
            described.append(describe(name, load_entry(claims)))
        except SimkitError as error:
            reason = str(SimkitError(error.message, file=error.file, line=error.line))
            failed.append({"kind": name, "reason": reason, "remedy": error.remedy or ""})
    return described, failed


def describe(kind: str, card: type[Card]) -> dict[str, Any]:
    """A card with its default settings, as plain data.

    Raises:
        CardError: its class fails.
    """
    from simkit.backplane.board import Board
    from simkit.backplane.guard import call_unplugged

    text = _module_text(card) or inspect.getdoc(card) or ""
    settings = call_unplugged(f"The card {kind!r}", "Settings", card.Settings)
    board = Board.of(card, settings, f"The card {kind!r}")
    return {
        "kind": kind,
        "is": text.partition("\n\n")[0].replace("\n", " "),
        "faithful_to": card.faithful_to,
        "module": card.__module__,
        "settings": [
            {
                "name": field.name,
                "default": field.default,
                "help": "",  # of a field made without `setting`
                **{key: value for key, value in field.metadata.items() if value not in ("", (), None) or key == "help"},
            }
            for field in attrs.fields(card.Settings)
        ],
        "registers": [attrs.asdict(register) for register in board.registers],
        "pins": [{"name": pin.name, "drive": pin.drive.value, "help": pin.help} for pin in board.pins],
        "sources": _section(text, "Sources"),
        "left_out": _section(text, "Left out"),
    }


def _module_text(card: type[Card]) -> str:
    """Docstring of the module a class stands in, also of one that was loaded from a file and is not imported."""
    for value in vars(card).values():
        if inspect.isfunction(value):
            return inspect.cleandoc(value.__globals__.get("__doc__") or "")
    return ""


def _section(text: str, title: str) -> list[str]:
    """Lines of a section of a module's docstring: on the title's line and indented or running on below it."""
    match = re.search(rf"^{title}: *(.*(?:\n(?![A-Z][a-z ]+:)\S?.*)*)", text, re.MULTILINE)
    if match is None:
        return []
    body = match[1].split("\n\n")[0] if match[1].strip() else match[1]
    return [line.strip() for line in body.splitlines() if line.strip()]


def card_lines(entry: dict[str, Any]) -> list[str]:
    """A description for people."""
    lines = [f"{entry['kind']}  {entry['is']}"]
    if entry["faithful_to"]:
        lines.append(f"  faithful to  {entry['faithful_to']}")
    for title, rows in (
        ("settings", [_setting_line(setting) for setting in entry["settings"]]),
        ("registers", [row for register in entry["registers"] for row in _register_lines(register)]),
        ("pins", _pin_lines(entry["pins"])),
        ("left out", entry["left_out"]),
        ("sources", entry["sources"]),
    ):
        lines += [f"  {title if not number else '':<12} {row}" for number, row in enumerate(rows)]
    return lines


def _setting_line(setting: dict[str, Any]) -> str:
    default = setting["default"]
    shown = json.dumps(default) if isinstance(default, str | int | bool | float) else str(default)
    choices = setting.get("one_of", ())
    bounds = ""
    if choices and len(choices) <= 6:
        bounds = f" (one of {', '.join(map(str, choices))})"
    elif "low" in setting and "high" in setting:
        bounds = f" ({setting['low']} to {setting['high']})"
    unit = f" {setting['unit']}" if setting.get("unit") else ""
    return f"{setting['name']} = {shown}{unit}{bounds}: {setting['help']}"


def _register_lines(register: dict[str, Any]) -> list[str]:
    bits = ", ".join(f"{number} {name}" for number, name in reversed(list(enumerate(register["bits"]))) if name)
    told = f" ({bits})" if bits else ""
    if register["help"]:
        told += f": {register['help']}"
    lines = [f"{register['offset']:X} {register['access']:<2} {register['name']}{told}"]
    lines += [f"     a {side} {register[f'{side}_effect']}" for side in ("read", "write") if register[f"{side}_effect"]]
    return lines


def _pin_lines(pins: list[dict[str, Any]]) -> list[str]:
    """Pins that differ in their number alone share a line."""
    told: dict[tuple[str, str], list[str]] = {}
    for pin in pins:
        told.setdefault((pin["drive"], pin["help"]), []).append(pin["name"])
    return [f"{', '.join(names)} ({drive}){f': {text}' if text else ''}" for (drive, text), names in told.items()]
