"""Coverage of a ROM: which of its instructions ran, and which of its branches went both ways.

watch = CoverageWatch(machine); machine.run(...); counts = watch.stop(); table(counts, program_of(machine))
"""

from __future__ import annotations

import hashlib
import json
import re
from bisect import bisect_right
from collections import Counter
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

import attrs
import numpy as np
from numpy.typing import NDArray

from simkit.backplane.cycle import Kind
from simkit.backplane.records import DECODING
from simkit.check.image.codemap import reached
from simkit.contract.errors import SimkitError
from simkit.cpu.isa.effects import is_branch, is_conditional
from simkit.cpu.isa.opcodes import OPCODES
from simkit.files.bounded import read_text
from simkit.files.formats import json_format
from simkit.machine.machine import Machine
from simkit.records.cycles import Cycles, kinds
from simkit.rom.listing import Listing, Row
from simkit.testing.spots import Spots, as_text, bank_of, from_text, seen_of

FORMAT = "simkit-coverage"
COUNTS = json_format("coverage counts", FORMAT)
MAX_FILE_BYTES = 8_000_000
"""Twice what counts of all addresses need."""
MAX_COUNT = 1 << 63
_TABLES = ("ran", "taken", "passed")
_HASH = re.compile(r"[0-9a-f]{64}")


@attrs.define
class Counts:
    """How often instructions ran.

    Attributes:
        program: hash of the ROMs they ran from; counts of other programs cannot be added.
        ran: by address of the instruction, and of one in a bank by its spot (`simkit.testing.spots`), too.
        taken: likewise, of a branch: it jumped.
        passed: likewise, of a branch: it went on.
    """

    program: str
    ran: dict[int, int] = attrs.field(factory=dict)
    taken: dict[int, int] = attrs.field(factory=dict)
    passed: dict[int, int] = attrs.field(factory=dict)

    def add(self, other: Counts) -> None:
        """Add the counts of another run.

        Raises:
            SimkitError: it was of another program.
        """
        if other.program != self.program:
            raise SimkitError(
                "The two runs are of different ROM images; their counts cannot be added.",
                remedy="Run both with the same build.",
            )
        for mine, theirs in ((self.ran, other.ran), (self.taken, other.taken), (self.passed, other.passed)):
            for address, count in theirs.items():
                mine[address] = mine.get(address, 0) + count

    def to_json(self) -> str:
        """For a file that `from_json` reads."""
        tables = {name: {as_text(at): count for at, count in sorted(getattr(self, name).items())} for name in _TABLES}
        return json.dumps({"format": FORMAT, "version": 1, "program": self.program, **tables}) + "\n"

    @classmethod
    def from_json(cls, path: Path) -> Counts:
        """Read a file of counts.

        Raises:
            SimkitError: no such file, or not one.
        """
        try:
            return cls.parse(read_text(path, MAX_FILE_BYTES, "coverage counts", longest_line=None))
        except FileNotFoundError as error:
            raise SimkitError(f"There are no coverage counts {path}.", remedy="Correct the path.") from error
        except ValueError as error:
            raise SimkitError(
                "The file holds no coverage counts.", file=str(path), remedy="Name one written with --save."
            ) from error

    @classmethod
    def parse(cls, text: str) -> Counts:
        """Counts from the text of a file.

        Raises:
            ValueError: it is none.
        """
        try:
            data = json.loads(text)
        except RecursionError as error:
            raise ValueError("nested too deeply") from error
        if not isinstance(data, dict) or data.get("format") != FORMAT or data.get("version") != 1:
            raise ValueError("another format")
        program, *tables = (data.get(name) for name in ("program", *_TABLES))
        if not isinstance(program, str) or not _HASH.fullmatch(program):
            raise ValueError("no hash of a program")
        return cls(program, *map(_table, tables))


def _table(data: object) -> dict[int, int]:
    """Counts by address as a file says them.

    Raises:
        ValueError: something else stands there.
    """
    if not isinstance(data, dict):
        raise ValueError("no table")
    if any(type(count) is not int or not 0 < count < MAX_COUNT for count in data.values()):
        raise ValueError("no count")
    return {from_text(at): count for at, count in data.items()}


def program_hash(machine: Machine) -> str:
    """Hash of all ROM contents of a machine, and of the programs loaded into RAM."""
    digest = hashlib.sha256()
    for seat in machine.bus.seats:
        content = seat.rom() or seat.image
        if content:
            digest.update(f"slot {seat.slot}".encode())
            digest.update(content)
    for program in machine.description.programs:
        for address, data in program.pieces or ():
            digest.update(f"program ${address:04X}".encode())
            digest.update(data)
    return digest.hexdigest()


