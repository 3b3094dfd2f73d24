"""Mutants: the project's own ROMs with one small mistake each, of the kinds builders make; which the check notices.

The long test prints the table (`pytest -m slow -s tests/mutants`); a few mutants run every time.
"""

import shutil
import tomllib
from collections import Counter, defaultdict
from fractions import Fraction
from pathlib import Path

import pytest

from simkit import Machine
from simkit.check.rules.catalogue import RULES
from simkit.check.run import check

ROOT = Path(__file__).resolve().parents[2]
TABLE = tomllib.loads((Path(__file__).parent / "mutants.toml").read_text())
MUTANTS, RIGHT = TABLE["mutant"], TABLE["right"]
QUICK_KINDS = (
    "# forgotten",
    "interrupt not acknowledged",
    "save or restore dropped",
    "set-up dropped",
    "vectors exchanged",
    "wrong address",
)
QUICK = [next(m for m in MUTANTS if m["rom"] == "bench" and m["kind"] == kind) for kind in QUICK_KINDS]
"""One of each kind on the ROM that shows them soonest."""

LEAST_NOTICED = 0.8
"""Share of mutants that must be noticed; 72 of 85 are. Each of the others says why (`unnoticed`): it breaks a rule
where nobody plays long enough to see it, or it is sound: a wrong program that does nothing the hardware leaves open."""


def _slug_watch(machine):
    hz = int(machine.description.clock_hz)
    machine.pads[1].press("start", at=hz * 45 // 100)
    machine.pads[1].release("start", at=hz * 50 // 100)
    machine.keys.press("right", at=hz * 60 // 100)
    machine.pads[1].press("right", "a", at=hz * 65 // 100)
    machine.keys.release("right", at=hz * 70 // 100)
    return Fraction(9, 10)


def _type(machine):
    machine.keys.type("a1\n")
    return Fraction(8, 10)


def _pads(machine):
    machine.pads[2].press("up", "a", at=300_000)
    return Fraction(3, 10)


def _serial(machine):
    machine.serial.send(b"Seeds", at=60_000)
    return Fraction(3, 20)


PLAYED = {
    "slug-watch": ("marlpit", _slug_watch),
    "catalogue": ("catalogue", _type),
    "keyboard-test": ("keyboard-test", _type),
    "pad-test": ("pad-test", _pads),
    "hello": ("marlpit", _type),
    "bench": ("bench", _serial),
}


@pytest.fixture
def rules_of(assemble, tmp_path):
    """Assemble a ROM with changes to one file, play it, give the names of the rules it breaks."""

    def run(rom, file, changes):
        folder = tmp_path / "roms"
        shutil.rmtree(folder, ignore_errors=True)
        shutil.copytree(
            ROOT / "roms", folder, ignore=shutil.ignore_patterns("*.bin", "*.lst", "rules", "video-mistakes")
        )
        path = folder / file
        text = path.read_text()
        for old, new in changes:
            assert old in text, f"{file}: {old!r} is gone; renew mutants.toml"
            text = text.replace(old, new, 1)
        path.write_text(text)
        written = assemble(folder / f"{rom}.asm", tmp_path)
        demo, play = PLAYED[rom]
        machine = Machine.load(ROOT / "demo" / demo, images={2 if demo != "bench" else _rom_slot(demo): written["bin"]})
        machine.read_labels(written["labels"])
        result = check(machine, seconds=play(machine))
        return sorted({finding.rule.name for finding in result.open})

    return run


def _rom_slot(demo):
    machine = Machine.load(ROOT / "demo" / demo)
    return next(seat.slot for seat in machine.bus.seats if seat.plain is not None and seat.plain.ignores_writes)


def _mutant(rules_of, mutant):
    return rules_of(mutant["rom"], mutant["file"], [(mutant["old"], mutant["new"])])


def test_there_are_at_least_sixty_mutants():
    assert len(MUTANTS) >= 60
    assert len({(m["file"], m["old"], m["new"]) for m in MUTANTS}) == len(MUTANTS)


def test_whoever_is_not_noticed_says_why():
    """The slow test below holds it to what the check finds."""
    why = [mutant["unnoticed"] for mutant in MUTANTS if "unnoticed" in mutant]
    assert all(text.startswith(("sound", "breaks ")) for text in why)
    assert all(text.split()[1].rstrip(",") in RULES for text in why if text.startswith("breaks "))


def test_every_change_still_fits_its_source():
    """The slow tests below make them; here it is seen at once when a ROM has moved on."""
    changes = [(m["file"], m["old"]) for m in MUTANTS] + [(r["file"], old) for r in RIGHT for old, _ in r["changes"]]
    sources = {file: (ROOT / "roms" / file).read_text() for file, _ in changes}
    assert [(file, old) for file, old in changes if old not in sources[file]] == []


@pytest.mark.parametrize("mutant", QUICK, ids=[kind.replace(" ", "-") for kind in QUICK_KINDS])
def test_a_few_mutants_are_noticed(mutant, rules_of):
    assert _mutant(rules_of, mutant)


def test_a_sound_rom_breaks_no_rule(rules_of):
    assert rules_of("bench", "bench.asm", []) == []


@pytest.mark.slow
@pytest.mark.parametrize("rom", sorted(PLAYED))
def test_every_sound_rom_breaks_no_rule(rom, rules_of):
    """Seconds of machine time for each of the project's own ROMs."""
    assert rules_of(rom, f"{rom}.asm", []) == []


@pytest.mark.slow
@pytest.mark.parametrize("number", range(len(RIGHT)), ids=[r["what"].replace(" ", "-") for r in RIGHT])
def test_what_is_changed_but_right_breaks_no_rule(number, rules_of):
    """The other half of the table: a check that cries wolf is switched off."""
    right = RIGHT[number]
    assert rules_of(right["rom"], right["file"], right["changes"]) == []


@pytest.mark.slow
def test_most_mutants_are_noticed(rules_of):
    """The whole table: by kind of mistake, and by rule. Minutes of run time; prints what it measured."""
    by_kind, by_rule, missed = defaultdict(list), Counter(), []
    for mutant in MUTANTS:
        rules = _mutant(rules_of, mutant)
        by_kind[mutant["kind"]].append(bool(rules))
        by_rule.update(rules)
        assert bool(rules) != ("unnoticed" in mutant), mutant
        if not rules:
            missed.append(f"{mutant['rom']}: {mutant['kind']}: {mutant['old'].strip()!r} -> {mutant['new'].strip()!r}")
    noticed = sum(sum(found) for found in by_kind.values())
    print(f"\n{noticed} of {len(MUTANTS)} mutants noticed")
    for kind, found in sorted(by_kind.items()):
        print(f"  {kind:<32} {sum(found):>2} of {len(found)}")
    print("mutants noticed by each rule")
    for rule, count in by_rule.most_common():
        print(f"  {rule:<32} {count:>2}")
    print("not noticed")
    for line in missed:
        print(f"  {line}")
    assert noticed / len(MUTANTS) >= LEAST_NOTICED
