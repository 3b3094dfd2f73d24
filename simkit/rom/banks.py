"""Programs that share addresses (banks): which label belongs to which of them.

A label list knows addresses alone. A row of a listing knows where in which image its bytes are, so a label that stands
at a row is that program's, whatever else has the same address.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from itertools import islice

import attrs

from simkit.rom.listing import Row

MOST_ADDRESSES = 0x10000
PAGE = 0x100
"""Banks begin at whole pages."""
MOST_PLACES = 256
"""Of the same bytes in one chip."""


def labelled(
    rows: Iterable[Row], labels: Iterable[tuple[str, int]], placed: Mapping[tuple[str, int], str]
) -> list[Row]:
    """Rows with the labels at their first bytes.

    Args:
        rows: of one file.
        labels: (name, address) of the same file.
        placed: name by (image, offset in it), where the file says that.
    """
    rows = list(rows)
    begin = Counter(row.address for row in rows)
    named: dict[int, str] = {}
    pairs = set()
    for name, address in labels:
        named.setdefault(address, name)
        pairs.add((name, address))
    found = []
    for row in rows:
        label = placed.get((row.image, row.offset)) if row.offset is not None else None
        first = row.text.split(maxsplit=1)[0].rstrip(":") if row.text.strip() else ""
        if label is None and (first, row.address) in pairs:
            label = first  # the source says so itself
        if label is None and begin[row.address] == 1:
            label = named.get(row.address)
        found.append(row if label is None else attrs.evolve(row, label=label))
    return found


def in_banks(rows: Iterable[Row], first: int = 0) -> list[Row]:
    """Rows of one file, in its order, with the number of the program that each is of.

    Where it is not known at which offset bytes are, another program begins where the same addresses come again.
    """
    number, covered = first, bytearray(MOST_ADDRESSES)
    found = []
    for row in rows:
        if row.offset is None:
            if covered.find(1, row.address, row.address + max(row.length, 1)) >= 0:
                number, covered = number + 1, bytearray(MOST_ADDRESSES)
            covered[row.address : row.address + row.length] = b"\x01" * row.length
        found.append(row if row.program == number else attrs.evolve(row, program=number))
    return found


def found_in(content: bytes, rows: Sequence[Row]) -> list[Row]:
    """Rows of one program with the offsets at which a chip, of which the CPU sees a part at a time, holds their bytes.

    Rows that follow each other are looked for together. What lies at several places is where the rest of the program
    has it; what is still not sure stays without an offset.
    """
    runs: list[list[Row]] = []
    for row in rows:
        if runs and row.address == runs[-1][-1].address + runs[-1][-1].length:
            runs[-1].append(row)
        else:
            runs.append([row])
    places = [_places(content, run) for run in runs]
    sure = Counter(found[0] - run[0].address for run, found in zip(runs, places, strict=True) if len(found) == 1)
    likely = [shift for shift, _ in sure.most_common()]
    placed = []
    for run, found in zip(runs, places, strict=True):
        at = (
            found[0]
            if len(found) == 1
            else next((run[0].address + d for d in likely if run[0].address + d in found), -1)
        )
        placed += [attrs.evolve(row, offset=at + row.address - run[0].address) if at >= 0 else row for row in run]
    return placed


def _places(content: bytes, run: Sequence[Row]) -> list[int]:
    """Where the bytes of a run are; the first MOST_PLACES."""
    data = b"".join(row.data for row in run)
    if len(data) != sum(row.length for row in run):
        return []  # filler, of which a listing shows the first byte
    every = range(run[0].address % PAGE, len(content), PAGE)
    return list(islice((at for at in every if content.startswith(data, at)), MOST_PLACES))
