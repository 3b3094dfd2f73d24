"""The contract: what a card and a machine promise each other; the one import of a card's author.

from simkit.contract import Card, Register, Slot, setting
"""

from simkit.contract.card import Card
from simkit.contract.clock import Crystal, parse_hz
from simkit.contract.errors import SimkitError, near
from simkit.contract.events import NEVER
from simkit.contract.limits import Limit
from simkit.contract.lines import Drive, Pin, PinSpec
from simkit.contract.pin_group import PinGroup
from simkit.contract.ports import (
    BorderRuns,
    ButtonsPort,
    KeysPort,
    LampsPort,
    PadsPort,
    Port,
    ScreenPort,
    SerialPort,
)
from simkit.contract.registers import PlainMemory, Register
from simkit.contract.settings import setting
from simkit.contract.shapes import (
    BIT,
    BYTE,
    COUNT,
    CYCLE,
    FLAG,
    FURTHEST,
    MOMENT,
    TEXT,
    WORD,
    Shape,
    StateError,
    blob,
    choice,
    many,
    optional,
    record,
    row,
    table,
    whole,
)
from simkit.contract.slot import Slot
from simkit.contract.state import BUFFER, MERGED, PART, load_data, remembers, saved, to_data

__all__ = [
    "BIT",
    "BUFFER",
    "BYTE",
    "COUNT",
    "CYCLE",
    "FLAG",
    "FURTHEST",
    "MERGED",
    "MOMENT",
    "NEVER",
    "PART",
    "TEXT",
    "WORD",
    "BorderRuns",
    "ButtonsPort",
    "Card",
    "Crystal",
    "Drive",
    "KeysPort",
    "LampsPort",
    "Limit",
    "PadsPort",
    "Pin",
    "PinGroup",
    "PinSpec",
    "PlainMemory",
    "Port",
    "Register",
    "ScreenPort",
    "SerialPort",
    "Shape",
    "SimkitError",
    "Slot",
    "StateError",
    "blob",
    "choice",
    "load_data",
    "many",
    "near",
    "optional",
    "parse_hz",
    "record",
    "remembers",
    "row",
    "saved",
    "setting",
    "table",
    "to_data",
    "whole",
]
