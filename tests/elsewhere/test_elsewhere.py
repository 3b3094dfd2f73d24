"""The suite as on a system without POSIX: what it lacks is said by the reason of a skip, and everything else passes."""

import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
RUN = [sys.executable, str(Path(__file__).with_name("run.py")), "-p", "no:cacheprovider", "-q", "-rs"]
LACKS = """
import os, signal
assert not hasattr(signal, "SIGHUP") and not hasattr(os, "mkfifo") and not hasattr(os, "openpty")
for name in ("termios", "pty", "fcntl", "resource"):
    try:
        __import__(name)
    except ModuleNotFoundError:
        continue
    raise SystemExit(f"{name} is here")
import asyncio, subprocess, multiprocessing, tempfile, simkit, typer, numpy
print("nothing of it is here")
"""


def elsewhere(*words):
    environment = {name: value for name, value in os.environ.items() if name != "PYTEST_ADDOPTS"}
    done = subprocess.run([*RUN, *words], cwd=ROOT, env=environment, capture_output=True, text=True, check=False)
    return done.returncode, done.stdout + done.stderr


def test_it_is_all_taken_away_from_every_python_that_is_started():
    environment = {
        **os.environ,
        "PYTHONPATH": os.pathsep.join([str(Path(__file__).parent), os.environ.get("PYTHONPATH", "")]),
    }
    started = f"import subprocess, sys; subprocess.run([sys.executable, '-c', {LACKS!r}], check=True)"
    done = subprocess.run([sys.executable, "-c", started], env=environment, capture_output=True, text=True, check=False)
    assert done.stdout == "nothing of it is here\n", done.stderr


@pytest.mark.slow
def test_every_test_can_be_collected_and_those_that_need_what_is_missing_say_so():
    code, told = elsewhere("-m", "needs and not slow", "tests")
    assert code == 0, told[-3000:]
    reasons = set(re.findall(r"^SKIPPED \[\d+\] \S+ (.+)$", told, re.MULTILINE))
    lacking = {reason for reason in reasons if reason.startswith("this system ")}
    assert len(lacking) > 4
    assert reasons <= {*lacking, "standard output is the serial line's"}, reasons


def test_files_and_lines_of_the_host_work():
    """Files grown, bounded and streamed, the serial line, files that are watched; the whole suite is the slow test."""
    named = (
        "files/test_growing.py",
        "files/test_bounded.py",
        "outside/test_serial_host.py",
        "commands/test_watching.py",
    )
    code, told = elsewhere(*(f"tests/{name}" for name in named))
    assert code == 0, told[-3000:]
    assert "SKIPPED" in told
    assert "this system " in told


@pytest.mark.slow
def test_the_whole_suite_passes():
    code, told = elsewhere("-n", str(os.cpu_count() or 1), "--deselect", "tests/elsewhere")
    assert code == 0, told[-5000:]
