"""Decoders as they are wired, in machine files: read, compared with what else is said, run, refused."""

import re

import pytest

from simkit import Machine
from simkit.contract.errors import SimkitError
from simkit.kit.taken import files_of
from simkit.kit.whole_paths import refuse_whole_paths
from simkit.machinefile.named import named_files
from simkit.machinefile.read import read_description
from simkit.machinefile.shipped import demo_folder
from tests.logic.fuses.test_worked_designs import BANK
from tests.logic.fuses.written import design, jedec

DECODERS = demo_folder() / "decoders"
SHED = """\
name = "Potting shed"
clock = "1 MHz"
[[card]]
slot = 1
kind = "sram"
select = "0xxx xxxx xxxx xxxx"
not_select = ["0111 1111 xxxx xxxx"]
[[card]]
slot = 2
kind = "rom"
select = "1xxx xxxx xxxx xxxx"
[[card]]
slot = 3
kind = "keyboard"
"""
PAGE = """\
[card.decode.U1]
part = "74HC688"
pins = { P = "A15..A8", Q = "0111 1111", G = "low" }
"""
KEYBOARD = f"""\
[card.decode]
select = "U2.Y1"
{PAGE}[card.decode.U2]
part = "74HC138"
pins = {{ C = "A6", B = "A5", A = "A4", G1 = "high", G2A = "U1.P=Q", G2B = "A7" }}
"""


def written(tmp_path, text, *, base=SHED):
    path = tmp_path / "machine.toml"
    path.write_text(base + text)
    return path


def described(tmp_path, text, **more):
    return read_description(written(tmp_path, text, **more))


def refusal(tmp_path, text, **more):
    with pytest.raises(SimkitError) as caught:
        described(tmp_path, text, **more)
    return caught.value


def card(description, slot=3):
    return next(card for card in description.cards if card.slot == slot)


def tables(machine):
    return [rest for _, *rest in machine.bus.reach.table.selects]


# what it comes to -----------------------------------------------------------------------------------------------------


def test_the_select_follows_from_the_parts(tmp_path):
    found = card(described(tmp_path, KEYBOARD))
    assert (found.select, found.not_select) == (("0111 1111 0001 xxxx",), ())
    assert found.place("select").line == 16
    same = described(tmp_path, 'select = "0111 1111 0001 xxxx"\n')
    assert card(same).identity() == found.identity()


def test_decoders_of_a_whole_machine_are_those_of_its_selects():
    """The clubhouse machine by its parts: same identity, same decoding with any wiring, same run on both engines."""
    wired, plain = (read_description(f"demo:{name}") for name in ("decoders", "marlpit"))
    assert [one.identity() for one in wired.cards] == [one.identity() for one in plain.cards]
    assert {part.part for one in wired.cards for part in one.decode.parts} > {
        "GAL16V8",
        "74HC688",
        "74HC138",
        "74HC154",
    }
    for sentences in (
        [],
        ["A5 shorted to A6"],
        ["slot 3: A4 low"],
        ["RW exchanged with PHI2"],
        ["slot 2: select inverted"],
    ):
        assert tables(Machine.load("demo:decoders", wiring=sentences)) == tables(
            Machine.load("demo:marlpit", wiring=sentences)
        )
    runs = []
    for name, engine in (("decoders", "exact"), ("decoders", "core"), ("marlpit", "core")):
        machine = Machine.load(f"demo:{name}", engine=engine)
        machine.run(seconds=0.1)
        runs.append((machine.cycle, machine.screen.text(), list(machine.findings)))
    assert runs[0] == runs[1] == runs[2]


def test_a_variant_changes_one_switch(tmp_path):
    base = written(tmp_path, KEYBOARD)
    variant = tmp_path / "variant.toml"

    def selects(text):
        variant.write_text(f'base = "{base.as_posix()}"\n[[card]]\nslot = 3\n{text}')
        return card(read_description(variant)).select

    assert selects('[card.decode.U1.pins]\nQ7 = "high"\n') == ("1111 1111 0001 xxxx",)
    assert selects('[card.decode.U1]\npins = { Q = "0110 0000" }\n') == ("0110 0000 0001 xxxx",)
    assert selects('[card.decode]\nselect = "U2.Y5"\n') == ("0111 1111 0101 xxxx",)
    gate = 'part = "74LS11"\npins = { 1A = "A15", 1B = "A14", 1C = "A13" }\n[card.decode]\nselect = "U2.1Y high"\n'
    assert selects(f"[card.decode.U2]\n{gate}") == ("111x xxxx xxxx xxxx",)
    assert selects('decode = {}\nselect = "0111 1111 0000 xxxx"\n') == ("0111 1111 0000 xxxx",)


