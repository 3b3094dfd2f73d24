"""The contract test of cards, for anybody's card, and the bench it runs on: one card on a bare bus, no CPU.

problems = check_contract(MyCard)             # an empty list: the card keeps the contract
bench = Bench(MyCard, settings={"size": 64})  # for tests of one's own: bench.write(0, 0x41); bench.run_to(100)
"""

from __future__ import annotations

import json
import random
from collections.abc import Mapping
from fractions import Fraction
from typing import Any

import attrs

from simkit.backplane.bus import Bus, Kind
from simkit.backplane.seat import Seat
from simkit.backplane.select import Expression, Select
from simkit.contract.card import Card
from simkit.contract.errors import SimkitError
from simkit.contract.findings import Findings
from simkit.contract.lines import SYSTEM_LINES, Drive, Pin, PinSpec
from simkit.contract.ports import ButtonsPort, KeysPort, PadsPort, SerialPort
from simkit.contract.slot import Slot
from simkit.machinefile.settings import make_settings

SLOT = 1
CLOCK_HZ = Fraction(1_000_000)
IMAGE = bytes(range(256)) * 4
"""What a socket for an image is given."""


class _NoCpu:
    """What the bus needs of an engine."""

    def __init__(self) -> None:
        self.cycle = 0
        self.last = 0xFF
        self.horizon = 0
        self.rd: list[memoryview | None] = [None] * 256
        self.wr: list[memoryview | None] = [None] * 256
        self.attention = False


