"""Cards as described, kept in the process for who loads a machine often, as tests and searches do.

Checking a card's table takes longer than seeing that it is the one that was checked before. What is handed out again is
what the check would give: table, class, and where paths lead are compared each time.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from contextlib import suppress
from pathlib import Path

import attrs

from simkit.backplane.wiring import Entry
from simkit.contract.errors import SimkitError
from simkit.machinefile.cards import check_card, paths_of
from simkit.machinefile.catalogue import FILE_PREFIX, Claims, card_class
from simkit.machinefile.description import CardDescription
from simkit.machinefile.merge import MachineErrors, Table
from simkit.machinefile.tomlplaces import Place

MOST_KEPT = 128
"""Cards; what has not been asked for longest goes first."""


@attrs.frozen
class _Kept:
    """A table as it was checked, where its paths led, and what came of it."""

    table: Table
    signals: tuple[str, ...]
    paths: tuple[Path, ...]
    found: CardDescription


_CARDS: dict[tuple[Path, int], _Kept] = {}
"""By machine file and slot."""


def described(
    machine: Path,
    slot: int,
    table: Table,
    installed: Mapping[str, Claims],
    errors: MachineErrors,
    more: Sequence[tuple[Entry, Place]],
    signals: Collection[str],
) -> CardDescription | None:
    """As `check_card`, for a card of a machine file."""
    if more:
        return check_card(slot, table, installed, errors, more, signals)
    known = _CARDS.pop((machine, slot), None)
    if known is None or not _is_as_it_was(known, table, installed, tuple(signals)):
        found = check_card(slot, table, installed, errors, more, signals)
        reads_files = found is not None and found.decode is not None and any(part.fuses for part in found.decode.parts)
        if found is None or reads_files or found.kind.startswith(FILE_PREFIX) or not _is_fixed(found.settings):
            return found  # the text of a file may be another by the next time
        known = _Kept(table, tuple(signals), paths_of(table), found)
    _CARDS[machine, slot] = known
    while len(_CARDS) > MOST_KEPT:
        _CARDS.pop(next(iter(_CARDS)), None)
    return known.found


def _is_as_it_was(known: _Kept, table: Table, installed: Mapping[str, Claims], signals: tuple[str, ...]) -> bool:
    if (known.table, known.signals) != (table, signals) or known.paths != paths_of(table):
        return False
    if any(place.places is not table.origin[key].places for key, place in known.table.origin.items()):
        return False  # the same is said in another text: lines may be others
    with suppress(SimkitError):  # which the check tells
        return card_class(known.found.kind, table.folders["kind"], installed) is known.found.card
    return False


def _is_fixed(settings: object) -> bool:
    """Whether no machine can change them for the next: frozen, and nothing in them that is not."""
    try:
        hash(settings)
    except TypeError:
        return False
    return True
