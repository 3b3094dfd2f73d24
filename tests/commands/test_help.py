"""The help as people read it: lists under heads, summaries that fit, no option that stands nowhere."""

import subprocess
import sys

import pytest
import typer

from simkit.commands.app import COMMANDS, build_app
from simkit.commands.main import main
from simkit.commands.plain_help import MOST_SUMMARY, OPTION_GROUPS


def help_of(capsys, *words):
    with pytest.raises(SystemExit) as left:
        main([*words, "--help"])
    assert left.value.code == 0
    return capsys.readouterr().out.splitlines()


def rows(lines, head):
    """Rows of a list under a head."""
    start = lines.index(f"{head}:") + 1
    end = next((n for n in range(start, len(lines)) if not lines[n].strip()), len(lines))
    return lines[start:end]


def test_the_list_of_commands_stands_under_heads_with_whole_summaries(capsys):
    lines = help_of(capsys)
    told = {}
    for head in dict.fromkeys(command.head for command in COMMANDS.values()):
        for row in rows(lines, head):
            name, _, summary = row.strip().partition(" ")
            told[name] = summary.strip()
    assert told == {name: command.summary for name, command in COMMANDS.items()}


def test_every_summary_is_short():
    assert all(0 < len(command.summary) <= MOST_SUMMARY for command in COMMANDS.values())
    group = typer.main.get_command(build_app(["new"])).commands["new"]
    assert all(0 < len(command.short_help) <= MOST_SUMMARY for command in group.commands.values())


def test_the_list_needs_no_module_of_a_command():
    code = (
        "import sys\nfrom simkit.commands.app import COMMANDS, run\nassert run(['--help']) == 0\n"
        "assert not [c.module for c in COMMANDS.values() if c.module in sys.modules]\n"
        "assert not {'numpy', 'rich', 'py65', 'pygame', 'tomllib', 'simkit.machine.machine'} & set(sys.modules)\n"
    )
    subprocess.run([sys.executable, "-c", code], check=True, stdout=subprocess.DEVNULL)


@pytest.mark.parametrize("name", list(COMMANDS))
def test_no_option_is_left_out_of_the_help(name, capsys):
    command = typer.main.get_command(build_app([name])).commands[name]
    if hasattr(command, "commands"):
        return
    shown = {word.strip(",") for line in help_of(capsys, name) for word in line.split() if word.startswith("--")}
    assert {option for parameter in command.params for option in parameter.opts if option.startswith("--")} <= shown


def test_options_of_a_long_help_stand_under_heads(capsys):
    lines = help_of(capsys, "run")
    assert [line[:-1] for line in lines if line[:-1] in OPTION_GROUPS] == list(OPTION_GROUPS)
    assert any("--seed" in row for row in rows(lines, "The machine"))
    assert any("--json" in row for row in rows(lines, "What comes out"))


def test_a_command_behind_two_hyphens_is_the_command(capsys):
    with pytest.raises(SystemExit) as left:
        main(["--", "explain", "ran-away"])
    assert left.value.code == 0
    assert capsys.readouterr().out.startswith("ran-away")
