"""Decimal ADC and SBC as tables that fill themselves from the functions of the exact engine."""

from __future__ import annotations

from collections.abc import Callable
from types import SimpleNamespace
from typing import Any

Outcome = tuple[int, int, int, int, int]


class DecimalTable(dict[int, Outcome]):
    """(A, n, z, c, v) after the instruction by C << 16 | A << 8 | operand; at most 131 072 entries."""

    def __init__(self, calculate: Callable[[Any, int], None]) -> None:
        super().__init__()
        self._calculate = calculate

    def __missing__(self, key: int) -> Outcome:
        cpu = SimpleNamespace(a=key >> 8 & 0xFF, c=key >> 16, n=0, z=0, v=0)
        self._calculate(cpu, key & 0xFF)
        outcome = self[key] = (cpu.a, cpu.n, cpu.z, cpu.c, cpu.v)
        return outcome
