"""On what of a power-up a difference hangs, by experiment: half from one power-up, half from the other, and so on."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import attrs

from simkit.luck.unknown import MEMORY, Unknown, Values


@attrs.frozen
class Piece:
    """A part of what two power-ups differ in.

    Attributes:
        unknown: what.
        places: of a memory, the offsets at which they differ; else none.
    """

    unknown: Unknown
    places: tuple[int, ...] = ()


def pieces(one: Values, other: Values) -> list[Piece]:
    """What two power-ups differ in, memories last: of them there is most."""
    found = []
    for unknown in sorted({*one, *other}, key=lambda unknown: (unknown.kind == MEMORY, unknown)):
        mine, its = one.get(unknown), other.get(unknown)
        if unknown.kind == MEMORY and isinstance(mine, bytes) and isinstance(its, bytes):
            places = tuple(n for n, (a, b) in enumerate(zip(mine, its, strict=True)) if a != b)
            if places:
                found.append(Piece(unknown, places))
        elif mine != its:
            found.append(Piece(unknown))
    return found


def mixed(one: Values, other: Values, taken: Sequence[Piece]) -> dict[Unknown, object]:
    """A power-up as one is, but for the pieces that are taken from the other."""
    values = dict(one)
    for piece in taken:
        if piece.places:
            memory, its = bytearray(values[piece.unknown]), other[piece.unknown]  # type: ignore[call-overload]
            assert isinstance(its, bytes)
            for place in piece.places:
                memory[place] = its[place]
            values[piece.unknown] = bytes(memory)
        elif piece.unknown in other:
            values[piece.unknown] = other[piece.unknown]
        else:
            del values[piece.unknown]
    return values


def narrowed(found: Sequence[Piece], differs: Callable[[Sequence[Piece]], bool]) -> list[Piece]:
    """The fewest pieces with which a difference is still there, a byte of memory each at the most.

    Args:
        found: with all of them it is there.
        differs: whether it is there with some of them. Asked some 2 log2(bytes) times for one cause.
    """
    return _narrowed([], list(found), differs)


def _narrowed(beside: list[Piece], some: list[Piece], differs: Callable[[Sequence[Piece]], bool]) -> list[Piece]:
    halves = _halves(some)
    if halves is None:
        return some
    left, right = halves
    if differs([*beside, *left]):
        return _narrowed(beside, left, differs)
    if differs([*beside, *right]):
        return _narrowed(beside, right, differs)
    of_right = _narrowed([*beside, *left], right, differs)
    return [*_narrowed([*beside, *of_right], left, differs), *of_right]


def _halves(some: list[Piece]) -> tuple[list[Piece], list[Piece]] | None:
    """Two parts of the pieces; None for one that cannot be parted."""
    if len(some) > 1:
        return some[: len(some) // 2], some[len(some) // 2 :]
    (piece,) = some
    middle = len(piece.places) // 2
    if not middle:
        return None
    return [attrs.evolve(piece, places=piece.places[:middle])], [attrs.evolve(piece, places=piece.places[middle:])]
