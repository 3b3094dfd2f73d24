"""Command lines of every command, made from what the commands themselves say they take.

A new command, argument or option is among them by itself: what stands as its metavar says which values to try, and one
whose metavar is not known gets texts, numbers and paths.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from functools import cache
from typing import Any

import attrs
import typer

from fuzzing import binaries, corpus, kits, lists, paths, soundlines, texts
from fuzzing.rolls import Rolls
from fuzzing.sample import FIFO, FOLDER, Content, Sample, Special
from fuzzing.structure import spoilt, toml
from simkit.commands.app import COMMANDS, build_app

FOLDER_NAME = "m"
"""Where the machine of the sample lies."""

READ = {"--replay", "--merge", "--labels", "--accepted", "--controls", "--verify", "--paste"}
READ |= {"--recording", "--notes", "--licence"}
"""Options whose FILE is read; what any other one names may be written, so it lies in the working folder."""

HAND_OVER = {"--paste", "--capture", "--terminal"}
"""Bytes of these come and go as they are: a line's content is no message."""

LONG = {"bench", "page", "suspect"}
"""Commands that measure for many seconds or start other programs; only what they refuse is tried."""

LONG_OPTIONS = {"--test", "--card"}
"""The same, of options."""

MOMENT = "MOMENT"
LENGTH = "--at"
"""The last name of the option that says when a run ends; `burn` has another of that name."""
"""How long a command runs; said with every one, as the default is seconds."""


@attrs.frozen
class Taken:
    """An argument or option.

    Attributes:
        name: of an option with its dashes; of an argument its metavar.
        metavar: what stands for the value.
        flag: there is no value.
        many: may be repeated.
        needed: an argument that must be there.
        option: whether it is an option.
    """

    name: str
    metavar: str
    flag: bool
    many: bool
    needed: bool
    option: bool


@cache
def commands() -> dict[tuple[str, ...], tuple[Taken, ...]]:
    """What each command takes, by the words that lead to it."""
    return {
        path: tuple(_taken(parameter) for parameter in command.params if "--help" not in parameter.opts)
        for path, command in _leaves(typer.main.get_command(build_app(list(COMMANDS))), ())
    }


def _leaves(command: Any, path: tuple[str, ...]) -> Iterator[tuple[tuple[str, ...], Any]]:
    if hasattr(command, "commands"):
        for name, below in command.commands.items():
            yield from _leaves(below, (*path, name))
    else:
        yield path, command


def _taken(parameter: Any) -> Taken:
    option = parameter.opts[-1].startswith("-")
    metavar = (parameter.metavar or parameter.name.upper()).strip("[]")
    return Taken(
        name=parameter.opts[-1] if option else metavar,
        metavar=metavar,
        flag=bool(getattr(parameter, "is_flag", False)),
        many=bool(getattr(parameter, "multiple", False)) or getattr(parameter, "nargs", 1) == -1,
        needed=bool(parameter.required),
        option=option,
    )


# values by metavar ----------------------------------------------------------------------------------------------------


def _machine(rolls: Rolls) -> str:
    if rolls.randrange(3):
        return FOLDER_NAME if rolls.randrange(6) else kits.KIT
    demos = ("marlpit", "bench", "monitor", "traps", "wrong-wiring/pad-order-reversed", "nothing", "", "../bench")
    return f"demo:{rolls.choice(demos)}" if rolls.randrange(3) else paths.to_read(rolls)


def _written(rolls: Rolls) -> str:
    names = (
        "out.png",
        "out.bin",
        "out.hex",
        "out.s19",
        "out.json",
        "new/out.png",
        "pipe",
        "folder",
        "",
        ".",
        "x" * 300,
    )
    names += (
        f"{FOLDER_NAME}/machine.toml",
        f"{FOLDER_NAME}/rom.bin",
        "/dev/null",
        "/dev/full",
        "notes.txt",
        "notes.png",
        "caf\u00e9.png",
    )
    return rolls.choice((*names, "out.png", "\x1b[2J.png", "\u202egnp.png", "-", "--", "~", "a\nb.png"))


def _label_or_address(rolls: Rolls) -> str:
    return rolls.choice(("reset", "$0200", "$FFFF", "$10000", "0200", "0xFF", "$", "nothing", rolls.word()))


def _instruction(rolls: Rolls) -> str:
    mnemonic = rolls.choice(("lda", "STA", "jmp", "A9", "$4C", "bbr0", "rol", "0x00", "xyz", "", "reset", rolls.word()))
    operand = rolls.choice(
        ("", " #", " $7F20,x", " ($10),y", " a", " 'x'", " <label", " ($1234,x)", f" {rolls.word()}", " " * 3000 + "#")
    )
    return mnemonic + operand


