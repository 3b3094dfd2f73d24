"""`simkit completion`: a shell completes commands, options, machines, rules, labels and kinds of cards.

The shell gives the line up to the cursor and gets back what the word there can become; where it gets nothing it offers
files. Nothing that comes of a half-written line is an error: then there is nothing to offer.
"""

from __future__ import annotations

import re
from typing import Annotated

import typer

from simkit.commands.options import JsonOption, help_text
from simkit.commands.say import say, say_json, say_text
from simkit.contract.errors import SimkitError, near

SCRIPTS = {
    "bash": """\
_simkit() {
    local IFS=$'\\n'
    COMPREPLY=( $(simkit completion bash --line "${COMP_LINE:0:COMP_POINT}" 2>/dev/null) )
    [[ ${#COMPREPLY[@]} -eq 1 && ${COMPREPLY[0]} == *[=.:/] ]] && compopt -o nospace
}
complete -o bashdefault -o default -F _simkit simkit
""",
    "zsh": """\
_simkit() {
    local -a found
    found=("${(@f)$(simkit completion zsh --line "${(j: :)words[1,CURRENT]}" 2>/dev/null)}")
    if [[ -n "$found[1]" ]]; then
        compadd -Q -- "${found[@]}"
    else
        _files
    fi
}
compdef _simkit simkit
""",
    "fish": """\
function __simkit
    set -l found (simkit completion fish --line (commandline -cp | string collect) 2>/dev/null)
    if test -n "$found[1]"
        printf '%s\\n' $found | string replace '  ' \\t
    else
        __fish_complete_path (commandline -ct)
    end
end
complete -c simkit -f -a '(__simkit)'
""",
}
INSTALL = {
    "bash": 'eval "$(simkit completion bash)"  # in ~/.bashrc',
    "zsh": 'eval "$(simkit completion zsh)"  # in ~/.zshrc, behind compinit',
    "fish": "simkit completion fish | source  # in ~/.config/fish/config.fish",
}
_AT_BREAK = re.compile(r".*[:=]")

HELP = help_text(
    "Print what has a shell complete commands, options, machines, rules, labels and kinds of cards.",
    "SHELL is bash, zsh or fish. The line of the examples belongs into the shell's own file of commands.",
    examples=("simkit completion bash", *INSTALL.values()),
)


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("completion", help=HELP)(completion)


def completion(
    shell: Annotated[str, typer.Argument(metavar="SHELL", help="bash, zsh or fish.")],
    line: Annotated[
        str | None, typer.Option("--line", metavar="LINE", help="For the shell: what the last word can become.")
    ] = None,
    as_json: JsonOption = False,
) -> None:
    """Print a shell's script, or answer it (see HELP)."""
    if shell not in SCRIPTS:
        raise SimkitError(f"There is no completion for {shell!r}.", remedy=near(shell, SCRIPTS))
    if line is None:
        if as_json:
            say_json({"shell": shell, "script": SCRIPTS[shell], "install": INSTALL[shell]})
        else:
            say_text(SCRIPTS[shell])
        return
    from simkit.commands.candidates import candidates, last_word

    found = candidates(line)
    if as_json:
        say_json(found)
        return
    word = last_word(line)
    if shell == "bash" and (broken := _AT_BREAK.match(word)):  # bash takes these for the end of a word
        found = {text.removeprefix(broken[0]): told for text, told in found.items()}
    if found:
        say(*(f"{text}  {told}" if shell == "fish" and told else text for text, told in found.items()))
