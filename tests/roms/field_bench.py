"""What the tests of field cases share: the bench machine wired otherwise, programs as bytes, what is seen of a run."""

from __future__ import annotations

import json
from collections.abc import Iterable
from pathlib import Path
from typing import Any

from simkit import Machine

BENCH = Path(__file__).resolve().parents[2] / "demo" / "bench" / "machine.toml"
RAM, ROM, SERIAL, PORTS, VIDEO, GUEST = 1, 2, 3, 4, 5, 6
VECTORS = "FFFA: 00 80 00 80 00 80"


def image(listing: str, fill: int = 0xFF) -> bytes:
    """32 KB for $8000 to $FFFF from lines "ADDRESS: BYTES"."""
    content = bytearray([fill]) * 0x8000
    for line in listing.strip().splitlines():
        address, data = line.split(":")
        data = bytes.fromhex(data)
        start = int(address, 16) - 0x8000
        content[start : start + len(data)] = data
    return bytes(content)


def card(slot: int, **keys: str) -> str:
    """A [[card]] table; values are TOML."""
    return f"[[card]]\nslot = {slot}\n" + "".join(f"{key} = {value}\n" for key, value in keys.items())


def machine_file(extra: str = "", *, cpu: str | None = None, wiring: Iterable[str] = (), **backplane: str) -> str:
    """A variant of the bench machine.

    Args:
        extra: tables of its own.
        cpu: the part.
        wiring: sentences.
        backplane: keys of [backplane] with strings for values.
    """
    lines = [f'base = "{BENCH.as_posix()}"', *([f'cpu = "{cpu}"'] if cpu else []), "[backplane]"]
    lines += [f"{key} = {json.dumps(value)}" for key, value in backplane.items()]
    lines.append(f"wiring = {json.dumps(list(wiring))}")
    return "\n".join(lines) + "\n" + extra


def fetches(machine: Machine, cycles: int) -> list[int]:
    """Addresses of the opcode fetches of a run."""
    seen: list[int] = []

    def look(cycle: Any) -> None:
        if cycle.is_fetch and cycle.kind == "instruction":
            seen.append(cycle.address)

    probe = machine.add_probe(look)
    machine.run(cycles=cycles)
    probe.remove()
    return seen


def stores(machine: Machine, address: int, cycles: int) -> list[int]:
    """Cycles of the writes to an address in a run."""
    seen: list[int] = []

    def look(cycle: Any) -> None:
        if cycle.is_write and cycle.address == address:
            seen.append(cycle.cycle)

    probe = machine.add_probe(look)
    machine.run(cycles=cycles)
    probe.remove()
    return seen
