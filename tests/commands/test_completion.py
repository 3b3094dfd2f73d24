"""Shells complete commands, options, machines, rules, labels and cards; a key press runs no program of a machine."""

import os
import shutil
import subprocess
import sys

import pytest

from simkit.check.rules.catalogue import RULES
from simkit.commands.app import COMMANDS
from simkit.commands.candidates import candidates, last_word
from simkit.commands.completion import SCRIPTS
from simkit.commands.demo import shipped_demos
from simkit.commands.main import main
from simkit.machinefile.catalogue import entries

DEMOS = {f"demo:{demo.name}" for demo in shipped_demos()}


@pytest.mark.parametrize(
    ("line", "found"),
    [
        ("simkit ", set(COMMANDS)),
        ("simkit co", {"controls", "coverage", "compare", "completion"}),
        ("simkit run demo:", DEMOS),
        ("simkit opcode reset --machine demo:m", {"demo:marlpit", "demo:monitor"}),
        ("simkit explain ", {"faults", "captures", "parts", *RULES}),
        ("simkit explain ran", {"ran-away"}),
        ("simkit cards ", set(entries())),
        ("simkit cards --test ro", {"rom"}),
        ("simkit cards --machine demo:marlpit k", {"keyboard"}),
        ("simkit cards --machine demo:marlpit 4", {"4"}),
        ("simkit new ", {"machine", "card", "test-rom"}),
        ("simkit trace demo:marlpit --kind re", {"reset", "repeat"}),
        ("simkit trace demo:marlpit --last acc", {"access:"}),
        ("simkit trace demo:marlpit --label main_l", {"main_loop"}),
        ("simkit check demo:marlpit --one", {"--one-line"}),
        ("simkit run demo:marlpit --engine ", {"auto", "exact", "core"}),
        ("simkit run demo:marlpit --engine=c", {"--engine=core"}),
        ("simkit run demo:marlpit --set 4.port", {"4.port_1=", "4.port_2="}),
        ("simkit run demo:marlpit --image ", {"1=", "2=", "3=", "4=", "5="}),
        ("simkit show demo:marlpit --memory PLAYER1_O", {"PLAYER1_ON"}),
        ("simkit show demo:marlpit --at label:load_ti", {"label:load_tiles"}),
        ("simkit run demo:marlpit --for finding:ran", {"finding:ran-away"}),
        ("simkit opcode --machine demo:marlpit load_t", {"load_tiles"}),
        ("simkit demo moni", {"monitor"}),
        ("simkit completion z", {"zsh"}),
        ("simkit run 'demo:mon", {"demo:monitor"}),
    ],
)
def test_the_last_word_becomes_what_fits_there(line, found):
    assert set(candidates(line)) == found


@pytest.mark.parametrize(
    "line",
    [
        "",
        "simkit",
        "simkit nothing ",
        "simkit new boat ",
        "simkit run nowhere --set ",
        "simkit run --for 2",
        "simkit run '",
        "simkit show tests --memory ",
        "simkit burn demo:marlpit --out ro",
        "simkit run \\",
        "simkit \"'",
        "x" * 100000,
    ],
)
def test_a_line_that_means_nothing_is_no_error(line):
    assert set(candidates(line)) <= DEMOS | set(COMMANDS)


@pytest.mark.parametrize(("line", "word"), [("a b", "b"), ("a ", ""), ("a 'b c", "b c"), ("a b\\ c", "b c"), ("", "")])
def test_the_last_word_is_the_one_at_the_cursor(line, word):
    assert last_word(line) == word


def test_completion_runs_nothing_of_a_machine(tmp_path, monkeypatch):
    """A card in the machine's folder is a program."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "evil.py").write_text("open('ran', 'w')\n")
    (tmp_path / "names.labels").write_text("start = $8000\n")
    (tmp_path / "machine.toml").write_text(
        'clock = "1 MHz"\n[[card]]\nslot = 1\nkind = "file:evil.py:Evil"\nlabels = "names.labels"\n'
        '[[card]]\nslot = 2\nkind = "sram"\n'
    )
    assert set(candidates("simkit show . --memory ")) == {"start"}
    assert "2.size=" in candidates("simkit run . --set ")
    assert "1" in candidates("simkit cards --machine . ")
    assert not (tmp_path / "ran").exists()


def test_machines_in_this_folder_are_offered(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    for name in ("mine", "none", "with blank"):
        (tmp_path / name).mkdir()
    for name in ("mine", "with blank"):
        (tmp_path / name / "machine.toml").touch()
    assert set(candidates("simkit run ")) == DEMOS | {"mine"}


@pytest.mark.parametrize("shell", SCRIPTS)
def test_a_script_is_printed_and_an_unknown_shell_is_told(shell, capsys):
    with pytest.raises(SystemExit) as left:
        main(["completion", shell])
    assert (left.value.code, capsys.readouterr().out) == (0, SCRIPTS[shell])
    with pytest.raises(SystemExit) as left:
        main(["completion", f"{shell}x"])
    assert left.value.code == 2
    assert repr(shell) in capsys.readouterr().err


@pytest.mark.skipif(shutil.which("bash") is None, reason="no bash here")
@pytest.mark.parametrize(
    ("line", "found"),
    [("simkit expl", ["explain"]), ("simkit run demo:mar", ["marlpit"]), ("simkit burn x --out y", [])],
)
def test_bash_completes_with_the_script(line, found, tmp_path):
    """Bash ends words at colons; what comes back goes on behind them."""
    simkit = tmp_path / "simkit"
    simkit.write_text(f'#!/bin/sh\nexec "{sys.executable}" -m simkit "$@"\n')
    simkit.chmod(0o755)
    script = f"{SCRIPTS['bash']}\nCOMP_LINE='{line}' COMP_POINT={len(line)}\n_simkit 2>/dev/null\n"
    script += 'for each in "${COMPREPLY[@]}"; do echo "$each"; done\n'
    environment = {**os.environ, "PATH": f"{tmp_path}:{os.environ['PATH']}"}
    done = subprocess.run(["bash", "-c", script], env=environment, capture_output=True, text=True, check=True)
    assert done.stdout.split() == found
    subprocess.run(["bash", "-n"], input=SCRIPTS["bash"], text=True, check=True)


def test_the_values_offered_are_those_that_the_command_takes():
    from simkit.cpu.isa.opcodes import PARTS
    from simkit.outside.speed import Speed

    assert set(candidates("simkit opcode lda --cpu ")) == set(PARTS)
    assert set(candidates("simkit run x --speed ")) == {speed.value for speed in Speed}


def test_fish_is_told_what_the_words_mean(capsys):
    """Two blanks part them, which its script makes a tab."""
    with pytest.raises(SystemExit):
        main(["completion", "fish", "--line", "simkit expl"])
    assert capsys.readouterr().out == f"explain  {COMMANDS['explain'].summary}\n"
    assert "string replace '  ' \\t" in SCRIPTS["fish"]
