"""`simkit cards`: every card, how it is set and read, where its facts come from, whether it keeps the contract."""

from __future__ import annotations

import inspect
import json
import re
from itertools import islice
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import attrs
import typer

from simkit.backplane.areas import area_list
from simkit.commands import exits
from simkit.commands.options import JsonOption, help_text
from simkit.commands.say import say, say_json
from simkit.contract.errors import SimkitError, near
from simkit.machine.registers import placed_registers

if TYPE_CHECKING:
    from simkit.contract.card import Card
    from simkit.machine.machine import Machine
    from simkit.machinefile.description import CardDescription
    from simkit.testing.contract import ContractReport

TEST_SEEDS = 5
"""Random scripts a card goes through; each has its own seed, named in the report."""

MOST_ADDRESSES = 8
"""Addresses of a register that are told."""
MOST_WIDTH = 96
"""Characters of a line of the list, apart from the gap."""

HELP = help_text(
    "List the cards, also those that cannot be loaded, with the reason; with a name tell settings, registers, pins and "
    "sources of one.",
    "--machine lists the cards of a machine; with a slot or a name it tells of a card as this machine has it: its "
    "settings, its registers as they are wired, and their addresses; where the parts of its decoder are named, how "
    "their switches stand and what is in a programmed one. With --switches it tells how the switches must stand for "
    "another select.",
    "With --test a card goes through the contract test: a look changes nothing, it is the same however rarely it is "
    "asked, it can be saved and loaded, it refuses a damaged state, and what it promises to fast engines is true. What "
    'no script could try is told as not exercised. KIND is the name of a card, or "file:my_card.py:MyCard".',
    examples=(
        "simkit cards",
        "simkit cards serial-6551",
        "simkit cards --machine demo:marlpit",
        "simkit cards --machine demo:marlpit 4",
        'simkit cards --machine demo:decoders 3 --switches "0110 0000 0001 000x"',
        "simkit cards --test serial-6551",
        "simkit cards --test file:my_card.py:MyCard",
    ),
)


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("cards", help=HELP)(cards)


def cards(
    kind: Annotated[
        str | None, typer.Argument(metavar="[KIND]", help="Only this card, whole; in a machine its slot will do.")
    ] = None,
    machine: Annotated[
        str | None, typer.Option("--machine", metavar="MACHINE", help="The cards of this machine, as it has them.")
    ] = None,
    settings: Annotated[
        list[str] | None,
        typer.Option("--set", metavar="SLOT.NAME=VALUE", help="With --machine: a setting other than the file's."),
    ] = None,
    test: Annotated[str | None, typer.Option("--test", metavar="KIND", help="Run the contract test of a card.")] = None,
    switches: Annotated[
        str | None,
        typer.Option("--switches", metavar="PATTERN", help="With --machine: switches of the decoder for this select."),
    ] = None,
    as_json: JsonOption = False,
) -> None:
    """List, tell of or test cards (see HELP)."""
    if switches is not None and machine is None:
        raise SimkitError("--switches asks of a card in a machine.", remedy="Name the machine with --machine.")
    if test is not None:
        if kind is not None:
            raise SimkitError("One card is enough: name it with --test.", remedy="Leave the other name out.")
        if machine is not None:
            raise SimkitError("--test tries a card in no machine.", remedy="Leave --machine out, or --test.")
        _test(test, as_json)
        return
    if machine is not None:
        _in_machine(machine, kind, settings or [], switches, as_json)
        return
    if settings:
        raise SimkitError("--set is said of a card in a machine.", remedy="Name the machine with --machine.")
    described, failed = describe_all(kind)
    if as_json:
        say_json({"cards": described, "failed": failed})
        return
    if kind is None:
        width = max((len(entry["kind"]) for entry in described), default=0)
        say(*(f"{entry['kind']:<{width}}  {summary(entry['is'], MOST_WIDTH - width)}" for entry in described))
        say("", "More of one: simkit cards KIND. As a machine has them: simkit cards --machine MACHINE.")
    for entry in described if kind is not None else ():
        say(*card_lines(entry))
    for entry in failed:
        say("", f"{entry['kind']}: {entry['reason']}", error=True)


def summary(text: str, most: int) -> str:
    """The beginning of what a card is, up to where a thought ends."""
    for end in (". ", ": ", "; ", ", "):
        if len(text) <= most:
            break
        text = text.partition(end)[0]
    text = text.rstrip(".")
    return text if len(text) <= most else f"{text[: most - 1].rsplit(' ', 1)[0]}…"


def _test(kind: str, as_json: bool) -> None:
    report = contract_report(kind)
    if as_json:
        say_json(_test_json(kind, report))
    else:
        say(*_test_lines(kind, report))
    if report.problems:
        raise typer.Exit(exits.FOUND)


def _in_machine(path: str, which: str | None, settings: list[str], switches: str | None, as_json: bool) -> None:
    """Tell of the cards of a machine: of all a line, of those that are named everything."""
    from simkit.commands.options import parse_settings
    from simkit.machine.machine import Machine

    machine = Machine.load(path, settings=parse_settings(settings))
    there = machine.description.cards
    if which is None:
        chosen = list(there)
    else:
        chosen = [card for card in there if which in (str(card.slot), card.kind, card.card.kind)]
        if not chosen:
            known = [*map(str, machine.cards), *(card.kind for card in there)]
            raise SimkitError(f"{machine.description.name} has no card {which!r}.", remedy=near(which, known))
    if switches is not None:
        _tell_switches(chosen, switches, as_json)
        return
    described = [_as_wired(machine, card) for card in chosen]
    if as_json:
        say_json({"machine": machine.description.name, "cards": described})
    elif which is None:
        width = max(len(entry["kind"]) for entry in described)
        for entry in described:
            told = ", ".join(entry["addresses"]) or summary(entry["is"], MOST_WIDTH - width)
            say(f"slot {entry['slot']:<2}  {entry['kind']:<{width}}  {told}")
        say("", f"More of one: simkit cards --machine {path} SLOT.")
    else:
        for number, entry in enumerate(described):
            say(*([""] if number else []), f"slot {entry['slot']}", *card_lines(entry))


