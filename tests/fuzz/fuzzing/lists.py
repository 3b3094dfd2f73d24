"""Files of lines: label lists, listings, Intel HEX and S-records, by their grammars."""

from __future__ import annotations

from collections.abc import Callable

from fuzzing import corpus
from fuzzing.rolls import Rolls


def _number(rolls: Rolls) -> str:
    value = rolls.choice((0, 0x12, 0x8000, 0xFFFF, 0x10000, 0xFFFFFFFF, rolls.getrandbits(16)))
    forms = ("${:04X}", "0x{:x}", "{:X}h", "0{:X}H", "{}", "${:02X}", "%{:b}", "${:010X}", "$ {:X}", "${:x}h", "{:04X}")
    return rolls.choice(forms).format(value)


def _name(rolls: Rolls) -> str:
    names = ("reset", "irq_handler", "PLACE", "_local", "a.b.c", "x" * 64, "x" * 65, "1st", "name", "and")
    return rolls.choice(names) if rolls.randrange(8) else rolls.word()


def _label_line(rolls: Rolls) -> str:
    name, number = _name(rolls), _number(rolls)
    wide = rolls.choice((" ", " ", "  ", "\t", "", " " * rolls.choice((60, 4000, 60_000)) if rolls.chance(40) else " "))
    return rolls.choice(
        (
            f"{name}{wide}={wide}{number}",
            f"{name}: := {number} ; note",
            f"{wide}{name} EQU {number}",
            f"{name}\t.equ{wide}{number}",
            f"{number} | {name} | main.asm:{rolls.number()}",
            f"{number} | {name}{wide}| {rolls.word()}:{'9' * rolls.choice((1, 7, 8, 40))}",
            f"{name},{number}",
            f'"{name}";"{number}";{wide}',
            "name,address",
            f"; {rolls.word()}",
            f"# {wide}",
            wide,
            rolls.word(),
        )
    )


def labels(rolls: Rolls) -> bytes:
    """A label list."""
    if rolls.chance(3):
        return rolls.spoil(rolls.choice(corpus.label_lists()))
    lines = [_label_line(rolls) for _ in range(rolls.choice((1, 2, 5, 20)))]
    if rolls.chance(30):
        lines *= rolls.choice((200, 3000))
    if rolls.chance(60):
        lines = [
            f"n{number} = ${number & 0xFFFF:04X}" for number in range(rolls.choice((65_535, 65_536, 65_537, 80_000)))
        ]
    data = rolls.choice(("\n", "\n", "\r\n", "\r", "\n\n")).join(lines).encode("utf-8", "replace")
    return rolls.spoil(data) if rolls.chance(5) else data


_REGISTERS = ("VIDEO_DATA", "PAD_A", "PADS_PORT_1", "keyboardReadyBit", "KEYBOARD_STATUS", "PAD_LEFT_BIT", "CLOCK_HZ")


def _term(rolls: Rolls, depth: int = 0) -> str:
    if depth < 4 and rolls.chance(3):
        inner = f"{_term(rolls, depth + 1)} {rolls.choice('+-|&*~<>')} {_term(rolls, depth + 1)}"
        return rolls.choice(
            (f"({inner})", inner, f"~{inner}", "(" * rolls.choice((1, 3, 90)) + inner, f"{inner} << 99")
        )
    return rolls.choice((_number(rolls), "$7F30", "%10000000", "7", "'A'", rolls.choice(_REGISTERS), rolls.word()))


def _definition(rolls: Rolls) -> str:
    name = rolls.choice(_REGISTERS) if rolls.randrange(3) else _name(rolls)
    value = _term(rolls)
    return rolls.choice(
        (
            f"{name} = {value}",
            f".alias {name} {value} ; note",
            f"#define {name} {value} /* note",
            f"{name}: .equ {value}",
            f".set {name}, {value}",
            f"; Wiring {'0' * rolls.choice((15, 16, 17))}",
            _label_line(rolls),
            rolls.word(),
        )
    )


