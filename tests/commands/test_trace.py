"""`simkit trace` from outside: what it prints, from where to where, and what it says to wrong words."""

import json

import pytest

MARLPIT = "demo:marlpit"


def cycles_of(out):
    return [int("".join(line[:15].split())) for line in out.splitlines()[3:]]


def test_it_prints_the_last_lines_before_the_end(simkit):
    code, out, err = simkit("trace", MARLPIT, "--for", "0.01s")
    assert (code, err) == (0, "")
    assert out.startswith("Slots: 1 RAM, 2 ROM, 3 Keyboard controller, 4 Pad card, 5 Video card.\n")
    found = cycles_of(out)
    assert len(found) == 40
    assert found == list(range(found[0], found[0] + 40))
    assert found[-1] >= 19_999


def test_from_a_moment_it_prints_all_up_to_so_long_after_it(simkit):
    code, out, _ = simkit("trace", MARLPIT, "--from", "label:main_loop", "--for", "+100c")
    assert code == 0
    found = cycles_of(out)
    assert 100 <= len(found) <= 107
    first = out.splitlines()[3]
    assert "main_loop: JSR wait_until_drawn" in first
    assert "slug-watch.asm:54" in first


@pytest.mark.parametrize("more", [[], ["--vcd", "bus.vcd"]], ids=["text", "vcd"])
@pytest.mark.parametrize("end", ["2ms", "3ms"])
def test_a_beginning_at_or_behind_the_end_is_refused(simkit, tmp_path, monkeypatch, end, more):
    monkeypatch.chdir(tmp_path)
    code, out, err = simkit("trace", MARLPIT, "--from", "3ms", "--for", end, *more)
    assert (code, out) == (2, "")
    assert "--from '3ms' does not come before the end of the run." in err
    assert not list(tmp_path.iterdir())


def test_from_an_access_it_begins_with_the_instruction_that_makes_it(simkit):
    _, out, _ = simkit("trace", MARLPIT, "--from", "write:$0200", "--for", "+1c")
    lines = out.splitlines()[3:]
    assert "STZ SPRITES,X" in lines[0]
    assert "w . . . .  SPRITES               $0200 <- 00" in lines[4]


def test_without_an_end_it_goes_on_for_a_thousand_cycles(simkit):
    _, out, _ = simkit("trace", MARLPIT, "--from", "0.01s")
    assert 1000 <= len(cycles_of(out)) <= 1007


def test_json_is_one_document_with_a_row_a_cycle(simkit):
    code, out, _ = simkit("trace", MARLPIT, "--from", "0c", "--for", "30c", "--json")
    found = json.loads(out)
    assert (code, found["machine"], found["cycle"]) == (0, "Marlpit", 31)
    assert [row["cycle"] for row in found["cycles"]] == list(range(31))
    row = found["cycles"][20]
    assert (row["address"], row["data"], row["write"], row["kind"]) == (0x0000, 0x00, True, "data")
    assert row["slots"] == [{"slot": 1, "offset": 0, "drives": False, "takes": True, "register": ""}]
    empty = json.loads(simkit("trace", MARLPIT, "--for", "30c", "--slot", "5", "--json")[1])
    assert empty["cycles"] == []


def test_the_last_accesses_of_a_card_name_its_registers(simkit):
    code, out, _ = simkit("trace", MARLPIT, "--for", "0.5s", "--slot", "4", "--last", "3", "--only", "reads")
    lines = out.splitlines()[3:]
    assert (code, len(lines)) == (0, 3)
    assert all("4 port_" in line for line in lines)


def test_a_range_of_addresses_is_written_with_labels_or_numbers(simkit):
    _, out, _ = simkit("trace", MARLPIT, "--from", "0c", "--for", "300c", "--address", "SPRITES..$02FF")
    assert out.splitlines()[3:]
    assert all("$02" in line for line in out.splitlines()[3:])


def test_nothing_that_fits_is_said(simkit):
    code, out, _ = simkit("trace", MARLPIT, "--for", "30c", "--slot", "5")
    assert code == 0
    assert "No bus cycle of those is one that was asked for." in out


WRONG = {
    ("--kind", "fetched"): "--kind 'fetched' is no kind of bus cycle.\nWrite fetch, data,",
    ("--slot", "9"): "--slot 9: there is no card in it.\nSlots with cards: 1, 2, 3, 4, 5.",
    ("--label", "main_lop"): "--label: there is no label 'main_lop'.",
    ("--only", "read"): "--only 'read' is neither reads nor writes.",
    ("--address", "$80..$7F"): "--address '$80..$7F': $007F comes before $0080.",
    ("--address", "nowhere"): "--address: There is no label 'nowhere'.",
    ("--line", "INT"): "There is no line 'INT'.",
    ("--line", "4.INT"): "There is no pin '4.INT'.",
    ("--last", "0"): "--last 0: 1000000 lines are the most, 1 the fewest.",
    ("--before", "2s"): "--before says before when the last of something was.",
    ("--from", "lable:x"): "--from: 'lable:x' is not a moment: there is no kind 'lable'.",
    ("--for", "+1"): "--for: '+1' is not a moment",
}


