"""Load looks at everything before it changes anything: damaged states are refused, and the card stays as it was."""

from __future__ import annotations

import random
from collections.abc import Iterator
from typing import Any

import attrs

from simkit.contract.errors import SimkitError
from simkit.testing.contract.ledger import Ledger
from simkit.testing.contract.plain import copied, difference
from simkit.testing.contract.script import run_out
from simkit.testing.contract.seen import Save
from simkit.testing.contract.witness import WitnessBench

PROMISE = "damage"
HUGE = 1 << 70
"""A number that no register, count or cycle reaches."""
ITEMS_TRIED = 3
"""Places of a list that are tried."""


@attrs.frozen
class Damage:
    """A damaged state.

    Attributes:
        words: what is wrong.
        state: the state.
        may_be_sound: it is only unusual (a number one higher, a list one shorter): a card may take it if it runs on.
    """

    words: str
    state: dict[str, Any]
    may_be_sound: bool


def check_damage(ledger: Ledger, bench: WitnessBench, save: Save, rng: random.Random) -> None:
    """Try damaged copies of a state.

    Args:
        ledger: where findings go.
        bench: any of the card's.
        save: the sound state.
        rng: chance.
    """
    bench.resume(save)
    before = _see(bench)
    for damage in damages(save.state["card"], rng):
        topic, sentence = _try(bench, save, damage, before)
        if not ledger.holds(PROMISE, not topic):
            ledger.breaks(topic, sentence)
            bench.resume(save)
    ledger.take_misdeeds(bench)


def _see(bench: WitnessBench) -> dict[str, Any]:
    return {
        "state": bench.state(),
        "reads": {offset: bench.raw_peek(offset) for offset in bench.some_offsets()},
        "memory": bench.memory_sum(),
        "words": bench.words(),
    }


def _try(bench: WitnessBench, save: Save, damage: Damage, before: dict[str, Any]) -> tuple[str, str]:
    """The topic and a sentence of what is wrong; both empty when nothing is."""
    try:
        bench.load_card(copied(damage.state))
    except Exception:  # noqa: BLE001 - a card refuses in its own way
        changed = _changed(bench, before)
        told = f"load refused a state with {damage.words}, but had changed the card: {changed}."
        return ("half a load", told) if changed else ("", "")
    if not damage.may_be_sound:
        return "load", f"load took a state with {damage.words}; it must raise and leave the card as it was."
    return _runs_on(bench, save, damage)


def _changed(bench: WitnessBench, before: dict[str, Any]) -> str:
    """What is different about a card that refused a state, in words; "" when nothing is."""
    try:
        after = _see(bench)
    except SimkitError as error:
        return error.message.rstrip(".")
    return next((difference(before[part], after[part], part) for part in after if after[part] != before[part]), "")


def _runs_on(bench: WitnessBench, save: Save, damage: Damage) -> tuple[str, str]:
    """What becomes of a card that took an unusual state."""
    told = f"load took a state with {damage.words}; then the card"
    try:
        bench.load({**save.state, "card": copied(damage.state)}, save.cycle)
        state = bench.state()
        bench.load({**save.state, "card": copied(state)}, save.cycle)
        if bench.state() != state:
            return "load", f"{told} saves what it does not take back as it was."
        run_out(bench)
        _see(bench)
    except Exception as error:  # noqa: BLE001 - what load should have refused
        reason = str(error).partition("\n")[0]
        return "load", f"{told} raised {type(error).__name__}: {reason}"
    finally:
        bench.resume(save)
    return "", ""


def damages(state: dict[str, Any], rng: random.Random) -> Iterator[Damage]:
    """Damaged copies of a state: at each place something missing, of another type, out of range, of another length."""
    for path in _paths(state, rng):
        *inner, last = path
        name = "".join(f"[{part}]" if isinstance(part, int) else f".{part}" for part in path).lstrip(".")
        if isinstance(last, str):
            damaged = copied(state)
            del _at(damaged, inner)[last]
            yield Damage(f"no {name}", damaged, bool(inner))  # a table inside the state may be of any size
        for words, wrong, may_be_sound in _wrong(_at(state, path)):
            damaged = copied(state)
            _at(damaged, inner)[last] = wrong
            yield Damage(f"{name} {words}", damaged, may_be_sound)


def _wrong(value: Any) -> Iterator[tuple[str, Any, bool]]:
    """What may stand in the place of a value: its description, the value, whether it may be sound."""
    yield from ((f"{other!r}", other, False) for other in _of_other_types(value))
    if isinstance(value, int) and not isinstance(value, bool):
        yield from ((f"{number}", number, False) for number in (HUGE, -HUGE))
        yield from ((f"{number}", number, True) for number in (-1, value + 1, value + 256) if number != value)
    elif isinstance(value, str):
        yield "another word", value + "?", True
    elif isinstance(value, bytes | list) and value:
        yield "one shorter", value[:-1], True
        yield "one longer", type(value)([*value, value[-1]]), True


def _of_other_types(value: Any) -> list[Any]:
    if isinstance(value, bool):
        return ["no", []]
    if isinstance(value, int):
        return ["one", [], {}, 0.5]
    if value is None:
        return ["none", {}]
    if isinstance(value, str):
        return [1, []]
    if isinstance(value, bytes):
        return ["text", 1]
    if isinstance(value, list):
        return ["text", 1, {}]
    return ["text", 1, []]


def _paths(value: Any, rng: random.Random, path: tuple[Any, ...] = ()) -> Iterator[tuple[Any, ...]]:
    if path:
        yield path
    keys: list[Any] = []
    if isinstance(value, dict):
        keys = list(value)
    elif isinstance(value, list):
        keys = sorted(rng.sample(range(len(value)), min(ITEMS_TRIED, len(value))))
    for key in keys:
        yield from _paths(value[key], rng, (*path, key))


def _at(value: Any, path: tuple[Any, ...] | list[Any]) -> Any:
    for part in path:
        value = value[part]
    return value
