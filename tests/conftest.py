"""What all tests share: what a test needs of the system it runs on."""

import os
import signal
from importlib.util import find_spec

import pytest

NEEDS = {
    "signals": (
        os.name == "posix",
        "this system sends no signals from one process to another",
    ),
    "SIGHUP": (hasattr(signal, "SIGHUP"), "this system has no SIGHUP: no terminal line hangs up"),
    "SIGKILL": (hasattr(signal, "SIGKILL"), "this system has no SIGKILL"),
    "SIGSTOP": (hasattr(signal, "SIGSTOP"), "this system stops and continues no processes"),
    "SIGPIPE": (hasattr(signal, "SIGPIPE"), "this system has no SIGPIPE: a closed pipe is an error as any other"),
    "timer signals": (hasattr(signal, "setitimer"), "this system has no timer that sends a signal"),
    "fifo": (hasattr(os, "mkfifo"), "this system has no named pipes in its folders"),
    "pty": (
        hasattr(os, "openpty") and all(find_spec(name) is not None for name in ("pty", "termios")),
        "this system has no pseudo-terminals",
    ),
    "resource": (find_spec("resource") is not None, "this system limits and counts no resources (module resource)"),
    "fork": (hasattr(os, "fork"), "this system does not fork processes"),
    "users": (hasattr(os, "getuid"), "this system knows no rights of user and group"),
    "devices": (os.path.exists("/dev/null"), "this system has no devices in its folders"),  # noqa: PTH110
    "/dev/full": (os.path.exists("/dev/full"), "this system has no /dev/full, on which there is never room"),  # noqa: PTH110
}
"""What a test may need: whether it is here, and the reason for which it is skipped where not."""


def pytest_runtest_setup(item):
    for marker in item.iter_markers("needs"):
        for name in marker.args:
            here, reason = NEEDS[name]
            if not here:
                pytest.skip(reason)
