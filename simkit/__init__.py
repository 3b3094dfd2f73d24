"""Simulator kit for people who build 6502-class computers card by card.

from simkit import Machine
m = Machine.load("demo/marlpit")
m.run(seconds=2)
"""

from __future__ import annotations

TYPE_CHECKING = False  # as type checkers know it; what `typing` costs would come before Ctrl-C is looked after
if TYPE_CHECKING:
    from typing import Any

    from simkit.backplane.cycle import BusCycle
    from simkit.contract.errors import CardError, FileError, SeveralErrors, SimkitError
    from simkit.contract.findings import Finding
    from simkit.machine.machine import Machine
    from simkit.machine.routine import RoutineError, RoutineResult
    from simkit.machine.snapshot import SnapshotError
    from simkit.machine.told import Executed
    from simkit.machine.until import MomentError
    from simkit.outside.journal import record
    from simkit.outside.player import ReplayError, replay
    from simkit.spent.result import Spent
    from simkit.spent.watch import time_spent

__all__ = [
    "BusCycle",
    "CardError",
    "Executed",
    "FileError",
    "Finding",
    "Machine",
    "MomentError",
    "ReplayError",
    "RoutineError",
    "RoutineResult",
    "SeveralErrors",
    "SimkitError",
    "SnapshotError",
    "Spent",
    "record",
    "replay",
    "time_spent",
]

_HOMES = {
    "simkit.backplane.cycle": ("BusCycle",),
    "simkit.contract.errors": ("CardError", "FileError", "SeveralErrors", "SimkitError"),
    "simkit.contract.findings": ("Finding",),
    "simkit.machine.machine": ("Machine",),
    "simkit.machine.told": ("Executed",),
    "simkit.machine.until": ("MomentError",),
    "simkit.machine.routine": ("RoutineError", "RoutineResult"),
    "simkit.machine.snapshot": ("SnapshotError",),
    "simkit.outside.journal": ("record",),
    "simkit.outside.player": ("ReplayError", "replay"),
    "simkit.spent.result": ("Spent",),
    "simkit.spent.watch": ("time_spent",),
}


def __getattr__(name: str) -> Any:
    # Fetched on first use, so that cards can import the contract without the layers above it.
    from importlib import import_module

    for home, names in _HOMES.items():
        if name in names:
            return getattr(import_module(home), name)
    raise AttributeError(f"module 'simkit' has no attribute {name!r}")