def test_a_group_in_a_variant_says_all_of_its_pins_anew(tmp_path):
    base = written(tmp_path, KEYBOARD.replace("G = ", 'Q7 = "high", G = '))
    assert card(read_description(base)).select == ("1111 1111 0001 xxxx",)
    variant = tmp_path / "variant.toml"
    variant.write_text(
        f'base = "{base.as_posix()}"\n[[card]]\nslot = 3\n[card.decode.U1]\npins = {{ Q = "0100 0000" }}\n'
    )
    assert card(read_description(variant)).select == ("0100 0000 0001 xxxx",)


def test_lines_of_cards_and_strobes_may_come_from_parts(tmp_path):
    """A bank line, R/W and PHI2 in gates: the expressions are those that a builder would write."""
    text = """\
[card.decode]
select = "U1.1Y"
output_enable = "U1.2Y low"
write_enable = "U2.1Y low"
[card.decode.U1]
part = "74HC00"
pins = { 1A = "A15", 1B = "BANK0", 2A = "RW", 2B = "PHI2", 3A = "RW", 3B = "RW", 4A = "RW", 4B = "RW" }
[card.decode.U2]
part = "74HC10"
pins = { 1A = "U1.3Y", 1B = "PHI2", 1C = "high" }
""".replace('"U1.1Y"', '"U1.1Y low"')
    found = card(described(tmp_path, text))
    assert found.select == ("1xxx xxxx xxxx xxxx and BANK0",)
    assert (found.output_enable, found.write_enable) == ("RW and PHI2", "not RW and PHI2")
    assert "output_enable" not in found.identity()


def test_a_strobe_that_forgets_phi2_is_a_finding(tmp_path):
    text = KEYBOARD.replace("[card.decode]\n", '[card.decode]\nwrite_enable = "U3.1Y high"\n')
    text += '[card.decode.U3]\npart = "74HC04"\npins = { 1A = "RW" }\n'
    path = written(tmp_path, text, base=SHED.replace('"keyboard"', '"sram"'))
    machine = Machine.load(path, images={2: bytes(32768)})
    assert [(finding.rule, finding.slot) for finding in machine.findings] == [("strobe-without-phi2", 3)]


def test_outputs_that_only_pull_low_need_a_resistor(tmp_path):
    text = """\
[card.decode]
select = "U1.1Y high"
pulls = { "U1.1Y" = "up" }
[card.decode.U1]
part = "74HC05"
pins = { 1A = "A15", 2A = "A14", 2Y = "U1.1Y" }
"""
    assert card(described(tmp_path, text)).select == ("00xx xxxx xxxx xxxx",)
    error = refusal(tmp_path, text.replace('pulls = { "U1.1Y" = "up" }\n', ""))
    assert "is driven by nobody at $0000-$3FFF" in error.message
    assert 'pulls = { "U1.2" = "up" }' in error.remedy


# beside a select ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (
            ('Q = "0111 1111"', 'Q = "0111 1110"'),
            "select is true at $7F10-$7F1F and U2.Y1 is not; U2.Y1 is true at $7E10",
        ),
        (('C = "A6", B = "A5"', 'C = "A5", B = "A6"'), None),
        (('C = "A6", B = "A5", A = "A4"', 'C = "A4", B = "A5", A = "A6"'), "U2.Y1 is true at $7F40-$7F4F"),
        (('G1 = "high"', 'G1 = "RW"'), "(with PHI2 high, RW low)"),
        (('G1 = "high"', 'G1 = "PHI2"'), "(with PHI2 low, RW high)"),
        (('G1 = "high"', 'G1 = "BANK0"'), "(with BANK0 low, PHI2 high, RW high)"),
    ],
)
def test_what_is_said_twice_must_be_the_same(tmp_path, change, says):
    said = 'select = "0111 1111 0001 xxxx"\n'
    assert KEYBOARD.count(change[0]) == 1
    changed = said + KEYBOARD.replace(*change)
    if says is None:
        described(tmp_path, changed)
        return
    error = refusal(tmp_path, changed)
    assert says in error.message
    assert (error.slot, error.field, error.line) == (3, "decode.select", 17)
    assert error.remedy.endswith("machine.toml:15.")


