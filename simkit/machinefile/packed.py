"""A kit as MACHINE: what it describes is read and nothing in it is run, and it reads nothing outside of itself."""

from __future__ import annotations

import os
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path

from simkit.contract.errors import SimkitError
from simkit.files.bounded import is_file
from simkit.files.temporary import temporary_folder
from simkit.kitfile.errors import KitError
from simkit.kitfile.manifest import Manifest, Needed
from simkit.kitfile.reading import Kit, read_kit
from simkit.kitfile.unpacking import at_home, unpack
from simkit.machinefile.catalogue import FILE_PREFIX, entries, load_entry
from simkit.machinefile.merge import KNOWN_BY, MACHINE_FILE, MAX_BASES, MachineErrors, Merged
from simkit.machinefile.named import named_files
from simkit.machinefile.tomlfile import read_toml


def machine_in_kit(path: Path) -> Path:
    """The machine file of a kit, in the user's cache folder.

    Raises:
        FileError: the kit cannot be read, or not be unpacked there.
        SimkitError: it is no kit, needs a card that is not installed, brings cards of its own, or names files outside.
    """
    kit = read_kit(path)
    missing = [text for one in kit.manifest.cards if (text := not_here(one)) is not None]
    if missing:
        raise SimkitError(missing[0], file=str(path), lines=missing[1:])
    folder = at_home(kit)
    machine_file = folder / kit.manifest.machine
    refuse_what_leads_out(machine_file, folder, str(path))
    own = own_cards(machine_file)
    if own:
        raise SimkitError(
            f"The kit brings cards of its own ({', '.join(own)}), and nothing of a kit is run from it.",
            file=str(path),
            remedy=f"`simkit unpack {path} FOLDER` gives a folder, and a folder is a program: run it if you would run "
            "a program of whoever packed it. On a page of `simkit page` the browser keeps such cards in.",
        )
    return machine_file


def not_here(card: Needed) -> str | None:
    """That a card's package is not installed, and how to get it; None: it is."""
    if not card.package:
        return None
    try:
        version(card.package)
    except PackageNotFoundError:
        return (
            f"Slot {card.slot}: the card {card.kind} comes from the package {card.package} {card.version}, which is "
            f"not installed: pip install {card.package}=={card.version}"
        )
    return None


def notes_on(manifest: Manifest) -> list[str]:
    """What is to be told of cards that are here in another version than the kit was packed with."""
    known = entries()
    found: dict[str, str] = {}
    for card in manifest.cards:
        if not card.package or not_here(card) is not None:
            continue
        here = version(card.package)
        if here != card.version:
            found[card.package] = (
                f"The kit was packed with {card.package} {card.version}; here is {here}. Recordings tell whether "
                "anything is different."
            )
        model = load_entry(known[card.kind]).model if card.kind in known else card.model
        if model != card.model:
            found[f"slot {card.slot}"] = (
                f"Slot {card.slot}: {card.kind} was model {card.model} of the card when the kit was packed and is "
                f"model {model} here; its behaviour has changed."
            )
    return list(found.values())


def own_cards(machine_file: Path) -> list[str]:
    """Kinds of the cards that a machine brings as Python files."""
    merged = Merged(machine_file, MachineErrors())
    merged.read()
    kinds = (card.values.get("kind") for card in merged.cards.values())
    return [kind for kind in kinds if isinstance(kind, str) and kind.startswith(FILE_PREFIX)]


def code_in(kit: Kit) -> list[str]:
    """Kinds of the cards that a kit brings as Python files, whatever its manifest says of them.

    Raises:
        KitError: a machine file in it names a file outside of it.
        FileError: there is no room to look.
    """
    with temporary_folder() as home:
        unpack(kit, home)
        machine_file = home / kit.manifest.machine
        try:
            refuse_what_leads_out(machine_file, home, str(kit.path))
            return own_cards(machine_file)
        except KitError:
            raise
        except SimkitError:
            return []  # nobody can load it, and whoever tries is told why


def refuse_what_leads_out(machine_file: Path, folder: Path, kit: str) -> None:
    """Refuse a machine file that names anything outside of a folder, before anything of it is read.

    Raises:
        KitError: it does.
        SimkitError: a machine file cannot be read.
    """
    root = folder.resolve()

    def check(path: Path) -> None:
        try:
            real = Path(os.path.realpath(path))
        except ValueError:  # a NUL: it leads nowhere, as whoever reads it says
            return
        if not real.is_relative_to(root):
            raise KitError(
                "A machine file in the kit names a file outside of it.",
                file=kit,
                remedy="A kit reads nothing outside of itself. Get it again from whoever packed it.",
            )

    at: Path | None = machine_file
    for _ in range(MAX_BASES + 1):
        if at is None:
            break
        check(at)
        base = read_toml(at, "machine file", KNOWN_BY).data.get("base")
        at = at.parent / base if isinstance(base, str) else None
        if at is not None:
            check(at)
            at = at if is_file(at) else at / MACHINE_FILE
            at = at if is_file(at) else None
    for path in named_files(machine_file):
        check(path)