class CoverageWatch:
    """Counts instructions of a machine until `stop`, from the records of its bus cycles."""

    def __init__(self, machine: Machine) -> None:
        self._program = program_hash(machine)
        self._spots = Spots(machine)
        table = OPCODES[machine.description.cpu]
        self._length = np.array([o.length if is_branch(o) else 0 for o in table], np.uint16)
        self._counts: dict[str, Counter[int]] = {name: Counter() for name in _TABLES}  # by decoding << 16 | address
        self._branch: tuple[int, int] | None = None  # under way: where it is, and the address that follows it
        self._decoding = machine.bus.reach.banks.number
        self._machine = machine
        self._handle = machine.bus.record(self._count, decoding=bool(machine.bus.reach.banks.lines))

    def _count(self, records: memoryview) -> None:
        cycles = Cycles.of(records, self._machine.cycle)
        kind = kinds(cycles.words)  # repeats under RDY are other ones
        which = (kind == Kind.FETCH) | (kind == Kind.INTERRUPT) | (kind == Kind.RESET)  # what can follow
        decoding = self._decodings(cycles, kind == DECODING, which)
        cycles = cycles[which]
        if not len(cycles):
            return
        address, fetch = cycles.address, cycles.kind == Kind.FETCH
        at = decoding << np.uint32(16) | address
        self._add("ran", at[fetch])
        given_up = cycles.kind == Kind.RESET  # whether a branch before it would have gone on is not known
        if self._branch is not None and not given_up[0]:
            branch_at, onward = self._branch
            self._counts["passed" if address[0] == onward else "taken"][branch_at] += 1
        length = np.where(fetch, self._length[cycles.data], 0)
        branch = length > 0
        followed = branch[:-1] & ~given_up[1:]
        went_on = address[1:][followed] == address[:-1][followed] + length[:-1][followed]
        self._add("passed", at[:-1][followed][went_on])
        self._add("taken", at[:-1][followed][~went_on])
        self._branch = (int(at[-1]), int(address[-1] + length[-1]) & 0xFFFF) if branch[-1] else None

    def _decodings(self, cycles: Cycles, changes: NDArray[np.bool_], which: NDArray[np.bool_]) -> NDArray[np.uint32]:
        """The decoding in each of some cycles."""
        if not changes.any():
            return np.full(int(which.sum()), self._decoding, np.uint32)
        numbered = cycles.cycle
        numbers = np.array([self._decoding, *cycles.address[changes].tolist()], np.uint32)
        self._decoding = int(numbers[-1])
        return numbers[np.searchsorted(numbered[changes], numbered[which], side="right")]

    def _add(self, table: str, at: NDArray[np.uint32]) -> None:
        counts = self._counts[table]
        for decoding in np.unique(at >> np.uint32(16)).tolist():
            ran = np.bincount(at[at >> np.uint32(16) == decoding] & np.uint32(0xFFFF))
            for address in np.flatnonzero(ran).tolist():
                counts[decoding << 16 | address] += int(ran[address])

    def stop(self) -> Counts:
        """Take the watch off and give the counts."""
        self._handle.remove()
        return Counts(self._program, *(self._placed(self._counts[name]) for name in _TABLES))

    def _placed(self, counts: Counter[int]) -> dict[int, int]:
        """Counts by address, whatever bank was seen there, and by spot."""
        placed = Counter[int]()
        for at, count in counts.items():
            address = at & 0xFFFF
            for key in {address, self._spots.seen(at >> 16, address)}:
                placed[key] += count
        return dict(placed)


@attrs.frozen
class Program:
    """The instructions of a ROM.

    Attributes:
        instructions: their spots (`simkit.testing.spots`), rising.
        branches: those that are conditional branches.
        labels: (spot, name), rising.
        listing: rows with source lines, or None.
    """

    instructions: tuple[int, ...]
    branches: frozenset[int]
    labels: tuple[tuple[int, str], ...]
    listing: Listing | None

    def row(self, at: int) -> Row | None:
        """The row of the listing at a spot."""
        return None if self.listing is None else self.listing.row(at & 0xFFFF, seen_of(at))

    def outline(self, name: str) -> dict[str, Any]:
        """What a table needs, as plain values that go through JSON; `name` stands in front of its line."""
        return {
            "name": name,
            "instructions": list(self.instructions),
            "branches": sorted(self.branches),
            "labels": [list(pair) for pair in self.labels],
        }

    @classmethod
    def of_outline(cls, outline: Mapping[str, Any]) -> Program:
        """The program of an outline; its listing is gone."""
        labels = tuple((int(address), str(label)) for address, label in outline["labels"])
        return cls(tuple(outline["instructions"]), frozenset(outline["branches"]), labels, None)


