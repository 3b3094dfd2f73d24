"""A bus transceiver between the data lines and a card, and what it does where its direction or enable is wrong.

It stands between the two, as a 74HC245 does: enabled by the card's select, its direction that of R/W (common practice,
from memory). Wired right it is not seen, and the kit has none then. While its way to the card, or from it, is shut, the
inputs behind it float: they read high, as open inputs do, and what it drives from such a side is $FF. Where it drives
against the CPU or another card, the low one wins, as of two outputs everywhere.
"""

from __future__ import annotations

from typing import Any, ClassVar

import attrs

from simkit.backplane.conductors import DataPins
from simkit.backplane.seat import Seat
from simkit.backplane.select import Select, as_table, expression
from simkit.backplane.wiring import Transceiver
from simkit.contract.card import Card

_STRAIGHT, _FLOATING, _NONE = bytes(range(256)), b"\xff" * 256, bytes(256)
_SHUT_TO_THE_CARD = (Transceiver.REVERSED, Transceiver.NEVER, Transceiver.TO_THE_BUS)
_SHUT_TO_THE_BUS = (Transceiver.REVERSED, Transceiver.NEVER, Transceiver.TO_THE_CARD)
KIND = "transceiver"
"""What its seat is called in messages."""


@attrs.frozen
class _Nothing:
    """It has no settings."""


class _Floating(Card):
    """The side of the card while the card drives nothing."""

    kind: ClassVar[str] = KIND
    Settings: ClassVar[type] = _Nothing


def data_through(data: DataPins | None, said: Transceiver | None) -> DataPins | None:
    """The way of data with the transceiver in it."""
    if said is None or said is Transceiver.ALWAYS:
        return data
    found = DataPins(_STRAIGHT, _STRAIGHT, _STRAIGHT) if data is None else data
    if said in _SHUT_TO_THE_CARD:
        found = attrs.evolve(found, takes=_FLOATING)
    return attrs.evolve(found, drives=_NONE) if said in _SHUT_TO_THE_BUS else found


def seat_of(seat: Seat) -> Seat | None:
    """A seat for what the transceiver of a card drives when the card does not; None where it drives nothing so."""
    if seat.wiring.transceiver() in (None, Transceiver.NEVER, Transceiver.TO_THE_CARD):
        return None
    settings: Any = _Nothing()
    strobes = Select(()), expression("never"), expression("never")
    card = _Floating(settings, seat.connector)
    found = Seat(card, seat.slot, KIND, *strobes, connector=seat.connector, settings=settings)
    found.guard = seat.guard
    return found


def drives(seat: Seat, own: tuple[int, int, int], rw: tuple[bool | int, bool | int]) -> tuple[int, int]:
    """Truth tables of the addresses at which it drives the data lines from a side that floats, on reads and on writes.

    Args:
        seat: of the card.
        own: tables of the card: drives on reads; takes, and drives, on writes.
        rw: R/W as it arrives at the slot on reads, and on writes.
    """
    on_read, takes, on_write = own
    if seat.wiring.transceiver() is Transceiver.ALWAYS:
        return as_table(rw[0]) & ~on_read, as_table(rw[1]) & ~on_write
    return 0, takes & ~on_write
