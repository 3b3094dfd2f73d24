"""What is kept of machine files between two loads: nobody can tell but by the time it takes."""

from importlib.metadata import EntryPoint

import attrs
import pytest
from simkit_cards.memory.sram import Sram

from simkit import Machine
from simkit.contract.errors import SimkitError
from simkit.machinefile import kept
from simkit.machinefile.catalogue import entries
from simkit.machinefile.read import read_description
from simkit.machinefile.tomlfile import parse_toml
from tests.shed import SHED

SOUND = SHED + 'image = "link/../rom.bin"\n'


@attrs.define
class Changeable:
    size: int = 32_768
    fill: int = 0


class Scratch(Sram):
    """A RAM whose settings anybody may change."""

    kind = "sram"
    Settings = Changeable


@pytest.fixture
def machine(tmp_path, monkeypatch):
    """A machine file; what was kept before is out of reach."""
    monkeypatch.setattr(kept, "_CARDS", {})
    for folder in ("", "first", "second"):
        (tmp_path / folder).mkdir(exist_ok=True)
        (tmp_path / folder / "rom.bin").write_bytes(b"\xea" * 32_762 + b"\x00\x80" * 3)
    (tmp_path / "link").mkdir()
    path = tmp_path / "machine.toml"
    path.write_text(SOUND)
    return path


def test_a_card_of_which_nothing_has_changed_is_checked_once(machine, monkeypatch):
    first = read_description(machine)
    monkeypatch.setattr(kept, "check_card", None)
    assert [one is two for one, two in zip(first.cards, read_description(machine).cards, strict=True)] == [True] * 2


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("slot = 1\n", "slot = 1\n# a line more\n"),
        ('"sram"', '"sram"\nsettings = { size = 8192 }'),
        ('"0xxx xxxx', '"0x0x xxxx'),
        ('kind = "rom"', 'kind = "rom"\nnote = "of the winter"'),
        ("link/../rom.bin", "first/rom.bin"),
    ],
)
def test_what_has_changed_in_the_file_counts_and_so_do_places(machine, old, new):
    read_description(machine)
    machine.write_text(SOUND.replace(old, new))
    found = read_description(machine)
    kept._CARDS.clear()
    afresh = read_description(machine)
    assert found.cards == afresh.cards
    lines = [[card.place(field).line for field in ("", "select", "kind")] for card in found.cards]
    assert lines == [[card.place(field).line for field in ("", "select", "kind")] for card in afresh.cards]


def test_settings_that_are_given_count_each_time(machine):
    given = [None, {1: {"size": 8192}}, {1: {"size": 16_384}}, None]
    sizes = [read_description(machine, settings=settings).cards[0].settings.size for settings in given]
    assert sizes == [32_768, 8192, 16_384, 32_768]


def test_a_line_that_no_decoder_drives_any_more_counts(machine):
    machine.write_text(SOUND.replace('kind = "sram"', 'kind = "sram"\nwiring = ["IOSEL open"]'))
    assert read_description(machine, wiring=["IOSEL driven by A15"]).cards[0].wiring.entries[-1].name == "IOSEL"
    with pytest.raises(SimkitError, match="IOSEL"):
        read_description(machine)


def test_what_has_changed_in_the_base_counts(machine):
    variant = machine.parent / "variant.toml"
    variant.write_text('base = "machine.toml"\n')
    read_description(variant)
    machine.write_text(SOUND.replace('"0xxx', '"00xx'))
    assert read_description(variant).cards[0].select == ("00xx xxxx xxxx xxxx",)


def test_a_mistake_that_comes_into_a_file_is_told_and_one_that_goes_is_forgotten(machine):
    read_description(machine)
    for _ in range(2):
        machine.write_text(SOUND.replace('"0xxx', '"2xxx'))
        for _ in range(2):
            with pytest.raises(SimkitError, match="'2' is not part"):
                read_description(machine)
        machine.write_text(SOUND)
        assert len(read_description(machine).cards) == 2


def test_a_link_that_leads_elsewhere_counts(machine):
    link = machine.parent / "link"
    link.rmdir()
    (machine.parent / "first" / "inside").mkdir()
    link.symlink_to(machine.parent / "first" / "inside")
    assert read_description(machine).cards[1].image.resolve() == (machine.parent / "first" / "rom.bin").resolve()
    link.unlink()
    link.mkdir()
    assert read_description(machine).cards[1].image.resolve() == (machine.parent / "rom.bin").resolve()
    assert ".." not in read_description(machine).cards[1].image.parts


def test_a_card_that_is_another_class_by_now_is_described_anew(machine, monkeypatch):
    assert read_description(machine).cards[0].card is Sram
    installed = {**entries(), "sram": (_Entry(Scratch),)}
    monkeypatch.setattr("simkit.machinefile.read.entries", lambda: installed)
    assert read_description(machine).cards[0].card is Scratch


def test_settings_that_a_machine_can_change_are_those_of_one_machine(machine, monkeypatch):
    installed = {**entries(), "sram": (_Entry(Scratch),)}
    monkeypatch.setattr("simkit.machinefile.read.entries", lambda: installed)
    Machine.load(machine).bus.seats[0].settings.size = 1
    assert read_description(machine).cards[0].settings.size == 32_768


def test_no_more_is_kept_than_is_allowed(machine, monkeypatch):
    monkeypatch.setattr(kept, "MOST_KEPT", 3)
    for number in range(4):
        path = machine.parent / f"{number}.toml"
        path.write_text(SOUND)
        read_description(path)
    assert [(path.stem, slot) for path, slot in kept._CARDS] == [("2", 2), ("3", 1), ("3", 2)]


def test_what_a_toml_text_says_belongs_to_who_asked():
    text = "a = [1, [2]]\n[b]\nc = { d = 3 }\n"
    first = parse_toml(text, "some.toml").data
    first["a"][1].append(4)
    first["b"]["c"]["d"] = 5
    del first["b"]
    assert parse_toml(text, "some.toml").data == {"a": [1, [2]], "b": {"c": {"d": 3}}}


class _Entry(EntryPoint):
    """An entry point whose class is at hand."""

    def __new__(cls, found):
        entry = super().__new__(cls)
        vars(entry)["found"] = found
        return entry

    def __init__(self, found):
        super().__init__(name=found.kind, value=f"{__name__}:{found.__name__}", group="simkit.cards")

    def load(self):
        return vars(self)["found"]
