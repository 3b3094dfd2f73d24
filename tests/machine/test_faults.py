"""Faults put into machines: what the program sees is what the hardware does, on both engines."""

import pytest

from simkit import Machine
from simkit.backplane.fault_kinds import KINDS, TIMES
from simkit.backplane.fault_sentences import read_fault
from simkit.backplane.faults import Fault, told
from simkit.contract.errors import SimkitError
from simkit.machinefile.read import read_description
from tests.backplane.wired import ROM, STORE, image, variant


def both(code, *faults, cycles=400, machine="demo:bench", **more):
    """A machine with faults, run on both engines, which agree."""
    made = []
    for engine in ("exact", "core"):
        m = Machine.load(machine, images={ROM: image(code, **more)}, faults=faults, engine=engine)
        m.run(cycles=cycles)
        made.append(m)
    exact, core = made
    assert (exact.cycle, exact.save_state()) == (core.cycle, core.save_state())
    assert list(exact.findings) == list(core.findings)
    return core


def test_a_fault_that_is_wiring_is_the_same_machine_as_with_that_wiring():
    m = Machine.load("demo:marlpit", faults=["slot 4: D3 open"])
    n = Machine.load("demo:marlpit", wiring=["slot 4: D3 open"])
    assert m.identity == n.identity != Machine.load("demo:marlpit").identity


def test_a_rom_cell_reads_otherwise_and_the_image_in_the_socket_is_the_one_that_was_meant():
    """A byte that was not programmed: an erased cell is 1 (AT28C256 and 39SF010A data sheets)."""
    sound = image(STORE.format(0xA5))
    for fault, byte in (
        ("slot 2: bit 3 of $8001 high", 0xAD),
        ("slot 2: bit 0 of offset $0001 low", 0xA4),
        ("slot 2: bit 7 of $8001 inverted", 0x25),
        ("slot 2: byte at $8001 = $3C", 0x3C),
    ):
        m = both(STORE.format(0xA5), fault)
        assert (m.cpu.a, m.peek(0x10), m.images()[ROM]) == (byte, byte, sound)
        m.power_cycle()
        m.run(cycles=400)
        assert m.cpu.a == byte


def test_a_setting_is_that_of_the_fault():
    m = Machine.load("demo:marlpit", faults=["slot 4: setting port_1 = 4"])
    n = Machine.load("demo:marlpit", settings={4: {"port_1": 4}})
    assert m.identity == n.identity
    assert m.description.cards[3].settings.port_1 == 4


def test_a_card_without_supply_answers_nothing_and_lets_go_of_its_outputs():
    """From memory: a part without supply drives nothing."""
    m = both(STORE.format(0xA5), "slot 1: without supply")
    assert m.bus.where(0x10) == []
    assert m.cpu.a == 0x10  # the byte that the bus still holds: the operand of LDA $10
    assert "supply-not-joined" in {one.rule for one in m.warnings}


def test_a_card_that_answers_late_gives_what_was_on_the_lines_before():
    m = both("A9 5A 85 10 A5 10 85 11 4C 08 80", "slot 1: answers late")
    assert m.cpu.a == 0x10


def test_a_card_that_is_removed_is_not_there():
    m = Machine.load("demo:marlpit", faults=["slot 4: card removed"])
    assert 4 not in m.cards


def test_more_faults_are_put_into_a_description_and_no_file_is_read_again(monkeypatch):
    description = read_description("demo:marlpit")
    wired = read_description("demo:marlpit", wiring=["slot 4: D3 open", "A5 low"])
    monkeypatch.setattr("simkit.machinefile.merge.read_toml", None)
    found = description.with_faults(["slot 4: D3 open"]).with_faults(["A5 low"])
    assert [str(fault) for fault in found.faults] == ["slot 4: pin D3 open", "A5 low"]
    assert all(isinstance(fault, Fault) for fault in found.faults)
    assert description.with_faults([]) == description
    assert found.parts() == wired.parts()
    assert told(found.faults) == "2 faults: slot 4: pin D3 open; A5 low"


def test_a_machine_file_says_faults_and_a_variant_adds_to_them_or_takes_them_away(tmp_path):
    path = variant(tmp_path, 'faults = ["slot 1: D3 open", "slot 2: bit 3 of $8123 low"]\n')
    (tmp_path / "more").mkdir()
    second = tmp_path / "more" / "machine.toml"
    for text, count in (("", 2), ('faults = ["A5 low"]', 3), ("faults = []", 0)):
        second.write_text(f'base = "{path.as_posix()}"\n{text}\n')
        assert len(read_description(second).faults) == count


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("slot 9: D3 open", "there is no card in slot 9"),
        ("slot 9: setting port_1 = 3", "there is no card in slot 9"),
        ("slot 9: bit 3 of $8123 low", "there is no card in slot 9"),
        ("slot 4: setting port_9 = 3", "Did you mean 'port_2' or 'port_1'"),
        ("slot 4: setting port_1 = 77", "The highest value that works is 15"),
        ("slot 1: bit 3 of $0123 low", "the card has no ROM"),
        ("slot 2: bit 3 of $0123 low", "not selected at $0123"),
        ("slot 2: bit 3 of offset $9999 low", "Offsets go from $0000 to $7FFF"),
        ("slot 4: Q9 sometimes open", "the card has no pin 'Q9'"),
        ("slot 4: setting port_1 = 3, 1 in 5", "a setting is what it is when the power comes on"),
        ("slot 2: bit 3 of $8123 low, 1 in 5", "so for good"),
        ("slot 2: PHI2 doubled", "a ROM has no clock"),
    ],
)
def test_a_fault_that_the_machine_cannot_have_is_told(tmp_path, text, words):
    with pytest.raises(SimkitError) as told_first:
        read_description("demo:marlpit", faults=[text])
    assert words in str(told_first.value)
    path = tmp_path / "machine.toml"
    base = Machine.load("demo:marlpit").description.path.as_posix()
    path.write_text(f'base = "{base}"\nfaults = ["A5 low", "{text}"]\n')
    with pytest.raises(SimkitError) as told_again:
        read_description(path)
    assert f"{path.name}:2" in str(told_again.value)
    assert words in str(told_again.value)


@pytest.mark.parametrize("kind", KINDS, ids=[kind.title for kind in KINDS])
def test_every_sentence_of_the_page_is_a_fault_of_the_demo_machine_and_has_a_source(kind):
    description = read_description("demo:marlpit")
    for text in (kind.sentence, *kind.also):
        assert description.with_faults([text]).faults, text
    assert kind.source


@pytest.mark.parametrize("text", [text for text, _ in TIMES])
def test_every_time_of_the_page_is_read(text):
    assert not read_fault(f"slot 4: D3 open, {text}").is_static


def test_one_sentence_in_the_place_of_a_list_is_told():
    for make in (
        lambda: Machine.load("demo:bench", faults="A5 low"),
        lambda: read_description("demo:bench").with_faults("A5 low"),
    ):
        with pytest.raises(SimkitError, match="is no list of faults"):
            make()


def test_too_many_faults_by_chance_are_told():
    faults = [f"A{n} low, 1 in 10" for n in range(7)]
    with pytest.raises(SimkitError, match="7 faults of wiring come by chance; 6 are allowed"):
        read_description("demo:bench", faults=faults)
    assert len(read_description("demo:bench", faults=faults[:6]).faults) == 6
