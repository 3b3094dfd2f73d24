"""What people are told of parts: how they are named, what is known of them, and how parts of one's own are added."""

from __future__ import annotations

from collections.abc import Iterator
from textwrap import wrap

from simkit.machinefile.figures import BASES, FIGURES, KINDS, known_parts
from simkit.machinefile.timing import CARD_TIMING, CPU_TIMING

_WIDTH = 16
_LINE = 118

NAMING = """\
Parts, and how fast they are
============================

`simkit budget MACHINE` adds up what data sheets say. A machine file names the parts:

  [cpu]                           # instead of cpu = "65C02"
  kind = "65C02"
  part = "W65C02S"
  grade = "14 MHz"                # "14 MHz at 5 V" where a grade has several supplies

  [[card]]
  part = "AT28C256"               # or with its grade, as it is marked: "AT28C256-15"
  grade = "150 ns"
  [card.timing]
  decode = ["74HC688", "74HC138 enable"]
  buffer = "74HC245"

A name that several makers use means all of theirs: sums take the slowest. A part that is named and too slow, whatever
its name leaves open, is a finding at power-on (`simkit explain part-too-slow`). What is not named counts as nothing.
A decoder that is said as it is wired ([card.decode]) is taken from there; then leave `decode` out of [card.timing].
A part that goes with a setting `part` of its card says that, too: part = "W65C51N" is settings.part = "W65C51N"."""

OWN = """\
Parts of your own
-----------------
At the top of the machine file: parts = "my-parts.toml", a file beside it. A part of the same name and grade takes the
place of the kit's.

  [source]                        # where figures come from: maker, sheet, year, table
  HM = { basis = "read", title = "Some Maker, HM256 data sheet, 1998, AC characteristics" }

  [[part]]
  name = "HM256"
  also = ["HM256-10"]             # other names for the same
  grade = "100 ns"                # leave it out where there is one grade alone
  kind = "memory"                 # memory, peripheral, cpu or logic
  fits = ["sram"]                 # kinds of cards; of a CPU 65C02 or 6502
  size = 32768                    # bytes of a memory
  # setting = ["28C256"]          # of cards with a setting `part`: the values with which it goes, the usual one first
  supply = "5 V"
  source = "HM"                   # of all figures below that do not say another; "memory": you have not looked it up
  [part.figures]
  address = { worst = 100 }       # ns; columns: typical, room (limit at 25 C), worst (limit over the whole range)
  enable = { typical = 60, worst = [95, 100], source = "memory", note = "rise, fall: the largest counts" }

What a source rests on, its basis:"""


def page() -> Iterator[str]:
    """The page, a line each."""
    yield from NAMING.splitlines()
    yield ""
    yield "Keys of [card.timing]"
    yield from _table(CARD_TIMING)
    yield "Keys of [cpu] besides kind, part and grade"
    yield from _table(CPU_TIMING)
    yield from OWN.splitlines()
    yield from _table(BASES)
    for kind in KINDS:
        yield f"Figures of {kind} parts, in ns unless it is said otherwise"
        yield from _table(FIGURES[kind])
    yield "Parts known"
    yield "-----------"
    for kind in KINDS:
        grades: dict[str, list[str]] = {}
        for part in known_parts().parts:
            if part.kind == kind:
                grades.setdefault(part.name, []).extend([part.grade] if part.grade else [])
        listed = "; ".join(f"{name} ({', '.join(found)})" if found else name for name, found in grades.items())
        yield from wrap(f"{kind}: {listed}", _LINE, subsequent_indent="  ")


def _table(rows: dict[str, str]) -> Iterator[str]:
    for name, text in rows.items():
        yield f"  {name:<{_WIDTH}} {text}"
    yield ""
