"""Programs made up by chance, assembled by ca65 with ld65 and by 64tass: each label and line as the image says.

Every instruction that counts stores to an address of its own, so that its bytes in the image say which line it came
from, whatever is believed of addresses. Macros, files that are included, scopes, local labels, data, and a part that is
loaded in one place and runs in another.
"""

import random

import attrs
import pytest

from simkit.rom.labels import read_labels
from simkit.rom.listing import Listing, completed, read_rows

RUN_AT = 0x0200
CONFIG = """
MEMORY {
  RAM: start = $0200, size = $0400, type = rw;
  ROM: start = $8000, size = $8000, type = ro, fill = yes, fillval = $FF, file = %O;
}
SEGMENTS {
  CODE: load = ROM, type = ro;
  MOVED: load = ROM, run = RAM, type = ro;
}
"""
MACROS = {
    "ca65": " .macro put what\n sta what\n nop\n .endmacro\n .macro twice what\n put what\n put what\n .endmacro\n",
    "64tass": "put .macro\n sta \\1\n nop\n .endm\ntwice .macro\n #put \\1\n #put \\1\n .endm\n",
}
DIRECTIVES = {
    "ca65": {"proc": ".proc {}", "end": ".endproc", "local": "@{}:", "call": "", "byte": ".byte",
             "moved": ".segment \"MOVED\"", "back": ".code", "include": ".include \"{}.s\""},
    "64tass": {"proc": "{} .proc", "end": ".pend", "local": "_{}", "call": "#", "byte": ".byte",
               "moved": ".logical $0200", "back": ".here", "include": ".include \"{}.asm\""},
}  # fmt: skip


@attrs.define
class Program:
    """A source in the words of one assembler, and what must be found of it.

    Attributes:
        files: lines by file name, without ending.
        stores: (file, line) by the address that is stored to.
        labels: address that is stored to just behind a label, by its full name.
    """

    words: dict[str, str]
    rolls: random.Random
    files: dict[str, list[str]] = attrs.field(factory=dict)
    stores: dict[int, tuple[str, int]] = attrs.field(factory=dict)
    labels: dict[str, int] = attrs.field(factory=dict)

    def line(self, file, text):
        self.files[file].append(text)
        return len(self.files[file])

    def store(self, file, text="sta"):
        to = 0x4000 + len(self.stores)
        self.stores[to] = file, self.line(file, f" {text} ${to:04X}")
        return to

    def part(self, file, size, joint):
        """Some lines of any kind; `joint` is what stands between the parts of a local label's full name."""
        for _ in range(size):
            number = len(self.stores)
            kind = self.rolls.choice(["store", "store", "label", "local", "put", "twice", "proc", "data", "blank"])
            if kind == "label":
                self.line(file, f"at{number}: ; {self.rolls.random()}")
                self.labels[f"at{number}"] = self.store(file)
            elif kind == "local":
                self.line(file, f"near{number}:")
                self.labels[f"near{number}"] = self.store(file)
                local = self.words["local"].format("in")
                self.line(file, local)
                self.labels[f"near{number}{joint}{local.rstrip(':')}"] = self.store(file)
            elif kind in ("put", "twice"):
                self.store(file, f"{self.words['call']}{kind}")
            elif kind == "proc":
                self.line(file, self.words["proc"].format(f"sub{number}"))
                self.labels[f"sub{number}"] = self.store(file)
                self.line(file, " rts")
                self.line(file, f" {self.words['end']}")
                self.line(file, f" jsr sub{number}")  # 64tass leaves a .proc out that nobody calls
            elif kind == "data":
                self.line(file, f" {self.words['byte']} {', '.join(['1'] * self.rolls.randint(1, 20))}")
            elif kind == "blank":
                self.line(file, self.rolls.choice(["", " ; nothing", " nop"]))
            else:
                self.store(file)


def made_up(tool, seed):
    program = Program(DIRECTIVES[tool], random.Random(seed))
    joint = "" if tool == "ca65" else "."
    program.files = {"main": MACROS[tool].splitlines(), "part": []}
    if tool == "64tass":
        program.line("main", "* = $8000")
    program.part("main", 12, joint)
    program.line("main", " " + program.words["include"].format("part"))
    program.part("part", 8, joint)
    program.part("main", 6, joint)
    program.line("main", " " + program.words["moved"])
    moved = len(program.stores)
    program.labels["moved"] = 0x4000 + moved
    program.line("main", "moved:")
    program.store("main")
    program.part("main", 5, joint)
    program.line("main", " " + program.words["back"])
    return program, 0x4000 + moved


def found_in(image, stores):
    """Places in the image of the instructions, by the address they store to."""
    places = {to: [] for to in stores}
    for at in range(len(image) - 2):
        to = image[at + 1] | image[at + 2] << 8
        if image[at] == 0x8D and to in places:
            places[to].append(at)
    return places


def check(program, first_moved, image, labels, rows):
    listing = Listing(
        completed(rows, "65C02", lambda address, length: image[address - 0x8000 :][:length].ljust(length))
    )
    places = found_in(image, program.stores)
    assert all(places.values())
    shift = RUN_AT - places[first_moved][0]
    for to, (file, line) in program.stores.items():
        for at in places[to]:
            address = at + (0x8000 if to < first_moved else shift)
            row = listing.row(address)
            assert row is not None, (hex(to), hex(address))
            assert (row.file.rpartition("/")[2].partition(".")[0], row.line) == (file, line), hex(to)
            assert (row.address, row.length, row.code) == (address, 3, True)
            assert row.data == image[at : at + 3]
    for name, to in program.labels.items():
        assert labels[name] == places[to][0] + (0x8000 if to < first_moved else shift), name


@pytest.mark.needs("cc65")
@pytest.mark.parametrize("seed", range(4))
def test_ca65_and_ld65(seed, ca65, tmp_path):
    program, first_moved = made_up("ca65", seed)
    (tmp_path / "part.s").write_text("\n".join(program.files["part"]) + "\n")
    folder = ca65(CONFIG, main="\n".join(program.files["main"]) + "\n")
    image = (folder / "rom.bin").read_bytes()
    check(program, first_moved, image, read_labels(folder / "rom.dbg"), read_rows(folder / "rom.dbg"))
    listed = read_labels(folder / "rom.lbl")
    assert {name: listed.get(name) for name in program.labels} == {
        name: read_labels(folder / "rom.dbg")[name] for name in program.labels
    }


@pytest.mark.needs("64tass")
@pytest.mark.parametrize("seed", range(4))
def test_64tass(seed, tass):
    program, first_moved = made_up("64tass", seed)
    folder = tass("--dump-labels", **{name: "\n".join(lines) + "\n" for name, lines in program.files.items()})
    image = (folder / "rom.bin").read_bytes()
    check(program, first_moved, image, read_labels(folder / "rom.labels"), read_rows(folder / "rom.lst"))