def _name(rolls: Rolls) -> str:
    """A name for something new; inside the working folder."""
    return rolls.choice(
        (
            "shed",
            "night-light",
            "m",
            "a/b",
            "",
            ".",
            "9lives",
            "class",
            "x" * 70,
            "caf\u00e9",
            "sram",
            "pipe",
            rolls.word(),
        )
    ).lstrip("/")


VALUES: dict[str, Callable[[Rolls], str]] = {
    "MACHINE": _machine,
    "TIME": lambda rolls: texts.duration(rolls, short=rolls.randrange(4) > 0),
    "MOMENT": lambda rolls: texts.duration(rolls, short=rolls.randrange(4) > 0),
    "TEXT@MOMENT": texts.typing,
    "N=BUTTONS@FROM..TO": texts.pad,
    "SLOT=FILE": lambda rolls: (
        f"{rolls.choice(('2', '1', '7', 'x', ''))}={rolls.choice((f'{FOLDER_NAME}/rom.bin', paths.to_read(rolls)))}"
    ),
    "SLOT.NAME=VALUE": texts.setting_option,
    "CLOCK": texts.clock,
    "ENGINE": lambda rolls: rolls.choice(("auto", "exact", "core", "fast", "")),
    "PART": lambda rolls: rolls.choice(
        ("28C256", "27C64", "27C512", "32768", "0x8000", "0", "1", "-1", "1e9", "28C", rolls.word())
    ),
    "OFFSET": lambda rolls: rolls.choice(("0", "0x4000", "$8000", "-0x8000", "65536", "1_000", rolls.word())),
    "DUMP": lambda rolls: rolls.choice((f"{FOLDER_NAME}/rom.bin", "dump.hex", "dump.bin", paths.to_read(rolls))),
    "FILE": _written,
    "DIR": _written,
    "FOLDER": _name,
    "ADDR": _label_or_address,
    "KIND": lambda rolls: rolls.choice(
        (*texts.kinds(), texts.kind_of_card(rolls), f"file:{FOLDER_NAME}/trap_card.py:TrapCard")
    ),
    "KEY": lambda rolls: rolls.choice(("both shifts", "right ctrl", "", rolls.word())),
    "WHERE": lambda rolls: rolls.choice(
        ("here", "device", "here:1", "port:0", "port:99999", "port:", "stdio", "", rolls.word())
    ),
    "DATE": lambda rolls: rolls.choice(("2024-02-30", "today", "", rolls.word())),
    "RULE": lambda rolls: rolls.choice(("contention", "never-written", "", rolls.word())),
    "WHAT": _instruction,
    "NAME": _name,
    "KIT": lambda rolls: kits.KIT if rolls.randrange(3) else paths.to_read(rolls),
    "PATH": lambda rolls: rolls.choice((f"{FOLDER_NAME}/rom.bin", FOLDER_NAME, "notes.txt", paths.to_read(rolls))),
    "CPU": lambda rolls: rolls.choice((*texts.PARTS, "Z80", "")),
}
"""Values by metavar."""


def _value(rolls: Rolls, taken: Taken) -> str:
    if taken.name in READ:
        return paths.to_read(rolls) if rolls.chance(3) else rolls.choice(tuple(EXTRAS))
    if rolls.chance(25):
        return rolls.word()
    if taken.metavar in ("N", "SLOT"):
        return rolls.choice(("1", "2", "3", "4", "5", "0", "-1", "99", "1.5", "", str(rolls.number())))
    if "|" in taken.metavar:
        return rolls.choice((*taken.metavar.split("|"), "", rolls.word()))
    make = VALUES.get(taken.metavar)
    if make is not None:
        return make(rolls)
    return rolls.choice((rolls.word(), str(rolls.number()), paths.to_read(rolls), _written(rolls)))


EXTRAS: dict[str, Callable[[Rolls], Content]] = {
    "a.labels": lists.labels,
    "a.rec": lambda rolls: (
        rolls.spoil(corpus.written()["recording"]) if rolls.chance(2) else corpus.written()["recording"]
    ),
    "old.rec": lambda rolls: json.dumps(corpus.old_recording(rolls.choice((1, 2)))).encode(),
    "text.txt": lambda rolls: rolls.spoil(b"10 PRINT\n20 GOTO 10\n"),
    "a.json": lambda rolls: rolls.spoil(corpus.written()["counts"]) if rolls.chance(2) else corpus.written()["counts"],
    "a.toml": lambda rolls: toml(rolls, corpus.accepted()).encode(),
    "controls.toml": lambda rolls: toml(rolls, corpus.controls()).encode(),
    "dump.hex": lists.intel_hex,
    "dump.bin": binaries.raw,
    "notes.txt": lambda rolls: b"keep me\n",
    "notes.png": lambda rolls: b"keep me, too\n",
    "old.png": lambda rolls: corpus.written()["png"],
    kits.KIT: kits.content,
    "pipe": lambda rolls: Special(FIFO),
    "folder": lambda rolls: Special(FOLDER),
}
"""Files beside the machine that options can name."""