def constants(rolls: Rolls) -> bytes:
    """An include file of constants, or what `--syntax json` writes, with anything in it."""
    if rolls.chance(6):
        row = rolls.choice(('{"name": "A", "value": 1}', '{"name": 1}', "[]", "7", '{"name": "A", "value": 1e99}'))
        text = rolls.choice(('{"wiring": "0", "groups": [{"constants": [%s]}]}', '{"groups": %s}', "{%s")) % row
    else:
        lines = [_definition(rolls) for _ in range(rolls.choice((1, 3, 9, 40)))]
        text = rolls.choice(("\n", "\r\n", "\r")).join(lines * (2_000 if rolls.chance(60) else 1))
    data = text.encode("utf-8", "replace")
    return rolls.spoil(data) if rolls.chance(5) else data


def source(rolls: Rolls) -> bytes:
    """A source that the map of an assembler names, for how its labels are spelled."""
    names = ("Reset", "Irq_Handler", "PLACE", "A.b.C", rolls.word())
    ends = (":", ":  lda #1", " = $1234", "\t.alias $12", "")
    lines = [
        f".alias {rolls.choice(names)} {_number(rolls)}"
        if rolls.chance(4)
        else f"{rolls.choice(names)}{rolls.choice(ends)}"
        for _ in range(rolls.choice((1, 9, 3000)))
    ]
    data = "\n".join(lines).encode("utf-8", "replace")
    return rolls.spoil(data) if rolls.chance(4) else data


def _row(rolls: Rolls) -> str:
    address = rolls.choice(("8000", "FFFF", "ffff", "0000", "10000", "12", f"{rolls.getrandbits(16):04X}"))
    data = " ".join(f"{rolls.getrandbits(8):02X}" for _ in range(rolls.choice((1, 1, 2, 3, 16, 17))))
    if rolls.chance(8):
        data = f"EA {rolls.choice((1, 0, 7, 99999, 100000, 65536))} times"
    file = rolls.choice(
        ("main.asm", "a b.asm", "../foreign/passwd", "*", "[", "x" * 100, "x" * 101, "..", "-", "caf\u00e9.asm")
    )
    text = rolls.choice(("", "lda #1", "start: ldx #$FF", ".byte 1", rolls.word(), "; note"))
    line = rolls.choice(("1", "12", "0", "9999999", "99999999", str(rolls.number())))
    return rolls.choice(
        (
            f"${address}  {data}    {file}:{line}   {text}",
            f" {address}  {data}   {text}",
            f"${address}  {data}",
            rolls.word(),
            "",
        )
    )


def listing(rolls: Rolls) -> bytes:
    """A listing."""
    if rolls.chance(3):
        return rolls.spoil(rolls.choice(corpus.listings()))
    lines = [_row(rolls) for _ in range(rolls.choice((1, 2, 5, 20)))]
    if rolls.chance(40):
        lines *= rolls.choice((500, 4000))
    data = rolls.choice(("\n", "\n", "\r\n", "\x0c")).join(lines).encode("utf-8", "replace")
    return rolls.spoil(data) if rolls.chance(5) else data


