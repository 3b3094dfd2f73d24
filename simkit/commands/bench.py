"""`simkit bench`: how fast the engines and the registers of the cards are, on this host, in one run."""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from simkit.commands.bench_compare import measure_compare
from simkit.commands.bench_suspect import SuspectOptions, measure_suspect
from simkit.commands.options import JsonOption, help_text
from simkit.commands.say import say, say_json
from simkit.contract.errors import SimkitError

if TYPE_CHECKING:
    from simkit.measure.cards import RegisterCost

HELP = help_text(
    "Measure the engines: the same programs on plain py65 with flat memory, on the reference engine and on the core. "
    "Then what costs the core speed, each beside the same without: code that runs once, exchanged wires, wait states, "
    "a run that is recorded, checked, counted or timed. "
    "Then the cards: every register of every card that is installed, accessed as a program that polls it does.",
    "MACHINE measures the engines alone, on that machine with the ROM it holds. The ratio is the core's "
    "speed over py65's; a loop that only waits can be counted instead of run, which makes its ratio very large.",
    "The ratio of a register is the time of an access over that of a read of an empty card, whose only register is a "
    "constant. --cards measures the registers alone, --card those of one card.",
    "--faults runs every single fault of a machine as `simkit suspect` does, and gives how many a minute are decided. "
    "--captures measures how fast captures of logic analysers are read, in each format: samples a second, and changes "
    "of single channels a second, from the bytes of a file to bus cycles.",
    "--compare measures how right `simkit compare` is on noisy captures: alarms that sound machines raise, and faulted "
    "runs whose first disagreement is the very cycle; a few minutes.",
    "--suspect measures how well `simkit suspect` finds a fault: faults drawn from its catalogue, others from outside "
    "it, put into Marlpit under power-ups, input times and capture errors that the search does not know. All "
    "processors work, for an hour or more; with --session FOLDER the same command goes on where it was stopped, and "
    "what was missed is written to misses.txt there. --outside-seed draws other faults from outside than those kept.",
    examples=(
        "simkit bench",
        "simkit bench demo:marlpit --json",
        "simkit bench --cards",
        "simkit bench --card keyboard --card file:my_card.py:MyCard",
        "simkit bench --captures",
        "simkit bench --faults",
        "simkit bench --faults --every 11",
        "simkit bench --compare --seed 7000",
        "simkit bench --suspect --pairs 300 --seed 1 --session measured",
        "simkit bench --suspect --pairs 20 --programs pad-test --kinds picture,text",
        "simkit bench --suspect --pairs 40 --outside 5 --outside-seed 3",
    ),
)


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("bench", help=HELP)(bench)


