"""Kinds of outputs, and pins by their names: what the tables of parts are written with."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping

from simkit.logic.drive import Drive
from simkit.logic.parttype import Direction, Levels, Output, Pin

Logic = Callable[[Levels, int], int]
"""Level of an output where it drives, by levels of pins and the table that is true in every case."""


def push_pull(of: Iterable[int], logic: Logic) -> Output:
    """An output that always drives."""
    return Output(tuple(of), lambda levels, _, ones: Drive(ones, logic(levels, ones)))


def open_collector(of: Iterable[int], logic: Logic) -> Output:
    """An output that drives where it is low, and lets go elsewhere."""
    return Output(tuple(of), lambda levels, _, ones: Drive(ones ^ logic(levels, ones), 0))


def three_state(of: Iterable[int], logic: Logic, enabled: Logic) -> Output:
    """An output that drives where it is enabled."""

    def drive(levels: Levels, _: Levels, ones: int) -> Drive:
        driven = enabled(levels, ones)
        return Drive(driven, driven & logic(levels, ones))

    return Output(tuple(of), drive)


def pins(
    inputs: Mapping[str, int], outputs: Mapping[str, int], both: Mapping[str, int] | None = None
) -> dict[int, Pin]:
    """Pins by number, of names with "/" before those that are active while low and other names behind "|"."""
    found = {}
    kinds = ((inputs, Direction.INPUT), (outputs, Direction.OUTPUT), (both or {}, Direction.BOTH))
    for names, direction in kinds:
        for text, number in names.items():
            name, *also = text.split("|")
            plain = tuple(other.lstrip("/") for other in also)
            found[number] = Pin(number, name.lstrip("/"), direction, name.startswith("/"), plain)
    return dict(sorted(found.items()))
