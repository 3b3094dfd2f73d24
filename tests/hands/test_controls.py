"""The controls file: defaults, what a user changes, and what is wrong with it, by line."""

from pathlib import Path

import pytest

from simkit.contract.errors import SeveralErrors, SimkitError
from simkit.hands.controls import default_controls, read_controls, with_bar_key
from simkit.outside.host_keys import KEY_NAMES

ROMS = Path(__file__).parents[2] / "roms"


def test_the_shipped_mapping_gives_both_pads_all_eight_buttons():
    controls = default_controls()
    buttons = {"a", "b", "select", "start", "up", "down", "left", "right"}
    assert [set(pad.keys) for pad in controls.pads.values()] == [buttons, buttons]
    assert [set(pad.joystick) for pad in controls.pads.values()] == [buttons, buttons]
    keys = [key for pad in controls.pads.values() for names in pad.keys.values() for key in names]
    assert len(set(keys)) == len(keys)
    assert controls.bar_key == "both shifts"
    assert not {"left shift", "right shift"} & set(keys)
    assert not [key for key in keys if key.startswith("keypad")]  # which many keyboards lack


def test_pad_1_is_played_with_the_keys_that_the_game_of_the_machine_reads_itself():
    """roms/slug-watch/input.asm: `key_codes` and the buttons in `key_bits`; set 2: Brouwer, Keyboard scancodes, 9.6."""
    lines = (ROMS / "slug-watch" / "input.asm").read_text().partition("key_codes:")[2].splitlines()
    codes, bits = [], []
    for line in lines:
        if ".byte" not in line:
            if codes and "key_bits" not in line:
                break
            continue
        values = line.split(".byte")[1].split(";")[0].replace(" ", "").split(",")
        (bits if values[0].startswith("PAD_") else codes).extend(values)
    read = {code: bit.removeprefix("PAD_").strip().lower() for code, bit in zip(codes, bits, strict=True)}
    set_2 = {"space": "$29", "enter": "$5A", "escape": "$76"}
    set_2 |= {"up": "$75+$80", "down": "$72+$80", "left": "$6B+$80", "right": "$74+$80"}
    keys = default_controls().pads[1].keys
    assert {button: read[set_2[key]] for button, (key,) in keys.items() if button != "b"} == {
        button: button for button in keys if button != "b"
    }


def test_what_is_printed_is_a_file_that_means_the_same(tmp_path):
    controls = default_controls()
    path = tmp_path / "mine.toml"
    path.write_text(controls.toml())
    again = read_controls(path)
    assert (again.bar_key, again.dead_zone, again.pads) == (controls.bar_key, controls.dead_zone, controls.pads)


def test_a_file_changes_what_it_names_and_leaves_the_rest(tmp_path):
    (tmp_path / "controls.toml").write_text('[pad.1.keys]\na = ["j", "k"]\n[pad.2.joystick]\nup = "hat 1 up"\n')
    controls = read_controls(None, tmp_path / "machine.toml")
    assert controls.pads[1].keys["a"] == ("j", "k")
    assert controls.pads[1].keys["b"] == ("b",)
    assert controls.pads[2].joystick["up"] == ("hat 1 up",)


def test_all_mistakes_are_told_at_once_with_their_lines(tmp_path):
    path = tmp_path / "bad.toml"
    path.write_text(
        'bar_key = "scrol lock"\ndead_zone = 2\nextra = 1\n[pad.1.keys]\na = "butn"\n[pad.9.keys]\na = "x"\n'
    )
    with pytest.raises(SeveralErrors) as raised:
        read_controls(path)
    assert [error.line for error in raised.value.errors] == [3, 1, 2, 5, 6]
    text = str(raised.value)
    assert f"{path}:1: bar_key: there is no key 'scrol lock'.\nDid you mean 'scroll lock'" in text
    assert "dead_zone: 2 is not a number from 0 up to 1." in text
    assert "pads count from 1 to 8" in text


@pytest.mark.parametrize("contact", ["button", "axis 0", "axis 0 up", "hat 0 +", "button -1", "button 0; rm"])
def test_a_contact_that_is_none_is_refused(tmp_path, contact):
    path = tmp_path / "bad.toml"
    path.write_text(f'[pad.1.joystick]\na = "{contact}"\n')
    with pytest.raises(SimkitError, match="is not a contact of a joystick") as raised:
        read_controls(path)
    assert raised.value.line == 2


