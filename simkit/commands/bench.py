"""`simkit bench`: how fast both engines are beside plain py65, on this host, in one run."""

from __future__ import annotations

import json
import sys
from typing import Annotated

import typer

from simkit.commands.options import JsonOption, help_text

HELP = help_text(
    "Measure the engines: the same programs on plain py65 with flat memory, on the exact and on the translated engine.",
    "MACHINE measures that machine with the ROM it holds. The ratio is the translated engine's speed over py65's; "
    "a loop that only waits can be counted instead of run, which makes its ratio very large.",
    examples=("simkit bench", "simkit bench demo:marlpit --json"),
)


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("bench", help=HELP)(bench)


def bench(
    machine: Annotated[
        str | None,
        typer.Argument(metavar="[MACHINE]", help="A folder, a machine.toml, or demo:NAME.", show_default=False),
    ] = None,
    as_json: JsonOption = False,
) -> None:
    """Measure and print."""
    from simkit.machine.machine import Machine
    from simkit.measure import DEMO, geometric_mean, measure

    def report(name: str) -> None:
        if not as_json and sys.stderr.isatty():
            print(f"{name} ...", file=sys.stderr)

    measured = measure(machine, report)
    clock_mhz = float(Machine.load(machine or DEMO).description.clock_hz) / 1e6
    if as_json:
        found = {
            "clock_mhz": clock_mhz,
            "workloads": [
                {
                    "name": one.name,
                    "py65_mhz": one.py65_mhz,
                    "exact_mhz": one.exact_mhz,
                    "translated_mhz": one.translated_mhz,
                    "ratio": one.ratio,
                }
                for one in measured
            ],
            "geometric_mean_ratio": geometric_mean(measured),
        }
        print(json.dumps(found, indent=2))
        return
    print(f"Millions of machine cycles a second; the machine's clock is {clock_mhz:g} MHz.")
    print(f"{'':18}{'py65':>8}{'exact':>8}{'translated':>12}{'to py65':>10}{'to clock':>10}")
    for one in measured:
        print(
            f"{one.name:18}{one.py65_mhz:8.2f}{one.exact_mhz:8.2f}{one.translated_mhz:12.1f}"
            f"{one.ratio:9.1f}x{one.translated_mhz / clock_mhz:9.1f}x"
        )
    print(f"Geometric mean of the ratios to py65: {geometric_mean(measured):.1f}")
