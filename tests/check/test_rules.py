"""Each rule of the catalogue has a small machine that breaks it and a twin that does not; the check tells them apart.

Rules of the check itself: ROMs in roms/rules. Rules of wiring and cards: `pairs.toml` beside this file.
"""

import re
import shutil
import tomllib
from fractions import Fraction
from pathlib import Path

import pytest
import simkit_cards.serial_6551.receiver

from simkit import Machine
from simkit.check.rules.catalogue import RULES
from simkit.check.run import check
from simkit.luck.finding import owed_to_luck
from simkit.rom.images import write_image

ROOT = Path(__file__).resolve().parents[2]
ROMS = ROOT / "roms" / "rules"
MISTAKES = ROOT / "roms" / "video-mistakes"
BENCH = Path(__file__).parent / "bench"
PAIRS = {pair["rule"]: pair for pair in tomllib.loads((Path(__file__).parent / "pairs.toml").read_text())["pair"]}
INCLUDE = {"bench": "bench.inc", "marlpit": "marlpit.inc"}
NMOS = {"decimal-at-interrupt", "decimal-open", "decimal-undefined", "opcode-missing", "undefined-opcode", "cpu-jammed"}
ALSO = {  # what follows from the mistake besides its own rule
    "handler-stack": {"ran-away", "stack-uneven"},
    "stack-underflow": {"never-written", "ran-away"},
    "vector-astray": {"ran-away"},
    "image-size": {"vector-astray", "labels-stale", "ran-away"},
    "opcode-missing": {"wait-without-end"},
    "cpu-jammed": {"undefined-opcode", "opcode-missing"},
    "undefined-opcode": {"opcode-missing"},
    "brk-executed": {"ran-away", "register-unset"},
    "constant-differs": {"undriven-read"},
    "stack-wrap": {"stack-underflow"},
    "works-by-luck": {"never-written"},
}
WRONG = {name: sorted(path.stem for path in ROMS.glob(f"{name}-wrong*.asm")) for name in RULES}
TWINS = {name: sorted(path.stem for path in ROMS.glob(f"{name}-right*.asm")) for name in RULES}


def _shown(path):
    return f'.include "{path.as_posix()}"'


def _put(written, folder):
    for kind, path in written.items():
        path.replace(folder / f"rule.{kind}")


@pytest.fixture
def checked(assemble, tmp_path):
    """Assemble a rule ROM, put it into the machine of the rule ROMs, check it; gives the names of the rules broken."""

    def run(name, cpu):
        shutil.copy(BENCH / "bench_card.py", tmp_path)
        shutil.copy(BENCH / f"machine-{cpu}.toml", tmp_path / "machine.toml")
        _put(assemble(ROMS / f"{name}.asm", tmp_path), tmp_path)
        return {f.rule.name for f in check(Machine.load(tmp_path), seconds=Fraction(1, 100)).findings}

    return run


@pytest.fixture
def checked_pair(assemble, tmp_path, monkeypatch):
    """Build one side of a pair, check it; gives the names of the rules broken."""

    def run(pair, side):
        case = {"on": "bench", "program": "", "constants": "", "socket": "", **pair, **pair.get(side, {})}
        on = case["on"] if "rom" not in case else "marlpit"
        wiring = pair.get("machine", "") + pair.get(side, {}).get("machine", "")
        for helper in ("inverter.py", "clock_source.py", "reset_pulse.py"):
            shutil.copy(BENCH / helper, tmp_path)
        if "rom" in case:
            twin = case["rom"] if side == "wrong" or side in pair else f"{case['rom']}-right"
            _put(assemble(MISTAKES / f"{twin}.asm", tmp_path), tmp_path)
        else:
            handler = "" if "handler:" in case["program"] else "handler:\n        rti\n"
            source = tmp_path / "rule.asm"
            source.write_text(
                f"{_shown(ROOT / 'roms' / INCLUDE[on])}\n{case['constants']}\n.org $8000\nstart:  ldx #$FF\n"
                f"        txs\n        cld\n{case['program']}\nstop:   jmp stop\n{handler}.advance $FFFA, $FF\n"
                ".word handler, start, handler\n"
            )
            _put(assemble(source, tmp_path), tmp_path)
        shutil.copy(ROOT / "demo" / "marlpit" / "keyboard.net", tmp_path)
        image = "rule.bin"
        content = bytearray((tmp_path / image).read_bytes())
        if "patched" in case:
            content[case["patched"] - 0x8000] ^= 0xFF
            (tmp_path / image).write_bytes(content)
        if "hex_at" in case:
            image = "rule.hex"
            (tmp_path / image).write_bytes(write_image(bytes(content), ".hex", address=case["hex_at"]))
        if "room" in case:
            monkeypatch.setattr(simkit_cards.serial_6551.receiver, "QUEUE_LIMIT", case["room"])
        head, _, cards = wiring.partition("[[card]]")
        (tmp_path / "machine.toml").write_text(
            f'base = "{(ROOT / "demo" / on / "machine.toml").as_posix()}"\nname = "Rule bench"\n{head}\n[[card]]\n'
            f'slot = 2\nimage = "{image}"\nlabels = "rule.labels"\n{case["socket"]}\n'
            + (f"[[card]]{cards}" if cards else "")
        )
        machine = Machine.load(tmp_path)
        if "sends" in case:
            machine.serial.send(b"A" * case["sends"][0], at=case["sends"][1])
        if "types" in case:
            machine.keys.type(case["types"][0], at=case["types"][1])
        besides = None
        if "power_ups" in case:

            def besides(again):
                return owed_to_luck(again, again.cycle, power_ups=case["power_ups"])

        result = check(machine, seconds=Fraction(case.get("seconds", 0.006)), besides=besides)
        return {f.rule.name for f in result.findings}

    return run


def test_no_pair_is_of_an_unknown_rule():
    assert {re.split("-right|-wrong", path.stem)[0] for path in ROMS.glob("*.asm")} | set(PAIRS) <= set(RULES)


@pytest.mark.parametrize("rule", sorted(RULES))
def test_every_rule_is_broken_by_one_machine_and_not_by_its_twin(rule, checked, checked_pair):
    if (ROMS / f"{rule}.asm").is_file():
        cpu = "6502" if rule in NMOS else "65C02"
        wrong = checked(rule, cpu)
        assert TWINS[rule], f"{rule}.asm in roms/rules has no twin"
        rights = [checked(twin, cpu) for twin in TWINS[rule]]
        assert wrong - {rule} - {"wait-without-end"} <= ALSO.get(rule, set())
    else:
        assert rule in PAIRS, "a rule without a pair: write one into pairs.toml, or a ROM and its twin into roms/rules"
        wrong = checked_pair(PAIRS[rule], "wrong")
        rights = [checked_pair(PAIRS[rule], "right")]
    assert rule in wrong
    assert all(rule in checked(other, "6502" if rule in NMOS else "65C02") for other in WRONG[rule])
    for right in rights:
        assert right - ({"wait-without-end"} - {rule}) == set()