TOOL_FILES = (
    "version\tmajor=2,minor=0\n"
    'file\tid=0,name="FILE",size=NUMBER,mtime=0x1,mod=0\nfile\tid=1,name="FILE",size=20\n'
    'seg\tid=0,name="CODE",start=0x008000,size=0x18,type=ro,oname="FILE",ooffs=NUMBER\n'
    'seg\tid=1,name="B",start=NUMBER,size=NUMBER,oname="b.bin",ooffs=0,bank=1\n'
    "span\tid=0,seg=0,start=0,size=NUMBER\nspan\tid=ID,seg=ID,start=NUMBER,size=5,type=0\n"
    "line\tid=0,file=0,line=NUMBER,span=0+ID\nline\tid=1,file=ID,line=2,type=2,count=1,span=1\n"
    'scope\tid=ID,name="NAME",mod=0,type=scope,size=6,parent=ID,sym=2,span=1\n'
    'sym\tid=0,name="@d",size=1,parent=ID,def=0,val=0x8000,seg=0,type=lab\n'
    'sym\tid=1,name="NAME",scope=ID,def=ID,val=NUMBER,type=equ\n',
    "al 008000 .start\nal NUMBER .NAME\nal 008003 .@loop\n",
    "Modules list:\n-----\nExports list by name:\nNAME   008000 RLA  two NUMBER RLA\nImports list:\n",
    "; 64tass Turbo Assembler Macro listing file\n;Offset\t;PC\t;Hex\t;Monitor\t;Source\n"
    ";******  Processing input file: FILE\n=$10\tNAME = $10\n.8000\tNUMBER\ta2 ff\tldx #$ff\tNAME:  ldx #$ff\n"
    ";******  Processing file: FILE\n.8004\t0204\t60\trts\t_x rts\n;******  Return to file: FILE\n",
    "FILE:1:1: start = $8000\nFILE:NUMBER:1: NAME = NUMBER\n",
    'Sections:\n\nSource: "FILE"\n00:8000 A2FF  \t     NUMBER: start:  ldx #$ff\n00:8002 20746865\n'
    "Symbols by name:\nNAME   A:8000  three  E:NUMBER\n",
    "F00:0003  NAME:  ldx #$ff\n     S01:00008000:  A2 FF\n\nSources:\nF00  FILE\n\nSymbols:\n NAME LAB (0x8000) ABS\n",
)
"""What assemblers write, with places for what may be anything."""


def tool_file(rolls: Rolls) -> bytes:
    """A debug file, listing or symbol list of another tool, that names files of others, too."""
    text = rolls.choice(TOOL_FILES)
    parts: dict[str, Callable[[], str]] = {
        "FILE": lambda: rolls.choice(
            ("main.asm", "../foreign/passwd", "to-secret", "to-zero", "/dev/zero", rolls.word())
        ),
        "NUMBER": lambda: rolls.choice((_number(rolls), "1", "2", str(rolls.number()))),
        "ID": lambda: rolls.choice(("0", "1", "1", "2", "7", str(rolls.number()))),
        "NAME": lambda: _name(rolls),
    }
    for word, make in parts.items():
        while word in text:
            text = text.replace(word, make().replace(word, ""), 1)
    lines = text.splitlines()
    if rolls.chance(4):
        lines = lines[:1] + lines[1:] * rolls.choice((2, 50, 900))
    data = rolls.choice(("\n", "\n", "\r\n")).join(lines).encode("utf-8", "replace")
    return rolls.spoil(data) if rolls.chance(5) else data


def _ihex(kind: int, address: int, data: bytes, *, sum_off: int = 0, length_off: int = 0) -> str:
    body = bytes([(len(data) + length_off) & 0xFF, address >> 8 & 0xFF, address & 0xFF, kind & 0xFF]) + data
    return f":{body.hex().upper()}{(-sum(body) + sum_off) & 0xFF:02X}"


def _off(rolls: Rolls) -> int:
    return rolls.choice((1, 0x80)) if rolls.chance(60) else 0


def intel_hex(rolls: Rolls) -> bytes:
    """Intel HEX: data, bases, ends, in sound order or not."""
    if rolls.chance(8):
        return rolls.spoil(corpus.written()["hex"])
    if rolls.chance(5):
        return _sound_lines(rolls, lambda at, data: _ihex(0, at, data), [":00000001FF"])
    if rolls.chance(40):  # islands
        gap, count = rolls.choice((2, 3, 17)), rolls.choice((300, 3000, 20_000))
        lines = [_ihex(0, at * gap & 0xFFFF, b"\xea") for at in range(count)]
    else:
        lines = []
        for _ in range(rolls.choice((1, 2, 4, 12))):
            at = rolls.choice((0, 0x8000, 0xFFF0, 0xFFFF, rolls.getrandbits(16)))
            kind = rolls.choice((0, 0, 0, 0, 0, 2, 3, 4, 5, 1, 6, 255))
            data = {
                2: rolls.choice((b"\x10\0", b"\xff\xff", b"\0")),
                4: rolls.choice((b"\0\1", b"\xff\xff", b"")),
                1: b"",
            }.get(kind, rolls.randbytes(rolls.choice((0, 1, 2, 16, 32, 255))))
            lines.append(_ihex(kind, at, data, sum_off=_off(rolls), length_off=_off(rolls)))
    if rolls.randrange(8):
        lines.append(":00000001FF")
    return _lines(rolls, lines)


