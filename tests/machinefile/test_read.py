"""Machine files: read, merged, checked; every mistake gets one clear message with its place."""

from fractions import Fraction

import pytest

from simkit.contract.errors import SeveralErrors, SimkitError
from simkit.machinefile.read import read_description
from tests.shed import SHED

SOUND = SHED + 'image = "rom.bin"\n'


@pytest.fixture
def write(tmp_path):
    (tmp_path / "rom.bin").write_bytes(b"\xea" * 32_762 + b"\x00\x80" * 3)

    def write_file(text, name="machine.toml"):
        path = tmp_path / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text)
        return path

    return write_file


def message(path, **options):
    with pytest.raises(SimkitError) as caught:
        read_description(path, **options)
    return str(caught.value)


def test_a_sound_file_gives_its_cards_in_slot_order(write):
    found = read_description(write(SOUND))
    assert found.clock_hz == 1_000_000
    assert [(c.slot, c.kind, c.settings.size) for c in found.cards] == [(1, "sram", 32_768), (2, "rom", 32_768)]
    assert (found.cpu, found.seed, found.backplane.open_bus) == ("65C02", 1, "last")


def test_given_clock_seed_and_settings_replace_those_of_the_file(write):
    found = read_description(write(SOUND), clock="10.738635 MHz / 3", seed=7, settings={1: {"size": 8192}})
    assert found.clock_hz == Fraction(10_738_635, 3)
    assert found.seed == 7
    assert found.cards[0].settings.size == 8192


def test_a_variant_overrides_by_slot_and_can_take_a_card_out(write):
    write(SOUND + "[card.settings]\nsize = 16384\n")
    variant = write(
        'base = "../machine.toml"\nclock = "4 MHz"\n[[card]]\nslot = 1\nremove = true\n'
        '[[card]]\nslot = 2\nwires = { A13 = "low" }\n[card.settings]\nfill = 0\n',
        "fast/machine.toml",
    )
    found = read_description(variant.parent)
    assert found.name == "Potting shed"
    assert found.clock_text == "4 MHz"
    (rom,) = found.cards
    assert (rom.settings.size, rom.settings.fill, rom.wires) == (16_384, 0, {"A13": "low"})
    assert rom.image.resolve() == (variant.parent.parent / "rom.bin").resolve()


def test_identity_does_not_depend_on_the_text_of_the_file(write):
    one = read_description(write(SOUND)).parts()
    two = read_description(write("# a remark\n" + SOUND.replace('"1 MHz"', '"1000 kHz"'), "other.toml")).parts()
    three = read_description(write(SOUND.replace("0xxx", "00xx"), "third.toml")).parts()
    spaced = SOUND.replace("Potting shed", "Greenhouse").replace("0xxx xxxx", "0xxxxxxx")
    assert one == two == read_description(write(spaced, "fourth.toml")).parts()
    assert one != three


