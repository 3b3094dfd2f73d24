"""The commands check, burn, coverage and explain from outside."""

import json
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from simkit.commands.main import main

ROOT = Path(__file__).resolve().parents[2]
MARLPIT = str(ROOT / "demo" / "marlpit")
TRAPS = str(ROOT / "demo" / "traps")
START = [sys.executable, "-c", "from simkit.commands.main import main; main()"]


def test_check_of_a_sound_machine_exits_0(simkit):
    code, out, _ = simkit("check", MARLPIT, "--for", "0.1s")
    assert code == 0
    assert "Marlpit: no findings" in out


def test_check_with_findings_exits_1_and_writes_sarif(simkit, tmp_path):
    (tmp_path / "none.toml").write_text("")
    code, out, _ = simkit(
        "check",
        TRAPS,
        "--for",
        "2000c",
        "--accepted",
        tmp_path / "none.toml",
        "--sarif",
        tmp_path / "x.sarif",
        "--json",
    )
    assert code == 1
    assert json.loads(out)["findings"][0]["rule"] == "dummy-access"
    assert json.loads((tmp_path / "x.sarif").read_text())["version"] == "2.1.0"


def test_the_traps_are_accepted_with_their_reason(simkit):
    code, out, _ = simkit("check", TRAPS, "--for", "2000c")
    assert code == 0
    assert "because the ROM shows" in out


def test_burn_then_verify(simkit, tmp_path):
    code, out, _ = simkit("burn", MARLPIT, "--part", "28C256", "--out", tmp_path / "a.s19", "--date", "2026-05-01")
    assert code == 0
    assert "CRC-32" in out
    assert " 2026-05-01 " in out
    assert simkit("burn", MARLPIT, "--part", "28C256", "--verify", tmp_path / "a.s19")[0] == 0
    (tmp_path / "blank.bin").write_bytes(b"\xff" * 32768)
    code, out, _ = simkit("burn", MARLPIT, "--part", "28C256", "--verify", tmp_path / "blank.bin")
    assert code == 1
    assert "blank: Every byte of the dump is $FF." in out


def test_each_part_of_a_split_is_verified_by_itself(simkit, tmp_path):
    split = ("burn", MARLPIT, "--part", "27C128", "--split")
    assert simkit(*split, "--out", tmp_path / "a.bin")[0] == 0
    assert simkit(*split, "--piece", "2", "--verify", tmp_path / "a-2.bin")[0] == 0
    for piece, other in (("1", "2"), ("2", "1")):
        code, out, _ = simkit(*split, "--piece", piece, "--verify", tmp_path / f"a-{other}.bin")
        assert code == 1
        assert f"another-part: This is part {other}." in out
    code, _, err = simkit(*split, "--verify", tmp_path / "a-1.bin")
    assert code == 2
    assert "--piece 1 to --piece 2" in err
    assert "no part 3" in simkit(*split, "--piece", "3", "--verify", tmp_path / "a-1.bin")[2]


def test_a_larger_part_holds_the_content_where_it_is_told(simkit, tmp_path):
    assert simkit("burn", MARLPIT, "--part", "27C512", "--at", "$8000", "--out", tmp_path / "a.bin")[0] == 0
    image = (tmp_path / "a.bin").read_bytes()
    assert set(image[:0x8000]) == {0xFF}
    assert image[0xFFFC:0xFFFE] != b"\xff\xff"
    assert "is no offset" in simkit("burn", MARLPIT, "--part", "27C512", "--at", "top")[2]


def test_a_half_built_image_is_told_before_it_is_burnt(simkit, tmp_path):
    (tmp_path / "half.bin").write_bytes((ROOT / "roms" / "slug-watch.bin").read_bytes()[:1000])
    asked = ("burn", MARLPIT, "--part", "28C256", "--image", f"2={tmp_path / 'half.bin'}")
    code, out, _ = simkit(*asked)
    assert code == 0
    assert "Note: slot 2 (rom): the image has 1000 bytes, the part 32768" in out
    assert "The image has 1000 bytes, from offset $0000; the other 31768 are filler." in out
    assert "fills" not in out
    (warning,) = json.loads(simkit(*asked, "--json")[1])["warnings"]
    assert "RESET" in warning


def test_a_half_built_image_is_the_first_finding(simkit, tmp_path):
    (tmp_path / "half.bin").write_bytes((ROOT / "roms" / "slug-watch.bin").read_bytes()[:1000])
    labels = ROOT / "roms" / "slug-watch.labels"
    asked = ("check", MARLPIT, "--for", "5000c", "--image", f"2={tmp_path / 'half.bin'}", "--labels", labels, "--json")
    rules = [finding["rule"] for finding in json.loads(simkit(*asked)[1])["findings"]]
    assert rules[:2] == ["image-size", "labels-stale"]
    assert "vector-astray" in rules


