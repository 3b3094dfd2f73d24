"""Makes small linked ELF files with DWARF line tables of versions 2 to 5, as no 6502 tool chain comes as a package.

Layouts: Tool Interface Standard, ELF 1.2 (1995), chapter 1; DWARF Debugging Information Format, version 4 (2010) and
version 5 (2017), sections 6.2.4 (header of a line number program), 6.2.5 (its operations) and 7.5 (units).
"""

import struct

MACHINE = 6502
ABSOLUTE = 0xFFF1


def uleb(value):
    found = b""
    while True:
        value, low = value >> 7, value & 0x7F
        found += bytes([low | (0x80 if value else 0)])
        if not value:
            return found


def sleb(value):
    found = b""
    while True:
        low = value & 0x7F
        value >>= 7
        if (value == 0 and not low & 0x40) or (value == -1 and low & 0x40):
            return found + bytes([low])
        found += bytes([low | 0x80])


def text(word):
    return word.encode() + b"\0"


def line_program(rows, first_file):
    """Operations for rows (address, file from 0, line); line None ends the sequence."""
    found, line, open_ = b"", 1, False
    for address, file, number in rows:
        found += b"\0\5\2" + struct.pack("<I", address)
        if number is None:
            found += b"\0\1\1"
            line, open_ = 1, False
            continue
        found += b"\4" + uleb(file + first_file) + b"\3" + sleb(number - line) + b"\1"
        line, open_ = number, True
    assert not open_, "a sequence must end"
    return found


def debug_line(version, folders, files, rows):
    """A line table; folders without the first, which is that of the compilation; files are (name, folder from 0)."""
    lengths = bytes([0, 1, 1, 1, 1, 0, 0, 0, 1, 0, 0, 1])
    head = bytes([1]) + (bytes([1]) if version >= 4 else b"") + bytes([1, 0xFB, 14, 13]) + lengths
    if version >= 5:
        head += b"\1" + uleb(1) + uleb(8) + uleb(len(folders) + 1) + b"".join(map(text, ["/build", *folders]))
        head += b"\2" + uleb(1) + uleb(8) + uleb(2) + uleb(11) + uleb(len(files))
        head += b"".join(text(name) + bytes([folder]) for name, folder in files)
    else:
        head += b"".join(map(text, folders)) + b"\0"
        head += b"".join(text(name) + uleb(folder) + b"\0\0" for name, folder in files) + b"\0"
    body = struct.pack("<I", len(head)) + head + line_program(rows, 0 if version >= 5 else 1)
    body = struct.pack("<H", version) + (b"\4\0" if version >= 5 else b"") + body
    return struct.pack("<I", len(body)) + body


def elf(
    version=4, *, symbols=(), folders=(), files=(), rows=(), machine=MACHINE, kind=2, line_table=None, units=1, flags=0
):
    """An ELF file with so many units that are all the same; symbols are (name, address, type, section).

    `line_table` stands in place of the line table, `flags` are those of its section.
    """
    form = 0x17 if version >= 4 else 6
    abbreviations = bytes([1, 0x11, 0, 3, 8, 0x1B, 8, 0x10, form, 0, 0, 0])
    unit = b"\1" + text(files[0][0] if files else "x") + text("/build") + struct.pack("<I", 0)
    head = struct.pack("<HBBI", version, 1, 4, 0) if version >= 5 else struct.pack("<HIB", version, 0, 4)
    info = struct.pack("<I", len(head + unit)) + head + unit
    names = b"\0" + b"".join(text(symbol[0]) for symbol in symbols)
    table, at = b"\0" * 16, 1
    for name, address, type_, section in symbols:
        table += struct.pack("<IIIBBH", at, address, 0, 0x10 | type_, 0, section)
        at += len(name) + 1
    sections = [("", 0, b"", 0, 0, 0), (".symtab", 2, table, 2, 1, 16), (".strtab", 3, names, 0, 0, 0)]
    if rows:
        sections += [
            (".debug_abbrev", 1, abbreviations, 0, 0, 0),
            (".debug_info", 1, info * units, 0, 0, 0),
            (".debug_line", 1, line_table or debug_line(version, folders, files, rows), 0, 0, 0),
        ]
    strings = b"".join(text(name) for name, *_ in sections) + text(".shstrtab")
    sections.append((".shstrtab", 3, strings, 0, 0, 0))
    headers, body, name_at = b"", b"", 0
    for name, type_, content, link, info_, size in sections:
        of_section = flags if name == ".debug_line" else 0
        headers += struct.pack(
            "<10I", name_at, type_, of_section, 0, 52 + len(body), len(content), link, info_, 1, size
        )
        name_at += len(name) + 1
        body += content
    begin = b"\x7fELF\1\1\1" + b"\0" * 9
    begin += struct.pack("<HHIIIIIHHHHHH", kind, machine, 1, 0, 0, 52 + len(body), 0, 52, 0, 0, 40, len(sections),
                         len(sections) - 1)  # fmt: skip
    return begin + body + headers
