"""The fuse map of the machine whose decoders are said by their parts is the one that its script writes."""

import runpy
from pathlib import Path

from simkit.logic.fuses.equations import equations
from simkit.logic.fuses.jedec import load_fuse_map
from simkit.logic.fuses.program import programmed

FOLDER = Path(__file__).parent.parent.parent / "demo" / "decoders"


def test_the_fuse_map_is_what_the_script_writes():
    script = runpy.run_path(str(FOLDER / "fuses.py"))
    assert (FOLDER / "decoder.jed").read_text(encoding="ascii") == script["file"]()


def test_the_fuse_map_says_what_the_script_promises():
    fuse_map = load_fuse_map(FOLDER / "decoder.jed")
    program = programmed("GAL16V8", fuse_map)
    lines = {**{pin: f"A{16 - pin}" for pin in range(1, 9)}, 9: "RW", 11: "PHI2"}
    assert (fuse_map.notes, program.signature) == ((), "MARLPIT1")
    assert equations(program, lines) == {
        19: "low when " + " or ".join(f"not A15 and not A{n}" for n in range(14, 7, -1)) + ", else high",
        18: "low when A15, else high",
        17: "low when RW and PHI2, else high",
        16: "low when not RW and PHI2, else high",
    }
