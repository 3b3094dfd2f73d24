"""Findings that the builder accepts, each with a reason, in a small TOML file beside the machine (`accepted.toml`).

[[accept]]
rule = "never-written"
at = "warm_start"            # label, or address "$8012", of the instruction; leave out: anywhere
reason = "the two signature bytes are read to tell a warm start from a cold one"
"""

from __future__ import annotations

import re
from pathlib import Path

import attrs

from simkit.check.result.findings import CheckFinding
from simkit.check.rules.catalogue import RULES
from simkit.contract.errors import Errors, SimkitError, near
from simkit.machinefile.tomlfile import read_toml
from simkit.machinefile.tomlplaces import Place, Step

FILE = "accepted.toml"
MAX_ENTRIES = 500
_KEYS = ("rule", "at", "slot", "reason")
_ADDRESS = re.compile(r"\$[0-9A-Fa-f]{1,4}")


@attrs.frozen(kw_only=True)
class Acceptance:
    """One accepted finding.

    Attributes:
        rule: name of the rule.
        at: label or address of the instruction, or None for anywhere.
        slot: slot, or None for any.
        reason: why.
        place: where the entry stands.
    """

    rule: str
    at: str | None = None
    slot: int | None = None
    reason: str
    place: Place

    def covers(self, finding: CheckFinding) -> bool:
        """Whether the finding is meant."""
        if finding.rule.name != self.rule or (self.slot is not None and finding.slot != self.slot):
            return False
        if self.at is None:
            return True
        if self.at.startswith("$"):
            return finding.pc == int(self.at[1:], 16)
        return finding.label is not None and self.at in (finding.label, finding.label.split("+")[0])


def read_accepted(path: Path) -> list[Acceptance]:
    """Entries of a file.

    Raises:
        SimkitError: not TOML, or entries that are wrong; all of them at once.
    """
    toml = read_toml(path, "list of accepted findings", ("accept",))
    errors = Errors()

    def wrong(where: tuple[Step, ...], message: str, remedy: str) -> None:
        place = toml.place(*where)
        errors.add(SimkitError(message, file=place.file, line=place.line, remedy=remedy))

    for key in toml.data:
        if key != "accept":
            wrong((key,), f"Unknown key {key!r}.", "Write [[accept]].")
    entries = toml.data.get("accept", [])
    if not isinstance(entries, list) or not all(isinstance(entry, dict) for entry in entries):
        wrong(("accept",), "Entries are written as [[accept]] tables.", "Write [[accept]].")
        entries = []
    if len(entries) > MAX_ENTRIES:
        message = f"The file has more than {MAX_ENTRIES} entries."
        wrong(("accept", MAX_ENTRIES), message, "Accept what is meant; a rule may stand for all its places.")
        entries = []
    found: list[Acceptance] = []
    for number, entry in enumerate(entries):
        before = len(errors.found)
        here = ("accept", number)
        for key in entry:
            if key not in _KEYS:
                wrong((*here, key), f"Unknown key {key!r}.", near(key, _KEYS))
        rule, at, slot, reason = (entry.get(key) for key in _KEYS)
        if not isinstance(rule, str) or not rule:
            wrong((*here, "rule"), "The entry names no rule.", 'Write e.g. rule = "never-written".')
        elif rule not in RULES and near(rule, RULES).startswith("Did you mean"):
            wrong((*here, "rule"), f"There is no rule {rule!r}.", near(rule, RULES))
        if not isinstance(reason, str) or not reason.strip():
            remedy = 'Write reason = "..." in a few words: who reads it later?'
            wrong((*here, "reason"), "The entry gives no reason.", remedy)
        elif len(reason.split()) < 2:
            remedy = "Write a few: who reads it later?"
            wrong((*here, "reason"), f"The reason {reason!r} is one word only.", remedy)
        if at is not None and (not isinstance(at, str) or (at.startswith("$") and not _ADDRESS.fullmatch(at))):
            wrong((*here, "at"), f"{at!r} is no place.", 'Write a label, or an address as at = "$8012".')
        if slot is not None and (not isinstance(slot, int) or isinstance(slot, bool)):
            wrong((*here, "slot"), f"{slot!r} is no slot.", "Write slot = 5.")
        if len(errors.found) == before:
            found.append(Acceptance(rule=str(rule), at=at, slot=slot, reason=str(reason), place=toml.place(*here)))
    errors.raise_any()
    return found


def accept(
    findings: list[CheckFinding], accepted: list[Acceptance], unasked: frozenset[str] = frozenset()
) -> list[str]:
    """Mark the findings that are accepted.

    Args:
        findings: all.
        accepted: entries of the file.
        unasked: rules that were not looked for this time.

    Returns:
        A remark for each acceptance that met nothing: the finding is gone, the entry can go too.
    """
    used: set[int] = set()
    for finding in findings:
        for number, entry in enumerate(accepted):
            if finding.accepted is None and entry.covers(finding):
                finding.accepted = entry.reason
                used.add(number)
    return [
        f"{entry.place}: the accepted {entry.rule} did not come up{f' at {entry.at}' if entry.at else ''}."
        for number, entry in enumerate(accepted)
        if number not in used and entry.rule not in unasked
    ]
