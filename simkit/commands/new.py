"""`simkit new`: a working start that runs at once."""

from __future__ import annotations

import os
import re
import shlex
from collections.abc import Mapping
from pathlib import Path
from typing import Annotated

import typer

from simkit.commands.new_card import HELP as CARD_HELP
from simkit.commands.new_card import new_card
from simkit.commands.new_test_rom import HELP as TEST_ROM_HELP
from simkit.commands.new_test_rom import new_test_rom
from simkit.commands.options import ForceOption, JsonOption, help_text, takes_machine
from simkit.commands.plain_help import PlainGroup, PlainTyper
from simkit.commands.say import say, say_json, say_notes
from simkit.contract.errors import SimkitError
from simkit.files.bounded import read_bounded
from simkit.files.whole import Written, write_together

GROUP_HELP = help_text(
    "Write a working start: a machine, a card, or a ROM that tries a card.",
    examples=(
        "simkit new machine my-machine",
        "simkit new card my-machine/night-light",
        "simkit new test-rom my-machine --slot 3",
    ),
)
MACHINE_HELP = help_text(
    "Write a machine into a new folder: machine.toml, a hello program (source, letters, constants, image, labels, "
    "listing), build.py that assembles it anew (pip install ophis-asm), and a test.",
    "It runs at once: RAM, ROM, a keyboard and a tile video card. Change the jumpers, add cards, write your own ROM.",
    examples=("simkit new machine my-machine", "simkit run my-machine", "pytest my-machine"),
)

ROM_NAME = "hello"
ROM_SUFFIXES = (".asm", ".bin", ".labels", ".lst")
LETTERS = "drivers/font.asm"  # the program includes it, and the next
WIRING = f"{ROM_NAME}-wiring.inc"
BUILD = "build.py"
MAX_NAME = 60
MAX_FILE_BYTES = 1_000_000

MACHINE_FILE = """\
# {name}: four cards on a backplane. `simkit run` starts it, `simkit check` looks it through.
# Addresses: RAM $0000-$7EFF, the I/O page $7F00-$7FFF, ROM $8000-$FFFF.
name = {quoted}
about = "RAM, ROM, a keyboard and a screen, to be changed"
clock = "2 MHz"
cpu = "65C02"                          # or "6502", the NMOS part
seed = 1                               # of everything that real hardware leaves to chance

[[card]]
slot = 1
kind = "sram"
select = "0xxx xxxx xxxx xxxx"         # A15 .. A0; x = not decoded
not_select = ["0111 1111 xxxx xxxx"]   # the I/O page is gated out

[[card]]
slot = 2
kind = "rom"
select = "1xxx xxxx xxxx xxxx"
image = "hello.bin"
labels = "hello.labels"

[[card]]
slot = 3
kind = "keyboard"
select = "0111 1111 0001 000x"         # $7F10 status, $7F11 data
constants = "hello-wiring.inc"         # made from this file, see there; every check compares it

[[card]]
slot = 4
kind = "tile-video"
name = "video"                         # its constants begin with VIDEO_
select = "0111 1111 0011 000x"         # $7F30 video memory, $7F31 control and status
constants = "hello-wiring.inc"
"""

TEST_FILE = '''\
"""Tests of the machine: run them with `pytest`."""

from pathlib import Path

import pytest

pytestmark = pytest.mark.machine(str(Path(__file__).parent))  # each test gets this machine, just switched on


def test_it_says_hello(machine):
    machine.run(screen_text="HELLO!", timeout=1)


def test_a_key_shows_its_codes(machine):
    """A: make code 1C, break code F0 1C of scan code set 2."""
    machine.keys.type("a")  # waits for the keyboard's self-test, whose code AA comes first
    machine.run(screen_text="AA 1C F0 1C", timeout=3)


def test_it_breaks_no_rule_of_the_hardware(machine):
    machine.run(seconds=1)
    assert not list(machine.findings)
'''