def test_every_key_that_plays_no_pad_can_be_the_bar_key():
    controls = default_controls()
    playing = {key for pad in controls.pads.values() for names in pad.keys.values() for key in names}
    for key in ("both shifts", *KEY_NAMES):
        if key not in playing:
            assert with_bar_key(controls, key).bar_key == key
    with pytest.raises(SimkitError, match="bar_key: 'space' is button a of pad 1 already"):
        with_bar_key(controls, "space")
    with pytest.raises(SimkitError, match="There is no key 'scroll'"):
        with_bar_key(default_controls(), "scroll")


def test_one_shift_key_plays_a_pad_and_so_do_both_where_another_key_opens_the_bar(tmp_path):
    (tmp_path / "one.toml").write_text('[pad.1.keys]\na = "left shift"\n')
    assert read_controls(tmp_path / "one.toml").pads[1].keys["a"] == ("left shift",)
    (tmp_path / "both.toml").write_text('bar_key = "pause"\n[pad.1.keys]\na = ["left shift", "right shift"]\n')
    both = read_controls(tmp_path / "both.toml")
    assert both.bar_key == "pause"
    with pytest.raises(SimkitError, match="both Shift keys play pads, and both together open the bar"):
        with_bar_key(both, "both shifts")


@pytest.mark.parametrize(
    ("text", "line", "words"),
    [
        ('[pad.1.keys]\na = [\n"j",\n"butn",\n]\n', 4, "there is no key 'butn'"),
        ('[pad.1]\nkeys = { a = "j", b = "butn" }\n', 2, "pad.1.keys.b"),
        ('pad.1.joystick.a = "button 0"\npad.1.joystick.b = "button"\n', 2, "pad.1.joystick.b"),
        ("[pad.1.keys]\n\na = 5\n", 3, "neither text nor a list"),
        ('[pad.1.keys]\na = "j"\n[pad.1.stick]\na = 1\n', 3, "pad.1.stick"),
        ('\n[pad."01".keys]\na = "j"\n', 2, "not a pad"),
        ('\n["pad"."\u0661".keys]\na = "j"\n', 2, "not a pad"),
        ("\n[[pad]]\n", 2, "pad is a table"),
        ('host_key = "scroll lock"\n', 1, "unknown key 'host_key'.\nThe key that opens the bar is written bar_key."),
        (
            '[pad.1.keys]\na = "j"\nup = "j"\n',
            3,
            "pad.1.keys.up: 'j' is button a of pad 1 already.\nGive each its own",
        ),
        ('[pad.1.keys]\na = ["j", "k", "j"]\n', 2, "'j' is button a of pad 1 already"),
        ('[pad.1.keys]\na = "j"\n[pad.2.keys]\nleft = "j"\n', 4, "'j' is button a of pad 1 already"),
        ('\n[pad.2.keys]\na = "space"\n', 3, "'space' is button a of pad 1 already"),
        ('[pad.1.joystick]\na = "axis 1 +"\n', 2, "'axis 1 +' is button down of pad 1 already"),
        ('bar_key = "f5"\n[pad.1.keys]\na = "f5"\n', 3, "'f5' is what opens the bar already"),
        ('\nbar_key = "space"\n', 2, "bar_key: 'space' is button a of pad 1 already"),
        ('[pad.1.keys]\na = "left shift"\nb = "right shift"\n', 2, "both Shift keys play pads, and both together open"),
        ("\nbar_key = ['a']\n", 2, "bar_key"),
        ("\n\ndead_zone = nan\n", 3, "dead_zone"),
        ('# [pad.9]\nnote = """\n[pad.9]\n"""\ndead_zone = 0.1\n', 2, "unknown key 'note'"),
    ],
)
def test_a_mistake_has_the_line_of_its_key_or_element(tmp_path, text, line, words):
    path = tmp_path / "bad.toml"
    path.write_text(text)
    with pytest.raises(SimkitError) as raised:
        read_controls(path)
    assert words in str(raised.value)
    assert str(raised.value).startswith(f"{path}:{line}: ")