def bench(
    machine: Annotated[
        str | None,
        typer.Argument(metavar="[MACHINE]", help="A folder, a machine.toml, a kit, or demo:NAME.", show_default=False),
    ] = None,
    cards: Annotated[bool, typer.Option("--cards", help="Only the registers of the cards.")] = False,
    card: Annotated[
        list[str] | None,
        typer.Option("--card", metavar="KIND", help="Only the registers of this card; may be repeated."),
    ] = None,
    captures: Annotated[bool, typer.Option("--captures", help="Only how fast captures are read.")] = False,
    faults: Annotated[
        bool, typer.Option("--faults", help="Only how fast `simkit suspect` runs single faults; takes minutes.")
    ] = False,
    every: Annotated[
        int | None,
        typer.Option(
            "--every", metavar="N", min=1, help="With --faults: each N-th fault alone; what is done once weighs more."
        ),
    ] = None,
    compare: Annotated[
        bool, typer.Option("--compare", help="Only how right `simkit compare` is: false alarms, the very cycle.")
    ] = False,
    suspect: Annotated[bool, typer.Option("--suspect", help="Only how well `simkit suspect` finds faults.")] = False,
    pairs: Annotated[
        int | None,
        typer.Option(
            "--pairs", metavar="N", help="With --suspect: faults that are noticed; 300. With --compare: captures."
        ),
    ] = None,
    seed: Annotated[
        int | None,
        typer.Option("--seed", metavar="N", help="With --suspect and --compare: of power-ups, faults, noise; 1."),
    ] = None,
    kinds: Annotated[
        str | None, typer.Option("--kinds", metavar="KINDS", help="With --suspect: capture,eight,picture,text.")
    ] = None,
    programs: Annotated[
        str | None,
        typer.Option("--programs", metavar="NAMES", help="With --suspect: which notice the faults; all four."),
    ] = None,
    outside: Annotated[
        int | None,
        typer.Option("--outside", metavar="N", help="With --suspect: so many from outside for each program; all."),
    ] = None,
    outside_seed: Annotated[
        int | None,
        typer.Option("--outside-seed", metavar="N", help="With --suspect: draw others from outside; those kept."),
    ] = None,
    session: Annotated[
        Path | None, typer.Option("--session", metavar="FOLDER", help="With --suspect: keep what is done, go on.")
    ] = None,
    as_json: JsonOption = False,
) -> None:
    """Measure and print."""
    if every is not None and not faults:
        raise SimkitError("--every says which faults are run.", remedy="Add --faults.")
    if compare:
        if machine is not None or cards or card or captures or faults or suspect:
            raise SimkitError("--compare is measured alone, on the machines of the kit.", remedy="Leave out the rest.")
        if SuspectOptions(None, None, kinds, programs, outside, session, outside_seed) != SuspectOptions():
            raise SimkitError(
                "--kinds, --programs, --outside, --outside-seed and --session say how the search is measured.",
                remedy="With --compare give --pairs and --seed alone.",
            )
        measure_compare(pairs, seed, as_json=as_json)
        return
    asked = SuspectOptions(pairs, seed, kinds, programs, outside, session, outside_seed)
    if suspect:
        if machine is not None or cards or card or captures or faults:
            raise SimkitError("--suspect is measured alone, on the machines of the kit.", remedy="Leave out the rest.")
        measure_suspect(asked, as_json=as_json)
        return
    if asked != SuspectOptions():
        raise SimkitError(
            "--pairs, --seed, --kinds, --programs, --outside, --outside-seed and --session say how the search is "
            "measured.",
            remedy="Add --suspect.",
        )
    if machine is not None and (cards or card or captures or faults):
        raise SimkitError(
            "Cards, captures and faults are measured with what comes with the kit, not on a machine that is named.",
            remedy="Leave out MACHINE, or --cards, --card, --captures and --faults.",
        )
    if captures + faults + bool(cards or card) > 1:
        raise SimkitError(
            "Cards, captures and faults are measured one at a time.", remedy="Leave out all options but one."
        )

    def report(name: str) -> None:
        if not as_json and sys.stderr.isatty():
            say(f"{name} ...", error=True)

    if captures:
        _captures(report, as_json=as_json)
        return
    if faults:
        _faults(every or 1, as_json=as_json)
        return
    found: dict[str, Any] = {}
    if not (cards or card):
        found |= _engines(machine, report, as_json=as_json)
    if machine is None:
        if found and not as_json:
            say()
        found |= _cards(card, report, as_json=as_json)
    if as_json:
        say_json(found)


def _faults(every: int, *, as_json: bool) -> None:
    """Measure how fast single faults are run, and print it."""
    import os

    import attrs

    from simkit.commands import exits
    from simkit.commands.long_run import LongRun
    from simkit.measure.faults import DEMO, MACHINE_SECONDS, measure_faults

    with LongRun("single faults") as run:
        speed = measure_faults(run.goes_on, os.cpu_count() or 1, every)
    rates = {
        "faults_a_minute": speed.faults_a_minute,
        "shown_a_minute": speed.shown_a_minute,
        "machines_a_minute": speed.machines_a_minute,
        "lasting_a_minute": speed.lasting_a_minute,
    }
    if as_json:
        say_json(attrs.asdict(speed) | rates)
    else:
        say(
            f"{DEMO}, {MACHINE_SECONDS} s of machine time, {speed.power_ups} power-ups, {speed.processes} processes.",
            f"{speed.faults} faults in {speed.seconds:.0f} s: {speed.faults_a_minute:.0f} a minute.",
            f"Of them {speed.not_shown} the program cannot show and {speed.impossible} no machine can have, which is "
            f"told without a run. {speed.machines} were run under each power-up, {speed.machines_a_minute:.0f} a "
            f"minute; {speed.equal} make the same machine as one of these: with them {speed.shown_a_minute:.0f}.",
            f"{speed.wild} of {speed.machines * speed.power_ups} runs had gone wild and were ended early, the "
            f"middle one after {speed.wild_cycles} bus cycles.",
            f"Faults of which every run went on for the whole time, or until the CPU stood still: {speed.lasting}, "
            f"{speed.lasting_a_minute:.0f} a minute of the time of all.",
        )
        if speed.varying:
            say("Faults that come and go, which the search does not run: seconds for one run.")
            say(*(f"  {fault:36}{seconds:6.2f}" for fault, seconds in speed.varying.items()))
    if not speed.whole:
        raise typer.Exit(exits.INTERRUPTED)


