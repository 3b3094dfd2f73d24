"""What the last word of a half-written command line can become."""

from __future__ import annotations

import contextlib
import os
import shlex
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import attrs
import typer

from simkit.commands.app import COMMANDS, build_app
from simkit.contract.errors import SimkitError

MOST = 500
"""Candidates that a shell is given."""
_MAX_LINE = 20_000
_FIXED = {
    "--engine": ("auto", "exact", "core"),
    "--cpu": ("6502", "65C02"),
    "--speed": ("half", "real", "double", "fast"),
    "--kind": ("fetch", "data", "dummy", "interrupt", "reset", "repeat"),
    "--only": ("reads", "writes"),
    "--terminal": ("here", "port:", "device"),
}
_SAFE = frozenset("abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789_./:=+-@%,#")


def last_word(line: str) -> str:
    """The word at the end of a line, without its quotes; "" behind a blank."""
    return _words(line)[-1]


def candidates(line: str) -> dict[str, str]:
    """What the last word can become, with a few words on each; only what a shell takes without quotes.

    Args:
        line: from the name of the program up to the cursor.
    """
    *before, word = _words(line)
    if not before:
        return {}
    try:
        offered = _offered(before[1:], word)
    except SimkitError:  # the machine that is named cannot be read, or the line makes no sense
        return {}
    fitting = {text: told for text, told in offered.items() if text.startswith(word) and set(text) <= _SAFE}
    return dict(list(fitting.items())[:MOST])


def _words(line: str) -> list[str]:
    """Words of a line, the unfinished one last."""
    text = line[:_MAX_LINE]
    for closing in ("", "'", '"'):
        with contextlib.suppress(ValueError):
            words = shlex.split(text + closing)
            return [*words, ""] if not closing and text[-1:].isspace() and not text.endswith("\\ ") else words or [""]
    return [""]


def _offered(words: Sequence[str], word: str) -> dict[str, str]:
    if not words:
        return {name: command.summary for name, command in COMMANDS.items()}
    if words[0] not in COMMANDS:
        return {}
    command: Any = typer.main.get_command(build_app([words[0]]))
    rest = list(words)
    while rest and hasattr(command, "commands"):
        inner = command.commands.get(rest[0])
        if inner is None:
            return {}
        command = inner
        rest.pop(0)
    if hasattr(command, "commands"):
        return {name: each.short_help or "" for name, each in command.commands.items()}
    return _of_command(_Line.of(words[0], command, rest), word)


@attrs.frozen
class _Line:
    """The words behind a command, told apart.

    Attributes:
        command: its name.
        options: parameters by option.
        arguments: words that are arguments.
        names: metavars of the arguments, in order.
        given: values by option.
        waiting: the option whose value comes next, or None.
    """

    command: str
    options: dict[str, Any]
    arguments: list[str]
    names: list[str]
    given: dict[str, str]
    waiting: str | None

    @classmethod
    def of(cls, name: str, command: Any, words: Sequence[str]) -> _Line:
        options = {option: one for one in command.params for option in one.opts if option.startswith("--")}
        names = [one.metavar or "" for one in command.params if one.param_type_name == "argument"]
        arguments: list[str] = []
        given: dict[str, str] = {}
        waiting = None
        for word in words:
            if waiting is not None:
                given[waiting], waiting = word, None
            elif word in options and not options[word].is_flag:
                waiting = word
            elif not word.startswith("-"):
                arguments.append(word)
        return cls(name, options, arguments, names, given, waiting)

    @property
    def machine(self) -> str | None:
        """The machine that is named."""
        named = [word for name, word in zip(self.names, self.arguments, strict=False) if "MACHINE" in name]
        return self.given.get("--machine") or (named[0] if named else None)


def _of_command(line: _Line, word: str) -> dict[str, str]:
    if line.waiting is not None:
        return _values(line.waiting, line.options[line.waiting].metavar or "", line, word)
    if word.startswith("-"):
        option, equals, value = word.partition("=")
        if equals and option in line.options:
            found = _values(option, line.options[option].metavar or "", line, value)
            return {f"{option}={text}": told for text, told in found.items()}
        return {option: (one.help or "").partition(". ")[0] for option, one in line.options.items()}
    number = len(line.arguments)
    if number >= len(line.names):
        number = len(line.names) - 1  # the last one may stand for several words
    return _arguments(line.names[number].strip("[]{}"), line, word) if line.names else {}


