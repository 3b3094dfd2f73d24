"""The cards there are: found through the entry-point group "simkit.cards", as anybody's own package is."""

from __future__ import annotations

import hashlib
import importlib.util
import os
import sys
from collections.abc import Callable, Mapping, Sequence
from functools import lru_cache, partial
from importlib.machinery import SourceFileLoader
from importlib.metadata import EntryPoint, distributions, entry_points
from pathlib import Path
from types import CodeType, ModuleType
from typing import TypeVar

import attrs

from simkit.backplane.blame import FILE_MODULE
from simkit.backplane.board import check_class
from simkit.backplane.guard import call_unplugged
from simkit.backplane.overdue import overdue_watch
from simkit.contract.card import Card
from simkit.contract.errors import CardError, SimkitError, near
from simkit.files.bounded import is_file
from simkit.machinefile.card_imports import import_remedy

GROUP = "simkit.cards"
FILE_PREFIX = "file:"

_T = TypeVar("_T")


Claims = Sequence[EntryPoint]
"""Who says that a card of a name is theirs: one, if all is well."""


def entries() -> dict[str, Claims]:
    """Entry points of all installed cards by kind; nothing is imported yet."""
    found: dict[str, list[EntryPoint]] = {}
    for entry in _entry_points(_as_it_lies()):
        claims = found.setdefault(entry.name, [])
        if not any(other.value == entry.value and _owner(other) == _owner(entry) for other in claims):
            claims.append(entry)  # owners are looked up last: that reads a package's metadata each time
    return dict(found)


def _as_it_lies() -> tuple[object, ...]:
    """Where Python looks for packages, and what tells that one came to those places, left, or was replaced."""
    places: list[object] = []
    for place in sys.path:
        try:
            found = os.stat(place or ".")  # noqa: PTH116 - a Path for each would take longer than the look
        except (OSError, ValueError):
            places.append(place)
        else:
            places.append((place, found.st_dev, found.st_ino, found.st_mtime_ns))
    return (*places, *map(id, sys.meta_path))


@lru_cache(maxsize=1)
def _entry_points(_as_it_lies: tuple[object, ...]) -> Sequence[EntryPoint]:
    """Those of all packages that say theirs in a form that can be read; a file of each is read, so this is kept."""
    try:
        return tuple(entry_points(group=GROUP))
    except Exception:  # noqa: BLE001 - one of the packages, perhaps one that has nothing to do with cards
        readable, _ = _one_by_one()
        return tuple(readable)


def unreadable() -> dict[str, str]:
    """Packages whose list of entry points cannot be read, by where they lie, with the reason."""
    return _one_by_one()[1]


def _one_by_one() -> tuple[list[EntryPoint], dict[str, str]]:
    found: list[EntryPoint] = []
    failed = {}
    for distribution in distributions():
        try:
            found += distribution.entry_points.select(group=GROUP)
        except Exception as error:  # noqa: BLE001 - whatever may come of a stranger's text
            place = getattr(distribution, "_path", None) or "a package"
            failed[str(place)] = f"its entry_points.txt cannot be read: {type(error).__name__}: {error}"
    return found, failed


def _owner(entry: EntryPoint) -> str:
    """Name of the package that an entry point belongs to; what says it may be damaged, or not there."""
    try:
        name = entry.dist.name if entry.dist is not None else None
    except (ValueError, KeyError, AttributeError, OSError):
        name = None
    return name or "a package without a name"


def package_of(kind: str) -> tuple[str, str]:
    """Name and version of the package that an installed card comes from.

    Raises:
        SimkitError: no package says that it brings it, or one without a name does.
    """
    for entry in entries().get(kind, ()):
        if entry.dist is not None and (name := _owner(entry)) != "a package without a name":
            return name, entry.dist.version
    raise SimkitError(f"Nobody knows from which package the card {kind!r} comes.", remedy="Install it again, with pip.")