def _tell_switches(cards: list[CardDescription], pattern: str, as_json: bool) -> None:
    """How the switches of a card's decoder must stand for a select."""
    from simkit.logic.wired.switches import in_words, set_to

    if len(cards) != 1:
        raise SimkitError("--switches asks of one card.", remedy="Name its slot.")
    (card,) = cards
    if card.decode is None or "select" not in card.decode.wanted:
        raise SimkitError(
            f"The machine file names no parts that make the select of slot {card.slot}.",
            remedy="Write [card.decode] with the comparator and the lines at it.",
        )
    found = set_to(card.decode, pattern)
    if as_json:
        rows = {ref: [attrs.asdict(one) for one in row] for ref, row in found.items()}
        say_json({"slot": card.slot, "select": pattern, "switches": rows})
        return
    say(*(in_words(ref, card.decode.part(ref).part, row) for ref, row in found.items()))


def _as_wired(machine: Machine, card: CardDescription) -> dict[str, Any]:
    """A card as a machine has it: `describe`, with slot, addresses and wires."""
    from simkit.logic.wired.told import as_data
    from simkit.logic.wired.told import lines as decode_lines

    table = next(read | write for seat, read, write in machine.bus.drive_tables() if seat.slot == card.slot)
    placed = [one for one in placed_registers(machine.bus.reach.table) if one.seat.slot == card.slot]
    entry = describe(card.kind, card.card, card.settings)
    for register, one in zip(entry["registers"], placed, strict=True):
        register["addresses"] = list(islice(one.addresses(), MOST_ADDRESSES))
        if register["bits"]:
            register["bits"] = one.names()
    return {
        "slot": card.slot,
        "addresses": area_list(table),
        **entry,
        "select": list(card.select),
        "lines": dict(card.lines),
        "wires": dict(card.wires),
        **(
            {"decode": as_data(card.decode), "decode_lines": decode_lines(card.decode)}
            if card.decode is not None
            else {}
        ),
        "note": card.note,
    }


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


def describe(kind: str, card: type[Card], settings: Any = None) -> dict[str, Any]:
    """A card as its settings wire it, as plain data; None: with its default settings.

    Raises:
        CardError: its class fails.
    """
    from simkit.backplane.board import Board
    from simkit.backplane.guard import call_unplugged

    text = _module_text(card) or inspect.getdoc(card) or ""
    is_wired = settings is not None
    if not is_wired:
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
                **({"value": getattr(settings, field.name)} if is_wired else {}),
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
        ("answers at", [", ".join(entry.get("addresses", ()))] if entry.get("addresses") else []),
        ("lines", [f"{pin} to {line}" for pin, line in entry.get("lines", {}).items()]),
        ("wires", [f"{pin} on {line}" for pin, line in entry.get("wires", {}).items()]),
        ("decoder", entry.get("decode_lines", [])),
        ("note", [entry["note"]] if entry.get("note") else []),
        ("settings", [_setting_line(setting) for setting in entry["settings"]]),
        ("registers", [row for register in entry["registers"] for row in _register_lines(register)]),
        ("pins", _pin_lines(entry["pins"])),
        ("left out", entry["left_out"]),
        ("sources", entry["sources"]),
    ):
        lines += [f"  {title if not number else '':<12} {row}" for number, row in enumerate(rows)]
    return lines


def _setting_line(setting: dict[str, Any]) -> str:
    shown = _value(setting.get("value", setting["default"]))
    choices = setting.get("one_of", ())
    bounds = ""
    if choices and len(choices) <= 6:
        bounds = f" (one of {', '.join(map(str, choices))})"
    elif "low" in setting and "high" in setting:
        bounds = f" ({setting['low']} to {setting['high']})"
    unit = f" {setting['unit']}" if setting.get("unit") else ""
    if setting.get("value", setting["default"]) != setting["default"]:
        bounds += f" (not {_value(setting['default'])}, the default)"
    return f"{setting['name']} = {shown}{unit}{bounds}: {setting['help']}"


def _value(value: Any) -> str:
    return json.dumps(value) if isinstance(value, str | int | bool | float) else str(value)


def _register_lines(register: dict[str, Any]) -> list[str]:
    bits = ", ".join(f"{number} {name}" for number, name in reversed(list(enumerate(register["bits"]))) if name)
    told = f" ({bits})" if bits else ""
    if register["help"]:
        told += f": {register['help']}"
    at = " ".join(f"${address:04X}" for address in register.get("addresses", ())[:1]) or f"{register['offset']:X}"
    lines = [f"{at} {register['access']:<2} {register['name']}{told}"]
    lines += [f"     a {side} {register[f'{side}_effect']}" for side in ("read", "write") if register[f"{side}_effect"]]
    return lines


def _pin_lines(pins: list[dict[str, Any]]) -> list[str]:
    """Pins that differ in their number alone share a line."""
    told: dict[tuple[str, str], list[str]] = {}
    for pin in pins:
        told.setdefault((pin["drive"], pin["help"]), []).append(pin["name"])
    return [f"{', '.join(names)} ({drive}){f': {text}' if text else ''}" for (drive, text), names in told.items()]
