"""The processes of a search end with who began them, whatever ends him."""

import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

BEGIN = """
import os, time
from simkit.suspect.runs import local_executor
if __name__ == "__main__":
    pool = local_executor(1)
    print(pool.submit(os.getpid).result(), flush=True)
    pool.submit(time.sleep, 600)
    time.sleep(600)
"""


@pytest.mark.skipif(not Path("/proc/self/stat").exists(), reason="whether a process runs is looked up in /proc")
def test_they_do_not_go_on_working_for_somebody_who_was_killed(tmp_path):
    script = tmp_path / "begin.py"
    script.write_text(BEGIN)
    with subprocess.Popen([sys.executable, script], stdout=subprocess.PIPE, text=True) as begun:
        worker = int(begun.stdout.readline())
        assert _runs(worker)
        begun.send_signal(signal.SIGKILL)
        until = time.monotonic() + 20
        while _runs(worker) and time.monotonic() < until:
            time.sleep(0.05)
        assert not _runs(worker)


def _runs(pid):
    """Whether there is such a process that is no zombie."""
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] != "Z"
    except (FileNotFoundError, ProcessLookupError):
        return False