def test_strobes_that_are_said_twice_must_be_the_same(tmp_path):
    text = 'write_enable = "not RW"\n' + KEYBOARD.replace(
        "[card.decode]\n", '[card.decode]\nwrite_enable = "U3.1Y low"\n'
    )
    text += '[card.decode.U3]\npart = "74HC10"\npins = { 1A = "U4.1Y", 1B = "PHI2", 1C = "high" }\n'
    text += '[card.decode.U4]\npart = "74HC04"\npins = { 1A = "RW" }\n'
    error = refusal(tmp_path, text)
    assert "write_enable is true at $0000-$FFFF and U3.1Y low is not (with PHI2 low, RW low)" in error.message
    described(tmp_path, text.replace('"not RW"', '"not RW and PHI2"', 1))


def test_chip_selects_that_are_said_one_by_one_are_compared_too(tmp_path):
    ports = SHED.replace('"keyboard"', '"ports-6522"')
    text = 'select = { CS1 = "A14", CS2B = "A15 or not A13 or A12" }\n'
    text += '[card.decode]\nselect = "U1.Y3"\n[card.decode.U1]\npart = "74138"\n'
    good = 'pins = { C = "A15", B = "A14", A = "A13", G1 = "high", G2A = "A12", G2B = "low" }\n'
    described(tmp_path, text + good, base=ports)
    error = refusal(tmp_path, text.replace("Y3", "Y2") + good, base=ports)
    assert "select is true at $6000-$6FFF" in error.message


# programmed parts -----------------------------------------------------------------------------------------------------


def programmed_card(tmp_path, pins, select):
    (tmp_path / "decoder.jed").write_bytes(jedec(design(*BANK), pins=24))
    part = f'[card.decode.U1]\npart = "GAL22V10"\nfuses = "decoder.jed"\npins = {pins}\n'
    return f'[card.decode]\nselect = "{select}"\n{part}'


def test_a_flip_flop_of_a_programmed_part_is_the_line_that_has_its_level(tmp_path):
    """Pin 14 of the worked design is high with the bank; pin 16 is low for ROM: A15 and (A14 or A13 and the bank)."""
    pins = '{ 4 = "A15", 5 = "A14", 6 = "A13", 14 = "BANK0" }'
    found = card(described(tmp_path, programmed_card(tmp_path, pins, "U1.16 low")))
    assert found.select == ("11xx xxxx xxxx xxxx", "1x1x xxxx xxxx xxxx and BANK0")
    error = refusal(tmp_path, programmed_card(tmp_path, pins.replace(', 14 = "BANK0"', ""), "U1.16 low"))
    assert "The flip-flop or latch at U1.14 is heard, and its level is not said" in error.message
    low = card(described(tmp_path, programmed_card(tmp_path, '{ 15 = "BANK0", 1 = "PHI2", 2 = "D0" }', "U1.15 low")))
    assert low.select == ("not BANK0",)


def test_a_latch_of_the_74_series_is_the_line_that_has_its_level(tmp_path):
    """Data and clock of the latch are not heard then; without the line nobody knows its level, nor that of /Q."""
    text = """\
[card.decode]
select = "U2.3Y low"
[card.decode.U1]
part = "74HC574"
pins = { 1D = "D0", CLK = "PHI2", OC = "low", 1Q = "BANK0" }
[card.decode.U2]
part = "74HC10"
pins = { 3A = "A15", 3B = "U1.1Q", 3C = "high" }
"""
    assert card(described(tmp_path, text)).select == ("1xxx xxxx xxxx xxxx and BANK0",)
    error = refusal(tmp_path, text.replace(', 1Q = "BANK0"', ""))
    assert "The flip-flop or latch at U1.19 is heard" in error.message
    text = (
        text.replace("74HC574", "74HC74")
        .replace("OC = ", '1CLR = "high", 1PRE = ')
        .replace('1PRE = "low"', '1PRE = "high"')
    )
    text = text.replace("CLK = ", "1CLK = ").replace('"U1.1Q"', '"U1.1QN"')
    assert card(described(tmp_path, text)).select == ("1xxx xxxx xxxx xxxx and not BANK0",)
    assert "at U1.5 is heard" in refusal(tmp_path, text.replace(', 1Q = "BANK0"', "")).message


