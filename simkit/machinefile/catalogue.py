"""The cards there are: found through the entry-point group "simkit.cards", as anybody's own package is."""

from __future__ import annotations

import importlib.util
from collections.abc import Mapping
from importlib.metadata import EntryPoint, entry_points
from pathlib import Path

from simkit.contract.card import Card
from simkit.contract.errors import SimkitError, near
from simkit.files.bounded import is_file
from simkit.machinefile.card_imports import import_remedy

GROUP = "simkit.cards"
FILE_PREFIX = "file:"


def entries() -> dict[str, EntryPoint]:
    """Entry points of all installed cards by kind; nothing is imported yet."""
    return {entry.name: entry for entry in entry_points(group=GROUP)}


def card_class(kind: str, folder: Path, known: Mapping[str, EntryPoint] | None = None) -> type[Card]:
    """Class of a card kind.

    Args:
        kind: name of an installed card, or "file:PATH:CLASS" for a Python file beside the machine.
        folder: folder of the machine file, for "file:".
        known: what `entries` gave; who asks for many cards looks through the installed packages once.

    Raises:
        SimkitError: unknown kind (with the near names), or a card that cannot be loaded, with the reason.
    """
    if kind.startswith(FILE_PREFIX):
        return _class_from_file(kind, folder)
    if known is None:
        known = entries()
    if kind not in known:
        raise SimkitError(
            f"{kind!r} is not a card.",
            field="kind",
            remedy=near(kind, known) or "`simkit cards` lists the cards there are.",
        )
    return load_entry(known[kind])


def load_entry(entry: EntryPoint) -> type[Card]:
    """Import the card behind an entry point.

    Raises:
        SimkitError: the import fails or gives something that is not a card.
    """
    try:
        found = entry.load()
    except (Exception, SystemExit) as error:
        raise SimkitError(
            f"The card {entry.name!r} ({entry.value}) cannot be loaded: {type(error).__name__}: {error}",
            field="kind",
            remedy=import_remedy(error) or "Repair or reinstall the package that brings it.",
        ) from error
    return _checked(found, entry.name)


def _class_from_file(kind: str, folder: Path) -> type[Card]:
    path_text, _, class_name = kind[len(FILE_PREFIX) :].rpartition(":")
    path = folder / path_text
    if not path_text or not class_name:
        raise SimkitError(
            f"{kind!r} does not name a file and a class.",
            field="kind",
            remedy='Write kind = "file:my_card.py:MyCard".',
        )
    if not is_file(path):
        raise SimkitError(f"There is no file {path}.", field="kind", remedy="Correct the path; it counts from here.")
    path = path.resolve()
    spec = importlib.util.spec_from_file_location(f"simkit_card_file_{path.stem}", path)
    if spec is None or spec.loader is None:
        raise SimkitError(f"{path} is not a Python file.", field="kind")
    module = importlib.util.module_from_spec(spec)
    try:
        spec.loader.exec_module(module)
    except (Exception, SystemExit) as error:
        raise SimkitError(
            f"{path} cannot be loaded: {type(error).__name__}: {error}", field="kind", remedy=import_remedy(error)
        ) from error
    found = getattr(module, class_name, None)
    if found is None:
        names = [name for name, value in vars(module).items() if isinstance(value, type) and issubclass(value, Card)]
        names = [name for name in names if name != "Card"]
        raise SimkitError(f"{path} has no class {class_name!r}.", field="kind", remedy=near(class_name, names))
    return _checked(found, kind)


def _checked(found: object, kind: str) -> type[Card]:
    if not (isinstance(found, type) and issubclass(found, Card)):
        raise SimkitError(f"{kind!r} is not a card: its class does not come from simkit.contract.Card.", field="kind")
    missing = [name for name in ("kind", "Settings") if not hasattr(found, name)]
    if missing:
        raise SimkitError(f"The card {kind!r} lacks {' and '.join(missing)}.", field="kind")
    return found
