"""What tests of rules share. The guide has this folder copied for whoever adds a rule: it needs none above it."""

import importlib.util
from fractions import Fraction
from pathlib import Path

import pytest

from simkit import Machine
from simkit.check.run import check

BENCH = Path(__file__).resolve().parents[2] / "demo" / "bench" / "machine.toml"


@pytest.fixture(scope="session")
def assemble():
    """Function that assembles a ROM's source: `assemble` of roms/build.py, which is no module of a package."""
    spec = importlib.util.spec_from_file_location("roms_build", Path(__file__).parents[2] / "roms" / "build.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module.assemble


def image(listing):
    """32 KB from lines `8000: A2 FF ...`."""
    rom = bytearray(b"\xff" * 32768)
    for line in listing.split("\n"):
        if line.strip():
            address, _, data = line.strip().partition(":")
            at = int(address, 16) - 0x8000
            rom[at : at + len(bytes.fromhex(data))] = bytes.fromhex(data)
    return bytes(rom)


@pytest.fixture
def found(tmp_path):
    """The first finding of each rule for a program in bytes on the bench machine; unlisted bytes are $FF."""

    def run(listing, cpu="6502", seconds=Fraction(1, 20), extra="", before=None):
        (tmp_path / "machine.toml").write_text(f'base = "{BENCH}"\ncpu = "{cpu}"\n{extra}')
        content = listing if isinstance(listing, bytes) else image(listing)
        rom = next(card.slot for card in Machine.load(BENCH).description.cards if card.kind == "rom")
        machine = Machine.load(tmp_path, images={rom: content})
        if before is not None:
            before(machine)
        return {finding.rule.name: finding for finding in reversed(check(machine, seconds=seconds).findings)}

    return run
