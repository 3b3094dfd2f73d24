"""Assemble the ROMs of this folder: `python roms/build.py [NAME ...]`, all of them when no name is given.

Needs the package `ophis-asm`, nothing else. For every NAME.asm it writes beside it

    NAME.bin      the image as burnt
    NAME.labels   names of addresses, one `NAME = $7F20` a line, sorted by address
    NAME.lst      listing: address, bytes, file and line, source text

What counts as the name of an address: every label, every `.space`, and each `.alias` whose value is written with four
hex digits (`$7F20`), or is another such name. Other aliases are numbers (bit masks, limits, video memory addresses) and
stay out, as they would put wrong names on addresses; so do the starts of areas (`ROM_BASE`), where a routine or cell
has a name of its own. Names that begin with `_` are local and stay out too. Of several names of one address those come
first that somebody wrote, then those that were made from the machine file (`NAME-wiring.inc`).
"""

from __future__ import annotations

import re
import sys
import tempfile
from pathlib import Path
from typing import Any

import Ophis.Errors
import Ophis.Listing
import Ophis.Macro
import Ophis.Main
import Ophis.Passes

HERE = Path(__file__).resolve().parent
ADDRESS_ALIAS = re.compile(r"\.alias\s+\S+\s+\$[0-9A-Fa-f]{4}\s*(;.*)?$")
OTHER_NAME = re.compile(r"\.alias\s+\S+\s+([A-Za-z_]\w*)\s*(;.*)?$")
MADE = "-wiring.inc"
BASE = "_BASE"
FILLER_BYTES = 64  # a longer run of one value is filler and gets one line in the listing


class Source:
    """Lines of the source files, read once."""

    def __init__(self) -> None:
        self._files: dict[str, list[str]] = {}

    def line(self, point: str) -> tuple[str, int, str]:
        """File name, line number and text of one of the assembler's program points, `path:line[->path:line]`."""
        path, _, number = point.split("->")[0].rpartition(":")
        if path not in self._files:
            self._files[path] = Path(path).read_text(encoding="utf-8").splitlines()
        return Path(path).name, int(number), self._files[path][int(number) - 1].rstrip()


def written_name(label: str, text: str) -> str:
    """`label`, which the assembler holds in small letters, as it is written in its source line."""
    found = re.search(rf"(?<![\w]){re.escape(label)}(?![\w])", text, re.IGNORECASE)
    return found.group() if found else label


def is_address(text: str, names: set[str]) -> bool:
    """Whether an `.alias` names an address, where those of `names` do."""
    other = OTHER_NAME.match(text)
    return bool(ADDRESS_ALIAS.search(text)) or (other is not None and other[1] in names)


def listing_classes(labels: dict[str, tuple[int, bool]], rows: list[str]) -> tuple[type, type]:
    """Stand-ins for the assembler's two writers that keep what we want with the place in the source.

    Its own map loses upper case, and its own listing has no source lines.
    """
    source = Source()
    names: set[str] = set()

    def row(address: int, data: bytes, text: str | None = None) -> None:
        name, number, line = source.line(Ophis.Errors.currentpoint)
        place = f"{name}:{number}"
        rows.append(f"${address:04X}  {text or data.hex(' ').upper():<26}{place:<21} {line}".rstrip())

    class Lines:
        def __init__(self, _path: str) -> None:
            pass

        def listInstruction(self, text: str) -> None:  # noqa: N802 - the assembler's name
            fields = text.split()
            hex_bytes = [field for field in fields[1:4] if re.fullmatch("[0-9A-F]{2}", field)]
            row(int(fields[0], 16), bytes.fromhex("".join(hex_bytes)))

        def listDivider(self, _address: int) -> None:  # noqa: N802
            pass

        def listData(self, values: list[int], address: int) -> None:  # noqa: N802
            data = bytes(values)
            if len(data) > FILLER_BYTES and len(set(data)) == 1:
                row(address, data, f"{data[0]:02X} {len(data)} times")
                return
            for start in range(0, len(data), 8):
                row(address + start, data[start : start + 8])

        def dump(self) -> None:
            pass

    class Labels:
        def __init__(self, _path: str) -> None:
            pass

        def mapLabel(self, label: str, point: str, address: int) -> None:  # noqa: N802
            if label.startswith(("_", "*")):
                return
            place, _, text = source.line(point)
            if re.match(r"\s*\.alias\b", text) and not is_address(text.strip(), names):
                return
            name = written_name(label, text)
            names.add(name)
            if not (place.endswith(MADE) and name.endswith(BASE)):
                labels[name] = address, place.endswith(MADE)

        def dump(self) -> None:
            pass

    return Lines, Labels


class Assembler(Ophis.Passes.Assembler):  # type: ignore[misc]
    """The assembler's last pass, with a fill as one piece: byte by byte most of the time goes into empty ROM."""

    def visitAdvance(self, node: Any, env: Any) -> None:  # noqa: N802
        """Fill up to an address."""
        pc, target = env.getPC(), node.data[0].value(env)
        if not self.writeOK or target <= pc:
            super().visitAdvance(node, env)  # an error, or nothing
            return
        filled: list[int] = []
        self.outputbyte(node.data[1], env, filled)
        filled *= target - pc
        self.output += filled[1:]
        self.filler += len(filled)
        self.registerData(filled, pc)
        env.setPC(target)


def assemble(source: Path, folder: Path) -> dict[str, Path]:
    """Assemble one file and write image, label list and listing into `folder`.

    Returns:
        The files written, by "bin", "labels", "lst".

    Raises:
        SystemExit: the assembler found errors; it has printed them with file and line.
    """
    labels: dict[str, tuple[int, bool]] = {}  # address, and whether the name was made from the machine file
    rows: list[str] = []
    Ophis.Listing.Listing, Ophis.Listing.LabelMapper = listing_classes(labels, rows)
    Ophis.Passes.Assembler = Assembler
    Ophis.Macro.macros.clear()
    written = {kind: folder / f"{source.stem}.{kind}" for kind in ("bin", "labels", "lst")}
    with tempfile.TemporaryDirectory() as scratch:
        image = Path(scratch) / "image"
        # No branch is made longer behind the reader's back: what stands in the source is what is burnt.
        options = ["-q", "-c", "--no-branch-extend", "-l", "kept", "-m", "kept", "-o", str(image)]
        if Ophis.Main.run_ophis([*options, str(source.resolve())]) != 0:
            raise SystemExit(f"{source}: not assembled, see the messages above; no file was changed.")
        written["bin"].write_bytes(image.read_bytes())
    ordered = sorted((*place, name) for name, place in labels.items())
    lines = [f"{name} = ${address:04X}" for address, _, name in ordered]
    written["labels"].write_text("\n".join([*lines, ""]), encoding="ascii", newline="\n")
    written["lst"].write_text("\n".join([*rows, ""]), encoding="utf-8", newline="\n")
    return written


def main(names: list[str]) -> None:
    """Assemble the named ROMs, or all."""
    known = {path.stem: path for path in sorted(HERE.glob("*.asm"))}
    for name in names:
        if name not in known:
            raise SystemExit(f"No {name}.asm in {HERE}. There are: {', '.join(known)}.")
    for name in names or known:
        written = assemble(known[name], HERE)
        labels = len(written["labels"].read_text(encoding="ascii").splitlines())
        print(f"{name}: {written['bin'].stat().st_size} bytes, {labels} labels")


if __name__ == "__main__":
    main(sys.argv[1:])
