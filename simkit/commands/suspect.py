"""`simkit suspect`: which single fault explains what was seen of the real machine."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import attrs
import typer

from simkit.commands import exits
from simkit.commands.options import ForceOption, JsonOption, MachineOptions, ReplayOption, help_text
from simkit.commands.running import Running, runs_machine
from simkit.commands.say import say, say_json
from simkit.contract.errors import SimkitError, numbers

if TYPE_CHECKING:
    from collections.abc import Sequence

    from simkit.machine.machine import Machine
    from simkit.suspect.ask import Asking, Question
    from simkit.suspect.catalogue import Candidate
    from simkit.suspect.outcomes import Outcomes
    from simkit.suspect.rank import Ranking
    from simkit.suspect.seen import Seen
    from simkit.suspect.trial import Trial

DEFAULT_FOR = "1s"
MOST_MEASUREMENTS = 20

HELP = help_text(
    "Search the cause of what you saw: run the machine with every single fault that a builder makes, and tell which of "
    "them show the same.",
    "Say what you saw, in one way or several: --seen, a capture of the bus (--channels says which channel is which "
    "line; eight lines and two thousand cycles are enough to begin with, and one with A0 to A15, R/W and D0 to D7 "
    "shows bits of a ROM that read wrong, which are tried, too); --seen-text, all that stands on the screen "
    "or the terminal; --seen-picture; --seen-memory, a dump; --hangs-at, where the program comes no further; "
    "--seen-nothing, a blank screen. Text and picture are those at the end, when all input has come, if you do not say "
    "--seen-early. Say what was done to the machine as you do for run: --type, --pad, --replay.",
    "What cannot be told apart is told together, with the next measurement that tells most: which line to probe, or "
    "which access the analyser waits for. Answer at the prompt, or with --answer, until one cause is left. When no "
    "single fault shows what you saw, that is said (exit code 1).",
    "The runs take a minute or more. --session FILE keeps them: after Ctrl-C, SIGTERM or a terminal that was closed "
    "the same command goes on, and another symptom of the same machine and input is held against the same runs.",
    "--cluster ADDRESS has the workers of a dask.distributed scheduler do the runs (pip install "
    "'backplane-simkit[cluster]'); they need the same Python, kit and installed cards, which is looked at. They are "
    "sent the machine, and the code of its file: cards, and run it. Whoever reaches such a scheduler can have its "
    "workers, and this command, run anything: use none of strangers, and none that strangers reach. tls:// addresses "
    "take certificates, as dask's own configuration names them.",
    examples=(
        "simkit suspect my-machine --seen bus.vcd --channels channels.toml --session my.search",
        "simkit suspect my-machine --seen-text 'KEYBOARD TEST' --hangs-at wait_key",
        "simkit suspect my-machine --seen-nothing --for 0.5s",
        "simkit suspect my-machine --seen-picture dark.png --answer 'always low'",
        "simkit suspect my-machine --seen bus.vcd --session my.search --cluster tcp://192.168.1.7:8786",
    ),
)


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("suspect", help=HELP)(runs_machine(suspect))


def suspect(
    options: MachineOptions,
    running: Running,
    replay: ReplayOption = None,
    seen: Annotated[
        list[Path] | None, typer.Option("--seen", metavar="CAPTURE", help="A capture of the bus. Repeatable.")
    ] = None,
    channels: Annotated[
        Path | None, typer.Option("--channels", metavar="FILE", help="Which channel of it is which line, as TOML.")
    ] = None,
    seen_text: Annotated[
        str | None,
        typer.Option(
            "--seen-text", metavar="TEXT", help="All that stands on the screen or terminal, or a file with it."
        ),
    ] = None,
    seen_picture: Annotated[
        Path | None, typer.Option("--seen-picture", metavar="PNG", help="What is on the screen, in palette numbers.")
    ] = None,
    seen_early: Annotated[
        bool,
        typer.Option("--seen-early", help="Text or picture was seen before the last input had come, or at any time."),
    ] = False,
    seen_memory: Annotated[
        str | None, typer.Option("--seen-memory", metavar="FILE@ADDRESS", help="What a RAM holds at the end.")
    ] = None,
    hangs_at: Annotated[
        str | None, typer.Option("--hangs-at", metavar="PLACE", help="Label or address where it comes no further.")
    ] = None,
    seen_nothing: Annotated[
        bool, typer.Option("--seen-nothing", help="The screen shows one colour; nothing came over the line.")
    ] = False,
    answer: Annotated[
        list[str] | None,
        typer.Option("--answer", metavar="ANSWER", help="Answer to the next measurement; in order, repeatable."),
    ] = None,
    slot: Annotated[
        list[int] | None,
        typer.Option("--slot", metavar="SLOT", help="Suspect nothing but the card in this slot. Repeatable."),
    ] = None,
    session: Annotated[
        Path | None, typer.Option("--session", metavar="FILE", help="Keep the runs there, and go on from them.")
    ] = None,
    cluster: Annotated[
        str | None,
        typer.Option("--cluster", metavar="ADDRESS", help="Have the workers of a scheduler of yours do the runs."),
    ] = None,
    force: ForceOption = False,
    as_json: JsonOption = False,
) -> None:
    """Search (see HELP)."""
    from simkit.commands.ending import Ending
    from simkit.commands.suspect_runs import SearchRuns
    from simkit.commands.symptoms import Hands, recorded_input
    from simkit.files.whole import check_output
    from simkit.suspect.rom_cells import ROM_CELL
    from simkit.suspect.seen import SeenPicture, SeenText
    from simkit.suspect.session import SESSION
    from simkit.suspect.trial import Trial

    if channels is not None and not seen:
        raise SimkitError("--channels is for --seen.", remedy="Name the capture: --seen FILE.")
    if session is not None:
        check_output(session, what="search", known=SESSION, force=force)
    loaded = options.load()
    symptoms = _symptoms(loaded, seen or [], channels, seen_text, seen_picture, seen_memory, hangs_at, seen_nothing)
    if seen_early:
        symptoms = [_early(one) for one in symptoms]
        if not any(isinstance(one, SeenText | SeenPicture) for one in symptoms):
            raise SimkitError(
                "--seen-early is for what was seen on a screen.", remedy="Give --seen-text or --seen-picture, too."
            )
    labels = tuple(loaded.labels.items()) if options.labels else ()  # of --labels; the machine's own lists it knows
    hands = Hands(running, recorded_input(replay) if replay is not None else (), labels)
    goal = running.goal(loaded, None, DEFAULT_FOR)
    if not goal.is_time:
        raise SimkitError(
            "--for takes a time here: with some faults an event never comes.", remedy="Write e.g. --for 2s."
        )
    hands(options.load(tell_notes=False))  # what is wrong with the input is told before the work
    trial = Trial.of(loaded, goal.limit, hands)
    with Ending() as ending:
        runs = SearchRuns(trial=trial, machine=loaded, session=session, cluster=cluster, force=force, ending=ending)
        runs.read()
        known = runs.known.of_kind(ROM_CELL) if runs.known else ()
        outcomes = runs.outcomes(_candidates(trial, slot, [*_rom_cells(loaded, symptoms), *known]))
        ending.leave()
        ranking = runs.ranking(outcomes, symptoms)
        ending.leave()
    _tell(loaded, outcomes, ranking, list(answer or []), as_json=as_json)
    if not outcomes.is_whole:
        raise typer.Exit(exits.INTERRUPTED)


def _symptoms(
    machine: Machine,
    captures: Sequence[Path],
    channels: Path | None,
    text: str | None,
    picture: Path | None,
    memory: str | None,
    hang: str | None,
    nothing: bool,
) -> list[Seen]:
    from simkit.commands import symptoms
    from simkit.suspect.seen import SeenNothing

    notes: list[str] = []
    found: list[Seen] = [symptoms.seen_capture(machine, one, channels, notes) for one in captures]
    found += [symptoms.seen_text(text)] if text is not None else []
    found += [symptoms.seen_picture(machine, picture)] if picture is not None else []
    found += [symptoms.seen_memory(memory)] if memory is not None else []
    found += [symptoms.seen_hang(machine, hang)] if hang is not None else []
    found += [SeenNothing()] if nothing else []
    symptoms.at_least_one(found)
    if notes:
        say(*(f"Note: {note}" for note in notes), error=True)
    return found


def _early(seen: Seen) -> Seen:
    """The same, seen at any time."""
    from simkit.suspect.seen import SeenPicture, SeenText

    return attrs.evolve(seen, early=True) if isinstance(seen, SeenText | SeenPicture) else seen


def _rom_cells(machine: Machine, symptoms: Sequence[Seen]) -> list[Candidate]:
    """Bytes of ROMs that captures show to be wrong."""
    from simkit.suspect.rom_cells import rom_cells
    from simkit.suspect.seen import SeenCapture

    return [cell for one in symptoms if isinstance(one, SeenCapture) for cell in rom_cells(machine, one.captured)]


def _candidates(trial: Trial, slots: list[int] | None, cells: Sequence[Candidate]) -> tuple[Candidate, ...]:
    """All single faults with bytes of ROMs that were seen to be wrong, or those at some slots."""
    from simkit.suspect.catalogue import catalogue

    found = (*catalogue(trial.description), *{one.sentence: one for one in cells}.values())
    there = {card.slot for card in trial.description.cards}
    for slot in slots or ():
        if slot not in there:
            raise SimkitError(
                f"--slot {slot}: there is no card in slot {slot}.", remedy=f"Cards are in {numbers(there)}."
            )
    places = {f"slot {slot}" for slot in slots or ()}
    return tuple(one for one in found if not places or one.place in places)


def _tell(machine: Machine, outcomes: Outcomes, ranking: Ranking, answers: list[str], *, as_json: bool) -> None:
    """Tell what it may be, and ask until one cause is left."""
    from simkit.suspect import report
    from simkit.suspect.ask import Asking

    group = ranking.first
    if not as_json:
        say(*report.summary(outcomes), *report.ranking_lines(outcomes, ranking, group))
    question, asked = None, list[dict[str, str]]()
    if not ranking.none:
        asking = Asking(
            outcomes, float(machine.clock_hz), lambda address: machine.labels.name_at(address) or "", screen=True
        )
        group, question = _ask(asking, outcomes, ranking, answers, asked, as_json=as_json)
        if len(group) == 1 and not as_json:
            say(*report.found_lines(outcomes, group[0]))
    if as_json:
        say_json(_as_dict(machine, outcomes, ranking, group, question, asked))
    if ranking.none or not group:
        raise typer.Exit(exits.FOUND)


def _ask(
    asking: Asking,
    outcomes: Outcomes,
    ranking: Ranking,
    answers: list[str],
    asked: list[dict[str, str]],
    *,
    as_json: bool,
) -> tuple[tuple[str, ...], Question | None]:
    """Ask one measurement after the other; gives what is left, and the question that is open."""
    from simkit.suspect import report

    group = ranking.first
    by_hand = not as_json and sys.stdin.isatty() and sys.stdout.isatty()
    while len(asked) < MOST_MEASUREMENTS and (question := asking.question(group)) is not None:
        if not as_json:
            say(*report.question_lines(question))
        if answers:
            given = answers.pop(0)
        elif by_hand:
            given = typer.prompt("Answer (nothing ends it)", default="", show_default=False)
        else:
            given = ""
        if not given.strip():
            return group, question
        answer = question.meant(given)
        if answer is None:
            remedy = f"Answers that are possible: {', '.join(question.answers)}."
            raise SimkitError(f"{given!r} is no answer to: {question.text}", remedy=remedy)
        asked.append({"question": question.text, "answer": answer})
        group = question.left(answer)
        if not group:
            say("No candidate answers so: measure again, or it is no single fault.")
            return group, None
        if not as_json:
            say(f"{answer}: {len(group)} left.", *report.ranking_lines(outcomes, ranking, group))
    if answers:
        raise SimkitError(f"There is no question left for the answer {answers[0]!r}.", remedy="Leave it out.")
    return group, None


def _as_dict(
    machine: Machine,
    outcomes: Outcomes,
    ranking: Ranking,
    group: Sequence[str],
    question: Question | None,
    asked: list[dict[str, str]],
) -> dict[str, Any]:
    fits = {one.name: one for one in ranking.order}

    def told(name: str) -> dict[str, Any]:
        same = [one.sentence for one in outcomes.classes.get(name, ())]
        return {"fault": name, "same_machine": same, "behind": fits[name].behind, "fits": list(fits[name].fits)}

    return {
        "machine": machine.description.name,
        "identity": outcomes.identity,
        "faults": outcomes.faults,
        "machines_run": len(outcomes.runs),
        "not_shown": [one.sentence for one in outcomes.not_shown],
        "cannot_be": dict(outcomes.troubles),
        "whole": outcomes.is_whole,
        "misfit": ranking.misfit,
        "first": [told(name) for name in ranking.first],
        "order": [told(one.name) for one in ranking.order[:20]],
        "asked": asked,
        "left": list(group),
        "question": None
        if question is None
        else {"text": question.text, "answers": {answer: list(own) for answer, own in question.answers.items()}},
    }
