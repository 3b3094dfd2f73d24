"""What a machine's identity rests on, and what states say when it differs."""

import json
from importlib.metadata import entry_points

import pytest

from simkit import Machine, SnapshotError
from simkit.machine.fingerprint import Fingerprint

CARD = """
import attrs
from simkit.contract import Card, Register, setting


@attrs.frozen(kw_only=True)
class Settings:
    lamps: int = setting(8, low=1, high=8, help="how many")
MORE


class Row(Card):
    kind = "row"
    model = MODEL
    Settings = Settings
    lit = 0

    @classmethod
    def registers(cls, settings):
        return (Register(0, "lamps", "rw"),)

    def peek(self, offset, cycle):
        return self.lit

    def write(self, offset, value, cycle):
        self.lit = value

    def save(self, cycle):
        return {"lit": self.lit}

    def load(self, state):
        self.lit = state["lit"]
"""
MORE = '    colour: str = setting("white", one_of=("white", "amber"), help="of the lamps")'
# LDA #$55; STA $7F00; loop: JMP loop
ROM = bytes.fromhex("A9558D007F4C0580") + bytes(32768 - 14) + bytes.fromhex("008000800080")


@pytest.fixture
def build(tmp_path):
    def make(more="", model=1, name="Greenhouse", toml="", base=tmp_path, **options):
        base.mkdir(exist_ok=True)
        (base / "rom.bin").write_bytes(ROM)
        (base / "row.py").write_text(CARD.replace("MORE", more).replace("MODEL", str(model)))
        (base / "machine.toml").write_text(
            f'name = "{name}"\nclock = "1 MHz"\ncpu = "65C02"\n'
            '[[card]]\nslot = 2\nkind = "rom"\nselect = "A15"\nimage = "rom.bin"\n'
            f'[[card]]\nslot = 3\nkind = "file:row.py:Row"\nselect = "0111 1111 xxxx xxxx"\n{toml}'
        )
        return Machine.load(base, **options)

    return make


def test_a_state_taken_before_a_setting_with_a_default_was_added_loads_after_it(build):
    before = build()
    before.run(cycles=100)
    state = before.save_state()
    after = build(more=MORE)
    assert after.identity == before.identity
    assert after.peek(0x7F00) == 0
    after.load_state(state)
    assert (after.cycle, after.peek(0x7F00)) == (before.cycle, 0x55)
    other = build(more=MORE, toml='[card.settings]\ncolour = "amber"\n')
    with pytest.raises(SnapshotError, match=r"These differ: slot 3\."):
        other.load_state(state)


def test_names_folders_and_what_stands_at_its_default_do_not_count(build, tmp_path):
    assert build().identity == build(name="Orchard", base=tmp_path / "elsewhere").identity
    assert build(toml="[card.settings]\nlamps = 8\n").identity == build().identity


@pytest.mark.parametrize(
    ("change", "part"),
    [
        ({"seed": 5}, "seed"),
        ({"clock": "2 MHz"}, "clock"),
        ({"images": {2: ROM[:-1] + b"\0"}}, "image of slot 2"),
        ({"settings": {3: {"lamps": 4}}}, "slot 3"),
    ],
)
def test_what_differs_is_named(build, change, part):
    one, other = build(), build(**change)
    assert one.identity != other.identity
    assert one.fingerprint.other_parts(other.fingerprint) == [part]
    with pytest.raises(SnapshotError, match=f"These differ: {part}"):
        other.load_state(one.save_state())


def test_a_card_whose_behaviour_changed_is_named(build):
    state = build(model=1).save_state()
    later = build(model=2)
    with pytest.raises(SnapshotError, match="Slot 3: row was model 1 of the card and is model 2 now"):
        later.load_state(state)
    assert build(model=1).identity == later.identity


def test_a_fingerprint_goes_through_json_and_damaged_ones_are_refused(build):
    found = build().fingerprint
    data = json.loads(json.dumps(found.to_data()))
    assert Fingerprint.from_data(data) == found
    damaged = [
        None,
        [],
        {"parts": data["parts"]},
        {**data, "parts": []},
        {**data, "parts": {"clock": 5}},
        {**data, "models": {"x": ["row", 1]}},
        {**data, "models": {"3": ["row"]}},
        {**data, "models": {"3": ["row", True]}},
        {"parts": {str(n): "" for n in range(500)}, "models": {}},
    ]
    for wrong in damaged:
        with pytest.raises(ValueError, match=r"it|part|model"):
            Fingerprint.from_data(wrong)


@pytest.mark.parametrize("entry", entry_points(group="simkit.cards"), ids=lambda entry: entry.name)
def test_every_card_of_the_kit_has_a_model_number(entry):
    assert entry.load().model >= 1