def card_class(kind: str, folder: Path, known: Mapping[str, Claims] | None = None) -> type[Card]:
    """Class of a card kind.

    Args:
        kind: name of an installed card, or "file:PATH:CLASS" for a Python file beside the machine.
        folder: folder of the machine file, for "file:".
        known: what `entries` gave; who asks for many cards looks through the installed packages once.

    Raises:
        SimkitError: unknown kind (with the near names), or one that several packages claim (with their names).
        CardError: a card that cannot be loaded, with the reason and the place in its own code.
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


def load_entry(claims: Claims) -> type[Card]:
    """Import the card behind an entry point.

    Raises:
        SimkitError: several packages claim its name, or what stands there is not a card.
        CardError: its import fails.
    """
    entry = claims[0]
    if len(claims) > 1:
        owners = " and ".join(f"{_owner(claim)} ({claim.value})" for claim in claims)
        raise SimkitError(
            f"The card {entry.name!r} is claimed by {len(claims)} packages: {owners}.",
            field="kind",
            remedy="Uninstall one of them, or ask its author to give the card a name of its own.",
        )
    found = _imported(lambda: f"The card {entry.name!r} of {_owner(entry)}", f"importing {entry.value}", entry.load)
    return _checked(found, entry.name)


class _Source(SourceFileLoader):
    """Compiles the text it has. Python's cache of compiled files tells versions apart by size and whole seconds."""

    def __init__(self, name: str, path: str, source: bytes) -> None:
        super().__init__(name, path)
        self.source = source

    def get_code(self, fullname: str) -> CodeType:
        return _compiled(self.source, self.path)


@lru_cache(maxsize=32)
def _compiled(source: bytes, path: str) -> CodeType:
    """What Python makes of a text; a process that loads a machine often, as tests do, has it compiled once."""
    return _Source("", path, source).source_to_code(source, path)


def _imported(who: str | Callable[[], str], doing: str, load: Callable[[], _T]) -> _T:
    """What comes of an import of a card's.

    Raises:
        CardError: it fails; where a part of the kit is imported that is not for cards, with the line to write.
    """
    overdue_watch().begin()
    try:
        return call_unplugged(who, doing, load)
    except CardError as error:
        error.remedy = import_remedy(error.__cause__) or error.remedy
        raise


@attrs.frozen
class FileModule:
    """The module that a Python file of a card is.

    Attributes:
        name: of the module, which tells files of one name apart.
        path: of the file.
        source: its text, as it was read.
    """

    name: str
    path: str
    source: bytes

    @classmethod
    def read(cls, path: Path) -> FileModule:
        """That of a file, wherever the path leads.

        Raises:
            CardError: it cannot be read.
        """
        path = path.resolve()
        name = f"{FILE_MODULE}{path.stem}_{hashlib.sha256(os.fsencode(path)).hexdigest()[:8]}"
        read = partial(SourceFileLoader(name, str(path)).get_data, str(path))
        return cls(name, str(path), _imported("", f"importing {path.name}", read))

    @classmethod
    def of(cls, found: type) -> FileModule | None:
        """That in which a class was made; None for a class of a package."""
        name = found.__module__
        if not name.startswith(FILE_MODULE):
            return None
        loader = sys.modules[name].__loader__
        assert isinstance(loader, _Source)
        return cls(name, loader.path, loader.source)

    def load(self) -> ModuleType:
        """Run it.

        Raises:
            CardError: its import fails.
        """
        spec = importlib.util.spec_from_file_location(
            self.name, self.path, loader=_Source(self.name, self.path, self.source)
        )
        assert spec is not None
        assert spec.loader is not None
        module = importlib.util.module_from_spec(spec)
        sys.modules[self.name] = module  # dataclasses and the like look their own module up
        try:
            _imported("", f"importing {Path(self.path).name}", partial(spec.loader.exec_module, module))
        except BaseException:
            sys.modules.pop(self.name, None)
            raise
        return module


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
    if path.suffix != ".py":
        raise SimkitError(
            f"{path} is not a Python file.",
            field="kind",
            remedy='Write the file of the card, e.g. "file:lamps.py:Lamps".',
        )
    module = FileModule.read(path).load()
    found = vars(module).get(class_name)
    if found is None:
        names = [name for name, value in vars(module).items() if isinstance(value, type) and issubclass(value, Card)]
        names = [name for name in names if name != "Card"]
        raise SimkitError(f"{path} has no class {class_name!r}.", field="kind", remedy=near(class_name, names))
    return _checked(found, kind)


def _checked(found: object, kind: str) -> type[Card]:
    """The class of a card, if it is one.

    Raises:
        SimkitError: it is none, or lacks what each card has.
        CardError: what it has is something else.
    """
    if not (isinstance(found, type) and issubclass(found, Card)):
        raise SimkitError(
            f"{kind!r} is not a card: its class does not come from simkit.contract.Card.",
            field="kind",
            remedy="Name a class that does.",
        )
    missing = [name for name in ("kind", "Settings") if not hasattr(found, name)]
    if missing:
        raise SimkitError(
            f"The card {kind!r} lacks {' and '.join(missing)}.", field="kind", remedy="`simkit new card` shows both."
        )
    call_unplugged(f"The card {kind!r}", "its class", check_class, found)
    return found