def test_the_check_looks_at_the_image_that_was_given_not_at_a_damaged_one_of_the_file(simkit, tmp_path):
    rom = ROOT / "roms" / "slug-watch.bin"
    base = f'base = "{ROOT / "demo" / "marlpit" / "machine.toml"}"\n'
    (tmp_path / "machine.toml").write_text(f'{base}[[card]]\nslot = 2\nimage = "rom.hex"\n')
    simkit("burn", MARLPIT, "--part", "28C256", "--out", tmp_path / "rom.hex")
    assert simkit("check", tmp_path, "--for", "0.1s")[0] == 0
    (tmp_path / "rom.hex").write_bytes((tmp_path / "rom.hex").read_bytes()[:300])
    code, _, err = simkit("check", tmp_path, "--for", "0.1s")
    assert (code, "rom.hex:7)" in err) == (2, True)
    code, _, err = simkit("check", tmp_path, "--for", "0.1s", "--image", f"2={rom}")
    assert (code, err) == (0, "")


@pytest.mark.parametrize("suffix", [".hex", ".s19"])
@pytest.mark.parametrize("part", [300, 301, 5000])
def test_a_cut_off_hex_file_is_no_fault_of_the_kit(simkit, tmp_path, suffix, part):
    whole, cut = tmp_path / f"a{suffix}", tmp_path / f"cut{suffix}"
    simkit("burn", MARLPIT, "--part", "28C256", "--out", whole)
    cut.write_bytes(whole.read_bytes()[:part])
    for asked in (
        ("burn", MARLPIT, "--part", "28C256", "--verify", cut),
        ("run", MARLPIT, "--headless", "--for", "1c", "--image", f"2={cut}"),
    ):
        code, _, err = simkit(*asked)
        assert code == 2
        assert f"{cut}:{len(cut.read_bytes().splitlines())}: " in err
        assert "hex file" in err
        assert "fault in the kit" not in err


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (("burn", MARLPIT, "--part", "28C255"), "'28C255' is no part that is known."),
        (("burn", MARLPIT), "Which part is it?"),
        (("burn", MARLPIT, "--part", "28C256", "--out", "."), ". is a folder.\nName the file in it: --out my-rom.bin."),
        (("burn", MARLPIT, "--part", "0x8001"), "No part has 0x8001 bytes.\nSizes are powers of two"),
        (("burn", MARLPIT, "--part", "2716", "--out", "x", "--verify", "y"), "--out writes an image"),
        (("burn", MARLPIT, "--part", "28C256", "--slot", "1"), "slot 1 (sram) holds no ROM."),
        (
            ("burn", MARLPIT, "--part", "28C256", "--verify", "nowhere.bin"),
            "There is no dump nowhere.bin.\nCorrect the path, or read the part",
        ),
        (("explain", "contentoin"), "There is no rule 'contentoin'."),
        (("check", MARLPIT, "--for", "soon"), "soon"),
        (("check", MARLPIT, "--accepted", "nowhere.toml"), "There is no list of accepted findings nowhere.toml."),
        (("coverage", MARLPIT, "--for", "0c", "--merge", "nowhere.json"), "There are no coverage counts nowhere.json."),
    ],
)
def test_wrong_use_exits_2_with_one_message(simkit, arguments, message):
    code, out, err = simkit(*arguments)
    assert code == 2
    assert message in err
    assert "Traceback" not in err + out


def test_explain_lists_and_tells(simkit):
    assert "contention" in simkit("explain")[1]
    assert "On the bench:" in simkit("explain", "contention")[1]
    assert json.loads(simkit("explain", "contention", "--json")[1])["level"] == "error"


def test_coverage_prints_saves_and_merges(simkit, tmp_path):
    code, out, _ = simkit(
        "coverage", MARLPIT, "--for", "0.05s", "--save", tmp_path / "c.json", "--html", tmp_path / "c.html"
    )
    assert code == 0
    assert "video_start" in out
    once = json.loads(simkit("coverage", MARLPIT, "--for", "0c", "--merge", tmp_path / "c.json", "--json")[1])
    assert once["total"]["ran"] > 10
    assert "never" in (tmp_path / "c.html").read_text()


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (["check", MARLPIT, "--for", "5000s"], "The run was stopped in cycle"),
        (["coverage", MARLPIT, "--for", "5000s"], "branches both ways"),
    ],
)
def test_ctrl_c_ends_the_run_and_tells_what_was_found(arguments, told, wait_until_busy):
    running = subprocess.Popen([*START, *arguments], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    wait_until_busy(running, 1)
    running.send_signal(signal.SIGINT)
    out, err = running.communicate(timeout=30)
    assert running.returncode == 130
    assert told in out
    assert "Traceback" not in err
    assert "Stopped." in err


def test_a_second_ctrl_c_ends_at_once():
    from simkit.commands.long_run import LongRun

    with LongRun("work") as run:
        assert run.goes_on(0)
        signal.raise_signal(signal.SIGINT)
        assert not run.stopped, "counts between pieces of the work"
        with pytest.raises(KeyboardInterrupt):
            signal.raise_signal(signal.SIGINT)
        assert not run.goes_on(0.5)
    with pytest.raises(KeyboardInterrupt):
        signal.raise_signal(signal.SIGINT)


def test_two_forms_of_one_report_are_refused(capsys):
    with pytest.raises(SystemExit) as ended:
        main(["check", "demo:marlpit", "--for", "1c", "--one-line", "--json"])
    assert ended.value.code == 2
    assert "--json and --one-line are two forms of one report." in "".join(capsys.readouterr())
