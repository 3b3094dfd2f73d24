"""The line that a message about a machine file names is that of the key or element that is wrong."""

import time
import tomllib

import pytest

from simkit import Machine
from simkit.contract.errors import MAX_ERRORS, SeveralErrors, SimkitError
from simkit.machinefile import tomlplaces
from simkit.machinefile.read import read_description
from simkit.machinefile.shipped import demo_folder

TOP = 'name = "Potting shed"\nclock = "1 MHz"\n'


@pytest.fixture
def errors(tmp_path):
    """Function that gives (file, line, text before the colon) of what is wrong with a machine file."""

    def find(text, **others):
        for name, other in others.items():
            (tmp_path / f"{name}.toml").write_text(other)
        path = tmp_path / "machine.toml"
        path.write_text(text)
        with pytest.raises(SimkitError) as caught:
            read_description(path)
        found = caught.value.errors if isinstance(caught.value, SeveralErrors) else [caught.value]
        return [(error.file.rpartition("/")[2], error.line, error.message.split(":")[0]) for error in found]

    return find


def test_a_table_quoted_in_a_note_does_not_count_as_one(errors):
    note = 'note = """\nTo add a card write\n[[card]]\nslot = 9\nkind = "sram"\n"""\n\n'
    text = TOP + note + '[[card]]\nslot = 1\nkind = "sram"\n\n\nselect = "0xxx"\n'
    assert text.splitlines()[14] == 'select = "0xxx"'
    assert errors(text) == [("machine.toml", 15, "slot 1 (sram), select")]


def test_cards_in_an_inline_array_have_their_lines(errors):
    text = TOP + (
        'card = [\n  { slot = 1, kind = "sram", select = "0xxx xxxx xxxx xxxx" },\n'
        '  { slot = 2, kind = "srma", select = "1xxx xxxx xxxx xxxx" },\n'
        '  { slot = 3, kind = "serial-pads", select = [\n    "0111 1111 0010 00xx",\n    "x",\n'
        "  ], settings = { port_1 = 17 } },\n  { kind = 'rom' },\n]\n"
    )
    assert errors(text) == [
        ("machine.toml", 10, "slot"),
        ("machine.toml", 5, "slot 2 (srma), kind"),
        ("machine.toml", 9, "slot 3 (serial-pads), settings.port_1"),
        ("machine.toml", 8, "slot 3 (serial-pads), select"),
    ]


def test_a_bracket_with_many_blanks_in_a_note_is_read_in_no_time(tmp_path):
    """4.6 kB of it took seconds once. As a ratio: not much longer than a note of letters."""

    def seconds(filling):
        path = tmp_path / "machine.toml"
        path.write_text(TOP + f'note = """\n{filling}\n"""\n[[card]]\nslot = 1\nkind = "srma"\n')
        taken = []
        for _ in range(3):
            start = time.process_time()
            with pytest.raises(SimkitError) as caught:
                read_description(path)
            taken.append(time.process_time() - start)
        assert caught.value.line == 8
        return min(taken)

    assert seconds("[" + " " * 4500) < 3 * max(seconds("x" * 4501), 0.002)


PADS = '[[card]]\nslot = 4\nkind = "serial-pads"\nselect = "0111 1111 0010 00xx"\n'


@pytest.mark.parametrize(
    ("tail", "line", "field"),
    [
        ("[card.settings]\nport_2 = 3\nport_1 = 17\n", 9, "settings.port_1"),
        ("settings = { port_2 = 3, port_1 = 17 }\n", 7, "settings.port_1"),
        ("settings.port_2 = 3\nsettings.port_1 = 17\n", 8, "settings.port_1"),
        ("[ card . 'settings' ]\n\n\"port_\\u0031\" = 17\n", 9, "settings.port_1"),
        ("settings.port_3 = 3\n", 7, "settings.port_3"),
        ("[card.wires]\nA1 = 'A0'\nA0 = 'A33'\n", 9, "wires.A0"),
        ("wires.A1 = 'A0'\nwires.A0 = 'A33'\n", 8, "wires.A0"),
        ("[card.wires]\nA1 = 'A0'\nA0 = 5\n", 9, "wires.A0"),
        ("[card.wires]\nA0 = 'A1'\nD4 = 'D5'\n", 9, "wires.D4"),
        ("[card.lines]\n\nINT = 'IRQ'\n", 9, "lines.INT"),
        ("[card.lines]\n\nINT = ['IRQ']\n", 9, "lines.INT"),
        ("not_select = [\n'0111 1111 0010 0000',\n\n'0111 1111 0010'\n]\n", 10, "not_select"),
        ("not_select = ['0111 1111 0010 0000', 'A0 and (',\n5]\n", 7, "not_select"),
        ("not_select = [\n'0111 1111 0010 0000',\n5]\n", 9, "not_select"),
        ("[card.not_select]\na = 1\n", 7, "not_select"),
        ("remove = 1\n", 7, "remove"),
        ("\nnote = 1\n", 8, "note"),
        ("\n\nready_gated = 1\n", 9, "ready_gated"),
        ("\n\nimage = 1\n", 9, "image"),
        ("output_enable = '('\n", 7, "output_enable"),
    ],
)  # fmt: skip
def test_a_field_of_a_card_has_the_line_of_its_key(errors, tail, line, field):
    found = errors(TOP + PADS + tail)
    slot = "slot 4" if field == "remove" else "slot 4 (serial-pads)"
    assert found[0] == ("machine.toml", line, f"{slot}, {field}")


