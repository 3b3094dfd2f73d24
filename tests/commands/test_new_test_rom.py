"""`simkit new test-rom`: what it writes, prints and refuses."""

import json
from pathlib import Path

import pytest

from simkit import Machine

DEMO = Path(__file__).resolve().parents[2] / "demo"


def test_it_writes_what_the_bench_needs_and_what_a_sound_machine_shows(simkit, tmp_path):
    code, out, err = simkit("new", "test-rom", "demo:bench", "--slot", 4)
    assert (code, err) == (0, "")
    assert {path.name for path in tmp_path.iterdir()} == {
        f"slot-4-test.{ending}" for ending in ("bin", "asm", "labels", "md", "expected.txt")
    }
    assert "It tells on: serial, screen." in out
    note = (tmp_path / "slot-4-test.md").read_text()
    machine = Machine.load(
        "demo:bench", images={2: tmp_path / "slot-4-test.bin"}, labels=[tmp_path / "slot-4-test.labels"]
    )
    machine.run(label="PASS")
    machine.run(seconds=0.05)
    expected = (tmp_path / "slot-4-test.expected.txt").read_text()
    assert machine.serial.text().rstrip() == expected.rstrip()
    for number in range(1, len(expected.splitlines()) - 1):
        assert f"| FAIL_{number:02d} | ${machine.labels[f'FAIL_{number:02d}']:04X} |" in note
    assert note.count("If it fails: ") == len(expected.splitlines()) - 2


def test_the_commands_of_the_note_work(simkit, tmp_path):
    simkit("new", "test-rom", "demo:bench", "--slot", 5, "--name", "video-test")
    note = (tmp_path / "video-test.md").read_text()
    commands = [line.split() for line in note.splitlines() if line.startswith("    simkit ")]
    assert [words[1] for words in commands] == ["burn", "run"]
    for words in commands:
        code, out, err = simkit(*words[1:])
        assert code == 0, err
    assert "ALL CHECKS PASS" in out


def test_json_tells_checks_labels_and_what_the_simulated_machine_did(simkit):
    code, out, _ = simkit("new", "test-rom", "demo:bench", "--slot", 1, "--json", "--syntax", "ca65")
    told = json.loads(out)
    assert (code, told["trial"]["ends"], told["kind"]) == (0, "PASS", "sram")
    assert [check["title"] for check in told["checks"]][:2] == ["DATA LINES", "ADDRESS LINES"]
    assert told["labels"]["FAIL_01"] == told["checks"][0]["fails_at"]


def test_a_machine_that_is_wired_wrong_does_not_pass_and_that_is_said(simkit):
    code, _, err = simkit("new", "test-rom", "demo:bench", "--slot", 1, "--wire", "slot 1: pin A10 stuck low")
    assert code == 1
    assert "stays at FAIL_02" in err
    assert "02 ADDRESS LINES FAIL, LINE 0A" in err


def test_nothing_is_written_over_without_force(simkit, tmp_path):
    (tmp_path / "slot-4-test.md").write_text("mine")
    code, out, err = simkit("new", "test-rom", "demo:bench", "--slot", 4)
    assert (code, out) == (2, "")
    assert "slot-4-test.md" in err
    assert "--force" in err
    assert [path.name for path in tmp_path.iterdir()] == ["slot-4-test.md"]
    assert simkit("new", "test-rom", "demo:bench", "--slot", 4, "--force")[0] == 0


def test_a_machine_whose_rom_is_not_written_yet_has_a_test_rom(simkit, tmp_path):
    (tmp_path / "machine.toml").write_text(
        'name = "New"\nclock = "1 MHz"\ncpu = "6502"\n'
        '[[card]]\nslot = 1\nkind = "sram"\nselect = "0xxx xxxx xxxx xxxx"\n'
        '[[card]]\nslot = 2\nkind = "rom"\nselect = "1xxx xxxx xxxx xxxx"\nimage = "not-yet.bin"\n'
    )
    code, out, err = simkit("new", "test-rom", tmp_path, "--slot", 1)
    assert code == 0, err
    assert "by the address at which the CPU stays alone" in out
    assert not (tmp_path / "slot-1-test.expected.txt").exists()


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (("demo:bench",), "Which card is to be tried?"),
        (("demo:bench", "--slot", 9), "no card in slot 9"),
        (("demo:bench", "--slot", 1, "--syntax", "ca66"), "ophis, ca65, 64tass"),
        (("demo:bench", "--slot", 1, "--name", "no/such/test"), "no"),
        (("demo:keyboard-on-ports", "--slot", 6), "slot 4"),
    ],
)
def test_what_cannot_be_is_said(simkit, tmp_path, words, message):
    code, out, err = simkit("new", "test-rom", *words)
    assert (code, out) == (2, "")
    assert message in err
    assert list(tmp_path.iterdir()) == []