def test_what_is_wrong_with_a_fuse_map_is_told_with_its_line(tmp_path):
    pins = '{ 4 = "A15", 5 = "A14", 6 = "A13", 14 = "BANK0" }'
    text = programmed_card(tmp_path, pins, "U1.17 low")
    file = tmp_path / "decoder.jed"
    whole = file.read_text()
    file.write_text(re.sub(r"C[0-9A-F]{4}\*", "C0000*", whole))
    error = refusal(tmp_path, text)
    line = whole[: whole.index("\nC") + 2].count("\n")
    assert f"decoder.jed:{line + 1}: The fuses have the checksum 3FAB, the file says 0000." in error.message
    assert (error.line, error.field) == (19, "decode.U1.fuses")
    assert 'fuse_checksum = "ignored"' in error.remedy
    odd = text.replace('fuses = "decoder.jed"', 'fuses = "decoder.jed"\nfuse_checksum = "no"')
    assert "'no' is neither 'checked' nor 'ignored'" in refusal(tmp_path, odd).message
    ignored = text.replace('fuses = "decoder.jed"', 'fuses = "decoder.jed"\nfuse_checksum = "ignored"')
    (part,) = card(described(tmp_path, ignored)).decode.parts
    assert any("The fuses have the checksum" in note for note in part.notes)
    file.write_text(whole)
    error = refusal(tmp_path, text.replace("GAL22V10", "GAL16V8"))
    assert "decoder.jed:4: The file has 5892 fuses; a 16V8 has 2194." in error.message
    file.unlink()
    assert "There is no file" in refusal(tmp_path, text).message


def test_a_fuse_map_that_was_written_anew_is_read_anew(tmp_path):
    text = programmed_card(tmp_path, '{ 4 = "A15", 5 = "A14", 6 = "A13", 14 = "BANK0" }', "U1.17 low")
    path = written(tmp_path, text)
    assert card(read_description(path)).select == ("0xxx xxxx xxxx xxxx",)
    fuses = bytearray(design(*BANK))
    fuses[5820] = 1  # S0 of pin 17: active high
    (tmp_path / "decoder.jed").write_bytes(jedec(bytes(fuses), pins=24))
    assert card(read_description(path)).select == ("1xxx xxxx xxxx xxxx",)


def test_faults_read_no_fuse_map_again(tmp_path):
    text = programmed_card(tmp_path, '{ 4 = "A15" }', "U1.17 low")
    found = described(tmp_path, text)
    (tmp_path / "decoder.jed").unlink()
    faulty = found.with_faults(["slot 3: pin D3 low", "slot 1: pin D3 low"])
    assert card(faulty).select == card(found).select
    assert card(faulty).decode is card(found).decode


def test_fuse_maps_are_files_of_the_machine(tmp_path):
    path = written(tmp_path, programmed_card(tmp_path, '{ 4 = "A15" }', "U1.17 low"))
    assert tmp_path / "decoder.jed" in named_files(path)
    assert DECODERS / "decoder.jed" in named_files(DECODERS / "machine.toml")


