"""Run the core and the reference side by side and see that nobody could tell them apart; see DEVELOPERS.md, "The core".

    python tests/cpu/core/lockstep.py --cycles 1000M --pairs 100000 --seed 1 [--demo NAME] [--jobs N] [--again UNIT]

Two kinds of units. An episode is a demo machine with random fingers on its pads, keys, buttons and serial line, on the
reset button and on IRQ, NMI, SO and RDY; its cycles are run once by each engine, and what both would save is compared
at random cycles. A batch is a number of random programs on a board of hard cases; a pair is one of them and a pull of
a line in a random cycle, behind which everything is compared, with cards that fail and Ctrl-C among them. Every fourth
batch and some of an episode are compared cycle by cycle as well, recorded and as a probe is told.

Progress goes to stderr, the counts to stdout; exit code 1 at a difference, with the unit that repeats it.
"""

from __future__ import annotations

import argparse
import random
import sys
import time
import traceback
from collections import Counter
from collections.abc import Callable, Iterator
from concurrent.futures import ProcessPoolExecutor, as_completed
from multiprocessing import get_context
from typing import Any

from board_cards import Pressed
from boards import START, Pair, Watched
from programs import Programs

from simkit import Machine
from simkit.backplane.agenda import OUTSIDE_MACHINE
from simkit.contract.errors import SimkitError
from simkit.contract.lines import Drive, Pin, PinSpec
from simkit.contract.ports import ButtonsPort, KeysPort, PadsPort, SerialPort
from simkit.machinefile.shipped import demo_folder
from simkit.suspect.catalogue import catalogue

PARTS = ("6502", "65C02")
EPISODE = 2_000_000
"""Cycles of an episode."""
BATCH = 50
"""Pairs of a batch."""
PULLS = 5
"""Pairs with one program: most programs end in a short loop soon."""
WATCHED = 15_000
"""Cycles of an episode that are compared one by one."""
LONGEST_LOOK = 200_000
"""Most cycles between two comparisons of an episode."""


def demos() -> list[str]:
    """Names of the demo machines."""
    folder = demo_folder()
    return sorted(file.parent.relative_to(folder).as_posix() for file in folder.rglob("machine.toml"))