def _captures(report: Callable[[str], None], *, as_json: bool) -> None:
    """Measure the reading of captures and print the table, or the same for programs."""
    from simkit.measure.captures import measure_captures

    rows = measure_captures(report)
    if as_json:
        say_json(
            {
                "captures": [
                    {
                        "format": row.name,
                        "samples": row.samples,
                        "changes": row.changes,
                        "bytes": row.size,
                        "cycles": row.cycles,
                        "seconds": row.seconds,
                    }
                    for row in rows
                ]
            }
        )
        return
    say("Millions of samples, and of changes of single channels, a second: from the bytes of a file to bus cycles.")
    say(f"{'':20}{'samples':>10}{'changes':>10}{'MB':>8}{'10 million samples':>22}")
    for row in rows:
        millions = row.samples / row.seconds / 1e6
        say(
            f"{row.name:20}{millions:10.2f}{row.changes / row.seconds / 1e6:10.2f}{row.size / 1e6:8.1f}"
            f"{10 / millions:20.1f} s"
        )


def _engines(machine: str | None, report: Callable[[str], None], *, as_json: bool) -> dict[str, Any]:
    """Measure the engines and print the table; gives the same for programs."""
    from simkit.cpu.core.runtime import words as core_words
    from simkit.machine.machine import Machine
    from simkit.measure.beside import measure_beside
    from simkit.measure.engines import DEMO, geometric_mean, measure

    measured = measure(machine, report)
    clock_mhz = float(Machine.load(machine or DEMO).description.clock_hz) / 1e6
    if not as_json:
        say(f"Millions of machine cycles a second; the machine's clock is {clock_mhz:g} MHz. Core: {core_words()}.")
        say(f"{'':18}{'py65':>8}{'exact':>8}{'core':>12}{'to py65':>10}{'to clock':>10}")
        for one in measured:
            say(
                f"{one.name:18}{one.py65_mhz:8.2f}{one.exact_mhz:8.2f}{one.core_mhz:12.1f}"
                f"{one.ratio:9.1f}x{one.core_mhz / clock_mhz:9.1f}x"
            )
        say(f"Geometric mean of the ratios to py65: {geometric_mean(measured):.1f}")
    beside = [] if machine is not None else measure_beside(report)
    if beside and not as_json:
        say("", "The core where something costs it speed, beside the same without.")
        for row in beside:
            say(f"{row.name:22}{row.mhz:8.1f}  {row.to:20}{row.other_mhz:8.1f}{row.ratio:8.2f}")
    return {
        "core": core_words(),
        "clock_mhz": clock_mhz,
        "workloads": [
            {
                "name": one.name,
                "py65_mhz": one.py65_mhz,
                "exact_mhz": one.exact_mhz,
                "core_mhz": one.core_mhz,
                "ratio": one.ratio,
            }
            for one in measured
        ],
        "geometric_mean_ratio": geometric_mean(measured),
        "beside": [
            {"name": row.name, "to": row.to, "mhz": row.mhz, "other_mhz": row.other_mhz, "ratio": row.ratio}
            for row in beside
        ],
    }


def _cards(kinds: list[str] | None, report: Callable[[str], None], *, as_json: bool) -> dict[str, Any]:
    """Measure registers and print the table; gives the same for programs."""
    from simkit.measure.cards import TARGET, measure_cards

    costs, left = measure_cards(kinds or None, report)
    if not as_json:
        say(*_card_lines(costs, left, TARGET))
    return {
        "registers": [
            {
                "card": cost.card,
                "register": cost.register,
                "access": cost.access,
                "ns": cost.ns,
                "empty_ns": cost.empty_ns,
                "events_ns": cost.events_ns,
                "ratio": cost.ratio,
            }
            for cost in costs
        ],
        "not_measured": left,
    }


def _card_lines(costs: list[RegisterCost], left: list[str], target: float) -> list[str]:
    lines = []
    if costs:
        card = max(len(cost.card) for cost in costs)
        name = max(len(cost.register) for cost in costs)
        lines = [
            "Nanoseconds an access, beside a read of an empty card, and nanoseconds of events between two accesses.",
            f"{'card':{card}}  {'register':{name}}  {'':6}{'access':>8}{'empty':>8}{'ratio':>8}{'events':>8}",
            *(
                f"{cost.card:{card}}  {cost.register:{name}}  {cost.access:6}{cost.ns:8.0f}{cost.empty_ns:8.0f}"
                f"{cost.ratio:7.1f}x{cost.events_ns:8.0f}"
                for cost in costs
            ),
        ]
        slow = [f"{cost.register} of {cost.card} ({cost.access})" for cost in costs if cost.ratio > target]
        lines.append(f"More than {target:g} times an empty card: {', '.join(slow) or 'none'}.")
    return lines + left