class Bench:
    """One card on a bus, with a hand on every pin; the caller is the CPU.

    An access happens in the current cycle, which then ends. Each pin is joined to a line of its own name (or to the
    line that `lines` names) together with an open-drain output of the bench.

    Args:
        card: its class.
        settings: values that differ from the defaults.
        seed: seed of everything undefined.
        clock_hz: machine clock.
        watched: whether every line is followed, so that outputs move edge by edge.
        joined: whether pins are joined at all; open pins otherwise.
        lines: names of lines by pin, e.g. {"INT": "IRQ"}.

    Attributes:
        cycle: number of the current cycle.
        card: the card.
        findings: what it reported.
    """

    def __init__(
        self,
        card: type[Card],
        settings: Mapping[str, Any] | None = None,
        *,
        seed: int = 1,
        clock_hz: Fraction = CLOCK_HZ,
        watched: bool = True,
        joined: bool = True,
        lines: Mapping[str, str] | None = None,
    ) -> None:
        self.cycle = 0
        self.findings = Findings()
        self.settings: Any = make_settings(card.Settings, settings or {})
        self._bus = Bus(self.findings, seed=seed)
        slot = Slot(SLOT, clock_hz, seed, self.findings, self._bus)
        self._hands: dict[str, Pin] = {}
        for spec in card.pins(self.settings):
            pin = slot.pins[spec.name] = Pin(spec, SLOT)
            if not joined:
                continue
            line = self._bus.wiring.line((lines or {}).get(spec.name, f"P_{spec.name}"), pull=spec.open_level)
            line.join(pin)
            if watched:
                line.follow(0)
            hand = self._hands[spec.name] = Pin(PinSpec(name="bench", drive=Drive.THREE_STATE), -1)
            line.join(hand)
        self.card = card(self.settings, slot)
        on_the_bus = card.registers(self.settings) or card.address_pins(self.settings)
        select = Select(("x" * 16,) if on_the_bus else ())
        self._bus.seat(
            Seat(self.card, SLOT, card.kind, select, Expression("RW and PHI2"), Expression("not RW and PHI2"))
        )
        if card.image_size(self.settings) is not None:
            self.card.insert(IMAGE)
        self._cpu = _NoCpu()
        self._bus.attach(self._cpu)
        self.card.power_on(0)
        self.card.reset(True, 0)
        self.card.reset(False, 0)
        self._bus.wiring.settle(0)
        self._begun = -1

    def begin(self) -> None:
        """Run phase 0 of the current cycle, once."""
        if self._begun < self.cycle:
            self._begun = self.cycle
            self._bus.begin(self.cycle)

    def run_to(self, cycle: int) -> None:
        """Let time pass without an access, up to the start of `cycle`; events come when they are due."""
        while self.cycle < cycle:
            self.begin()
            self._cpu.cycle = self.cycle = min(cycle, max(self.cycle + 1, self._cpu.horizon))

    def run(self, cycles: int) -> None:
        """Let `cycles` cycles pass."""
        self.run_to(self.cycle + cycles)

    def read(self, offset: int) -> int:
        """Read in the current cycle."""
        self.begin()
        value = self._cpu.last = self._bus.read(offset, self.cycle, Kind.DATA)
        self.run_to(self.cycle + 1)
        return value

    def write(self, offset: int, value: int) -> None:
        """Write in the current cycle."""
        self.begin()
        self._bus.write(offset, value, self.cycle, Kind.DATA)
        self._cpu.last = value
        self.run_to(self.cycle + 1)

    def peek(self, offset: int) -> int:
        """Byte a read in the current cycle would give."""
        return self._bus.peek(offset, self.cycle, self._cpu.last)

    def level(self, pin: str) -> bool:
        """Level of a pin in the current cycle."""
        self.begin()
        return self.card.slot.pin(pin).level(self.cycle)

    def pull(self, pin: str, level: bool | None) -> None:
        """Drive the line of a pin from outside in the current cycle, or let it go with None."""
        self.begin()
        self._hands[pin].drive(level, self.cycle)
        self._bus.wiring.settle(self.cycle)

    def outside(self, port: str, action: str, *arguments: Any) -> None:
        """Have something happen at a port in the current cycle, or in the next when this one has begun."""
        self._bus.schedule(max(self.cycle, self._begun + 1), SLOT, port, action, arguments)

    def reset(self, cycles: int = 2) -> None:
        """Hold RESET low for some cycles."""
        self.begin()
        self.card.reset(True, self.cycle)
        self.run(cycles)
        self.begin()
        self.card.reset(False, self.cycle)

    def save(self) -> dict[str, Any]:
        """State of card and bus."""
        return {"card": self.card.save(self.cycle), "bus": self._bus.save(), "last": self._cpu.last}

    def load(self, state: Mapping[str, Any], cycle: int) -> None:
        """Go on from a saved state in `cycle`."""
        self.card.load(state["card"])
        self._bus.load(state["bus"])
        self._cpu.last = state["last"]
        self._cpu.cycle = self.cycle = cycle
        self._begun = cycle - 1

    @property
    def offsets(self) -> int:
        """Number of offsets the card's address pins tell apart."""
        return 1 << type(self.card).address_pins(self.settings)

    def pin_levels(self) -> dict[str, bool]:
        """Level of every output pin in the current cycle."""
        return {
            name: self.level(name)
            for name, pin in sorted(self.card.slot.pins.items())
            if pin.spec.drive is not Drive.INPUT
        }


@attrs.frozen
class _Step:
    """One thing done to a card."""

    cycle: int
    action: str  # read, write, pull, reset, or an action of a port
    where: Any
    value: Any = None


def check_contract(
    card: type[Card], settings: Mapping[str, Any] | None = None, *, seed: int = 1, steps: int = 250
) -> list[str]:
    """Try a card on a random script of accesses, pins and port events; tell what breaks the contract.

    Args:
        card: its class.
        settings: values that differ from the defaults.
        seed: seed of script and card.
        steps: length of the script.

    Returns:
        One sentence for each rule broken; empty when the card keeps the contract.
    """
    problems = _check_declaration(card, settings)
    if problems:
        return problems
    try:
        for watched in (True, False):
            problems += _check_script(card, settings, seed, steps, watched)
    except SimkitError as error:
        problems.append(str(error))
    except Exception as error:  # noqa: BLE001 - a stranger's card
        problems.append(f"The card raised {type(error).__name__}: {error}")
    return list(dict.fromkeys(problems))


