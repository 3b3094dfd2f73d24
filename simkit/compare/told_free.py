"""A capture beside a run in words: where it is in the run, how much agrees, which line does not, what to do next."""

from __future__ import annotations

from typing import Any

import numpy as np

from simkit.compare.advised import next_steps
from simkit.compare.free import Free
from simkit.compare.guessed import LineFault
from simkit.compare.told import sentence
from simkit.machine.machine import Machine

AROUND = 4


def report(machine: Machine, found: Free, faults: list[LineFault]) -> list[str]:
    """Lines for people."""
    placed = int(found.placed.sum())
    lines = [
        f"{len(found.at)} cycles captured of {len(found.names)} lines; {placed} are found in the run, and of these "
        f"{placed - int(found.differ.sum())} agree in all that counts.",
    ]
    if not placed:
        return [
            *lines,
            "Nothing of it is found: the real machine does something that this one does not do in the run.",
            "Let it run longer (--for), give it the same input (--type, --pad), and capture from RESET on; if it still "
            "is nowhere, the program runs away before: capture A0 to A15, D0 to D7 and RW if the analyser can.",
        ]
    lines += _where(found)
    if not faults:
        lines.append("No line disagrees in what is found, but for noise.")
        if placed < len(found.at):
            lines.append("What is not found can be input that came at another time, or a way that the run never goes.")
        return lines
    lines += ["", *(sentence(machine, fault) for fault in faults[:8])]
    lines += ["", *_context(machine, found, first_of(faults))]
    return [*lines, "", "At the bench:", *(f"  {text}" for text in next_steps(machine, faults))]


def first_of(faults: list[LineFault]) -> LineFault:
    """The fault that shows first: what differs before it, once, is noise."""
    return min(faults, key=lambda fault: fault.row)


def _where(found: Free) -> list[str]:
    rows = np.flatnonzero(found.placed)
    shifts = found.at[rows] - rows
    parts = 1 + int((np.diff(shifts) != 0).sum())
    first = int(rows[0])
    if parts == 1:
        return [f"It begins at cycle {int(found.at[first])} of the run."]
    return [
        f"Cycle {first} of it is cycle {int(found.at[first])} of the run; {parts} parts of it are found apart, as "
        "waiting loops take other numbers of rounds and input comes at other times."
    ]


def _context(machine: Machine, found: Free, fault: LineFault) -> list[str]:
    """The cycles around the first that shows it, the line and its like on both sides."""
    names = [name for name in found.names if name[:1] == fault.line[:1] and name[1:].isdigit()] or [fault.line]
    names = sorted(names, key=lambda name: (len(name), name), reverse=True)
    head = " ".join(f"{name:>3}" for name in names)
    lines = [
        f"First disagreement: {fault.line} in cycle {int(found.place[fault.row])} of the capture, which is cycle "
        f"{int(found.at[fault.row])} of the run. Captured over what the run has:",
        f"  {'':>9} {head}",
    ]
    for row in range(max(0, fault.row - AROUND), min(len(found.at), fault.row + AROUND + 1)):
        mark = "*" if row == fault.row else " "
        lines.append(f"{mark} {row:>9} {_row(found, found.seen, found.seen_known, names, row)}  captured")
        lines.append(f"  {'':>9} {_row(found, found.levels, found.known, names, row)}  this machine")
    return lines


def _row(found: Free, levels: Any, known: Any, names: list[str], row: int) -> str:
    cells = []
    for name in names:
        bit = found.names.index(name)
        cells.append(f"{int(levels[row]) >> bit & 1:>3}" if int(known[row]) >> bit & 1 else "  -")
    return " ".join(cells)


def _first_as_dict(found: Free, fault: LineFault) -> dict[str, Any]:
    return {"line": fault.line, "cycle": int(found.place[fault.row]), "in_run": int(found.at[fault.row])}


def as_dict(machine: Machine, found: Free, faults: list[LineFault]) -> dict[str, Any]:
    """The same for programs."""
    rows = np.flatnonzero(found.placed)
    return {
        "cycles": len(found.at),
        "found": int(found.placed.sum()),
        "first_found": None if not len(rows) else {"cycle": int(rows[0]), "in_run": int(found.at[rows[0]])},
        "agree": int(found.placed.sum() - found.differ.sum()),
        "first": None if not faults else _first_as_dict(found, first_of(faults)),
        "shares": {name: found.share(name) for name in found.names},
        "lines": [
            {
                "line": fault.line,
                "how": fault.how,
                "other": fault.other or None,
                "slot": fault.slot,
                "writes": fault.writes,
                "shown": fault.shown,
                "cycle": int(found.place[fault.row]),
                "text": sentence(machine, fault),
            }
            for fault in faults
        ],
        "next": next_steps(machine, faults) if faults else [],
    }
