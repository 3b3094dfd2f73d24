"""Coverage for editors and code hosts: LCOV's tracefile and Cobertura's XML, by lines of the sources.

A line holds what its instructions did: it ran as often as the one of them that ran most. Of a branch the first way is
that it was taken, the second that it went on.

Sources:
    LCOV: geninfo manual page (lcov 1.16), section FILES.
    Cobertura: coverage-04.dtd of Cobertura 2.
"""

from __future__ import annotations

import os
import re
from collections.abc import Iterator
from pathlib import Path
from xml.etree import ElementTree as Xml

import attrs

from simkit.contract.errors import SimkitError
from simkit.files.formats import Format
from simkit.rom.listing import Listing
from simkit.testing.coverage import Counts, Program

MAKER = "simkit"
LCOV = Format("an LCOV tracefile of simkit", lambda content: content.startswith(f"TN:{MAKER}_".encode()))
COBERTURA = Format(
    "a Cobertura report of simkit",
    lambda content: b"<coverage" in content[:200] and b'version="simkit ' in content[:600],
)


@attrs.define
class SourceLine:
    """What became of a source line.

    Attributes:
        hits: how often its instruction ran that ran most.
        branches: (taken, went on) of each conditional branch in it; None of one that never ran.
    """

    hits: int = 0
    branches: list[tuple[int, int] | None] = attrs.field(factory=list)

    @property
    def ways(self) -> tuple[int, int]:
        """Ways that branches went, and ways there are."""
        return sum(sum(count > 0 for count in branch) for branch in self.branches if branch), 2 * len(self.branches)


@attrs.define
class SourceFile:
    """The lines of a source file that hold instructions, and the labels in it that stand at one.

    Attributes:
        path: as people see it.
        lines: by number.
        labels: (line, name, how often the instruction there ran), rising.
    """

    path: str
    lines: dict[int, SourceLine] = attrs.field(factory=dict)
    labels: list[tuple[int, str, int]] = attrs.field(factory=list)

    @property
    def hit(self) -> int:
        """Lines that ran."""
        return sum(line.hits > 0 for line in self.lines.values())

    @property
    def ways(self) -> tuple[int, int]:
        """Ways that branches went, and ways there are."""
        found = [line.ways for line in self.lines.values()]
        return sum(went for went, _ in found), sum(there for _, there in found)


def check_source_lines(listing: Listing | None) -> Listing:
    """The listing.

    Raises:
        SimkitError: there is none.
    """
    if listing is None:
        raise SimkitError(
            "The source lines of the program are not known, and LCOV and Cobertura files tell of nothing else.",
            remedy="Give the label list of the image (--labels) with its listing beside it.",
        )
    return listing


def source_files(counts: Counts, program: Program) -> list[SourceFile]:
    """Coverage by source file, in order of their paths.

    Raises:
        SimkitError: it is not known from which lines the program was made.
    """
    check_source_lines(program.listing)
    names: dict[int, list[str]] = {}
    for at, name in program.labels:
        names.setdefault(at, []).append(name)
    found: dict[str, SourceFile] = {}
    for at in program.instructions:
        row = program.row(at)
        if row is None:
            continue
        file = found.setdefault(row.file, SourceFile(_from_here(row.file)))
        line = file.lines.setdefault(row.line, SourceLine())
        ran = counts.ran.get(at, 0)
        line.hits = max(line.hits, ran)
        if at in program.branches:
            line.branches.append((counts.taken.get(at, 0), counts.passed.get(at, 0)) if ran else None)
        file.labels += [(row.line, name, ran) for name in names.get(at, ())]
    return sorted(found.values(), key=lambda file: file.path)


def lcov(counts: Counts, program: Program, name: str) -> str:
    """An LCOV tracefile.

    Args:
        counts: what ran.
        program: what there is.
        name: of the machine; only letters, digits and _ of it are kept.

    Raises:
        SimkitError: without source lines there is nothing to tell.
    """
    test = re.sub(r"[^A-Za-z0-9]+", "_", name).strip("_")
    return "\n".join([line for file in source_files(counts, program) for line in _record(file, test)]) + "\n"


