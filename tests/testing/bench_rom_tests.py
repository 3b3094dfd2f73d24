"""How long 100 ROM tests take, boot included: `python tests/testing/bench_rom_tests.py [workers]`, 2 if not given.

A benchmark: it prints what it measures, and fails only when the tests did.
"""

import subprocess
import sys
import tempfile
import time
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
TESTS = """
import pytest

pytestmark = pytest.mark.machine({machine!r}, boot="0.4s")


@pytest.mark.parametrize("number", range(100))
def test_a_routine_then_the_machine_runs_on(machine, number):
    assert machine.call("split_digits", a=number).cycles == 29
    machine.run(frames=1)
    assert "NIGHT IN THE VEGETABLE BEDS" in machine.screen.text()
"""


def main():
    workers = sys.argv[1] if len(sys.argv) > 1 else "2"
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "test_hundred.py"
        path.write_text(TESTS.format(machine=str(ROOT / "demo" / "marlpit")))
        began = time.perf_counter()
        command = [sys.executable, "-m", "pytest", "-q", "-n", workers, "-p", "no:cacheprovider", str(path)]
        done = subprocess.run(command, cwd=folder, capture_output=True, text=True, check=False)
        seconds = time.perf_counter() - began
    print(done.stdout.strip().splitlines()[-1])
    if done.returncode:
        raise SystemExit(done.stdout[-2000:])
    print(f"100 ROM tests with boot, {workers} workers: {seconds:.1f} s")


if __name__ == "__main__":
    main()