def _check_declaration(card: type[Card], settings: Mapping[str, Any] | None) -> list[str]:
    problems: list[str] = []
    if not isinstance(getattr(card, "kind", None), str):
        return ["The class has no `kind`, the name used in machine files."]
    if not attrs.has(getattr(card, "Settings", int)):
        return ["The class has no `Settings` made with attrs."]
    problems += [
        f"Setting {field.name!r} is not made with `setting(...)`, so it has no help."
        for field in attrs.fields(card.Settings)
        if "help" not in field.metadata
    ]
    values: Any = make_settings(card.Settings, settings or {})
    seen: set[tuple[int, str]] = set()
    try:
        registers = card.registers(values)
    except SimkitError as error:
        return [*problems, error.message]
    for register in registers:
        if set(register.access) - set("rw") or not register.access:
            problems.append(f"Register {register.name!r}: access is {register.access!r}, not r, w or rw.")
        if len(register.bits) > 8:
            problems.append(f"Register {register.name!r} names {len(register.bits)} bits.")
        if not 0 <= register.offset < 1 << card.address_pins(values):
            problems.append(f"Register {register.name!r}: offset {register.offset} needs more address pins.")
        for side in register.access:
            if (register.offset, side) in seen:
                problems.append(f"Two registers share offset {register.offset}, access {side!r}.")
            seen.add((register.offset, side))
    names = [spec.name for spec in card.pins(values)]
    problems += [f"Two pins are called {name!r}." for name in sorted(set(names)) if names.count(name) > 1]
    return problems


def _script(bench: Bench, rng: random.Random, steps: int) -> list[_Step]:
    pins = sorted(
        name
        for name, pin in bench.card.slot.pins.items()
        if pin.spec.drive is not Drive.PUSH_PULL and pin.line is not None and pin.line.name not in SYSTEM_LINES
    )
    inputs = [step for name, port in sorted(bench.card.slot.ports.items()) for step in _inputs(name, port)]
    script, cycle = [], 3
    for _ in range(steps):
        cycle += rng.choice((0, 0, 1, 1, 2, 3, 7, 30, 200, rng.randrange(1, 3_000)))
        kind = rng.choices(("read", "write", "pull", "port", "reset"), (10, 10, 4, 4, 0.2))[0]
        if kind == "pull" and pins:
            script.append(_Step(cycle, "pull", rng.choice(pins), rng.choice((True, False, None))))
        elif kind == "port" and inputs:
            name, action, arguments = rng.choice(inputs)
            script.append(_Step(cycle, action, name, arguments))
        elif kind == "reset":
            script.append(_Step(cycle, "reset", None))
        elif kind == "read":
            script.append(_Step(cycle, "read", rng.randrange(bench.offsets)))
        else:
            value = rng.choice((0, 0xFF, rng.randrange(256), 1 << rng.randrange(8)))
            script.append(_Step(cycle, "write", rng.randrange(bench.offsets), value))
        cycle += 3 if kind == "reset" else 1
    return script


def _inputs(name: str, port: Any) -> list[tuple[str, str, tuple[Any, ...]]]:
    if isinstance(port, KeysPort):
        return [(name, action, (key,)) for key in port.keys[:8] for action in ("press", "release")]
    if isinstance(port, PadsPort):
        return [
            *((name, a, (n, b)) for n in port.numbers for b in port.buttons for a in ("press", "release")),
            *((name, action, (n,)) for n in port.numbers for action in ("unplug", "plug")),
        ]
    if isinstance(port, SerialPort):
        return [(name, "receive", (byte,)) for byte in (0x00, 0x41, 0xFF)]
    if isinstance(port, ButtonsPort):
        return [(name, action, (label,)) for label in port.labels for action in ("press", "release")]
    return []


def _do(bench: Bench, step: _Step, log: list[str]) -> None:
    bench.run_to(step.cycle)
    if step.action == "read":
        log.append(f"read of offset {step.where} in cycle {bench.cycle} gave ${bench.read(step.where):02X}")
    elif step.action == "write":
        bench.write(step.where, step.value)
    elif step.action == "pull":
        bench.pull(step.where, step.value)
        bench.run(1)
    elif step.action == "reset":
        bench.reset()
        bench.run(1)
    else:
        bench.outside(step.where, step.action, *step.value)
        bench.run(1)
    log.append(f"in cycle {bench.cycle} the pins were {bench.pin_levels()}")


