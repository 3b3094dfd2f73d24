"""Simulator kit for people who build 6502-class computers card by card.

from simkit import Machine
m = Machine.load("demo/marlpit")
m.run(seconds=2)
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from simkit.machine.machine import Machine

__all__ = ["Machine"]


def __getattr__(name: str) -> Any:
    # Machine is fetched on first use, so that cards can import the contract layer without the layers above it.
    if name == "Machine":
        from simkit.machine.machine import Machine

        return Machine
    raise AttributeError(f"module 'simkit' has no attribute {name!r}")