def _arguments(name: str, line: _Line, word: str) -> dict[str, str]:
    if name == "MACHINE":
        return _machines(word)
    if name == "RULE":
        from simkit.check.rules.catalogue import RULES
        from simkit.commands.explain import CAPTURES, FAULTS, PARTS

        pages = {
            FAULTS: "which faults can be put into a machine",
            CAPTURES: "which captures of a real bus are read",
            PARTS: "how parts are named, and how fast they are",
        }
        return pages | {rule: told.title for rule, told in RULES.items()}
    if name == "KIND":
        return _slots(line) if line.machine else _kinds()
    if name == "WHAT":
        return _labels(line) if line.machine else _mnemonics()
    if name == "SHELL":
        return dict.fromkeys(("bash", "zsh", "fish"), "")
    if line.command == "demo" and name == "NAME":
        return {text.removeprefix("demo:"): told for text, told in _demos().items()}
    return {}


def _values(option: str, metavar: str, line: _Line, word: str) -> dict[str, str]:
    if option in _FIXED:
        return dict.fromkeys(_FIXED[option], "")
    if option == "--machine":
        return _machines(word)
    if option == "--test":
        return _kinds()
    if option in ("--memory", "--address", "--label"):
        return _labels(line)
    if option == "--set":
        return _settings(line)
    if option == "--image":
        return {f"{slot}=": told for slot, told in _slots(line, with_kinds=False).items()}
    if option in ("--slot", "--terminal-slot", "--screen"):
        return _slots(line, with_kinds=False)
    if metavar in ("MOMENT", "N|MOMENT"):
        return _moments(line, word)
    if metavar == "TEXT@MOMENT" and "@" in word:
        before, _, moment = word.rpartition("@")
        return {f"{before}@{text}": told for text, told in _moments(line, moment).items()}
    return {}


def _moments(line: _Line, word: str) -> dict[str, str]:
    from simkit.machine.moments import KINDS

    kind, colon, _ = word.partition(":")
    if not colon:
        return {f"{each}:": told for each, told in KINDS.items()}
    if kind in ("label", "read", "write", "access"):
        return {f"{kind}:{name}": told for name, told in _labels(line).items()}
    if kind == "finding":
        return {f"finding:{name}": told for name, told in _arguments("RULE", line, word).items()}
    return {}


def _machines(word: str) -> dict[str, str]:
    from simkit.machinefile.merge import MACHINE_FILE

    start = Path(word).parent if os.sep in word else Path()
    with contextlib.suppress(OSError, ValueError):
        here = sorted(entry.name for entry in os.scandir(start) if entry.is_dir() and not entry.name.startswith("."))
        beside = {(start / name).as_posix(): "" for name in here if os.path.lexists(start / name / MACHINE_FILE)}
        return _demos() | beside
    return _demos()


def _demos() -> dict[str, str]:
    from simkit.commands.demo import DEMO, shipped_demos

    return {f"{DEMO}{demo.name}": demo.about for demo in shipped_demos()}


def _kinds() -> dict[str, str]:
    from simkit.machinefile.catalogue import entries

    return dict.fromkeys(sorted(entries()), "")


def _mnemonics() -> dict[str, str]:
    from simkit.cpu.isa.opcodes import OPCODES

    return dict.fromkeys(sorted({each.mnemonic.lower() for part in OPCODES.values() for each in part}), "")


@attrs.frozen
class _Card:
    """A card as the machine file writes it; nothing of its own code is run.

    Attributes:
        kind: as written.
        lists: its label lists.
    """

    kind: str
    lists: list[Path]


def _cards_of(line: _Line) -> dict[int, _Card]:
    """Cards of the machine that is named, by slot: read from its file alone, since a key press must run no program."""
    from simkit.machinefile.merge import MachineErrors, Merged
    from simkit.machinefile.read import machine_path

    if line.machine is None:
        return {}
    merged = Merged(machine_path(line.machine), MachineErrors())
    merged.read()
    found = {}
    for slot, table in sorted(merged.cards.items()):
        lists = table.values.get("labels", ())
        paths = [lists] if isinstance(lists, str) else [text for text in lists if isinstance(text, str)]
        folder = table.folders.get("labels", Path())
        found[slot] = _Card(str(table.values.get("kind", "")), [folder / path for path in paths])
    return found


def _slots(line: _Line, *, with_kinds: bool = True) -> dict[str, str]:
    cards = _cards_of(line)
    found = {str(slot): card.kind for slot, card in cards.items()}
    return found | ({card.kind: "" for card in cards.values()} if with_kinds else {})


def _settings(line: _Line) -> dict[str, str]:
    from simkit.machinefile.catalogue import entries, load_entry

    known = entries()
    found: dict[str, str] = {}
    for slot, card in _cards_of(line).items():
        if card.kind in known:
            for field in attrs.fields(load_entry(known[card.kind]).Settings):
                found[f"{slot}.{field.name}="] = str(field.metadata.get("help", ""))
    return found


def _labels(line: _Line) -> dict[str, str]:
    from simkit.rom.labels import read_labels

    found: dict[str, str] = {}
    for card in _cards_of(line).values():
        for path in card.lists:
            found |= {name: f"${address:04X}" for name, address in read_labels(path).items()}
    return found
