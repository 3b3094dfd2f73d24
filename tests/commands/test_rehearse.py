"""`simkit rehearse` from outside."""

import json
import re

import pytest

from simkit.capture.read import read_capture
from simkit.machine.machine import Machine
from simkit.records.observed import observe

PADS = "demo:pad-test"


def test_a_capture_holds_the_cycles_from_one_moment_to_another(simkit, tmp_path):
    code, out, _ = simkit("rehearse", PADS, "--from", "2ms", "--for", "3ms", "--out", "c.sr", "--json")
    told = json.loads(out)
    assert (code, told["form"]) == (0, "sr")
    captured = read_capture(tmp_path / "c.sr")
    machine = Machine.load(PADS)
    machine.run(seconds=0.002)
    observed = observe(machine, 2_000)
    levels, known = captured.gathered(observed.names)
    assert abs(len(levels) - 2_000) < 10
    row = told["first_row"]
    assert not ((levels[:1900] ^ observed.levels[row : row + 1900]) & known[:1900]).any()


def test_an_end_with_a_plus_counts_from_the_beginning(simkit, tmp_path):
    for name, words in (("a", ("--from", "1000c", "--for", "5000c")), ("b", ("--from", "1000c", "--for", "+4000c"))):
        assert simkit("rehearse", PADS, *words, "--by-the-bus", "--out", f"{name}.txt")[0] == 0
    assert (tmp_path / "a.txt").read_bytes() == (tmp_path / "b.txt").read_bytes()
    code, out, _ = simkit("rehearse", PADS, "--by-the-bus", "--from", "label:main_loop", "--for", "+3000c")
    assert code == 0
    assert 3000 <= int(re.search(r"(\d+) bus cycles", out)[1]) <= 3006  # to the end of an instruction


def test_noise_is_another_with_another_number_and_the_same_with_the_same(simkit, tmp_path):
    spoilt = ("--lost", "1%", "--errors", "2%", "--clock-error", "-0.5%", "--jitter", "3ns", "--for", "1ms")
    for name, number in (("a", 1), ("b", 1), ("c", 2)):
        assert simkit("rehearse", PADS, *spoilt, "--noise", number, "--out", f"{name}.csv")[0] == 0
    one, same, other = ((tmp_path / f"{name}.csv").read_bytes() for name in "abc")
    assert one == same
    assert one != other


def test_only_lines_that_are_named_are_clipped_and_the_bus_may_clock(simkit, tmp_path):
    words = ("--line", "D0..D7", "--line", "4.select", "--by-the-bus", "--for", "1ms", "--out", "c.txt")
    code, out, _ = simkit("rehearse", PADS, *words)
    assert code == 0
    assert "bus cycles of 9 lines" in out
    assert (tmp_path / "c.txt").read_text().startswith("bus-lines 1 cycles data 4.select\n")


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--out", "c.foo"), "the ending does not say the form"),
        (("--form", "vdc"), "there is no such form"),
        (("--lost", "70%"), "no share of at most a half"),
        (("--errors", "-1%"), "no share"),
        (("--jitter", "2"), "is no time"),
        (("--rate", "fast"), "--rate"),
        (("--line", "A0..A19"), "no line 'A16'"),
        (("--line", "A0", "--line", "A0"), "names A0 twice"),
        (("--line", "PHI2", "--by-the-bus"), "is no channel"),
        (("--line", "4.NOPIN"), "4.NOPIN"),
        (("--from", "1s", "--for", "1ms"), "does not come before"),
        (("--from", "1s", "--for", "+"), "--for"),
        (("--from", "nowhere"), "--from"),
        (("--rate", "1000 MHz", "--for", "1s"), "can be"),
        (("--by-the-bus", "--for", "60s"), "bus cycles"),
    ],
)
def test_what_cannot_be_is_told_in_words(simkit, words, said):
    code, _, err = simkit("rehearse", PADS, *words)
    assert code == 2
    assert said in err
    assert "Traceback" not in err
