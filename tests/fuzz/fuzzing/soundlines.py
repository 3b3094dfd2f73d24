"""Command lines that a person would write: each option with a value that it takes, and with those it goes together."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

from fuzzing import texts
from fuzzing.rolls import Rolls

if TYPE_CHECKING:
    from fuzzing.commandlines import Taken

FOLDER = "m"
DEMOS = ("marlpit", "bench", "monitor", "traps", "keyboard-test", "video-test-card")
ROM = f"{FOLDER}/rom.bin"

VALUES: dict[str, Callable[[Rolls], str]] = {
    "MACHINE": lambda rolls: rolls.choice((FOLDER, FOLDER, FOLDER, f"demo:{rolls.choice(DEMOS)}", "a.kit")),
    "KIT": lambda rolls: "a.kit",
    "PATH": lambda rolls: rolls.choice(("notes.txt", FOLDER)),
    "TIME": lambda rolls: rolls.choice(("1c", "100c", "3000c", "0.001s", "20000c", "1f", "3f")),
    "MOMENT": lambda rolls: rolls.choice(("1c", "100c", "3000c", "0.001s", "20000c", "1f", "read:$FFFC")),
    "TEXT@MOMENT": lambda rolls: rolls.choice(("a", "LIST\\n", "x y")) + rolls.choice(("@0c", "@100c", "@1f")),
    "N=BUTTONS@FROM..TO": lambda rolls: (
        f"{rolls.choice('12')}={rolls.choice(('a', 'start', 'right+a'))}@{rolls.choice(('0c..90c', '1000c..1f'))}"
    ),
    "SLOT=FILE": lambda rolls: f"{rolls.choice('2245')}={rolls.choice((ROM, 'dump.hex'))}",
    "SLOT.NAME=VALUE": lambda rolls: f"{rolls.choice('12345')}.{'='.join(map(str, texts.setting(rolls)))}",
    "CLOCK": lambda rolls: rolls.choice(("1 MHz", "2 MHz", "4 MHz", "100 kHz")),
    "ENGINE": lambda rolls: rolls.choice(("auto", "exact", "core")),
    "PART": lambda rolls: rolls.choice(("28C256", "27C256", "32768", "0x8000", "27C512")),
    "OFFSET": lambda rolls: rolls.choice(("0", "0x8000")),
    "DUMP": lambda rolls: ROM,
    "DIR": lambda rolls: rolls.choice(("pictures", "folder")),
    "FOLDER": lambda rolls: rolls.choice(("copy", "a/copy", "folder")),
    "ADDR": lambda rolls: rolls.choice(("reset", "$0200", "$8000")),
    "KIND": lambda rolls: rolls.choice(texts.kinds()),
    "KEY": lambda rolls: rolls.choice(("both shifts", "right ctrl")),
    "WHERE": lambda rolls: rolls.choice(("here", "here", "device")),
    "DATE": lambda rolls: "2024-02-29",
    "RULE": lambda rolls: rolls.choice(("contention", "never-written", "decimal-open", "labels-stale")),
    "WHAT": lambda rolls: rolls.choice(
        ("lda", "lda #", "sta $7F00,x", "jmp ($10)", "A9", "$4C", "rol a", "bne", "wai")
    ),
    "NAME": lambda rolls: rolls.choice(("shed", "night-light", "lamps-and-buttons", "ports-test", "wrong-wiring")),
    "CPU": lambda rolls: rolls.choice(texts.PARTS),
    "SLOT": lambda rolls: rolls.choice("345"),
}
"""By metavar."""

FILES: dict[str, tuple[str, ...]] = {
    "--png": ("out.png", "old.png"),
    "--controls": ("controls.toml",),
    "--paste": ("text.txt",),
    "--capture": ("out.txt",),
    "--record": ("out.rec", "a.rec"),
    "--replay": ("a.rec", "old.rec"),
    "--labels": ("a.labels",),
    "--accepted": ("a.toml",),
    "--sarif": ("out.sarif",),
    "--merge": ("a.json",),
    "--save": ("out.json", "a.json"),
    "--html": ("out.html",),
    "--out": ("out.bin", "out.hex", "out.s19", "out.kit", "out.kit"),
    "--recording": ("a.rec",),
    "--notes": ("notes.txt",),
    "--licence": ("notes.txt",),
    "--verify": (ROM,),
}
"""Files of options: those that are read hold what is looked for in them, or nearly."""

NUMBERS = {"--seed": ("0", "1", "77"), "--piece": ("1", "2"), "--slot": ("2",)}

GOES_WITH = {
    "--paste": "--terminal",
    "--paste-pause": "--paste",
    "--capture": "--terminal",
    "--terminal-slot": "--terminal",
    "--piece": "--verify",
    "--at": "--out",
}
"""What an option needs beside it; of `--at` where it is an offset."""

APART = (
    ("--out", "--verify"),
    ("--split", "--at"),
    ("--headless", "--watch"),
    ("--headless", "--controls"),
    ("--headless", "--bar-key"),
    ("--headless", "--speed"),
    ("--terminal", "--watch"),
    ("--terminal", "--text"),
    ("--type", "--replay"),
    ("--pad", "--replay"),
    ("--json", "--terminal"),
)
"""What cannot be said at once: the second is left out."""


def value(rolls: Rolls, taken: Taken) -> str:
    """A value that the argument or option takes."""
    if taken.name in FILES:
        return rolls.choice(FILES[taken.name])
    if taken.name in NUMBERS:
        return rolls.choice(NUMBERS[taken.name])
    if "|" in taken.metavar:
        return rolls.choice(taken.metavar.split("|"))
    return VALUES.get(taken.metavar, lambda rolls: "1")(rolls)


def line(rolls: Rolls, path: tuple[str, ...], used: tuple[Taken, ...], most: int, needed: tuple[str, ...]) -> list[str]:
    """The words of a command line.

    Args:
        rolls: chance.
        path: words that lead to the command.
        used: what it takes.
        most: options that are taken by chance.
        needed: options that have to be there.
    """
    options = {taken.name: taken for taken in used if taken.option}
    names = [taken.name for taken in rolls.some(list(options.values()), most)]
    names += [name for name in needed if name in options and name not in names]
    if path == ("run",):
        names = [name for name in names if name != "--headless"]
        names.insert(0, "--headless") if "--at" in names else names
    names = [name for name in names if name != "--timeout"]  # for events that may not come
    if path == ("pack",) and "--out" not in names:
        names.append("--out")
    if path == ("burn",):
        names += ["--part"] if "--part" not in names else []
        names += ["--out"] if not {"--out", "--verify"} & {*names} and rolls.chance(2) else []
    for name in names:  # which grows on the way
        other = GOES_WITH.get(name)
        if other in options and other not in names and (name, options[name].metavar) != ("--at", "MOMENT"):
            names.append(other)
    for one, other in APART:
        if one in names and other in names:
            names = [name for name in names if name != other and GOES_WITH.get(name) != other]
    said = [taken for taken in used if not taken.option and (taken.needed or rolls.chance(2))]
    words = [*path, *(value(rolls, taken) for taken in said)]
    for name in names:
        words += [name] if options[name].flag else [name, value(rolls, options[name])]
    return words
