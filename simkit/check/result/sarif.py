"""Findings as SARIF 2.1.0, the form in which editors and code hosts take them.

Source: OASIS, Static Analysis Results Interchange Format (SARIF) Version 2.1.0, 27 March 2020; section numbers below.
"""

from __future__ import annotations

import json
from importlib.metadata import version
from pathlib import Path, PurePath
from typing import Any
from urllib.parse import quote

from simkit.check.result.findings import CheckFinding, CheckResult
from simkit.contract.plain import plain
from simkit.files.formats import sarif_format

DRIVER = "simkit check"
REPORT = sarif_format("a SARIF report of simkit check", DRIVER)
SCHEMA = "https://docs.oasis-open.org/sarif/sarif/v2.1.0/errata01/os/schemas/sarif-schema-2.1.0.json"


def sarif(result: CheckResult) -> dict[str, Any]:
    """The log of one check, one run in it (3.13, 3.14)."""
    rules = sorted({f.rule.name: f.rule for f in result.findings}.values(), key=lambda rule: rule.name)
    numbers = {rule.name: number for number, rule in enumerate(rules)}
    driver = {
        "name": DRIVER,
        "version": version("backplane-simkit"),
        "rules": [
            {
                "id": rule.name,
                "shortDescription": {"text": rule.title},
                "fullDescription": {"text": rule.hardware},
                "help": {"text": f"{rule.do}\n\nOn the bench: {rule.bench}"},
                "defaultConfiguration": {"level": rule.level},
            }
            for rule in rules
        ],
    }
    return {
        "$schema": SCHEMA,
        "version": "2.1.0",
        "runs": [
            {
                "tool": {"driver": driver},
                "columnKind": "unicodeCodePoints",
                "results": [_result(finding, numbers, result.file) for finding in result.findings],
                "properties": {
                    "machine": plain(result.machine),
                    "cycles": result.cycles,
                    "remarks": [plain(remark) for remark in result.remarks],
                },
            }
        ],
    }


def sarif_text(result: CheckResult) -> str:
    """The log as text of a file."""
    return json.dumps(sarif(result), indent=2, ensure_ascii=False) + "\n"


def _result(finding: CheckFinding, numbers: dict[str, int], machine: Path) -> dict[str, Any]:
    """One result (3.27); what stands in no source file lies with the machine file."""
    words = (finding.message, finding.together, *finding.way, finding.rule.do)
    found: dict[str, Any] = {
        "ruleId": finding.rule.name,
        "ruleIndex": numbers[finding.rule.name],
        "level": finding.rule.level,
        "message": {"text": plain(" ".join(filter(None, words)))},
        "occurrenceCount": finding.count,
        "properties": {
            name: value
            for name, value in (("cycle", finding.cycle), ("address", finding.address), ("slot", finding.slot))
            if value is not None
        },
    }
    location: dict[str, Any] = {}
    if finding.file is not None and finding.line is not None:
        location["physicalLocation"] = {
            "artifactLocation": {"uri": _uri(finding.file)},
            "region": {"startLine": finding.line},
        }
    else:
        location["physicalLocation"] = {"artifactLocation": {"uri": _uri(str(machine))}}
    if finding.pc is not None:
        location.setdefault("logicalLocations", []).append(
            {"name": plain(finding.label or f"${finding.pc:04X}"), "fullyQualifiedName": f"${finding.pc:04X}"}
        )
    found["locations"] = [location]
    if finding.accepted is not None:
        found["suppressions"] = [{"kind": "external", "justification": plain(finding.accepted)}]  # 3.35
    return found


def _uri(file: str) -> str:
    """Relative to the working folder where possible (3.4.3): code hosts want paths from the root of the checkout."""
    path = Path(file)
    try:
        return quote(PurePath(path.resolve().relative_to(Path.cwd())).as_posix())
    except ValueError:
        return path.resolve().as_uri()
