"""Which cards there are: whose they are, and what is told of those that cannot be loaded."""

import pytest
from simkit_cards.memory.sram import Sram

from simkit.contract.errors import CardError, SimkitError
from simkit.machinefile.catalogue import card_class, entries, load_entry
from simkit.machinefile.read import read_description

CARD = """
import attrs
from simkit.contract import Card

@attrs.frozen
class Settings:
    pass

class Theirs(Card):
    kind = "theirs"
    Settings = Settings
"""


@pytest.fixture
def install(tmp_path, monkeypatch):
    """Have a package installed: its name, its cards by kind, and its module."""

    def put(name, cards, text=CARD):
        module = name.replace("-", "_")
        folder = tmp_path / f"{name}-folder"
        about = folder / f"{module}-1.0.dist-info"
        about.mkdir(parents=True)
        (about / "METADATA").write_text(f"Metadata-Version: 2.1\nName: {name}\nVersion: 1.0\n")
        lines = "\n".join(f"{kind} = {module}:{cls}" for kind, cls in cards.items())
        (about / "entry_points.txt").write_text(f"[simkit.cards]\n{lines}\n")
        (folder / f"{module}.py").write_text(text)
        monkeypatch.syspath_prepend(str(folder))

    return put


@pytest.fixture
def write(tmp_path):
    """Write a file into the machine's folder; gives its path."""

    def write_file(text, name="machine.toml"):
        (tmp_path / name).write_text(text)
        return tmp_path / name

    return write_file


def test_a_package_of_a_strangers_brings_its_card(install, tmp_path):
    install("their-cards", {"theirs": "Theirs"})
    assert card_class("theirs", tmp_path).__name__ == "Theirs"


def test_a_name_that_two_packages_claim_is_refused_with_both(install, tmp_path):
    install("other-cards", {"sram": "Theirs", "theirs": "Theirs"})
    with pytest.raises(SimkitError) as raised:
        card_class("sram", tmp_path)
    assert "The card 'sram' is claimed by 2 packages: " in raised.value.message
    assert "other-cards (other_cards:Theirs)" in raised.value.message
    assert "backplane-simkit (simkit_cards.memory.sram:Sram)" in raised.value.message
    assert "Uninstall one of them" in raised.value.remedy
    assert not isinstance(raised.value, CardError)
    assert card_class("theirs", tmp_path).kind == "theirs", "the others are as they were"
    assert load_entry(entries()["rom"]).kind == "rom"


def test_two_strangers_who_claim_one_name_are_told_as_well(install, tmp_path):
    install("first-cards", {"theirs": "Theirs"})
    install("second-cards", {"theirs": "Theirs"})
    with pytest.raises(SimkitError, match=r"2 packages: (first|second)-cards \(.*\) and (first|second)-cards"):
        card_class("theirs", tmp_path)


def test_one_package_found_twice_is_one_owner(install, tmp_path, monkeypatch):
    """As where it lies in two folders of the path."""
    install("their-cards", {"theirs": "Theirs"})
    (tmp_path / "again").mkdir()
    (tmp_path / "their-cards-folder").rename(tmp_path / "again" / "x")
    monkeypatch.syspath_prepend(str(tmp_path / "again" / "x"))
    monkeypatch.syspath_prepend(str(tmp_path / "again" / "x"))
    assert card_class("theirs", tmp_path).__name__ == "Theirs"


def test_a_machine_with_a_card_that_two_claim_is_refused_at_its_line(install, write):
    install("other-cards", {"sram": "Theirs"})
    path = write('name = "x"\nclock = "1 MHz"\n[[card]]\nslot = 1\nkind = "sram"\nselect = "0xxx xxxx xxxx xxxx"\n')
    with pytest.raises(SimkitError) as raised:
        read_description(path)
    assert "machine.toml:5: slot 1 (sram), kind: The card 'sram' is claimed by 2 packages" in str(raised.value)


def test_a_package_that_cannot_be_imported_is_told_with_its_owner_and_its_line(install, tmp_path):
    install("broken-cards", {"broken": "Theirs"}, "import attrs\nraise SystemExit(0)\n")
    with pytest.raises(CardError) as raised:
        card_class("broken", tmp_path)
    assert "The card 'broken' of broken-cards: importing broken_cards:Theirs raised SystemExit: 0" in str(raised.value)
    assert str(raised.value).startswith(f"{tmp_path}/broken-cards-folder/broken_cards.py:2: ")


FAILS = {
    "raise SystemExit(0)\n": (1, "importing mine.py raised SystemExit: 0"),
    "x = 1\ndef f(:\n": (2, "importing mine.py raised SyntaxError"),
    "import attrs\nfrom simkit.contract import Card\nclass Mine(Card):\n    x = 1 / 0\n": (
        4,
        "raised ZeroDivisionError",
    ),
    "import not_there_at_all\n": (1, "raised ModuleNotFoundError"),
    "\n\nimport pytest\npytest.skip('x', allow_module_level=True)\n": (4, "raised Skipped"),
    CARD.replace("Theirs", "Mine") + "    @classmethod\n    def pins(cls, settings):\n        return cls.no\n": (
        14,
        "pins raised AttributeError",
    ),
    CARD.replace("Theirs", "Mine").replace("    pass", "    x: int = attrs.field(factory=lambda: 1 // 0)"): (
        7,
        "Settings raised ZeroDivisionError",
    ),
    CARD.replace("Theirs", "Mine").replace("@attrs.frozen\n", ""): (None, "has Settings = <class"),
}


@pytest.mark.parametrize("text", FAILS, ids=lambda text: FAILS[text][1])
def test_a_cards_file_that_fails_is_told_with_file_and_line_of_its_own(write, text):
    line, words = FAILS[text]
    write(text, "mine.py")
    path = write('name = "x"\nclock = "1 MHz"\n[[card]]\nslot = 1\nkind = "file:mine.py:Mine"\n')
    with pytest.raises(CardError) as raised:
        read_description(path)
    told = str(raised.value)
    assert "machine.toml:5: slot 1 (file:mine.py:Mine), kind: " in told
    assert words in told
    assert line is None or f"mine.py:{line})." in told, told
    assert raised.value.slot == 1


def test_settings_that_do_not_go_together_are_wrong_use_and_no_defect_of_the_card(write):
    """A card refuses them with ValueError; what its defaults make is sound."""
    text = (
        CARD.replace("Theirs", "Mine")
        .replace("import Card", "import Card, setting")
        .replace(
            "    pass",
            "    low: int = setting(1, help='low')\n    high: int = setting(2, help='high')\n"
            "    def __attrs_post_init__(self):\n        if self.low > self.high:\n"
            "            raise ValueError('low is above high')",
        )
    )
    write(text, "mine.py")
    path = write(
        'name = "x"\nclock = "1 MHz"\n[[card]]\nslot = 1\nkind = "file:mine.py:Mine"\n[card.settings]\nlow = 5\n'
    )
    with pytest.raises(SimkitError, match="settings: low is above high") as raised:
        read_description(path)
    assert not isinstance(raised.value, CardError)


def test_the_kits_own_cards_are_claimed_once():
    assert all(len(claims) == 1 for claims in entries().values())
    assert load_entry(entries()["sram"]) is Sram
