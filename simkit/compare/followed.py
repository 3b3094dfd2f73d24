"""What following a capture gives: the rows in which it differs from what should be, before any is judged."""

from __future__ import annotations

from enum import IntEnum

import attrs
import numpy as np
from numpy.typing import NDArray

from simkit.compare.fed import Answers, Fed


class Read(IntEnum):
    """Which byte the CPU took where the captured one is not the one to expect."""

    OPEN = 0  # nothing that follows tells
    CAPTURED = 1
    EXPECTED = 2


@attrs.define(eq=False)
class Difference:
    """A row in which the capture differs from what is to be expected.

    Attributes:
        row: its number.
        address: that the CPU put out.
        pc: of the instruction.
        slot: of the card that is reached; None: nobody, or several.
        offset: at the card.
        control: bits of the word (A0 to A15, R/W, SYNC) in which the capture differs.
        word: the word to be expected.
        data: bits of the byte in which it differs.
        expected: the byte to be expected; where data is 0: that is captured.
        captured: byte.
        is_write: whether the CPU writes.
        read: which byte the CPU took.
        proven: what the CPU did next can be had by no misreading: it counts though it came once.
        counts: whether it is told: it is no noise.
        signal: the select, or the line that cards pull, which differs; "": the bus does.
        heard: of such a line: it is not the level that differs, but the CPU does not answer it as it should.
    """

    row: int
    address: int
    pc: int
    slot: int | None
    offset: int
    control: int
    word: int
    data: int
    expected: int
    captured: int
    is_write: bool
    read: Read = Read.OPEN
    proven: bool = False
    counts: bool = False
    signal: str = ""
    heard: bool = False


@attrs.frozen(eq=False)
class Followed:
    """What following a capture gave, before it is judged.

    Attributes:
        should: word of each row, DOUBTFUL where the CPU was not in step.
        expected: byte of each row, and -1 where none counts.
        agreed: bits of that which count.
        slot: of the card that answers or takes, -1 for none.
        offset: at that card.
        starts: row and PC of each instruction.
        differences: in order.
        parts: rows from which the CPU was in step, with the row at which it no longer was.
        answers: of registers.
        from_reset: the row in which RESET began; None: the capture begins in the middle.
        stopped: it was broken off at this row; None: it went to the end.
        masked: of each of `starts`, the flag I there; DOUBTFUL where it is not known.
        cycle: of each row, on the backplanes on which the accesses were made, from RESET on.
        fed: those backplanes.
        decodings: rows from which an address is decoded so: the row, the decoding's number, whether that is certain.
    """

    should: NDArray[np.int64]
    expected: NDArray[np.int16]
    agreed: NDArray[np.uint8]
    slot: NDArray[np.int16]
    offset: NDArray[np.int32]
    starts: list[tuple[int, int]]
    differences: list[Difference]
    parts: list[tuple[int, int]]
    answers: dict[tuple[int, int], Answers]
    from_reset: int | None
    stopped: int | None
    masked: list[int]
    cycle: NDArray[np.int64]
    fed: Fed
    decodings: list[tuple[int, int, bool]]