# what is wrong --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("change", "says", "line"),
    [
        (("74HC688", "74HC999"), "'74HC999' is no part known here", 18),
        (('part = "74HC688"\n', ""), "U1 is no part: its name is missing", 17),
        (('part = "74HC688"', "part = 688"), "its name is missing", 17),
        (('part = "74HC688"', 'part = "GAL16V8"'), "U1 (GAL16V8) has no fuse map", 17),
        (('part = "74HC688"', 'part = "74HC688"\nfuses = "x.jed"'), "a 74HC688 has no fuses", 19),
        (('part = "74HC688"', 'part = "74HC688"\nfuse_checksum = "ignored"'), "a 74HC688 has no fuses", 19),
        (('part = "74HC688"', 'part = "74HC688"\nspeed = 3'), "unknown key 'speed'", 19),
        (('select = "U2.Y1"', 'select = "U2.Y8"'), "U2 has no output 'Y8'", 16),
        (('select = "U2.Y1"', 'select = "U3.Y1"'), "there is no part 'U3'", 16),
        (('select = "U2.Y1"', 'select = "U2.A"'), "U2 has no output 'A'", 16),
        (('select = "U2.Y1"', 'select = "Y1"'), "'Y1' is no pin of a part", 16),
        (('select = "U2.Y1"', "select = 5"), "5 is no pin of a part", 16),
        (('select = "U2.Y1"', 'sellect = "U2.Y1"'), "'sellect' is neither a key nor a part", 16),
        (('select = "U2.Y1"\n', ""), "no pin is named that selects the card", 15),
        (('P = "A15..A8"', 'P = "A15..A9"'), "says 7 levels of 8 pins", 19),
        (('P = "A15..A8"', "P = 8"), "8 is no level", 19),
        (('P = "A15..A8"', 'P = "A16..A9"'), "'A16' is no line", 19),
        (('P = "A15..A8"', 'P = "A15-A8"'), "says 1 level of 8 pins", 19),
        (('G = "low"', 'H = "low"'), "a 74688 has no pin 'H'", 19),
        (('G = "low"', '20 = "high", G = "low"'), "pin 20 is its supply", 19),
        (('G = "low"', '1 = "low", G = "low"'), "pin 1 is said to be at something twice", 19),
        ((', G = "low"', ""), "select hears pin G (1) of U1 (74HC688), and nothing is said of it", 19),
        (('G = "low"', 'G = "U2.Q9"'), "U2 has no output 'Q9'", 19),
        (('G = "low"', 'G = "D3"'), "it hangs on D3", 16),
        (('G = "low"', 'G = "some where"'), "says 2 levels", 19),
        (('G = "low"', 'G = "low", 19 = "IRQ"'), "pin P=Q is an output, and IRQ a line of the backplane", 19),
        (('G = "low"', 'G = "low", 19 = "high"'), "pin P=Q is an output, and is tied high", 19),
        (('G = "low"', 'G = "U2.Y1"'), "never comes to rest", 16),
        (('G1 = "high"', 'G1 = "high", 15 = "U2.Y1"'), "is driven high and low at once", 16),
        (("pins = { P", "pins = 3 # { P"), "pins is a table", 19),
        (('select = "U2.Y1"', 'select = "U2.Y1"\npulls = 3'), "pulls is a table", 17),
        (('select = "U2.Y1"', 'select = "U2.Y1"\npulls = { "U1.19" = "on" }'), "'on' is neither 'up' nor 'down'", 17),
        (('select = "U2.Y1"', 'not_select = ["0111 1111 xxxx xxxx"]'), "'not_select' is neither a key nor a part", 16),
    ],
)
def test_what_is_wrong_is_told_with_its_line(tmp_path, change, says, line):
    assert KEYBOARD.count(change[0]) >= 1
    error = refusal(tmp_path, KEYBOARD.replace(change[0], change[1], 1))
    error = next(one for one in getattr(error, "errors", [error]) if says in one.message)
    assert (error.slot, error.line) == (3, line)
    assert error.remedy


def test_a_pin_without_a_level_says_which(tmp_path):
    text = '[card.decode]\nselect = "U1.8"\n[card.decode.U1]\npart = "7430"\n'
    text += 'pins = { A = "A15", B = "A14", C = "A13", D = "A12", E = "A11", F = "A10", G = "A9", H = "A8" }\n'
    error = refusal(tmp_path, text)
    assert "does not say at which level it is true" in error.message
    assert 'Write "U1.8 low"' in error.remedy
    assert card(described(tmp_path, text.replace("U1.8", "U1.8 low"))).select == ("1111 1111 xxxx xxxx",)


def test_decode_needs_no_select_beside_it_and_refuses_half_of_one(tmp_path):
    error = refusal(tmp_path, 'not_select = ["0111 1111 0001 0000"]\n' + KEYBOARD)
    assert "the parts of decode say all of the select" in error.message


# on the backplane -----------------------------------------------------------------------------------------------------

ON_THE_BACKPLANE = """\
select = "not IOSEL and not A7 and not A6 and not A5 and A4"
[backplane.decode]
signals = { IOSEL = "U1.P=Q", ROMSEL = "U2.1Y" }
[backplane.decode.U1]
part = "74HC688"
pins = { P = "A15..A8", Q = "0111 1111", G = "low" }
[backplane.decode.U2]
part = "74HC04"
pins = { 1A = "A15" }
"""


def test_a_decoder_on_the_backplane_drives_lines_at_the_level_of_its_pins(tmp_path):
    found = described(tmp_path, ON_THE_BACKPLANE)
    said = '[backplane.signals]\nIOSEL = "not 0111 1111 xxxx xxxx"\nROMSEL = "0xxx xxxx xxxx xxxx"\n'
    same = described(tmp_path, ON_THE_BACKPLANE[: ON_THE_BACKPLANE.index("[backplane")] + said)
    images = {2: bytes(32768)}
    assert [sentence.partition(" driven")[0] for sentence in found.wiring.sentences()] == ["IOSEL", "ROMSEL"]
    text = written(tmp_path, ON_THE_BACKPLANE)
    for wiring in ([], ["A9 low"], ["slot 3: IOSEL inverted"], ["IOSEL open"], ["A15 inverted"]):
        one = tables(Machine.load(text, images=images, wiring=wiring))
        (tmp_path / "same").mkdir(exist_ok=True)
        other = written(tmp_path / "same", ON_THE_BACKPLANE[: ON_THE_BACKPLANE.index("[backplane")] + said)
        assert one == tables(Machine.load(other, images=images, wiring=wiring))
    assert [card.identity() for card in same.cards] == [card.identity() for card in found.cards]
    assert [decode.wanted.keys() for decode in found.decoders()] == [{"IOSEL", "ROMSEL"}]


