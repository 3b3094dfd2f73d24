"""What the tests of commands share."""

import os
import time
from pathlib import Path

import pytest

USER_AND_SYSTEM = slice(11, 13)
"""Processor time in /proc/PID/stat, counted behind the name of the program (proc(5))."""
TICKS_A_SECOND = os.sysconf("SC_CLK_TCK") if hasattr(os, "sysconf") else 100


@pytest.fixture(scope="session")
def wait_until_busy():
    """Wait until a process has used so much processor time; on a busy host its clock says little."""

    def wait(process, seconds):
        stat = Path(f"/proc/{process.pid}/stat")
        if not stat.is_file():  # not Linux
            time.sleep(2 * seconds)
            return
        until = time.monotonic() + 60
        while time.monotonic() < until and process.poll() is None:
            fields = stat.read_text().rpartition(")")[2].split()
            if sum(int(field) for field in fields[USER_AND_SYSTEM]) >= seconds * TICKS_A_SECOND:
                return
            time.sleep(0.05)

    return wait
