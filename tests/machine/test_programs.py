"""Programs that are put into RAM at power-on, and where the CPU begins."""

import pytest

from simkit import Machine
from simkit.contract.errors import SimkitError
from simkit.machinefile.programs import parse_load
from simkit.rom.images import write_image

RAM = """\
name = "Bare"
clock = "1 MHz"
[[card]]
slot = 1
kind = "sram"
select = "0xxx xxxx xxxx xxxx"
"""
CODE = bytes.fromhex("A2FF9AE6104C0302")  # at $0200: ldx #$ff, txs, loop: inc $10, jmp loop


@pytest.fixture
def folder(tmp_path):
    (tmp_path / "prog.bin").write_bytes(CODE)
    (tmp_path / "prog.hex").write_bytes(write_image(CODE, ".hex", address=0x200))
    (tmp_path / "prog.labels").write_text("main = $0200\nloop = $0203\n")

    def write(more="", top=""):
        (tmp_path / "machine.toml").write_text(top + RAM + more)
        return tmp_path

    return write


@pytest.mark.parametrize("image", ['image = "prog.bin"\nat = "$0200"', 'image = "prog.hex"'])
@pytest.mark.parametrize("engine", ["exact", "auto"])
def test_the_image_of_a_ram_is_a_program_and_start_may_be_a_label(image, engine, folder):
    m = Machine.load(folder(f'{image}\nlabels = "prog.labels"\n', 'start = "main"\n'), engine=engine)
    assert m.peek(0x200, len(CODE)) == CODE
    assert m.step() == 7, "the sequence of RESET takes place"
    assert m.cpu.pc == 0x200
    assert any("$0200 (main), as if a loader had jumped there" in note for note in m.notes)
    m.run(cycles=1000)
    assert m.cpu.pc in (0x203, 0x205)


def test_an_image_without_address_lies_at_the_start_of_the_memory(folder):
    assert Machine.load(folder('image = "prog.bin"\n')).peek(0, len(CODE)) == CODE


BOARDS = {
    "straight": "",
    "address wires of the low byte exchanged": 'wires = { A0 = "A7", A7 = "A0" }\n',
    "address wires of both bytes exchanged": 'wires = { A2 = "A12", A12 = "A2" }\n',
    "data wires exchanged": 'wires = { D0 = "D7", D7 = "D0" }\n',
    "a smaller memory, seen several times": "[card.settings]\nsize = 2048\n",
    "another card in the middle of a page": """not_select = "0000 0100 1xxx xxxx"
[[card]]
slot = 2
kind = "sram"
select = "0000 0100 1xxx xxxx"
[card.settings]
size = 256
""",
}


@pytest.mark.parametrize("board", BOARDS.values(), ids=BOARDS)
@pytest.mark.parametrize("size", [2, 700, 2048])
def test_a_program_lies_at_its_addresses_however_the_memory_is_wired(board, size, folder):
    path = folder(board)
    content = bytes((7 * n + (n >> 8)) & 0xFF for n in range(size))
    (path / "odd.bin").write_bytes(content)
    for start in (0x2F8, 0x3FF, 0x480):
        assert Machine.load(path, programs=[f"{path}/odd.bin@{start:04X}"]).peek(start, size) == content


def test_a_program_is_there_again_after_a_power_cycle_though_its_file_is_gone(folder):
    path = folder()
    m = Machine.load(path, programs=[f"{path / 'prog.bin'}@$0200"], start=0x200)
    m.run(cycles=50)
    m.poke(0x200, 0)
    (path / "prog.bin").unlink()
    m.power_cycle()
    assert m.peek(0x200, len(CODE)) == CODE
    m.step()
    assert m.cpu.pc == 0x200


def test_the_reset_button_goes_to_the_start_again(folder):
    m = Machine.load(folder(), programs=[f"{folder() / 'prog.hex'}"], start="0200")
    m.run(cycles=100)
    m.reset()
    m.run(until=lambda machine: machine.cpu.pc == 0x200)


def test_program_and_start_are_part_of_what_a_machine_is(folder):
    path = folder()
    kinds = [{}, {"programs": [f"{path / 'prog.bin'}@0200"]}, {"programs": [f"{path / 'prog.bin'}@0300"]}, {"start": 5}]
    assert len({Machine.load(path, **words).identity for words in kinds}) == len(kinds)
    by_bin, by_hex = (Machine.load(path, programs=[f"{path}/{name}"]) for name in ("prog.bin@$0200", "prog.hex"))
    assert by_bin.identity == by_hex.identity
    by_hex.load_state(by_bin.save_state())


def test_memory_of_a_program_counts_as_written_for_the_check(folder):
    from simkit.check.run import check

    path = folder()
    (path / "prog.bin").write_bytes(bytes.fromhex("A2FF9A4C0302"))
    found = check(Machine.load(path, programs=[f"{path / 'prog.bin'}@$0200"], start=0x200))
    assert [finding.rule.name for finding in found.open] == []


