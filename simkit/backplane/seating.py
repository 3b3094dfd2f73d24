"""Plugging a card in: its seat learns what the board says of itself, and its pins whom to call."""

from __future__ import annotations

from functools import partial

from simkit.backplane import answers
from simkit.backplane.board import Board
from simkit.backplane.conductors import CpuData, DataPins, through
from simkit.backplane.decode import driven_masks
from simkit.backplane.guard import Guard
from simkit.backplane.guarded_ports import guarded_ports
from simkit.backplane.seat import Seat
from simkit.backplane.transceiver import data_through, seat_of
from simkit.backplane.wiring import Wiring
from simkit.contract.card import Card
from simkit.contract.turn import BETWEEN, Turn


def plug_in(seat: Seat, guard: Guard, turn: Turn, wiring: Wiring, cpu: CpuData | None) -> None:
    """Join a card to its backplane.

    Args:
        seat: of the card.
        guard: calls it from now on.
        turn: when it may act.
        wiring: what is done to lines for all.
        cpu: the way of data between the lines and the CPU; None: straight.

    Raises:
        CardError: what it says of itself cannot be, or it fails when asked.
    """
    seat.guard = guard
    board = seat.board or Board.of(type(seat.card), seat.settings, seat.name, seat.slot)
    seat.registers, seat.address_pins, seat.image_size = board.registers, board.address_pins, board.image_size
    reached = 1 << min(seat.address_pins, 16)
    seat.plain = guard.ask(seat, BETWEEN, "plain_memory", check=partial(answers.plain_memory, reached=reached))
    seat.waits = type(seat.card).wait_cycles is not Card.wait_cycles
    seat.driven = driven_masks(seat.registers)
    wire(seat, wiring, cpu)
    slot = seat.connector
    slot.seal()
    seat.ports = guard.ask(seat, BETWEEN, "__init__", function=partial(guarded_ports, seat))
    for pin in slot.pins.values():
        pin.turn = turn
        pin.asks = partial(guard.level, seat)
        pin.followed = seat.followed
        if pin.spec.listens:
            pin.notify = guard.bound(seat, "pin_changed")
        if pin.group is not None:
            pin.group.turn = turn


def wire(seat: Seat, wiring: Wiring, cpu: CpuData | None) -> None:
    """Work out what wiring does to the data of a card, and whether it holds the card in reset.

    Args:
        seat: of the card, with its wiring.
        wiring: what is done to lines for all.
        cpu: the way of data between the lines and the CPU; None: straight.
    """
    seat.data = data_through(DataPins.of(seat.wiring.pin_entries()), seat.wiring.transceiver())
    of_cpu = (None, None) if cpu is None else (cpu.gives, cpu.takes)
    of_card = (None, None) if seat.data is None else (seat.data.takes, seat.data.gives)
    seat.takes_data, seat.gives_data = through(of_cpu[0], of_card[0]), through(of_card[1], of_cpu[1])
    seat.crossed = seat.data is not None or any(
        (wiring.line_entries(), seat.wiring.line_entries(), seat.wiring.pin_entries())
    )
    seat.transceiver = seat_of(seat)
    seat.held_in_reset = seat.is_held_in_reset()
