"""Code in banks in last instructions, disassembly and moments: what is told is sure, or all that it may have been."""

import pytest

from tests.check.test_banks import LD65, load  # noqa: F401 - a fixture


@pytest.fixture
def banked(load, tmp_path):  # noqa: F811
    (tmp_path / "x.dbg").write_text(LD65)
    return load('labels = "x.dbg"')


@pytest.mark.parametrize(("label", "bank"), [("zero", 0), ("one", 1), ("fault", 0), ("bad", 1)])
def test_a_label_of_one_bank_is_not_reached_in_another(banked, label, bank):
    banked.run(f"label:{label}", timeout=0.001)
    assert banked.bus.seen_at(banked.cpu.pc)[1] >> 13 == bank
    assert banked.place(banked.cpu.pc).name == label


def test_a_label_that_no_other_bank_has_is_reached_as_ever(banked):
    banked.run("label:away", timeout=0.001)
    assert banked.cpu.pc == 0x8004


def test_what_ran_in_a_bank_that_is_seen_no_more_is_told_with_all_it_may_have_been(banked):
    banked.run("label:one", timeout=0.001)
    told = {one.address: (one.text, one.label, one.place.file) for one in banked.last(20)}
    assert told[0x8001] == ("STA $8000", "fault or bad", None)
    assert told[0x8004][1] == "fault+3 or away"
    assert told[0xE005][0] == "STA $7F70"


def test_what_ran_in_the_bank_that_is_still_seen_is_told_with_its_names(banked):
    banked.run("label:one", timeout=0.001)
    banked.run(cycles=2)
    one = banked.last(1)[-1]
    assert (one.address, one.label, one.place.line) == (0x8000, "one", 1)


def test_an_operand_that_several_banks_name_is_told_as_an_address_but_within_the_bank(banked):
    (call,) = banked.disassemble(0xE008, 1)
    assert call.text == "JSR $8000"
    banked.run("label:one", timeout=0.001)
    assert [found.text for found in banked.disassemble(0x8000, 2)] == ["NOP", "STA one"]