@pytest.mark.parametrize(
    ("load", "message"),
    [
        ("prog.bin", "does not say where"),
        ("prog.bin@", "is not an address"),
        ("prog.bin@main", "is not an address"),
        ("prog.bin@$12345", "is not an address"),
        ("prog.hex@$0200", "a hex file says its addresses itself"),
        ("@0200", "does not say where"),
        ("prog.bin@$7FFC", r"\$8000 is not in RAM: no card answers there"),
        ("prog.bin@$FFFC", r"8 bytes, too many from \$FFFC on"),
        ("gone.bin@0200", "There is no program"),
        (".@0200", "is a folder"),
    ],
)
def test_a_program_that_cannot_be_loaded_is_told(load, message, folder, monkeypatch):
    monkeypatch.chdir(folder())
    with pytest.raises(SimkitError, match=message) as told:
        Machine.load(".", programs=[load])
    assert told.value.remedy
    assert "--load" in str(told.value)


@pytest.mark.parametrize(
    ("keys", "message"),
    [
        ('at = "$0200"', "there is no image to be put there"),
        ('image = "prog.bin"\nat = "main"', "'main' is not an address"),
        ('image = "prog.bin"\nat = 512', "512 is not an address"),
        ('image = "prog.hex"\nat = "$0200"', "A hex file says its addresses itself"),
        ('image = "prog.bin"\nat = "$9000"', r"\$9000 is not in the memory of this card: no card answers there"),
        ('image = "gone.bin"', "There is no program"),
    ],
)
def test_a_program_of_the_machine_file_that_cannot_be_loaded_is_told_with_its_line(keys, message, folder):
    with pytest.raises(SimkitError, match=message) as told:
        Machine.load(folder(keys + "\n"))
    assert (told.value.slot, told.value.line is not None) == (1, True)


def record_of(address, kind, data):
    content = bytes([len(data)]) + address.to_bytes(2, "big") + bytes([kind]) + data
    return f":{(content + bytes([-sum(content) & 0xFF])).hex()}\n"


def motorola(kind, address, data=b""):
    content = address.to_bytes({1: 2, 2: 3, 3: 4, 7: 4, 8: 3, 9: 2}[kind], "big") + data
    content = bytes([len(content) + 1]) + content
    return f"S{kind}{(content + bytes([~sum(content) & 0xFF])).hex()}\n"


END, BODY = record_of(0, 1, b""), record_of(0x200, 0, CODE)


@pytest.mark.parametrize(
    ("name", "text", "begins"),
    [
        ("a.hex", BODY + END, None),
        ("a.hex", BODY + record_of(0, 3, bytes.fromhex("00100103")) + END, "$0203"),  # $0010 * 16 + $0103
        ("a.hex", BODY + record_of(0, 5, bytes.fromhex("00000203")) + END, "$0203"),
        ("a.hex", BODY + record_of(0, 5, bytes.fromhex("00010203")) + END, "$10203"),
        ("a.s19", motorola(1, 0x200, CODE) + motorola(9, 0x203), "$0203"),
        ("a.s28", motorola(2, 0x200, CODE) + motorola(8, 0x203), "$0203"),
        ("a.s37", motorola(3, 0x200, CODE) + motorola(7, 0x203), "$0203"),
        ("a.s19", motorola(1, 0x200, CODE) + motorola(9, 0), None),
    ],
)
def test_where_a_hex_file_says_that_it_begins_is_told_and_not_followed(name, text, begins, folder):
    (path := folder() / name).write_text(text)
    m = Machine.load(folder(), programs=[path])
    assert m.peek(0x200, len(CODE)) == CODE
    assert [f"says that it begins at {begins};" in note for note in m.notes[1:]] == [True] * (begins is not None)
    m.step()
    assert m.cpu.pc != 0x203
    if begins == "$0203":
        assert not any("begins" in note for note in Machine.load(folder(), programs=[path], start="0203").notes)


@pytest.mark.parametrize(
    ("name", "content", "message"),
    [
        ("a.hex", END.encode(), "holds no bytes"),
        ("a.hex", b"", "no end record"),
        ("a.hex", (record_of(0, 4, b"\0\1") + BODY + END).encode(), r"bytes for \$10200 and on"),
        ("a.bin@0200", (BODY + END).encode(), r"is a hex file, by what is in it"),
        ("a.bin@0200", b"\x7fELF\1\1\1", "is an ELF file"),
        ("a.bin@0200", b"", "is empty"),
    ],
)
def test_a_file_that_is_no_program_is_told(name, content, message, folder):
    (folder() / name.partition("@")[0]).write_bytes(content)
    with pytest.raises(SimkitError, match=message) as told:
        Machine.load(folder(), programs=[f"{folder() / name}"])
    assert told.value.remedy