@pytest.mark.parametrize(
    ("change", "line", "words"),
    [
        (("clock = \"1 MHz\"", "clock = 1 MHz"), 2, ["Not TOML"]),
        (("clock = \"1 MHz\"", 'clock = "0 MHz"'), 2, ["stands still"]),
        (("clock = \"1 MHz\"\n", ""), None, ["the machine has no clock", 'clock = "2 MHz"']),
        (("name =", "nmae ="), 1, ["unknown key 'nmae'", "'name'"]),
        (('kind = "sram"', 'kind = "srma"'), 5, ["slot 1", "'srma' is not a card", "'sram'"]),
        (('kind = "sram"', ""), 3, ["slot 1", "the card has no kind"]),
        (("0xxx xxxx xxxx xxxx", "0xxx xxxx xxxx xxx"), 6, ["slot 1 (sram), select", "15 bits, not 16", "A15 to A0"]),
        (("select = \"0xxx", "selct = \"0xxx"), 6, ["unknown key 'selct'", "'select'"]),
        (("slot = 2", "slot = 1"), 8, ["slot 1", "two cards of this file"]),
        (("slot = 2", "slot = 200"), 8, ["slot 200", "1 to 99"]),
        (('image = "rom.bin"', "image = 5"), 11, ["slot 2 (rom), image", "5 is not a path"]),
        (('image = "rom.bin"', 'lines = { INT = "IRQ" }'), 11, ["no pin 'INT'"]),
        (('image = "rom.bin"', 'wires = { A0 = "A33" }'), 11, ["wires.A0", "no line A33"]),
        (('image = "rom.bin"', 'wires = { A40 = "A1" }'), 11, ["wires.A40", "no pin 'A40'"]),
        (('image = "rom.bin"', 'wires = { D4 = "D5" }'), 11, ["two data pins share D5"]),
        (('image = "rom.bin"', 'output_enable = "RW and ("'), 11, ["output_enable", "not expected"]),
        (('image = "rom.bin"', "settings = { size = 1000 }"), 11, ["settings.size", "1000 is not a choice", "32768"]),
        (('image = "rom.bin"', 'settings = { size = "big" }'), 11, ["settings.size", "'big' is not a whole number"]),
        (('image = "rom.bin"', "settings = { fill = 256 }"), 11, ["settings.fill", "highest value that works is 255"]),
        (('image = "rom.bin"', "settings = { sise = 8192 }"), 11, ["settings.sise", "'size'"]),
        (('name = "Potting shed"', '[backplane]\nopen_bus = "maybe"'), 2, ["backplane.open_bus", "pull-up"]),
        (('name = "Potting shed"', 'cpu_options = { magic = 256 }'), 1, ["cpu_options.magic", "highest value"]),
        (('name = "Potting shed"', 'cpu = "Z80"'), 1, ["'Z80' is not a CPU", "65C02"]),
        (('name = "Potting shed"', 'base = "nowhere.toml"'), 1, ["there is no file"]),
        (('name = "Potting shed"', 'base = "machine.toml"'), 1, ["builds on this file again"]),
        (('name = "Potting shed"', f"seed = {'9' * 5000}"), 1, ["has 5000 characters"]),
        (('name = "Potting shed"', 'name = "up\\u001b[2J"'), 1, ["cannot be the name", "in one line"]),
        (('name = "Potting shed"', 'name = ""'), 1, ["cannot be the name"]),
        (("clock = \"1 MHz\"", 'clock = "0.000001 Hz"'), 2, ["below the lowest clock", "1 Hz"]),
        (("clock = \"1 MHz\"", f"clock = \"{'9' * 400} MHz\""), 2, ["is not a clock"]),
        (("clock = \"1 MHz\"", 'clock = "\u0661 MHz"'), 2, ["is not a clock"]),
        (('image = "rom.bin"', 'remove = "yes"'), 11, ["slot 2, remove", "neither true nor false"]),
        (('image = "rom.bin"', "lines = 5"), 11, ["slot 2 (rom), lines", 'INT = "IRQ"']),
    ],
)  # fmt: skip
def test_a_mistake_names_file_line_slot_field_and_remedy(write, change, line, words):
    old, new = change
    assert old in SOUND
    text = SOUND.replace(old, new) if "[backplane]" not in new else SOUND.replace(old + "\n", "") + new + "\n"
    if "[backplane]" in new:
        line = text.splitlines().index('open_bus = "maybe"') + 1
    path = write(text)
    found = message(path)
    assert found.startswith(f"{path}:{line}: " if line else f"{path}: "), found
    for word in words:
        assert word in found, found


def test_all_mistakes_of_a_file_come_at_once(write):
    text = SOUND.replace("1 MHz", "0 MHz").replace('"sram"', '"srma"').replace("1xxx", "1xx")
    with pytest.raises(SeveralErrors) as caught:
        read_description(write(text))
    assert len(caught.value.errors) == 3
    assert [e.slot for e in caught.value.errors] == [None, 1, 2]


def test_a_folder_without_a_machine_and_a_missing_path_say_what_to_do(tmp_path):
    assert "holds no machine.toml" in message(tmp_path)
    assert "There is no machine at" in message(tmp_path / "nothing")
    assert "no demo machine 'marlpitt'" in message("demo:marlpitt")
    assert "'marlpit'" in message("demo:marlpitt")


def test_files_that_are_no_text_or_far_too_large_are_refused(tmp_path):
    path = tmp_path / "machine.toml"
    path.write_bytes(b"\xff")
    assert "not UTF-8 text" in message(path)
    path.write_bytes(b"#" * 200_001)
    assert "200000 are allowed" in message(path)


def test_a_card_from_a_file_beside_the_machine(write):
    write(
        "import attrs\nfrom simkit.contract import Card, Register, setting\n"
        "@attrs.frozen(kw_only=True)\nclass S:\n    value: int = setting(7, help='what a read gives')\n"
        "class Mine(Card):\n    kind = 'mine'\n    Settings = S\n"
        "    @classmethod\n    def registers(cls, settings):\n        return (Register(0, 'value', 'r'),)\n"
        "    def peek(self, offset, cycle):\n        return self.settings.value\n",
        "mine.py",
    )
    card = '[[card]]\nslot = 5\nkind = "file:mine.py:Mine"\nselect = "0111 1111 1111 1111"\n'
    found = read_description(write(SOUND + card))
    assert found.cards[-1].settings.value == 7
    assert "no class 'Mne'" in message(write(SOUND + card.replace(":Mine", ":Mne")))
    assert "There is no file" in message(write(SOUND + card.replace("mine.py", "yours.py")))


