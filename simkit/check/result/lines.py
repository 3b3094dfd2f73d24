"""Findings as one line each, `file:line:column: severity: text [rule]`, as compilers write them and editors read them.

Source: common practice; the form is that of gcc's messages. What stands in no source line is told at the card in the
machine file.
"""

from __future__ import annotations

import os
import re
from collections.abc import Mapping
from pathlib import Path

from simkit.check.result.findings import CheckFinding, CheckResult
from simkit.check.result.report import closing
from simkit.contract.plain import plain
from simkit.rom.sources import Sources

_BEFORE_STATEMENT = re.compile(r"\s*(?:[A-Za-z_.@][\w.@$]*:\s*)?")
"""White space, and a label with its colon."""


def one_line_report(result: CheckResult, cards: Mapping[int, tuple[str, int | None]]) -> tuple[list[str], list[str]]:
    """The findings that are not accepted, one a line; and what else is to be said.

    Args:
        result: of the check.
        cards: where each card stands in its machine file: path and line, by slot.
    """
    columns = _Columns(Path(result.file))
    told = [_line(finding, columns, result, cards) for finding in result.findings if finding.accepted is None]
    return told, [*map(plain, result.remarks), closing(result)]


def _line(
    finding: CheckFinding, columns: _Columns, result: CheckResult, cards: Mapping[int, tuple[str, int | None]]
) -> str:
    text = finding.message
    if finding.file is not None and finding.line is not None:
        place = f"{finding.file}:{finding.line}:{columns.column(finding.file, finding.line)}"
    else:
        file, line = cards.get(finding.slot, ("", None)) if finding.slot is not None else ("", None)
        place = f"{_from_here(file or str(result.file))}:{line or 1}:1"
        if finding.pc is not None and f"${finding.pc:04X}" not in text:
            text += f" At ${finding.pc:04X}{f' ({finding.label})' if finding.label else ''}."
    if finding.together:
        text += f" {finding.together}"
    if finding.count > 1:
        text += f" {finding.count:,} times.".replace(",", " ")
    return plain(f"{place}: {finding.rule.level}: {text} [{finding.rule.name}]")


class _Columns:
    """Where statements begin in source lines, of sources that may be read for this machine file."""

    def __init__(self, machine_file: Path) -> None:
        self._sources = Sources(machine_file, (machine_file.parent,))

    def column(self, file: str, line: int) -> int:
        """Column of the statement behind its label, from 1; 1 when the source is not read."""
        found = _BEFORE_STATEMENT.match(self._sources.line(os.fspath(Path.cwd() / file), line))
        return found.end() + 1 if found is not None else 1


def _from_here(file: str) -> str:
    """Path from the working folder where the file lies below it."""
    try:
        return os.fspath(Path(file).resolve().relative_to(Path.cwd()))
    except (ValueError, OSError):
        return file
