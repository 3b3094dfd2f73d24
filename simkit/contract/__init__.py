"""The contract: what a card and a machine promise each other; the one import of a card's author.

from simkit.contract import Card, Register, Slot, setting
"""

from simkit.contract.card import Card
from simkit.contract.clock import Crystal, parse_hz
from simkit.contract.errors import SimkitError, near
from simkit.contract.events import NEVER
from simkit.contract.lines import Drive, Pin, PinSpec
from simkit.contract.pin_group import PinGroup
from simkit.contract.ports import ButtonsPort, KeysPort, LampsPort, PadsPort, Port, ScreenPort, SerialPort
from simkit.contract.registers import PlainMemory, Register
from simkit.contract.settings import setting
from simkit.contract.slot import Slot

__all__ = [
    "NEVER",
    "ButtonsPort",
    "Card",
    "Crystal",
    "Drive",
    "KeysPort",
    "LampsPort",
    "PadsPort",
    "Pin",
    "PinGroup",
    "PinSpec",
    "PlainMemory",
    "Port",
    "Register",
    "ScreenPort",
    "SerialPort",
    "SimkitError",
    "Slot",
    "near",
    "parse_hz",
    "setting",
]
