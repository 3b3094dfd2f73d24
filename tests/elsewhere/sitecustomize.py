"""Python reads this before anything else, in every process that finds it: what only POSIX has is taken away.

`run.py` beside it puts its folder on PYTHONPATH. Modules of the standard library that have another body on such systems
are imported first, as they would not ask for what is missing there.
"""

import os
import signal
import subprocess
import sys
from importlib import import_module

from taken_away import FUNCTIONS, MODULES, SIGNALS

WITH_ANOTHER_BODY = ("asyncio", "getpass", "multiprocessing.synchronize", "tempfile", "shutil", "pathlib", "tarfile")

KILL = signal.SIGKILL


class Without:
    """A finder of modules that does not find some of them.

    Args:
        finder: one of sys.meta_path.
    """

    def __init__(self, finder):
        self._finder = finder

    def __getattr__(self, name):
        return getattr(self._finder, name)

    def find_spec(self, name, path=None, target=None):
        """As the finder's, or None."""
        return None if name in MODULES else self._finder.find_spec(name, path, target)


for _name in WITH_ANOTHER_BODY:
    import_module(_name)
for _name in MODULES:
    sys.modules.pop(_name, None)
sys.meta_path[:] = [Without(finder) for finder in sys.meta_path]
for _name in SIGNALS:
    delattr(signal, _name)
for _name in FUNCTIONS:
    delattr(os, _name)
subprocess.Popen.kill = lambda process: process.send_signal(KILL)