@pytest.mark.parametrize(
    ("old", "answer"),
    [
        (
            "import attrs\nfrom simkit.card import Card, Drive, PinSpec, Register, setting\n"
            "from simkit.events import NEVER\n",
            "mine.py:2: write `from simkit.contract import NEVER, Card, Drive, PinSpec, Register, setting`: "
            "it is the one import of a card.",
        ),
        (
            "from simkit.machine import Machine\n",
            "mine.py:1: write `from simkit.contract import Card, ...`; Machine is not",
        ),
        ("from simkit.contract import Card, Bus\n", "write `from simkit.contract import Card`; Bus is not for cards."),
        ("import simkit.lines\n", "mine.py:1: write `from simkit.contract import Card, ...`"),
    ],
    ids=["old modules", "not for cards", "one name wrong", "module"],
)
def test_an_import_of_the_kit_that_fails_is_answered_with_the_line_to_write(write, old, answer):
    write(old, "mine.py")
    card = '[[card]]\nslot = 5\nkind = "file:mine.py:Mine"\nselect = "0111 1111 1111 1111"\n'
    found = message(write(SOUND + card))
    assert "slot 5" in found
    assert answer in found


def test_an_import_of_something_else_that_fails_gets_no_line_of_ours(write):
    write("import no_such_package\n", "mine.py")
    card = '[[card]]\nslot = 5\nkind = "file:mine.py:Mine"\nselect = "0111 1111 1111 1111"\n'
    found = message(write(SOUND + card))
    assert "no_such_package" in found
    assert "simkit.contract" not in found


@pytest.mark.parametrize("line", ["A0", "A15", "D7", "RW", "PHI2", "SYNC"])
def test_a_pin_of_a_card_cannot_be_joined_to_an_output_of_the_cpu(write, line):
    card = '[[card]]\nslot = 5\nkind = "keyboard"\nselect = "0111 1111 0001 000x"\n'
    found = message(write(SOUND + card + f'lines = {{ INT = "{line}" }}\n'))
    assert f"{line} is an output of the CPU" in found
    assert "IRQ, NMI" in found


def test_only_the_pins_of_a_card_can_be_wired_and_data_pins_to_data_lines_alone(write):
    """A ROM of 32 KB has the address pins A0 to A14."""
    for pin in (*(f"A{n}" for n in range(15)), *(f"D{n}" for n in range(8))):
        wires = f'wires = {{ {pin} = "{pin}" }}'
        assert read_description(write(SOUND.replace('image = "rom.bin"', wires))).cards[1].wires == {pin: pin}
    for pin in ("A15", "A99", "D8", "D9", "D15", "RW", "INT"):
        assert f"no pin '{pin}'" in message(write(SOUND.replace('image = "rom.bin"', f'wires = {{ {pin} = "D0" }}')))
    for line in ("D8", "D9", "A0", "not A0", "BANK"):
        text = SOUND.replace('image = "rom.bin"', f'wires = {{ D0 = "{line}" }}')
        assert f"'{line}' is not a data line" in message(write(text))
    text = SOUND.replace('image = "rom.bin"', 'wires = { A0 = "D0" }')
    assert "'D0' is a data line" in message(write(text))


def test_cards_come_in_the_order_of_their_slots_wherever_they_stand_in_the_file(write):
    cards = [f'[[card]]\nslot = {slot}\nkind = "keyboard"\nselect = "0111 1111 0001 000x"\n' for slot in (9, 3, 40, 5)]
    assert [card.slot for card in read_description(write(SOUND + "".join(cards))).cards] == [1, 2, 3, 5, 9, 40]


def test_any_line_of_the_bus_can_reach_an_address_pin_and_no_other_number_can(write):
    for line in (*(f"A{n}" for n in range(16)), "not A3", "low", "high", "BANK", "RW", "not BANK"):
        wires = f'wires = {{ A0 = "{line}" }}'
        assert read_description(write(SOUND.replace('image = "rom.bin"', wires))).cards[1].wires == {"A0": line}
    for number in (16, 17, 99, 1000):
        assert f"the bus has no line A{number}" in message(
            write(SOUND.replace('image = "rom.bin"', f'wires = {{ A0 = "A{number}" }}'))
        )


def test_a_base_that_cannot_be_read_is_the_only_complaint(write):
    found = message(write('base = "nowhere.toml"\n[[card]]\nslot = 2\nimage = "rom.bin"\n'))
    assert "there is no file" in found
    assert "clock" not in found


def test_files_saved_with_a_byte_order_mark_or_windows_line_ends_are_read(write, tmp_path):
    path = tmp_path / "machine.toml"
    path.write_bytes(b"\xef\xbb\xbf" + SOUND.replace("\n", "\r\n").encode())
    assert read_description(path).name == "Potting shed"


@pytest.mark.parametrize("text", ["raise SystemExit(0)", "import sys; sys.exit('gone')", "1/0", "def ("])
def test_a_card_file_that_cannot_be_loaded_never_ends_the_program(write, text):
    write(text, "mine.py")
    card = '[[card]]\nslot = 5\nkind = "file:mine.py:Mine"\nselect = "0111 1111 1111 1111"\n'
    told = message(write(SOUND + card))
    assert "slot 5 (file:mine.py:Mine), kind: importing mine.py raised " in told
    assert "mine.py:1)." in told
