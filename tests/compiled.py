"""Where compiled Python is kept in a session of tests and what it starts: imported before all that is to be kept."""

import os
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
PREFIX = "PYTHONPYCACHEPREFIX"


def keep() -> None:
    """Where Python is told to write nothing compiled, have this process, its workers and what they start do so.

    Hundreds of processes would compile the kit, for half of the time until it runs; each worker, what this imports and
    pytest rewrites. What is compiled lies in one folder beside pytest's cache, from session to session, and in
    none of the tree.
    """
    if PREFIX in os.environ:  # of a worker: by the session that started it
        sys.dont_write_bytecode = "PYTHONDONTWRITEBYTECODE" in os.environ
    elif sys.dont_write_bytecode:
        os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
        os.environ[PREFIX] = sys.pycache_prefix = str(ROOT / ".pytest_cache" / "bytecode")
        sys.dont_write_bytecode = False


keep()
