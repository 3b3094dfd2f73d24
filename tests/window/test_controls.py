"""The controls file: defaults, what a user changes, and what is wrong with it, by line."""

import pytest

from simkit.contract.errors import SeveralErrors, SimkitError
from simkit.outside.host_keys import KEY_NAMES
from simkit.window.controls import default_controls, read_controls, with_host_key


def test_the_shipped_mapping_gives_both_pads_all_eight_buttons():
    controls = default_controls()
    buttons = {"a", "b", "select", "start", "up", "down", "left", "right"}
    assert [set(pad.keys) for pad in controls.pads.values()] == [buttons, buttons]
    assert [set(pad.joystick) for pad in controls.pads.values()] == [buttons, buttons]
    keys = [key for pad in controls.pads.values() for names in pad.keys.values() for key in names]
    assert len(set(keys)) == len(keys)
    assert controls.host_key not in keys


def test_what_is_printed_is_a_file_that_means_the_same(tmp_path):
    controls = default_controls()
    path = tmp_path / "mine.toml"
    path.write_text(controls.toml())
    again = read_controls(path)
    assert (again.host_key, again.dead_zone, again.pads) == (controls.host_key, controls.dead_zone, controls.pads)


def test_a_file_changes_what_it_names_and_leaves_the_rest(tmp_path):
    (tmp_path / "controls.toml").write_text('[pad.1.keys]\na = ["j", "k"]\n[pad.2.joystick]\nup = "hat 1 up"\n')
    controls = read_controls(None, tmp_path / "machine.toml")
    assert controls.pads[1].keys["a"] == ("j", "k")
    assert controls.pads[1].keys["b"] == ("z",)
    assert controls.pads[2].joystick["up"] == ("hat 1 up",)


def test_all_mistakes_are_told_at_once_with_their_lines(tmp_path):
    path = tmp_path / "bad.toml"
    path.write_text(
        'host_key = "scrol lock"\ndead_zone = 2\nextra = 1\n[pad.1.keys]\na = "butn"\n[pad.9.keys]\na = "x"\n'
    )
    with pytest.raises(SeveralErrors) as raised:
        read_controls(path)
    assert [error.line for error in raised.value.errors] == [3, 1, 2, 5, 6]
    text = str(raised.value)
    assert f"{path}:1: host_key: there is no key 'scrol lock'.\nDid you mean 'scroll lock'" in text
    assert "dead_zone: 2 is not a number from 0 up to 1." in text
    assert "pads count from 1 to 8" in text


@pytest.mark.parametrize("contact", ["button", "axis 0", "axis 0 up", "hat 0 +", "button -1", "button 0; rm"])
def test_a_contact_that_is_none_is_refused(tmp_path, contact):
    path = tmp_path / "bad.toml"
    path.write_text(f'[pad.1.joystick]\na = "{contact}"\n')
    with pytest.raises(SimkitError, match="is not a contact of a joystick") as raised:
        read_controls(path)
    assert raised.value.line == 2


def test_every_key_can_be_the_host_key():
    for key in KEY_NAMES:
        assert with_host_key(default_controls(), key).host_key == key
    with pytest.raises(SimkitError, match="There is no key 'scroll'"):
        with_host_key(default_controls(), "scroll")


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
        ("\nhost_key = ['a']\n", 2, "host_key"),
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