def program_of(machine: Machine, listing: Listing | None) -> Program:
    """Instructions as the listing says, or, without one, as far as they can be followed from the vectors."""
    rows = dict(Spots(machine).instructions(listing)) if listing is not None else {}
    starts = rows or reached(machine, machine.vectors().values())
    table = OPCODES[machine.description.cpu]
    first = {at: rows[at].data[:1] if at in rows else b"" for at in starts}
    codes = {at: table[byte[0] if byte else machine.peek(at & 0xFFFF)] for at, byte in first.items()}
    branches = frozenset(at for at, opcode in codes.items() if is_conditional(opcode))
    known = dict(machine.labels.names())
    known |= {at: _name_in_bank(at, listing, known) for at in rows if listing is not None and seen_of(at) is not None}
    labels = tuple(sorted((at, name) for at, name in known.items() if name))
    return Program(tuple(sorted(codes)), branches, labels, listing)


def _name_in_bank(at: int, listing: Listing, known: Mapping[int, str]) -> str:
    """Label of a spot in a bank; "" where none stands, or it is not known whether it is one of this bank."""
    found = listing.label(at & 0xFFFF, seen_of(at))
    if found is None:
        return known.get(at & 0xFFFF, "")
    name, distance = found
    return name if name is not None and not distance else ""


@attrs.frozen
class TableRow:
    """Coverage of the instructions from one label to the next.

    Attributes:
        label: the label, or "(before the first label)".
        address: where it stands.
        instructions: number of instructions.
        ran: those that ran.
        branches: number of conditional branches.
        both: those that went both ways.
        at: spot of the label.
    """

    label: str
    address: int
    instructions: int
    ran: int
    branches: int
    both: int
    at: int = 0


def table(counts: Counts, program: Program) -> list[TableRow]:
    """Coverage by label, in order of addresses; labels without instructions are left out."""
    labels: dict[tuple[int, int], list[tuple[int, str]]] = {}
    for at, name in program.labels:
        labels.setdefault(bank_of(at), []).append((at, name))
    groups: dict[tuple[int, str], list[int]] = {}
    spot_of_bank: dict[tuple[int, int], int] = {}  # its first
    for at in program.instructions:
        near = labels.get(bank_of(at), [])
        number = bisect_right(near, at, key=lambda label: label[0]) - 1
        first = spot_of_bank.setdefault(bank_of(at), at)
        group = near[number] if number >= 0 else (first, "(before the first label)")
        groups.setdefault(group, []).append(at)
    rows = []
    for (at, label), spots in sorted(groups.items(), key=lambda item: (item[1][0] & 0xFFFF, item[1][0])):
        branches = [one for one in spots if one in program.branches]
        both = sum(1 for one in branches if one in counts.taken and one in counts.passed)
        ran = sum(1 for one in spots if one in counts.ran)
        rows.append(TableRow(label, at & 0xFFFF, len(spots), ran, len(branches), both, at))
    return rows


def total(rows: Iterable[TableRow]) -> TableRow:
    """Sum of a table."""
    rows = list(rows)
    return TableRow(
        "all",
        rows[0].address if rows else 0,
        sum(row.instructions for row in rows),
        sum(row.ran for row in rows),
        sum(row.branches for row in rows),
        sum(row.both for row in rows),
        rows[0].at if rows else 0,
    )


def summary(kept: Mapping[str, Counts], outlines: Mapping[str, Mapping[str, Any]]) -> list[str]:
    """One line a ROM, and the labels under which nothing ran.

    Args:
        kept: counts by program hash.
        outlines: outlines (`Program.outline`) by program hash.
    """
    width = max((len(str(outline["name"])) for outline in outlines.values()), default=0)
    lines = [f"{'machine':<{width}}  instructions ran      branches both ways"]
    for key, counts in sorted(kept.items(), key=lambda item: str(outlines[item[0]]["name"])):
        rows = table(counts, Program.of_outline(outlines[key]))
        every = total(rows)
        lines.append(
            f"{outlines[key]['name']:<{width}}  {every.ran:>4} of {every.instructions:<4} "
            f"{percent(every.ran, every.instructions):>5}    {every.both:>3} of {every.branches:<3} "
            f"{percent(every.both, every.branches):>5}"
        )
        never = [row.label for row in rows if not row.ran]
        if never:
            lines.append(f"{'':<{width}}  never ran: {', '.join(never)}")
    return lines


def as_dict(rows: Iterable[TableRow]) -> list[dict[str, Any]]:
    """Table rows for --json."""
    return [attrs.asdict(row, filter=lambda field, _: field.name != "at") for row in rows]


def percent(part: int, whole: int) -> str:
    """Part of a whole in words."""
    return "-" if whole == 0 else f"{100 * part // whole} %"
