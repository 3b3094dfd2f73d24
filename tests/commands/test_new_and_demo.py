"""`simkit new machine`, `simkit demo`, `simkit controls`, and what all commands have in common."""

import json
import subprocess
import sys
from pathlib import Path

import pytest

from simkit import Machine
from simkit.commands.app import COMMANDS

ROMS = Path(__file__).resolve().parents[2] / "roms"


def test_a_new_machine_runs_at_once_and_its_tests_pass(simkit, tmp_path):
    code, out, _ = simkit("new", "machine", "shed computer")
    assert code == 0
    assert "Run it:   simkit run 'shed computer'\n" in out  # as a shell takes it
    folder = tmp_path / "shed computer"
    machine = Machine.load(folder)
    assert machine.description.name == "shed computer"
    machine.run(screen_text="HELLO!", timeout=1)
    assert "drivers/font.asm" in out
    assert (folder / "drivers" / "font.asm").read_bytes() == (ROMS / "drivers" / "font.asm").read_bytes()
    done = subprocess.run(
        [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", str(folder)],
        cwd=folder,
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stdout
    assert "3 passed" in done.stdout


def test_the_program_of_a_new_machine_can_be_built_as_its_source_says(simkit, tmp_path):
    """Image, map and listing as the assembler writes them take the place of those that came with the machine."""
    simkit("new", "machine", "shed")
    shed = tmp_path / "shed"
    shipped = (shed / "hello.bin").read_bytes()
    (line,) = [text for text in (shed / "hello.asm").read_text().splitlines() if text.startswith(";     ophis ")]
    command = line.lstrip("; ").split()
    command[0] = str(Path(sys.executable).with_name("ophis"))
    subprocess.run(command, cwd=shed, check=True, capture_output=True)
    assert (shed / "hello.bin").read_bytes() == shipped
    code, out, _ = simkit("check", "shed", "--for", "0.2s")
    assert code == 0
    assert "hello.lst:" in out  # the place of the loop that waits for a key
    assert "no findings" in out
    labels = Machine.load(shed).labels
    assert (labels["PLACE"], labels["KEYBOARD_STATUS"], labels["reset"]) == (0x0012, 0x7F10, 0x8000)
    assert "keyboard_ready" not in {name.lower() for name in labels}, "a bit mask is no place"


def test_build_py_of_a_new_machine_makes_the_files_that_came_with_it(simkit, tmp_path):
    simkit("new", "machine", "shed")
    shed = tmp_path / "shed"
    shipped = {suffix: (shed / f"hello.{suffix}").read_bytes() for suffix in ("bin", "labels", "lst")}
    for suffix in shipped:
        (shed / f"hello.{suffix}").unlink()
    done = subprocess.run([sys.executable, "build.py"], cwd=shed, check=True, capture_output=True, text=True)
    assert done.stdout == f"hello: 32768 bytes, {shipped['labels'].count(b'=')} labels\n"
    assert {suffix: (shed / f"hello.{suffix}").read_bytes() for suffix in shipped} == shipped
    (shed / "broken.asm").write_text("        lda #\n")
    failed = subprocess.run(
        [sys.executable, "build.py", "broken"], cwd=shed, capture_output=True, text=True, check=False
    )
    assert failed.returncode == 1
    assert "broken.asm: not assembled" in failed.stderr
    assert not (shed / "broken.bin").exists()


@pytest.mark.parametrize("name", ["", ".", "..", ".hidden", "x" * 61, "a\nb"])
def test_a_name_that_is_none_writes_nothing(simkit, tmp_path, name):
    code, _, err = simkit("new", "machine", name)
    assert code == 2
    assert "is not a name for a machine" in err or "exists already" in err
    assert list(tmp_path.iterdir()) == []


def test_a_folder_that_exists_is_left_alone(simkit, tmp_path):
    (tmp_path / "mine").mkdir()
    code, _, err = simkit("new", "machine", "mine")
    assert code == 2
    assert err.startswith("mine exists already; nothing was written.\nChoose another name; --force writes into")
    assert list((tmp_path / "mine").iterdir()) == []


def test_the_demo_list_names_every_machine_that_loads(simkit):
    names = [entry["name"] for entry in json.loads(simkit("demo", "--json")[1])]
    assert "marlpit" in names
    shown = simkit("demo")[1]
    assert all(f"demo:{name}" in shown for name in names)


def test_an_unpacked_demo_is_the_same_machine(simkit, tmp_path):
    code, out, _ = simkit("demo", "marlpit", "copy")
    assert code == 0
    assert "simkit run copy/demo/marlpit" in out
    assert Machine.load(tmp_path / "copy/demo/marlpit").identity == Machine.load("demo:marlpit").identity
    assert (tmp_path / "copy/roms/slug-watch.asm").is_file()
    assert (tmp_path / "copy/roms/slug-watch/game.asm").is_file()
    assert (tmp_path / "copy/roms/marlpit.inc").is_file()


def test_unpacking_never_writes_over_a_file(simkit, tmp_path):
    there = tmp_path / "copy/roms/marlpit.inc"
    there.parent.mkdir(parents=True)
    there.write_text("mine")
    code, _, err = simkit("demo", "marlpit", "copy")
    assert code == 2
    assert err.startswith("Already there: copy/roms/marlpit.inc. Nothing was written.\n")
    assert [path for path in (tmp_path / "copy").rglob("*") if path.is_file()] == [there]
    assert there.read_text() == "mine"


def test_controls_prints_a_file_that_run_takes(simkit, tmp_path):
    out = simkit("controls")[1]
    (tmp_path / "mine.toml").write_text(out.replace('bar_key = "both shifts"', 'bar_key = "pause"'))
    assert json.loads(simkit("controls", "--controls", "mine.toml", "--json")[1])["bar_key"] == "pause"


def test_controls_of_a_machine_tell_which_keys_reach_its_keyboard_as_well(simkit, tmp_path):
    code, out, _ = simkit("controls", "demo:marlpit")
    assert code == 0
    assert "\n# These reach the Keyboard controller (slot 3) as well: space, b, escape, enter, up, down, left," in out
    assert json.loads(simkit("controls", "demo:marlpit", "--json")[1])["keyboard_too"]["3"][0] == "space"
    assert json.loads(simkit("controls", "demo:bench", "--json")[1])["keyboard_too"] == {}
    (tmp_path / "machine.toml").write_text('name = "none"\n')
    assert "# The machine cannot be loaded" in simkit("controls", str(tmp_path))[1]


@pytest.mark.parametrize("command", COMMANDS)
def test_every_command_has_help_with_examples(simkit, command):
    code, out, err = simkit(command, "--help")
    assert (code, err) == (0, "")
    assert "Examples:\n  simkit " in out.replace("\n    simkit ", "\n  simkit ")


def test_help_lists_every_command_and_is_what_no_arguments_give(simkit):
    out = simkit("--help")[1]
    assert all(f"\n  {command} " in out for command in COMMANDS)
    assert simkit() == (0, out, "")


def test_the_version_is_the_package_s(simkit):
    from importlib.metadata import version

    code, out, err = simkit("--version")
    assert (code, err) == (0, "")
    assert out.startswith(version("backplane-simkit") + "\ncore: ")


def test_a_fault_of_the_kit_is_named_as_such_without_a_traceback(simkit, monkeypatch):
    monkeypatch.setattr("simkit.commands.app.build_app", lambda names: 1 / 0)
    code, out, err = simkit("demo")
    assert (code, out) == (70, "")
    assert err.startswith("A fault in the kit, not in what you wrote: ZeroDivisionError: division by zero\n")