@pytest.mark.parametrize(
    ("load", "told"),
    [("p.prg@0200", True), ("p.bin@0200", True), ("p.bin@0300", False), ("p.prg@0300", True), ("p.prg@01FE", False)],
)
def test_a_load_address_in_front_of_a_program_is_loaded_as_it_is_and_told(load, told, folder):
    path = folder() / load
    (path.parent / load.partition("@")[0]).write_bytes(b"\0\2" + CODE)
    m = Machine.load(folder(), programs=[f"{path}"])
    assert m.peek(int(load[-4:], 16), 2) == b"\0\2"
    assert ["also a load address in its first two" in note for note in m.notes] == [told]


def test_two_programs_of_the_command_line_do_not_lie_on_each_other(folder):
    path = folder() / "prog.bin"
    Machine.load(folder(), programs=[f"{path}@0200", f"{path}@0208"])
    for second in ("0207", "0200", "01F9"):
        with pytest.raises(SimkitError, match=r"\$020\d holds a byte of .*prog.bin already"):
            Machine.load(folder(), programs=[f"{path}@0200", f"{path}@{second}"])


def test_a_program_of_the_command_line_may_lie_over_one_of_the_machine_file_and_it_is_told(folder):
    path = folder('image = "prog.bin"\nat = "0200"\n')
    (path / "new.bin").write_bytes(b"\xea\xea")
    m = Machine.load(path, programs=[f"{path / 'new.bin'}@0202"])
    assert m.peek(0x200, 5) == CODE[:2] + b"\xea\xea" + CODE[4:5]
    assert [note for note in m.notes if "lies over what the machine file puts there" in note]


def test_a_program_longer_than_a_memory_that_is_seen_twice_is_told(folder):
    path = folder("settings = { size = 8192 }\n")
    (path / "long.bin").write_bytes(bytes(9000))
    with pytest.raises(SimkitError, match=r"\$2000 is the same byte of memory as \$0000"):
        Machine.load(path, programs=[f"{path / 'long.bin'}@0"])


@pytest.mark.parametrize(
    ("start", "told"),
    [(0x200, None), (0x205, None), (0x208, "nothing was loaded there"), (0x9000, "No card answers there")],
)
def test_a_start_where_no_program_is_is_told(start, told, folder):
    m = Machine.load(folder(), programs=[f"{folder() / 'prog.bin'}@0200"], start=start)
    (note,) = (note for note in m.notes if note.startswith("Start"))
    assert note.endswith("not followed.") if told is None else told in note


@pytest.mark.parametrize(
    "words",
    [
        {"programs": "prog.hex"}, {"programs": [7]}, {"programs": [None]}, {"start": -1}, {"start": 0x10000},
        {"start": 1.5}, {"start": True}, {"start": b"main"},
    ],
)  # fmt: skip
def test_arguments_that_are_no_programs_and_no_start_are_refused(words, folder):
    with pytest.raises(SimkitError) as told:
        Machine.load(folder(), **words)
    assert told.value.remedy.startswith("Write")


@pytest.mark.parametrize("form", ["$0200", "0x0200", "0X200", "200", "0200", " $200 "])
def test_addresses_are_hexadecimal_in_every_form(form):
    assert parse_load(f"prog.bin@{form}").at == 0x200
    assert parse_load("prog.bin@512").at == 0x512


def test_at_is_not_for_a_rom(folder):
    rom = '[[card]]\nslot = 2\nkind = "rom"\nselect = "1xxx xxxx xxxx xxxx"\nimage = "prog.bin"\nat = "$8000"\n'
    with pytest.raises(SimkitError, match="lies at the start of the part"):
        Machine.load(folder(rom))


@pytest.mark.parametrize("start", ["nowhere", "$10000", ""])
def test_a_start_that_is_nowhere_is_told(start, folder):
    with pytest.raises(SimkitError, match="neither an address nor a label"):
        Machine.load(folder(), start=start)


def test_the_last_at_sign_parts_file_and_address():
    program = parse_load("a@b.bin@0x0300")
    assert (str(program.path), program.at) == ("a@b.bin", 0x300)


def test_a_program_counter_set_before_reset_is_refused(folder):
    m = Machine.load(folder())
    m.cpu.pc = 0x200
    with pytest.raises(SimkitError, match=r"before the sequence of RESET") as told:
        m.run(cycles=10)
    assert "start=0x0200" in told.value.remedy
    m.step()
    m.cpu.pc = 0x200
    m.step()


@pytest.mark.parametrize(("size", "notes"), [(32768, 0), (8192, 1), (16384, 1)])
def test_a_memory_smaller_than_its_select_is_a_note(size, notes, folder):
    m = Machine.load(folder(f"settings = {{ size = {size} }}\n"))
    assert [f"{size} bytes of memory answer at 32768 addresses" in note for note in m.notes] == [True] * notes
    assert m.warnings == []
