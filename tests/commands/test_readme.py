"""What the README tells people to write works as written."""

import re
import shutil
from pathlib import Path

import numpy  # noqa: F401 - loaded here, as pytester forgets modules after each run and numpy loads only once
import pytest

from simkit import Machine
from simkit.commands.app import COMMANDS
from simkit.commands.main import main
from simkit.commands.new import write_machine

pytest_plugins = ["pytester"]

README = (Path(__file__).parents[2] / "README.md").read_text(encoding="utf-8")


def blocks(language):
    return re.findall(rf"```{language}\n(.*?)```", README, re.DOTALL)


def commands():
    """Every `simkit ...` of the README, in code blocks and in backquotes."""
    shell = "\n".join(blocks("")) + "\n" + "\n".join(re.findall(r"`(simkit [^`]*)`", README))
    return sorted(set(re.findall(r"^simkit .*", shell, re.MULTILINE)))


@pytest.mark.parametrize("line", commands())
def test_commands_exist_and_have_the_options_shown(line, capsys):
    words = line.split()
    if words[1].startswith("-"):
        return
    assert words[1] in COMMANDS
    asked = words[1:3] if words[1] == "new" else words[1:2]
    with pytest.raises(SystemExit):
        main([*asked, "--help"])
    shown = capsys.readouterr().out
    for option in re.findall(r"(--[a-z-]+)", line):
        assert re.search(rf"{option}\b", shown), f"{option} is no option of {asked}"


def test_the_machine_file_runs(tmp_path):
    text, *_ = blocks("toml")
    folder, _ = write_machine(tmp_path / "potting-shed")
    (folder / "machine.toml").write_text(text, encoding="utf-8")
    m = Machine.load(folder)
    assert m.description.name == "Potting shed"
    assert m.warnings == []
    m.run(seconds=0.1)
    assert not m.cpu.halted


def test_the_decoder_is_that_of_the_keyboard_in_the_machine_file(tmp_path):
    text, decoder, _ = blocks("toml")
    folder, _ = write_machine(tmp_path / "potting-shed")
    (folder / "machine.toml").write_text(text, encoding="utf-8")
    before = Machine.load(folder).description
    for written in (text, text.replace('select = "0111 1111 0001 000x"\n', "")):
        (folder / "machine.toml").write_text(written + decoder, encoding="utf-8")
        assert Machine.load(folder).description.parts() == before.parts()


def test_the_parts_it_names_are_as_late_as_it_says(tmp_path, simkit):
    text, _, parts = blocks("toml")
    folder, _ = write_machine(tmp_path / "potting-shed")
    cpu, _, card = parts.partition("[[card]]")
    (folder / "card.toml").write_text(text, encoding="utf-8")
    variant = f'base = "card.toml"\nclock = "4 MHz"\n{cpu}[[card]]{card}'
    (folder / "machine.toml").write_text(variant, encoding="utf-8")
    (told,) = re.findall(r"`(-48 ns[^`]*)`", README)
    code, out, _ = simkit("budget", folder)
    assert (code, told in out) == (1, True)


def test_the_wiring_mistakes_it_names_can_be_written(tmp_path):
    text, *_ = blocks("toml")
    folder, _ = write_machine(tmp_path / "potting-shed")
    shutil.move(folder / "machine.toml", folder / "new.toml")
    fields = re.findall(r"`((?:wires|output_enable|write_enable) = [^`]*)`", README)
    assert len(fields) == 3
    for field in fields:
        (folder / "machine.toml").write_text(text + field + "\n", encoding="utf-8")
        Machine.load(folder).run(cycles=1000)


def test_the_python_lines_run(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    code, *_ = blocks("python")
    exec(compile(code, "README.md", "exec"), {})
    assert "START?" in capsys.readouterr().out
    assert (tmp_path / "night.png").stat().st_size > 1000


def test_the_limits_on_time_hold_on_the_demo_machine(pytester):
    *_, code = blocks("python")
    pytester.makeini("[pytest]\nsimkit_machine = demo:marlpit\n")
    pytester.makepyfile(code)
    pytester.runpytest().assert_outcomes(passed=1)


def test_the_rom_test_passes_in_the_new_machines_folder(pytester):
    _, code, _ = blocks("python")
    folder, _ = write_machine(pytester.path / "potting-shed")
    (folder / "test_codes.py").write_text(code, encoding="utf-8")
    written = pytester.runpytest("potting-shed", "--simkit-accept")
    written.assert_outcomes(passed=4)
    compared = pytester.runpytest_subprocess("potting-shed", "--simkit-coverage=counts.json")
    compared.assert_outcomes(passed=4)
    compared.stdout.fnmatch_lines(["potting-shed * of *", "counts of potting-shed: counts.json"])
    image = (folder / "hello.bin").read_bytes()
    assert b"HELLO! YOUR" in image
    (folder / "hello.bin").write_bytes(image.replace(b"HELLO! YOUR", b"HELLO! OUR "))
    pytester.runpytest("potting-shed").assert_outcomes(passed=3, failed=1)
