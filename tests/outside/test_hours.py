"""Hours of play: memory stays as it is, and the recording of it all plays to the same end."""

import json
import subprocess
import sys
from fractions import Fraction
from pathlib import Path

import pytest

MOST_GROWTH_KB = 3000
"""Pages that Python takes and keeps in the first minutes; the recording of an hour alone is 0.5 MB."""


@pytest.mark.needs("/proc")
@pytest.mark.parametrize("hours", ["1/60", pytest.param("2", marks=pytest.mark.slow)])
def test_memory_stays_as_it_is_and_the_replay_of_the_whole_ends_alike(hours):
    command = [sys.executable, str(Path(__file__).with_name("hours.py")), "--hours", hours]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    told = json.loads(done.stdout)
    assert told["same"]
    assert told["compared"] >= 360 * float(Fraction(hours)) - 1  # every ten seconds
    for values in told["memory kB"].values():
        assert max(values) - values[0] < MOST_GROWTH_KB