def register(app: typer.Typer) -> None:
    """Add the group."""
    group = PlainTyper(cls=PlainGroup, rich_markup_mode=None)
    group.command("machine", help=MACHINE_HELP, short_help="a machine with a program that runs at once")(new_machine)
    group.command("card", help=CARD_HELP, short_help="a card that works at once: a file, or a package")(new_card)
    group.command("test-rom", help=TEST_ROM_HELP, short_help="a ROM that tries the card in a slot")(
        takes_machine(new_test_rom)
    )
    group.callback(help=GROUP_HELP)(_no_options)
    app.add_typer(group, name="new", help=GROUP_HELP)


def _no_options() -> None:
    """The group has no options of its own."""


def new_machine(
    name: Annotated[str, typer.Argument(metavar="NAME", help="Name of the machine and of its new folder.")],
    force: ForceOption = False,
    as_json: JsonOption = False,
) -> None:
    """Write a machine that runs at once (see MACHINE_HELP)."""
    folder, written = write_machine(Path(name), force=force)
    say_notes(written)
    if as_json:
        say_json({"folder": str(folder), "files": [str(path) for path in written.files]})
        return
    say(f"{folder} holds {', '.join(path.relative_to(folder).as_posix() for path in written.files)}.")
    typed = shlex.quote(str(folder))
    build = shlex.quote(str(folder / BUILD))
    say(f"Run it:   simkit run {typed}", f"Test it:  pytest {typed}")
    say(f"Build it: pip install ophis-asm; python {build}")


def write_machine(folder: Path, *, force: bool = False) -> tuple[Path, Written]:
    """Write the start of a machine into a folder that does not exist yet; by force also into one that does.

    Returns:
        The folder, and what was written.

    Raises:
        FileError: the system does not let it be written.
        SimkitError: the name cannot be used, or there is something of that name.
    """
    from simkit.machinefile.shipped import shipped_folder
    from simkit.machinefile.tomlfile import quoted

    name = folder.name
    if not name or len(name) > MAX_NAME or not name.isprintable() or name.startswith("."):
        raise SimkitError(
            f"{str(folder)!r} is not a name for a machine.", remedy=f"Write up to {MAX_NAME} letters, figures, - and _."
        )
    if os.path.lexists(folder) and not force:
        remedy = "Choose another name; --force writes into the folder, over files of the same names."
        raise SimkitError(f"{folder} exists already; nothing was written.", remedy=remedy)
    roms = shipped_folder() / "roms"
    test_name = f"test_{re.sub(r'[^A-Za-z0-9]+', '_', name).strip('_').lower() or 'machine'}.py"
    written = [
        folder / "machine.toml",
        *(folder / f"{ROM_NAME}{suffix}" for suffix in ROM_SUFFIXES),
        folder / LETTERS,
        folder / BUILD,
        folder / WIRING,
        folder / test_name,
    ]
    contents: dict[Path, str | bytes] = {written[0]: MACHINE_FILE.format(name=name, quoted=quoted(name))}
    contents |= {path: read_bounded(roms / path.relative_to(folder), MAX_FILE_BYTES, "file") for path in written[1:-2]}
    contents[written[-2]] = _wiring(contents, folder)
    contents[written[-1]] = TEST_FILE
    return folder, write_together(contents, what="machine", force=force, make_folders=True)


def _wiring(contents: Mapping[Path, str | bytes], folder: Path) -> str:
    """The constants of the machine, which is put together in a place of its own for them."""
    from simkit.address_map.constants import constants_of, wiring_identity
    from simkit.address_map.syntaxes import constants_file
    from simkit.files.temporary import temporary_folder
    from simkit.machine.machine import Machine

    with temporary_folder() as place:
        write_together(
            {place / path.relative_to(folder): content for path, content in contents.items()}, make_folders=True
        )
        machine = Machine.load(place)
        return constants_file(constants_of(machine), machine.description.name, wiring_identity(machine), "ophis")