@pytest.mark.parametrize(
    ("tail", "line", "field"),
    [
        ("[backplane]\ncontention = 'and'\nopen_bus = 'maybe'\n", 9, "backplane.open_bus"),
        ("[backplane]\ncontention = 'and'\n\nopen = 'last'\n", 10, "backplane.open"),
        ("[cpu_options]\n\nmagic = 256\n", 9, "cpu_options.magic"),
    ],
)
def test_a_field_of_a_table_has_the_line_of_its_key(errors, tail, line, field):
    assert errors(TOP + PADS + tail) == [("machine.toml", line, field)]
    table, _, key = field.partition(".")
    value = tail.rpartition(f"{key} =")[2]
    assert errors(f"\n{table}.{key} ={value}" + TOP + PADS) == [("machine.toml", 2, field)]
    assert errors(f"{TOP}{table} = {{ {key} ={value.strip()} }}\n" + PADS) == [("machine.toml", 3, field)]


def test_each_error_of_a_variant_names_the_file_that_holds_it(errors):
    base = TOP + "[backplane]\nopen_bus = 'maybe'\n" + PADS + "[card.settings]\nport_1 = 17\nport_2 = 18\n"
    variant = "base = 'shed.toml'\n\ncpu = 'Z80'\n[cpu_options]\nmagic = -1\n"
    variant += "[[card]]\nslot = 4\n[card.settings]\nport_1 = 19\n"
    assert errors(variant, shed=base) == [
        ("machine.toml", 3, "cpu"),
        ("shed.toml", 4, "backplane.open_bus"),
        ("machine.toml", 5, "cpu_options.magic"),
        ("machine.toml", 9, "slot 4 (serial-pads), settings.port_1"),
        ("shed.toml", 11, "slot 4 (serial-pads), settings.port_2"),
    ]


@pytest.mark.parametrize("key", ["settings", "wires", "lines", "backplane", "cpu_options"])
@pytest.mark.parametrize("below", ["5", "'words'", "[1]"])
def test_a_base_that_has_no_table_where_its_variant_has_one_is_told(errors, key, below):
    def text(top, value):
        line = f"{key} = {value}\n"
        return top + PADS + line if key in ("settings", "wires", "lines") else top + line + PADS

    base = text(TOP, below)
    line = base.splitlines().index(f"{key} = {below}") + 1
    assert ("shed.toml", line) in [found[:2] for found in errors(text("base = 'shed.toml'\n", "{ x = 1 }"), shed=base)]


def test_a_table_over_a_base_that_has_words_there_counts_as_it_is(errors):
    found = errors("base = 'shed.toml'\nnote = { a = 1 }\n", shed=TOP + "note = 'words'\n" + PADS)
    assert found == [("machine.toml", 2, "note")]


def test_settings_of_another_kind_of_card_are_gone_with_their_places(errors):
    base = TOP + PADS + "[card.settings]\nport_1 = 17\n"
    assert errors("base = 'shed.toml'\n[[card]]\nslot = 4\nkind = 'sram'\nsettings.size = 5\n", shed=base) == [
        ("machine.toml", 5, "slot 4 (sram), settings.size")
    ]


def test_two_cards_on_the_same_addresses_are_told_with_the_line_of_the_second_select(tmp_path):
    ram = '[[card]]\nslot = {}\nkind = "sram"\n\nselect = [\n"0xxx xxxx xxxx xxxx"]\n'
    path = tmp_path / "machine.toml"
    path.write_text(TOP + ram.format(1) + ram.format(2))
    with pytest.raises(SimkitError, match="both answer reads") as caught:
        Machine.load(path)
    assert caught.value.line == 13


@pytest.mark.parametrize("base", ["x" * 5000, "a\\u0000b", "circle", "..", "/dev/zero", "machine.toml/x"])
def test_a_base_that_leads_nowhere_is_said_so(errors, base, tmp_path):
    (tmp_path / "circle").symlink_to("circle")
    assert errors(f'\nbase = "{base}"\n') == [("machine.toml", 2, "base")]