def _ask_everything(bench: Bench, problems: list[str]) -> None:
    before = bench.card.save(bench.cycle)
    first = [bench.peek(offset) for offset in range(min(bench.offsets, 64))]
    second = [bench.peek(offset) for offset in range(min(bench.offsets, 64))]
    bench.card.words(bench.cycle)
    bench.card.steady_until(0, bench.cycle)
    if first != second:
        problems.append(f"peek gave {first}, then {second}, in the same cycle {bench.cycle}.")
    after = bench.card.save(bench.cycle)
    if before != after:
        problems.append(f"peek or words changed the state: {_difference(before, after)}.")


def _check_script(
    card: type[Card], settings: Mapping[str, Any] | None, seed: int, steps: int, watched: bool
) -> list[str]:
    problems: list[str] = []
    rng = random.Random(seed)
    lazy = Bench(card, settings, seed=seed, watched=watched)
    script = _script(lazy, rng, steps)
    half = len(script) // 2
    lazy_log: list[str] = []
    for step in script[:half]:
        _do(lazy, step, lazy_log)
    saved, saved_cycle, logged = lazy.save(), lazy.cycle, len(lazy_log)
    problems += _check_plain(saved["card"])
    for step in script[half:]:
        _do(lazy, step, lazy_log)
    final = lazy.save()

    asked = Bench(card, settings, seed=seed, watched=watched)
    asked_log: list[str] = []
    for step in script:
        while asked.cycle < step.cycle:  # asked in every cycle of shorter gaps, now and then in longer ones
            asked.begin()
            asked.card.advance(asked.cycle)
            if rng.random() < 0.2:
                _ask_everything(asked, problems)
            gap = step.cycle - asked.cycle
            asked.run(1 if gap < 64 else rng.randrange(1, gap))
        expected = None
        if step.action == "read":
            asked.begin()
            expected = asked.peek(step.where)
        _do(asked, step, asked_log)
        if expected is not None and not asked_log[-2].endswith(f"${expected:02X}"):
            problems.append(f"peek said ${expected:02X}, but the {asked_log[-2]}.")
    problems += _compare("asked in between", lazy_log, asked_log, final, asked.save())

    again = Bench(card, settings, seed=seed, watched=watched)
    again.load(saved, saved_cycle)
    again_log: list[str] = []
    if again.save() != saved:
        problems.append(f"Loading a state does not give it back: {_difference(saved, again.save())}.")
    for step in script[half:]:
        _do(again, step, again_log)
    problems += _compare("loaded from its state", lazy_log[logged:], again_log, final, again.save())
    return problems


def _compare(what: str, log: list[str], other: list[str], state: Any, other_state: Any) -> list[str]:
    for mine, theirs in zip(log, other, strict=True):
        if mine != theirs:
            return [f"A card {what} behaves otherwise: {mine}; {what}: {theirs}."]
    if state != other_state:
        return [f"A card {what} ends otherwise: {_difference(state, other_state)}."]
    return []


def _difference(first: Any, second: Any, path: str = "state") -> str:
    if isinstance(first, dict) and isinstance(second, dict):
        for key in sorted(set(first) | set(second), key=str):
            if first.get(key) != second.get(key):
                return _difference(first.get(key), second.get(key), f"{path}.{key}")
    return f"{path} is {first!r:.200} and {second!r:.200}"


def _check_plain(state: Any) -> list[str]:
    """States hold JSON values and bytes, nothing else."""
    try:
        json.dumps(state, default=lambda value: value.hex() if isinstance(value, bytes) else _refuse(value))
    except TypeError as error:
        return [f"save holds something that is neither a JSON value nor bytes: {error}."]
    return []


def _refuse(value: object) -> None:
    raise TypeError(f"{type(value).__name__} {value!r:.80}")