def _srec(kind: int, address: int, data: bytes, *, sum_off: int = 0, count_off: int = 0) -> str:
    width = {0: 2, 1: 2, 2: 3, 3: 4, 5: 2, 6: 3, 7: 4, 8: 3, 9: 2}.get(kind, 2)
    body = (address & (1 << 8 * width) - 1).to_bytes(width, "big") + data
    count = (len(body) + 1 + count_off) & 0xFF
    return f"S{kind}{count:02X}{body.hex().upper()}{(~(count + sum(body)) + sum_off) & 0xFF:02X}"


def s_records(rolls: Rolls) -> bytes:
    """S-records of all types, with counts that agree or not."""
    if rolls.chance(8):
        return rolls.spoil(corpus.written()["s19"])
    width = rolls.choice((1, 1, 2, 3))
    if rolls.chance(5):
        return _sound_lines(rolls, lambda at, data: _srec(width, at, data), [_srec(10 - width, 0, b"")])
    lines = [_srec(0, 0, b"fuzz")] if rolls.chance(2) else []
    count = rolls.choice((1, 2, 4, 12)) if rolls.randrange(40) else rolls.choice((300, 5000))
    for number in range(count):
        at = rolls.choice((0, 0x8000, 0xFFF0, 0xFFFF, 0xFFFFFFFF, number * 3, rolls.getrandbits(24)))
        kind = width if rolls.randrange(9) else rolls.choice((0, 1, 2, 3, 4, 5, 6, 7, 8, 9))
        data = rolls.randbytes(rolls.choice((0, 1, 16, 32, 250)))
        lines.append(_srec(kind, at, data, sum_off=_off(rolls), count_off=_off(rolls)))
    if rolls.chance(2):
        lines.append(_srec(rolls.choice((5, 6)), rolls.choice((count, count + 1, 0, 0xFFFF)), b""))
    if rolls.randrange(8):
        lines.append(_srec(10 - width, rolls.choice((0, 0x8000)), b"" if rolls.randrange(9) else b"x"))
    return _lines(rolls, lines)


def _sound_lines(rolls: Rolls, record: Callable[[int, bytes], str], end: list[str]) -> bytes:
    """A hex file without a fault: blocks behind one another, with holes, in any order."""
    size, at, lines = rolls.choice((8, 16, 32)), rolls.choice((0, 0x8000, 0xC000)), []
    for _ in range(rolls.choice((1, 3, 20))):
        lines.append(record(at, rolls.randbytes(size)))
        at += size * rolls.choice((1, 1, 2))
    if rolls.chance(2):
        rolls.shuffle(lines)
    return rolls.choice(("\n", "\r\n")).join([*lines, *end]).encode() + b"\n"


def _lines(rolls: Rolls, lines: list[str]) -> bytes:
    if rolls.chance(8):
        rolls.shuffle(lines)
    if rolls.chance(8):
        lines.insert(
            rolls.randint(0, len(lines)),
            rolls.choice(("", " ", "x", ";", "S", ":", lines[0], lines[0].lower(), rolls.word())),
        )
    data = rolls.choice(("\n", "\n", "\r\n", "\r", " \n")).join(lines).encode("utf-8", "replace") + b"\n"
    return rolls.spoil(data) if rolls.chance(9) else data
