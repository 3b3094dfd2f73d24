"""What registers cost: every register has its row, accesses happen as a loop makes them, and none is far too slow."""

import json
from typing import Any, ClassVar

import attrs
import pytest

from simkit.commands.main import main
from simkit.contract import Card, Register
from simkit.contract.errors import SimkitError
from simkit.machinefile.catalogue import entries, load_entry
from simkit.machinefile.read import read_description
from simkit.measure import cards
from simkit.measure.scenes import POLL_CYCLES, SCENES

KNOWN_SLOW = {
    "status, data": "both strobes turn the read latch, and the controller's next look at it is worked out",
    "latch, look, clock": "a write that moves a wire is an access to two cards",
    "bank": "several bank lines move at once, and each swaps the decode table",
    "ORB, eight lamps": "eight lines move at once",
}
"""Rows that may cost more than four times an empty card, with the reason."""


@attrs.frozen(kw_only=True)
class NoSettings:
    pass


class Ticking(Card):
    """Remembers what happened to it, and has something to do every ten cycles."""

    kind: ClassVar[str] = "ticking"
    Settings: ClassVar[type] = NoSettings

    def __init__(self, settings: Any, slot: Any) -> None:
        super().__init__(settings, slot)
        self.seen: list[tuple[str, int]] = []

    @classmethod
    def registers(cls, settings: Any) -> tuple[Register, ...]:
        return (Register(0, "moments", "rw"),)

    def power_on(self, cycle: int) -> None:
        self.slot.at(10, "tick")

    def event(self, name: str, cycle: int) -> None:
        self.seen.append((name, cycle))
        self.slot.at(cycle + 10, "tick")

    def read(self, offset: int, cycle: int) -> int:
        self.seen.append(("read", cycle))
        return 0

    def write(self, offset: int, value: int, cycle: int) -> None:
        self.seen.append((f"write {value:02X}", cycle))


class Broken(Ticking):
    """Cannot be switched on."""

    kind: ClassVar[str] = "broken"

    def power_on(self, cycle: int) -> None:
        raise ValueError("no power")


@pytest.fixture
def quick(monkeypatch):
    monkeypatch.setattr(cards, "TURNS", 2)
    monkeypatch.setattr(cards, "TURN_ACCESSES", 6)


@pytest.mark.parametrize("kind", sorted(entries()))
def test_every_register_of_a_card_of_the_kit_is_measured_where_a_program_polls_it(kind):
    card = load_entry(entries()[kind])
    if not card.registers(card.Settings()):
        return
    for scene in SCENES[kind]:
        (described,) = (one for one in read_description(scene.machine).cards if one.slot == scene.slot)
        assert described.card is card
    assert any(scene.only is None for scene in SCENES[kind])


@pytest.mark.parametrize(
    "scene", [scene for scenes in SCENES.values() for scene in scenes], ids=lambda scene: scene.card
)
def test_a_scene_names_registers_and_bytes_that_its_card_has(scene):
    (described,) = (one for one in read_description(scene.machine).cards if one.slot == scene.slot)
    sides = {(r.name, side) for r in described.card.registers(described.settings) for side in r.access}
    names = {name for name, _ in sides}
    accesses = [access for loop in scene.loops for access in loop.accesses]
    assert {(name, "r" if byte is None else "w") for name, byte in accesses} <= sides
    assert {(name, "w") for name in scene.written} <= sides
    assert {(name, "w") for name, _ in scene.begin} <= sides
    assert {*scene.cycles, *(scene.only or ())} <= names
    assert all(0 <= byte <= 0xFF for values in scene.written.values() for byte in values)


def test_accesses_come_seven_cycles_apart_and_events_in_their_own_cycle():
    machine = cards._alone("ticking", Ticking)
    (seat, _) = machine.bus.seats
    accesses = [cards._access(machine, seat, Ticking.registers(None), "moments", value) for value in (None, 0xAA)]
    seat.card.seen.clear()
    start = machine.cycle
    spent, between = cards._turn(machine, accesses, 4, POLL_CYCLES)
    assert machine.cycle == start + 4 * POLL_CYCLES
    expected = [("read" if n % 2 == 0 else "write AA", start + n * POLL_CYCLES) for n in range(4)]
    expected += [("tick", cycle) for cycle in range(10, start + 3 * POLL_CYCLES + 1, 10)]
    assert seat.card.seen == sorted(expected, key=lambda one: (one[1], one[0] != "tick"))
    assert spent > 0
    assert between > 0


def test_a_card_without_a_scene_is_measured_alone(quick, monkeypatch, tmp_path):
    (tmp_path / "own.py").write_text(
        "import attrs\nfrom simkit.contract import Card, Register\n"
        "@attrs.frozen(kw_only=True)\nclass S:\n    pass\n"
        "class Own(Card):\n    kind = 'own'\n    Settings = S\n"
        "    @classmethod\n    def registers(cls, settings):\n"
        "        return (Register(0, 'a', 'r'), Register(5, 'b', 'rw'))\n"
    )
    monkeypatch.chdir(tmp_path)
    costs, left = cards.measure_cards(["file:own.py:Own", "sram"])
    assert [(cost.register, cost.access) for cost in costs] == [("a", "read"), ("b", "read"), ("b", "write")]
    assert all(cost.ns > 0 and cost.ratio == cost.ns / cost.empty_ns for cost in costs)
    assert left == ["sram has no registers."]


def test_a_card_that_cannot_be_switched_on_is_told_and_the_others_are_measured(quick, monkeypatch):
    found = {"broken": Broken, "ticking": Ticking}
    monkeypatch.setattr(cards, "entries", lambda: found)
    monkeypatch.setattr(cards, "card_class", lambda kind, folder, known: found[kind])
    costs, left = cards.measure_cards()
    assert {cost.card for cost in costs} == {"ticking"}
    (told,) = left
    assert told.startswith("broken cannot be measured: ")
    assert "no power" in told
    with pytest.raises(SimkitError, match="no power"):
        cards.measure_cards(["broken"])


def test_the_bench_prints_registers_for_people_and_for_programs(quick, capsys):
    def bench(*words):
        with pytest.raises(SystemExit) as stopped:
            main(["bench", *words])
        captured = capsys.readouterr()
        return stopped.value.code, captured.out, captured.err

    code, out, _ = bench("--card", "led-row", "--card", "button-row", "--json")
    assert code == 0
    found = json.loads(out)
    assert [(row["card"], row["register"], row["access"]) for row in found["registers"]] == [
        ("led-row", "lamps", "write"),
        ("button-row", "buttons", "read"),
    ]
    assert all(row["ratio"] == pytest.approx(row["ns"] / row["empty_ns"]) for row in found["registers"])
    assert "workloads" not in found
    code, out, _ = bench("--card", "led-row")
    assert code == 0
    assert out.splitlines()[2].split()[:3] == ["led-row", "lamps", "write"]
    code, _, err = bench("demo:marlpit", "--cards")
    assert code == 2
    assert "Leave out MACHINE" in err
    code, _, err = bench("--card", "led-raw")
    assert code == 2
    assert "led-row" in err


@pytest.mark.slow  # measures: takes its time and wants a quiet machine
def test_no_register_costs_more_than_four_times_that_of_an_empty_card():
    """A fifth more is allowed for a busy host."""
    costs, left = cards.measure_cards()
    assert left == ["rom has no registers.", "sram has no registers."]
    slow = {cost.register: cost.ratio for cost in costs if cost.ratio > 1.2 * cards.TARGET}
    assert not {name: ratio for name, ratio in slow.items() if name not in KNOWN_SLOW}
