"""`simkit show`: the inside of a machine in words and JSON."""

import json

import pytest


def test_the_inside_is_told_in_words(simkit):
    code, out, err = simkit("show", "demo:traps", "--at", "300c", "--memory", "LATCH_LEFT")
    assert (code, err) == (0, "")
    assert "Traps at 0.000" in out
    assert "CPU (65C02): next instruction at" in out
    assert "RAM (slot 1)" in out
    assert "Last instructions:" in out
    assert "  $0010  01 02 01" in out


def test_programs_get_the_same_as_json(simkit):
    code, out, _ = simkit("show", "demo:traps", "--at", "300c", "--memory", "$0010", "--json")
    found = json.loads(out)
    assert code == 0
    assert found["memory"][0]["bytes"][:3] == [1, 2, 1]
    assert [card["slot"] for card in found["cards"]] == [1, 2, 3]


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (("--memory", "$12345"), "'$12345' is not an address"),
        (("--memory", "nowhere"), "no label 'nowhere'"),
        (("--at", "soon"), "'soon' is not a moment"),
    ],
)
def test_wrong_use_gets_one_message(simkit, arguments, message):
    code, out, err = simkit("show", "demo:traps", *arguments)
    assert (code, out) == (2, "")
    assert message in err


def test_what_only_chance_has_set_is_left_out(simkit):
    """At power-up registers and memory of the video card hold noise; 32 sprites of it tell nothing."""
    out = simkit("show", "demo:bench", "--at", "1000c")[1]
    assert "no register was written since power-on" in out
    assert "  sprite" not in out
    assert "register 0" not in out
    assert "timer 1: one-shot, over or never started" in simkit("show", "demo:bench", "--at", "10c")[1]


def test_the_machine_says_what_it_is(simkit):
    lines = simkit("show", "demo:marlpit", "--at", "10c")[1].splitlines()
    assert lines[1].startswith("the clubhouse machine")
    assert json.loads(simkit("show", "demo:marlpit", "--at", "10c", "--json")[1])["about"] == lines[1]
