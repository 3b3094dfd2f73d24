"""A ring of records that is full sixteen times as soon: what happens there comes after 4,000 cycles.

That of its own length is filled by 100,000 cycles of plain memory (`tests/cpu/core/test_limits.py`).
"""

import pytest

from simkit.backplane import records
from simkit.cpu.core import engine, memory

ROOM = 4_096
FULL = ROOM - (records.ROOM - records.FULL)


def shorten(patch: pytest.MonkeyPatch) -> None:
    """Have machines that are made from now on take the short one."""
    for module in (records, memory):
        patch.setattr(module, "ROOM", ROOM)
    for module in (records, engine):
        patch.setattr(module, "FULL", FULL)