@pytest.mark.parametrize("words", WRONG, ids=" ".join)
def test_wrong_words_get_one_message(simkit, words):
    code, out, err = simkit("trace", MARLPIT, *words)
    assert (code, out) == (2, "")
    assert err.startswith(WRONG[words])


def test_a_beginning_that_does_not_come_gives_exit_code_1(simkit):
    code, _, err = simkit("trace", MARLPIT, "--from", "write:$00FF#99", "--for", "0.01s")
    assert code == 1
    assert "A write of $00FF for the 99th time, with which the trace begins, did not come." in err


def test_a_recording_is_traced_as_it_happened(simkit, tmp_path):
    tape = tmp_path / "a.rec"
    simkit("run", MARLPIT, "--headless", "--for", "0.02s", "--pad", "1=left@5ms..6ms", "--record", tape)
    code, out, _ = simkit("trace", MARLPIT, "--replay", tape, "--from", "4ms", "--for", "7ms")
    assert code == 0
    given = [line for line in out.splitlines() if "from outside to slot 4" in line]
    assert ["press" in line for line in given] == [True, False]
    assert cycles_of("\n\n\n" + given[0]) == [10_000]


def test_a_question_is_answered_with_cycle_place_value_and_what_led_to_it(simkit):
    words = ("trace", MARLPIT, "--last", "write:DRAWING_READY", "--before", "label:main_loop#2")
    code, out, _ = simkit(*words)
    assert code == 0
    lines = out.splitlines()
    assert "$01 was written to DRAWING_READY ($0012)" in lines[0]
    assert "main_loop+21, " in lines[0]
    assert "STA DRAWING_READY" in out
    assert lines[-1].endswith(".")
    found = json.loads(simkit(*words, "--json")[1])
    assert found["found"]["access"]["data"] == 1
    assert found["cycle"] - found["found"]["cycle"] == 4


def test_a_question_without_an_answer_gives_exit_code_1(simkit):
    code, out, _ = simkit("trace", MARLPIT, "--last", "read:4.port_1", "--for", "0.01s")
    assert (code, out) == (1, "There was no read of 4.port_1 since power-on, before cycle 20 001.\n")
    code, _, err = simkit("trace", MARLPIT, "--last", "read:$12", "--before", "write:$0200#99", "--timeout", "5c")
    assert code == 1
    assert "for the 99th time did not come" in err


def test_of_a_run_that_ctrl_c_ended_no_answer_is_given(simkit, monkeypatch):
    monkeypatch.setattr("simkit.commands.headless._in_pieces", lambda *work: False)  # as if it came at once
    words = ("trace", MARLPIT, "--last", "write:$0010", "--before", "20s")
    code, out, _ = simkit(*words)
    assert (code, out) == (130, "Ended in cycle 0, before what was asked about: nothing is known of it.\n")
    assert json.loads(simkit(*words, "--json")[1])["interrupted"] is True


def test_a_picture_shows_few_cycles_and_says_how_to_choose_them(simkit, tmp_path):
    code, _, err = simkit("trace", MARLPIT, "--for", "0.01s", "--svg", tmp_path / "a.svg")
    assert code == 2
    assert "A picture shows 1 to 256 bus cycles; these are 20 001." in err
    assert not (tmp_path / "a.svg").exists()
    code, _, _ = simkit("trace", MARLPIT, "--from", "label:reset", "--for", "+20c", "--svg", tmp_path / "a.svg")
    text = (tmp_path / "a.svg").read_text()
    assert code == 0
    assert ">reset: SEI<" in text
    assert ">8001<" in text


@pytest.mark.parametrize("cycles", [1, 2, 8])
def test_a_picture_shows_cycles_in_which_no_instruction_begins(simkit, tmp_path, cycles):
    """As the first seven, those of the reset."""
    code, _, _ = simkit("trace", MARLPIT, "--for", f"{cycles}c", "--svg", tmp_path / "a.svg")
    assert code == 0
    assert (">reset: SEI<" in (tmp_path / "a.svg").read_text()) is (cycles > 7)


def test_a_dump_of_nothing_is_no_file(simkit, tmp_path):
    code, _, err = simkit("trace", MARLPIT, "--from", "write:$0200#999", "--for", "0.001s", "--vcd", tmp_path / "a.vcd")
    assert code == 1
    assert "with which the trace begins, did not come" in err
    assert not (tmp_path / "a.vcd").exists()