class Twins:
    """A demo machine twice, one on each engine, with the same fingers on both."""

    def __init__(self, demo: str, chance: random.Random, *, hands: bool, waits: bool) -> None:
        self.chance = chance
        seed = chance.randrange(1 << 30)
        faults = _fault(demo, chance) if chance.random() < 0.3 else []
        self.both = [
            Machine.load(f"demo:{demo}", seed=seed, engine=engine, faults=faults) for engine in ("exact", "core")
        ]
        self.exact, self.core = self.both
        for machine in self.both:
            if hands:
                self._lay_hands(machine)
                machine.bus.may_stall |= waits
        self.ports = [
            (seat.slot, name, port)
            for seat in self.exact.bus.seats
            for name, port in seat.card.slot.ports.items()
            if isinstance(port, KeysPort | PadsPort | SerialPort | ButtonsPort)
        ]
        self.lines = ("IRQ", "IRQ", "NMI", "SO", *(("RDY", "RDY") if waits else ())) if hands else ()
        self.shot = b""

    @staticmethod
    def _lay_hands(machine: Machine) -> None:
        pins = {
            name: Pin(PinSpec(name="hand", drive=Drive.OPEN_DRAIN), OUTSIDE_MACHINE)
            for name in ("IRQ", "NMI", "SO", "RDY")
        }
        for name, pin in pins.items():
            machine.bus.nets.line(name).join(pin)

        def moved(arguments: tuple[Any, ...], cycle: int) -> None:
            name, _, level = arguments[0].partition(" ")
            pins[name].drive(False if level == "low" else None, cycle)

        machine.bus.agenda.machine_events["hand"] = moved

    def outside(self, slot: int, port: str, action: str, *arguments: Any, at: int) -> None:
        """The same outside event on both."""
        for machine in self.both:
            machine.outside(slot, port, action, *arguments, at=at)

    def press_something(self, cycles: int) -> None:
        """Fingers, bytes and hands in the cycles that come."""
        chance = self.chance
        for _ in range(chance.randrange(1 + min(4, 1 + cycles // 400)) if self.ports else 0):
            slot, name, port = chance.choice(self.ports)
            at = self.exact.cycle + chance.randrange(cycles)
            until = at + chance.randrange(1, 150_000)
            if isinstance(port, SerialPort):
                spoilt = chance.choice(((), (), (), (), ("parity",), ("framing",)))
                byte = chance.choice((13, 10, *range(256), *range(32, 127)))
                self.outside(slot, name, "receive", byte, *spoilt, at=at)
                continue
            if isinstance(port, PadsPort):
                if not port.numbers:
                    continue
                number = chance.choice(port.numbers)
                if chance.random() < 0.05:
                    self.outside(slot, name, chance.choice(("plug", "unplug")), number, at=at)
                what = (number, chance.choice(port.buttons))
            elif not (keys := port.keys if isinstance(port, KeysPort) else port.labels):
                continue  # its card has none left
            else:
                what = (chance.choice(keys),)
            self.outside(slot, name, "press", *what, at=at)
            self.outside(slot, name, "release", *what, at=until)
        for _ in range(chance.randrange(4) if self.lines else 0):
            name = chance.choice(self.lines)
            at = self.exact.cycle + chance.randrange(cycles)
            self.outside(OUTSIDE_MACHINE, "machine", "hand", f"{name} low", at=at)
            self.outside(
                OUTSIDE_MACHINE, "machine", "hand", f"{name} free", at=at + chance.choice((1, 2, 3, 9, 60, 700))
            )
        if chance.random() < 0.02:
            for machine in self.both:
                machine.reset()

    def meddle(self) -> None:
        """What only somebody at a keyboard does, now and then: states taken back, bytes put in."""
        what = self.chance.random()
        if what < 0.03:
            self.shot = self.exact.save_state()
        elif what < 0.05 and self.shot:
            for machine in self.both:
                machine.load_state(self.shot)
        elif what < 0.08:
            address, byte = self.chance.randrange(0x200, 0x4000), self.chance.randrange(256)
            for machine in self.both:
                if any(seat.plain is not None and seat.plain.read for seat, _ in machine.bus.where(address)):
                    machine.poke(address, byte)

    def run(self, cycles: int) -> None:
        """Run both; they must agree."""
        goal = self.exact.cycle + cycles
        for machine in self.both:
            machine.run(cycles=goal - machine.cycle)
        self.compare()

    def compare(self) -> None:
        """They must agree."""
        one, two = self.exact, self.core
        assert one.cycle == two.cycle, f"cycle {one.cycle} and {two.cycle}"
        if one.save_state() != two.save_state():
            raise AssertionError(f"cycle {one.cycle}: {_state_differences(one, two)}")
        assert list(one.findings) == list(two.findings), f"cycle {one.cycle}: findings"
        assert one.findings.counts() == two.findings.counts(), f"cycle {one.cycle}: counts of findings"
        recent, known = one.cpu.last_notes(), two.cpu.last_notes()
        assert recent[len(recent) - len(known) :] == known, f"cycle {one.cycle}: last instructions"


def _fault(demo: str, chance: random.Random) -> list[str]:
    """Something wrong with a demo machine, of what a search for the cause of a symptom tries."""
    candidates = catalogue(Machine.load(f"demo:{demo}").description)
    for one in chance.sample(candidates, 5):
        try:
            Machine.load(f"demo:{demo}", faults=[one.sentence])
        except SimkitError:
            continue  # no machine can have it
        return [one.sentence]
    return []


def _state_differences(one: Machine, two: Machine) -> str:
    found = [
        f"{name} is {getattr(one.cpu, name)} and {getattr(two.cpu, name)}"
        for name in ("pc", "a", "x", "y", "sp", "p", "last", "due", "waiting", "halted")
        if getattr(one.cpu, name) != getattr(two.cpu, name)
    ]
    for seat, other in zip(one.bus.seats, two.bus.seats, strict=True):
        if seat.card.save(one.cycle) != other.card.save(two.cycle):
            found.append(f"{seat.name} differs")
    mine, its = one.bus.save(), two.bus.save()
    found += [f"{name} are {mine[name]} and {its[name]}" for name in ("events", "outside") if mine[name] != its[name]]
    lines = (name for name in mine["lines"] if mine["lines"][name] != its["lines"][name])
    found += [f"line {name} is {mine['lines'][name]} and {its['lines'][name]}" for name in lines]
    return "; ".join(found) or "the saved states differ"


def episode(demo: str, unit: str, *, cycles: int = EPISODE, watched: int = WATCHED) -> Counter[str]:
    """A demo machine for so many cycles; gives what was counted.

    Raises:
        AssertionError: the engines differ.
    """
    chance = random.Random(unit)
    hands = chance.random() < 0.6
    twins = Twins(demo, chance, hands=hands, waits=hands and chance.random() < 0.4)
    counted = Counter(episodes=1)
    while counted["cycles"] < cycles:
        before = twins.exact.cycle
        longest = chance.choice((300, 9000, LONGEST_LOOK, LONGEST_LOOK))
        stretch = min(chance.randrange(1, longest), cycles - counted["cycles"])
        twins.press_something(stretch)
        twins.run(stretch)
        counted.update(cycles=twins.exact.cycle - before, looks=1)
        twins.meddle()
    watch = Watched(*twins.both)
    end = counted["watched"] + watched
    while counted["watched"] < end:
        stretch = chance.randrange(1, 4000)
        twins.press_something(stretch)
        twins.run(stretch)
        counted.update(watched=watch.compare(), looks=1)
    counted["cycles"] += counted["watched"]
    return counted


DATA_CROSSED = {"D0": "D1", "D1": "D2", "D2": "D0", "D4": "D7", "D7": "D4"}
GAPS = ("00000011xxxx1xxx", "1100000011xxxxxx", "11000101xxxxxxxx", "11000110000001xx", "000000010xxxxxxx")
"""Addresses at which no card answers: data, a program, a routine, a handler, the stack."""
MEDDLERS = (0x02, 0x01, 0xC0, 0xC4)
"""Pages of a card that answers each access itself: data, the stack, a program, routines."""
ADDRESS_CROSSED = {"A0": "A3", "A3": "A5", "A5": "A0", "A9": "A10", "A10": "A9"}
CROSSINGS: tuple[dict[str, str], ...] = ({}, {}, {}, DATA_CROSSED, ADDRESS_CROSSED, DATA_CROSSED | ADDRESS_CROSSED)
"""How a memory is wired; the wires do not come back to where they were when gone through twice."""


def batch(part: str, unit: str, *, pairs: int = BATCH) -> Counter[str]:
    """Random programs and so many pulls of lines in random cycles; gives what was counted.

    Raises:
        AssertionError: the engines differ.
    """
    chance = random.Random(unit)
    boards = Pair(
        part,
        watched=chance.random() < 0.25,
        panel=True,
        holds=chance.random() < 0.25,
        slow_memory=chance.random() < 0.15,
        wait_states=chance.choice(("ready", "ready", "stretch")),
        program_in_rom=chance.random() < 0.25,
        crossed={slot: chance.choice(CROSSINGS) for slot in (3, 4, 5)},
        gaps=_some(chance, GAPS),
        meddlers=_some(chance, MEDDLERS),
    )
    programs = Programs(part, chance.getrandbits(48), hard=True)
    counted = Counter(batches=1)
    for number in range(pairs):
        if number % PULLS == 0:
            programs.put(boards)
            boards.each("start", chance.random() < 0.3)
            counted["programs"] += 1
        boards.each("forget")
        now = boards.exact.cpu.cycle
        held = boards.exact.cpu.halted is not None or boards.exact.cpu.waiting
        at = now + chance.randrange(20 if held else chance.choice((300, 300, 300, 3000)))
        _pull(boards, chance, at)
        if chance.random() < 0.4:
            boards.each(
                "meddle", chance.randrange(1, 400), chance.choice(("INT", "NMI", "SO", "RES")), chance.randrange(4)
            )
        if chance.random() < 0.12:
            error = chance.choice((ValueError, Pressed))
            boards.each("trip", now + chance.randrange(400), error, chance.random() < 0.5)
        if chance.random() < 0.08:
            boards.each("place", START + chance.randrange(0x80), bytes([chance.choice((0xEA, 0xE8, 0x08, 0xA9))]))
        if chance.random() < 0.05:
            boards.core.cpu.engine = chance.choice(("exact", "auto", "core", "core"))
        raised = boards.run_to(at + chance.randrange(1, 150))
        counted.update(pairs=1, **{f"pairs of {part}": 1}, **({"raised": 1} if raised else {}))
        counted["cycles of pairs"] += boards.exact.cpu.cycle - now
        counted["rounds skipped"] += len(boards.core.cpu.skips)
    counted["watched pairs"] += pairs if boards.watched is not None else 0
    return counted


def _some(chance: random.Random, all_of_them: tuple[Any, ...]) -> tuple[Any, ...]:
    """None of them more often than not, or each by chance."""
    return tuple(one for one in all_of_them if chance.random() < 0.5) if chance.random() < 0.4 else ()


def _pull(boards: Pair, chance: random.Random, at: int) -> None:
    stuck = boards.exact.cpu.halted is not None or (boards.exact.cpu.waiting and chance.random() < 0.3)
    line = "RESET" if stuck else chance.choice(("IRQ",) * 10 + ("NMI",) * 6 + ("SO",) * 2 + ("RDY",) * 2 + ("RESET",))
    boards.each("pull", line, at, chance.choice((1, 2, 3, 5, 9, 60)))
    if chance.random() < 0.3:
        boards.each("pull", chance.choice(("IRQ", "NMI", "SO")), at + chance.randrange(9), chance.randrange(1, 12))


# the job --------------------------------------------------------------------------------------------------------------


def run_unit(unit: str) -> Counter[str]:
    """A unit by its name: seed/demo:NAME/number or seed/PART/number.

    Raises:
        AssertionError: the engines differ.
    """
    _, _, rest = unit.partition("/")
    what, _, _ = rest.rpartition("/")
    return episode(what.removeprefix("demo:"), unit) if what.startswith("demo:") else batch(what, unit)


def tried(unit: str) -> tuple[str, Counter[str], str]:
    """The unit, what was counted, and how the engines differ or what else went wrong; "" when nothing did."""
    try:
        return unit, run_unit(unit), ""
    except AssertionError as error:
        return unit, Counter(), str(error) or traceback.format_exc()
    except Exception:  # noqa: BLE001 - whatever it is, the unit that repeats it must be told
        return unit, Counter(), traceback.format_exc()


def units(seed: int, names: list[str], cycles: int, pairs: int) -> list[str]:
    """Names of all units, the kinds mixed, so that a job that is stopped has done some of all."""
    rounds, batches = -(-cycles // (EPISODE * len(names))), -(-pairs // BATCH)
    kinds = ([f"{seed}/demo:{name}/{n}" for n in range(rounds) for name in names],)
    kinds += tuple([f"{seed}/{part}/{n}" for n in range(batches)] for part in PARTS)
    return [unit for _, unit in sorted((n / len(kind), unit) for kind in kinds for n, unit in enumerate(kind))]


def results(todo: list[str], jobs: int) -> Iterator[tuple[str, Counter[str], str]]:
    """Results of units, as they come."""
    if jobs == 1:
        yield from map(tried, todo)
        return
    with ProcessPoolExecutor(jobs, mp_context=get_context("spawn")) as pool:
        for done in as_completed([pool.submit(tried, unit) for unit in todo]):
            yield done.result()


def _number(text: str) -> int:
    factor = {"k": 1000, "M": 1_000_000}.get(text[-1:], 1)
    return int(text.rstrip("kM")) * factor


def job(arguments: list[str], show: Callable[[str], object]) -> int:
    """The whole job; gives the exit code."""
    parser = argparse.ArgumentParser(description="Run the core and the reference side by side.")
    parser.add_argument("--cycles", type=_number, default=100_000_000, help="of demo machines, in all")
    parser.add_argument("--pairs", type=_number, default=10_000, help="of random program and interrupt, for each part")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--demo", choices=demos(), help="this machine alone")
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--again", metavar="UNIT", help="this unit alone")
    given = parser.parse_args(arguments)
    names = [given.demo] if given.demo else demos()
    todo = [given.again] if given.again else units(given.seed, names, given.cycles, given.pairs)
    counted: Counter[str] = Counter()
    differing: list[str] = []
    started = shown = time.monotonic()
    for done, (unit, found, difference) in enumerate(results(todo, given.jobs), start=1):
        counted += found
        if difference:
            differing.append(unit)
            show(f"{unit}: {difference}\nrepeat it: python tests/cpu/core/lockstep.py --again {unit}")
        if time.monotonic() - shown > 10:
            shown = time.monotonic()
            show(f"{shown - started:.0f} s, {done} of {len(todo)} units, {_told(counted)}")
    print(f"{len(differing)} of {len(todo)} units differ; {_told(counted)}, {time.monotonic() - started:.0f} s")
    return 1 if differing else 0


def _told(counted: Counter[str]) -> str:
    return ", ".join(f"{number:,} {what}" for what, number in sorted(counted.items()))


if __name__ == "__main__":
    sys.exit(job(sys.argv[1:], lambda text: print(text, file=sys.stderr, flush=True)))