BESIDE: dict[str, Callable[[Rolls], Content]] = {
    "accepted.toml": EXTRAS["a.toml"],
    "controls.toml": EXTRAS["controls.toml"],
    "rom.lst": lists.listing,
}
"""Files that are found beside a machine by their names."""


def command(rolls: Rolls) -> Sample:
    """A command line with the files that it names."""
    path = rolls.choice(list(commands()))
    used = commands()[path]
    if path[0] not in LONG and rolls.chance(2):
        return _sound(rolls, path, used)
    words = list(path)
    for taken in used:
        if not taken.option and (taken.needed or rolls.chance(2)):
            words += [_value(rolls, taken) for _ in range(rolls.randint(1, 2) if taken.many else 1)]
    options: list[str] = []
    for taken in rolls.some([taken for taken in used if taken.option and not _is_length(taken)], 4):
        options += _option(rolls, taken)
    for taken in used:
        if _is_length(taken):
            length = texts.duration(rolls, short=True) if rolls.randrange(4) else f"{rolls.word()}!"
            options += [taken.name, length] if rolls.randrange(6) else [f"{taken.name}={length}"]
    if path == ("run",) and rolls.randrange(8):
        options.append("--headless")
    if path[0] in LONG or LONG_OPTIONS & {word.partition("=")[0] for word in options}:
        options.append(rolls.choice(("--nope", "--json=1", f"--{rolls.word()}!")))
    if rolls.chance(12):
        words.append(rolls.word())
    if rolls.chance(25):
        rolls.shuffle(options)
    if rolls.chance(40):
        words = words[:-1]
    line = words + options if rolls.randrange(4) else [*words[: len(path)], *options, *words[len(path) :]]
    line = [word.replace("\0", "") for word in line]  # which no system can hand over
    return Sample(call="command", files=_files(rolls, line), argv=tuple(line))


def _sound(rolls: Rolls, path: tuple[str, ...], used: tuple[Taken, ...]) -> Sample:
    """A line that a person would write, now and then with a slip of the hand in one of its words."""
    used = tuple(taken for taken in used if taken.name not in LONG_OPTIONS)
    lengths = tuple(taken.name for taken in used if _is_length(taken))
    if path == ("run",) and rolls.chance(8):
        lengths = ()  # to the window, which finds no display
    line = soundlines.line(rolls, path, used, 3, lengths)
    if rolls.chance(8):
        at = rolls.randrange(len(path), len(line)) if len(line) > len(path) else 0
        line[at] = spoilt(rolls, line[at]).replace("\0", "")
    return Sample(call="command", files=_files(rolls, line), argv=tuple(line))


def _is_length(taken: Taken) -> bool:
    return taken.name == LENGTH and taken.metavar == MOMENT


def _option(rolls: Rolls, taken: Taken) -> list[str]:
    if taken.flag:
        return [taken.name]
    found: list[str] = []
    for _ in range(rolls.randint(1, 3) if taken.many else 1):
        value = _value(rolls, taken)
        found += [f"{taken.name}={value}"] if rolls.chance(4) or value.startswith("-") else [taken.name, value]
    return found if rolls.randrange(40) else found[:-1]


def _files(rolls: Rolls, line: list[str]) -> dict[str, Content]:
    """The machine, and those of the extras that the line names."""
    named = " ".join(line)
    files: dict[str, Content] = {}
    found = rolls.choice(corpus.machines())
    for name, content in found.items():
        files[f"{FOLDER_NAME}/{name}"] = toml(rolls, content).encode() if isinstance(content, dict) else content
    for name in ("accepted.toml", "controls.toml", "rom.lst"):
        if rolls.chance(9):
            files[f"{FOLDER_NAME}/{name}"] = BESIDE[name](rolls)
    for name, make in EXTRAS.items():
        if name in named:
            files[name] = make(rolls)
    if any(name in named for name in ("circle", "to-zero", "to-secret")):
        files |= paths.AROUND
    return files