def _record(file: SourceFile, test: str) -> Iterator[str]:
    yield f"TN:{MAKER}_{test}"
    yield f"SF:{_one_line(file.path)}"
    for at, label, _ in file.labels:
        yield f"FN:{at},{_one_line(label)}"
    for _, label, ran in file.labels:
        yield f"FNDA:{ran},{_one_line(label)}"
    yield f"FNF:{len(file.labels)}"
    yield f"FNH:{sum(ran > 0 for _, _, ran in file.labels)}"
    for number, line in sorted(file.lines.items()):
        for block, branch in enumerate(line.branches):
            for way in (0, 1):
                yield f"BRDA:{number},{block},{way},{'-' if branch is None else branch[way]}"
    went, there = file.ways
    yield f"BRF:{there}"
    yield f"BRH:{went}"
    for number, line in sorted(file.lines.items()):
        yield f"DA:{number},{line.hits}"
    yield f"LF:{len(file.lines)}"
    yield f"LH:{file.hit}"
    yield "end_of_record"


def cobertura(counts: Counts, program: Program, name: str, *, version: str, seconds: int) -> str:
    """A Cobertura report.

    Args:
        counts: what ran.
        program: what there is.
        name: of the machine, which is the package.
        version: of the kit.
        seconds: when it is written, since 1970.

    Raises:
        SimkitError: without source lines there is nothing to tell.
    """
    files = source_files(counts, program)
    lines, hit = sum(len(file.lines) for file in files), sum(file.hit for file in files)
    went, there = (sum(file.ways[side] for file in files) for side in (0, 1))
    rates = {"line-rate": _rate(hit, lines), "branch-rate": _rate(went, there)}
    totals = {"lines-covered": hit, "lines-valid": lines, "branches-covered": went, "branches-valid": there}
    root = Xml.Element("coverage", {**rates, **{key: str(value) for key, value in totals.items()}})
    root.attrib |= {"complexity": "0", "version": f"{MAKER} {version}", "timestamp": str(seconds)}
    folder = _folder_of(files)
    Xml.SubElement(Xml.SubElement(root, "sources"), "source").text = folder
    package = Xml.SubElement(
        Xml.SubElement(root, "packages"), "package", {"name": _one_line(name), **rates, "complexity": "0"}
    )
    classes = Xml.SubElement(package, "classes")
    for file in files:
        _class(classes, file, folder)
    Xml.indent(root)
    return f'<?xml version="1.0" encoding="UTF-8"?>\n{Xml.tostring(root, encoding="unicode")}\n'


def _class(classes: Xml.Element, file: SourceFile, folder: str) -> None:
    rates = {"line-rate": _rate(file.hit, len(file.lines)), "branch-rate": _rate(*file.ways)}
    path = Path(os.path.relpath(file.path, folder)).as_posix()
    names = {"name": _one_line(Path(file.path).stem), "filename": _one_line(path)}
    found = Xml.SubElement(classes, "class", {**names, **rates, "complexity": "0"})
    Xml.SubElement(found, "methods")
    lines = Xml.SubElement(found, "lines")
    for number, line in sorted(file.lines.items()):
        told = {"number": str(number), "hits": str(line.hits), "branch": "true" if line.branches else "false"}
        if line.branches:
            went, there = line.ways
            told["condition-coverage"] = f"{100 * went // there}% ({went}/{there})"
        Xml.SubElement(lines, "line", told)


def _rate(part: int, whole: int) -> str:
    return f"{part / whole:.4f}" if whole else "1.0000"


def _folder_of(files: list[SourceFile]) -> str:
    """The folder that all files are told from: this one, if they all lie below it."""
    here = Path.cwd()
    paths = [Path(file.path).resolve() for file in files]
    if not paths or all(path.is_relative_to(here) for path in paths):
        return here.as_posix()
    try:
        return Path(os.path.commonpath([path.parent for path in paths])).as_posix()
    except ValueError as error:
        raise SimkitError(
            "The sources lie on several drives; a Cobertura report tells them all from one folder.",
            remedy="Write an LCOV tracefile instead.",
        ) from error


def _from_here(file: str) -> str:
    """Path from the working folder where the file lies below it."""
    path = Path(file).resolve()
    return path.relative_to(Path.cwd()).as_posix() if path.is_relative_to(Path.cwd()) else path.as_posix()


def _one_line(text: str) -> str:
    """A text without what ends a line or cannot stand in XML (XML 1.0, 5th edition, 2.2)."""
    return re.sub(r"[^\x20-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]", "?", text)