def test_lines_that_are_said_twice_must_be_the_same(tmp_path):
    described(tmp_path, ON_THE_BACKPLANE + '[backplane.signals]\nROMSEL = "not A15"\n')
    error = refusal(tmp_path, ON_THE_BACKPLANE + '[backplane.signals]\nROMSEL = "A15"\n')
    assert "ROMSEL is true at $8000-$FFFF and U2.1Y is not; U2.1Y is true at $0000-$7FFF" in error.message
    assert (error.line, error.field) == (17, "backplane.decode.signals.ROMSEL")
    assert error.remedy.endswith("machine.toml:25.")


def test_a_variant_changes_a_switch_of_the_backplane(tmp_path):
    base = written(tmp_path, ON_THE_BACKPLANE)
    variant = tmp_path / "variant.toml"
    for text in ('[backplane.decode.U1.pins]\nQ7 = "high"\n', '[backplane.decode.U1]\npins = { Q = "1111 1111" }\n'):
        variant.write_text(f'base = "{base.as_posix()}"\n{text}')
        sentences = read_description(variant).wiring.sentences()
        assert sentences[0] == "IOSEL driven by always and not (1111 1111 xxxx xxxx)"


def test_fuse_maps_on_the_backplane_are_files_of_the_machine(tmp_path):
    (tmp_path / "decoder.jed").write_bytes(jedec(design(*BANK), pins=24))
    text = ON_THE_BACKPLANE.replace(
        '"74HC04"\npins = { 1A = "A15" }', '"22V10"\nfuses = "decoder.jed"\npins = { 4 = "A15" }'
    )
    path = written(tmp_path, text.replace("U2.1Y", "U2.17"))
    assert read_description(path).wiring.sentences()[1] == "ROMSEL driven by 1xxx xxxx xxxx xxxx"
    assert tmp_path / "decoder.jed" in named_files(path)
    assert [taken.path for taken in files_of(read_description(path)) if taken.role == "fuses"] == [
        tmp_path / "decoder.jed"
    ]
    path.write_text(path.read_text().replace('"decoder.jed"', f'"{tmp_path.as_posix()}/decoder.jed"'))
    with pytest.raises(SimkitError, match="is a whole path") as caught:
        refuse_whole_paths(path)
    assert caught.value.line == 23


@pytest.mark.parametrize(
    ("change", "says", "line"),
    [
        (('ROMSEL = "U2.1Y"', 'ROMSEL = "U2.1Y low"'), "a line has the level of its pin", 17),
        (('ROMSEL = "U2.1Y"', 'ROMSEL = "U2.7Y"'), "U2 has no output '7Y'", 17),
        (('ROMSEL = "U2.1Y"', 'A15 = "U2.1Y"'), "A15 is not a decoder's to drive", 17),
        (('ROMSEL = "U2.1Y"', "ROMSEL = 3"), "3 is no pin of a part", 17),
        (('"U2.1Y" }', '"U2.1Y" }\nselect = "U2.1Y"'), "'select' is neither a key nor a part", 18),
        (('1A = "A15"', '1A = "ROMSEL"'), "ROMSEL feeds itself", 17),
        (("signals = {", "signal = {"), "no line is named that it drives", 16),
        (("[backplane.decode]\nsignals", "[backplane]\ndecode = 3\nx"), "3 is no table", 17),
    ],
)
def test_what_is_wrong_on_the_backplane_is_told_with_its_line(tmp_path, change, says, line):
    text = ON_THE_BACKPLANE.replace(*change)
    if "decode = 3" in change[1]:
        text = text[: text.index("x = ")]
    error = refusal(tmp_path, text)
    error = next(one for one in getattr(error, "errors", [error]) if says in one.message)
    assert (error.slot, error.line) == (None, line)
    assert error.remedy
