"""The Python packages that a machine needs in the browser, in one zip: of the kit what a machine and its page need."""

from __future__ import annotations

import io
import zipfile
from collections.abc import Iterable, Iterator
from importlib.metadata import Distribution, distribution
from pathlib import Path

import simkit
from simkit.contract.errors import SimkitError
from simkit.files.bounded import read_bounded

OWN = "backplane-simkit"
OTHERS = ("attrs", "py65")
"""What a machine needs besides the kit; both are pure Python."""
FOLDERS = (
    *("contract", "files", "looks", "backplane", "logic", "cpu", "rom", "machinefile", "timing", "machine", "outside"),
    *("hands", "kitfile", "page", "check/rules"),
)
"""Folders of the kit that a machine on a page needs."""
MAX_FILE_BYTES = 16_000_000

_DATE = (1980, 1, 1, 0, 0, 0)
_LEFT_OUT = frozenset({"..", "__pycache__", "tests"})
_COMPILED = (".so", ".pyd", ".dylib", ".dll")
_METADATA = ("METADATA", "entry_points.txt")


def python_zip(others: Iterable[str] = ()) -> bytes:
    """The zip; the same packages give the same bytes.

    Args:
        others: names of packages whose cards the machine has.

    Raises:
        SimkitError: one of them is compiled, or is not installed as files.
    """
    content = dict(_own())
    for name in (*OTHERS, *others):
        content.update(_package(name))
    return zipped(content)


def zipped(content: dict[str, bytes]) -> bytes:
    """A zip of files by name; the same files give the same bytes."""
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w") as archive:
        for name in sorted(content):
            info = zipfile.ZipInfo(name, _DATE)
            info.compress_type = zipfile.ZIP_DEFLATED
            archive.writestr(info, content[name], compresslevel=9)
    return buffer.getvalue()


def _own() -> Iterator[tuple[str, bytes]]:
    """The kit, as it lies here, and its cards."""
    import simkit_cards

    home, cards = Path(simkit.__file__).parent, Path(next(iter(simkit_cards.__path__)))
    for path in _files(home, [home / name for name in FOLDERS]):
        yield f"simkit/{path.relative_to(home).as_posix()}", _read(path)
    yield "simkit/__init__.py", _read(home / "__init__.py")
    yield "simkit/check/__init__.py", _read(home / "check" / "__init__.py")
    for path in _files(cards, [cards]):
        yield f"simkit_cards/{path.relative_to(cards).as_posix()}", _read(path)
    yield from _metadata(distribution(OWN))


def _files(home: Path, folders: Iterable[Path]) -> Iterator[Path]:
    static = home / "page" / "static"
    for folder in folders:
        for path in sorted(folder.rglob("*")):
            if path.is_file() and "__pycache__" not in path.parts and static not in path.parents:
                yield path


def _package(name: str) -> dict[str, bytes]:
    """An installed package as it lies here."""
    found = distribution(name)
    content = dict(_metadata(found))
    for file in found.files or ():
        if _LEFT_OUT.intersection(file.parts) or file.parts[0].endswith(".dist-info"):
            continue
        if file.suffix in _COMPILED:
            raise SimkitError(
                f"The package {name} is compiled ({file.name}); a browser's Python cannot have it.",
                remedy="Give the card a package of pure Python.",
            )
        content[file.as_posix()] = _read(Path(str(file.locate())))
    if not any(path.endswith(".py") for path in content):
        raise SimkitError(
            f"The package {name} does not lie here as files that can be copied.",
            remedy="Install it as a wheel: pip install its folder, without -e.",
        )
    return content


def _metadata(found: Distribution) -> Iterator[tuple[str, bytes]]:
    """By which importlib.metadata knows a package: its entry points find the cards."""
    folder = f"{found.name.replace('-', '_')}-{found.version}.dist-info"
    for name in _METADATA:
        text = found.read_text(name)
        if text is not None:
            yield f"{folder}/{name}", text.encode()


def _read(path: Path) -> bytes:
    return read_bounded(path, MAX_FILE_BYTES, "file of a package")
