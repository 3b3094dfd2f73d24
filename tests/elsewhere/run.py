"""Run tests as on a system without POSIX: no termios, pty, fcntl, resource, named pipes, SIGHUP, SIGKILL, timers.

python tests/elsewhere/run.py -n 2                   # the whole default suite
python tests/elsewhere/run.py tests/commands -n 2    # or what pytest is told
"""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

HERE = Path(__file__).parent


def environment() -> dict[str, str]:
    """Variables with which Python, and every Python that it starts, lacks what such a system lacks."""
    others = os.environ.get("PYTHONPATH")
    return {**os.environ, "PYTHONPATH": os.pathsep.join([str(HERE), *([others] if others else [])])}


if __name__ == "__main__":
    sys.exit(subprocess.run([sys.executable, "-m", "pytest", *sys.argv[1:]], env=environment(), check=False).returncode)
