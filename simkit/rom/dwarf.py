"""ELF files with DWARF line tables (versions 2 to 5), as tool chains built on LLVM or GNU write them.

Sources: DWARF Debugging Information Format, version 5 (2017), section 6.2 (line number programs; 6.2.4: files and
folders count from 0 in version 5, files from 1 before); Tool Interface Standard, ELF 1.2 (1995). The number of the 6502
as a machine, 6502, is the one of llvm-mos.org wiki, "ELF overview".

Read through pyelftools, which is an extra (`elf`) and imported here alone.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

from simkit.contract.errors import SimkitError
from simkit.rom.contents import Contents
from simkit.rom.elf_bounds import Counted, Steps, TooMuchError, check_sections, is_sound
from simkit.rom.listing import Row
from simkit.rom.sources import Sources

MACHINE_6502 = 6502
MAX_LINE = 10_000_000
_NAMED = ("STT_FUNC", "STT_OBJECT", "STT_NOTYPE")


def read_elf(content: bytes, path: Path, sources: Sources) -> Contents:
    """Symbols and source lines of a linked ELF file.

    Raises:
        SimkitError: pyelftools is not installed, the file is damaged, not linked, or of another processor.
    """
    try:
        from elftools.elf.elffile import ELFFile
    except ImportError as error:
        raise SimkitError(
            f"{path} is an ELF file; reading those needs the package pyelftools, which is not installed.",
            remedy='Install it: pip install "backplane-simkit[elf]".',
        ) from error
    found = Contents("ELF file")
    steps = Steps()
    try:
        elf: Any = ELFFile(Counted(content, steps))
        wrong = _wrong(elf)
        if wrong is None:
            check_sections(elf)
            _symbols(elf, found)
            _rows(elf, found, sources, steps)
    except Exception as error:  # a damaged file makes that package raise whatever it comes to
        raise _refusal(path, too_much=steps.used_up or isinstance(error, TooMuchError)) from error
    if wrong is not None:
        raise SimkitError(wrong[0], file=str(path), remedy=wrong[1])
    if not found.rows:
        found.remarks.append(f"{path} holds no line tables: compile and link with -g.")
    return found


def _refusal(path: Path, *, too_much: bool) -> SimkitError:
    if too_much:
        return SimkitError(
            "The ELF file holds more than a program for the 6502 ever needs, or sections packed in an old way.",
            file=str(path),
            remedy="Link with debugging information of this program alone, and do not compress it.",
        )
    message = "The ELF file is damaged, or holds what pyelftools cannot read."
    return SimkitError(message, file=str(path), remedy="Build it again.")


def _wrong(elf: Any) -> tuple[str, str] | None:
    machine = elf["e_machine"]
    if machine != MACHINE_6502 or not elf.little_endian or elf.elfclass != 32:
        return "The ELF file is of another processor than the 6502.", "Name the one that the tool chain linked."
    if elf["e_type"] == "ET_REL":
        return "The ELF file is not linked: its addresses are not final.", "Name the linked file."
    return None


def _symbols(elf: Any, found: Contents) -> None:
    table = elf.get_section_by_name(".symtab")
    if table is None:
        return
    for symbol in table.iter_symbols():
        value, kind = symbol["st_value"], symbol["st_info"]["type"]
        if symbol.name and kind in _NAMED and symbol["st_shndx"] != "SHN_UNDEF" and not symbol.name.startswith("."):
            if symbol["st_shndx"] == "SHN_ABS" and kind == "STT_NOTYPE" and value > 0xFFFF:
                continue
            found.labels.append((symbol.name, value & 0xFFFF))  # banked chains keep the bank above the address
    found.labels.sort(key=lambda label: label[1])


def _rows(elf: Any, found: Contents, sources: Sources, steps: Steps) -> None:
    if not elf.has_dwarf_info():
        return
    dwarf = elf.get_dwarf_info(relocate_dwarf_sections=False, follow_links=False)
    if dwarf.debug_line_sec is None:
        return
    for name in ("debug_info_sec", "debug_abbrev_sec", "debug_line_sec", "debug_str_sec", "debug_line_str_sec"):
        section = getattr(dwarf, name)
        if section is not None:
            setattr(dwarf, name, section._replace(stream=Counted(section.stream.getvalue(), steps)))
    table = dwarf.debug_line_sec.stream.getvalue()
    seen = set()
    for unit in dwarf.iter_CUs():
        attributes = unit.get_top_DIE().attributes
        steps.take(len(attributes))
        at = attributes["DW_AT_stmt_list"].value if "DW_AT_stmt_list" in attributes else None
        if at is None or at in seen:
            continue
        seen.add(at)
        if not is_sound(table, at):
            raise TooMuchError
        _rows_of(dwarf.line_program_for_CU(unit), attributes, found, sources)


def _rows_of(program: Any, attributes: Any, found: Contents, sources: Sources) -> None:
    names = _file_names(program, attributes)
    for start, end, file, line in _stretches(program):
        name = names.get(file)
        if not 1 <= line <= MAX_LINE or name is None or not 0 < end - start <= 0x10000:
            continue  # line 0: the compiler's own
        address = start & 0xFFFF
        length = min(end - start, 0x10000 - address)
        found.rows.append(
            Row(address, length, b"", sources.path(name), line, sources.line(name, line).strip(), code=True)
        )


def _stretches(program: Any) -> Iterator[tuple[int, int, int, int]]:
    """(first address, address after the last, file, line): an entry reaches up to the next one of its sequence."""
    before = None
    for entry in program.get_entries():
        state = entry.state
        if state is None:
            continue
        if before is not None and state.address > before.address:
            yield before.address, state.address, before.file, before.line
        before = None if state.end_sequence else state


def _file_names(program: Any, attributes: Any) -> dict[int, str]:
    """Paths by the number that entries give."""
    header = program.header
    home = _text(attributes["DW_AT_comp_dir"].value) if "DW_AT_comp_dir" in attributes else ""
    folders = [_text(folder) for folder in header["include_directory"]]
    first = 0 if header["version"] >= 5 else 1
    if first:
        folders = [home, *folders]
    found = {}
    for number, entry in enumerate(header["file_entry"], start=first):
        at = entry.dir_index
        folder = folders[at] if 0 <= at < len(folders) else ""
        name = _text(entry.name)
        parts = [folder, name] if folder not in ("", ".", home) else [name]
        found[number] = "/".join(parts) if not name.startswith("/") else name
    return found


def _text(value: Any) -> str:
    return value.decode("utf-8", "replace") if isinstance(value, bytes) else str(value)
