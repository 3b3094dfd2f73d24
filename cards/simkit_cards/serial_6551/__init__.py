"""A 6551-type ACIA: a serial line, its rates, its interrupts and its modem lines."""

from simkit_cards.serial_6551.card import Serial6551

__all__ = ["Serial6551"]