ODD = (
    "''", "'\\u0000'", '"\\u0000"', "'x'", f"'{'x' * 5000}'", "[]", "[[]]", "[1, 'x']", "{}", "{ '' = 1 }", "-1", "0",
    "true", "9223372036854775808",
    f"0x{'F' * 90}", "1e400", "nan", "-inf", "1979-05-27", "07:32:00", "[{ a.b = [{}] }]",
)  # fmt: skip
KEYS = (
    "name", "clock", "cpu", "cpu_options", "seed", "base", "backplane", "card", "note", "start", "parts", "cpu.part",
    "cpu.grade", "cpu.data_buffer", "cpu.phi2_high",
)  # fmt: skip
CARD_KEYS = (
    "slot", "kind", "select", "not_select", "output_enable", "write_enable", "wires", "lines", "image", "labels",
    "listing", "at", "settings", "ready_gated", "remove", "note", "settings.port_1", "wires.A0", "lines.INT",
    "part", "grade", "timing", "timing.decode", "timing.buffer", "timing.latch",
)  # fmt: skip
OTHER_KINDS = {
    "seed": int, "slot": int, "settings.port_1": int, "ready_gated": bool, "remove": bool, "card": list,
    "cpu_options": dict, "backplane": dict, "settings": dict, "wires": dict, "lines": dict,
    "timing": dict,
}  # fmt: skip
"""Kind of value of each key that does not want text."""


def is_of_its_kind(name, value):
    if name in ("labels", "listing") and isinstance(value, list):
        return all(isinstance(element, str) for element in value)
    if name in ("select", "not_select") and isinstance(value, list):
        return bool(value or name == "not_select") and all(isinstance(element, str) for element in value)
    return type(value) is OTHER_KINDS.get(name, str)


@pytest.mark.parametrize("key", [*KEYS, *(f"card {key}" for key in CARD_KEYS)])
def test_any_value_of_any_key_is_taken_or_refused_with_its_line(key, tmp_path):
    path = tmp_path / "machine.toml"
    for value in ODD:
        top, card = TOP.splitlines(), PADS.splitlines()
        part, name = (card, key[5:]) if key.startswith("card ") else (top, key)
        part[:] = [line for line in part if not line.startswith(f"{name.partition('.')[0]} =")]
        part.append(f"{name} = {value}")
        path.write_text("\n".join([*top, *card]))
        told = []
        try:
            read_description(path)
        except SeveralErrors as several:
            told = several.errors
        except SimkitError as error:
            told = [error]
        assert told or is_of_its_kind(name, tomllib.loads(f"x = {value}")["x"])
        if told and key != "card":  # cards that are written in two ways are not TOML
            assert [*top, *card].index(part[-1]) + 1 in [error.line for error in told], told
        assert all(error.file == str(path) and len(str(error)) < 2500 for error in told)


def test_a_file_of_endless_mistakes_gets_the_first_of_them(tmp_path):
    path = tmp_path / "machine.toml"
    for line in ("[[card]]\n", "k{} = 1\n", "[[card]]\nslot = {}\nkin = 1\n"):
        path.write_text(TOP + "".join(line.format(n) for n in range(1, 5_000)))
        with pytest.raises(SeveralErrors) as caught:
            read_description(path)
        assert len(caught.value.errors) == MAX_ERRORS + 1
        assert f"the first {MAX_ERRORS} errors" in str(caught.value.errors[-1])


def test_an_endless_text_is_cited_by_its_ends(tmp_path):
    path = tmp_path / "machine.toml"
    path.write_text(TOP + f'cpu = "{"6502" * 2_000}"\n' + PADS)
    with pytest.raises(SimkitError) as caught:
        read_description(path)
    assert len(str(caught.value)) < 2500
    assert str(caught.value).startswith(f"{path}:3: cpu: '65026502")
    assert "is not a CPU.\nWrite one of" in str(caught.value)


def test_a_sound_machine_is_never_scanned_for_places(monkeypatch):
    monkeypatch.setattr(tomlplaces, "_Scan", None)
    for path in sorted(demo_folder().rglob("machine.toml")):
        assert read_description(path).cards


def test_a_description_knows_all_files_it_was_read_from(tmp_path):
    """Also one that gives no card; the command that watches files and the one that unpacks machines ask for them."""
    (tmp_path / "shed.toml").write_text(TOP)
    (tmp_path / "machine.toml").write_text("base = 'shed.toml'\n" + PADS)
    found = read_description(tmp_path / "machine.toml")
    assert [path.name for path in found.files] == ["machine.toml", "shed.toml"]
    assert found.files[0] == found.path
