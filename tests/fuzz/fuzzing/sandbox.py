"""A place in which inputs may do what they like: folders of its own, a limit of memory, and a look at what is left."""

from __future__ import annotations

import contextlib
from pathlib import Path

from fuzzing import paths

LIMIT_BYTES = 1_200_000_000
"""Memory at which a process is told that there is no more."""


def make_sandbox(sandbox: Path) -> Path:
    """Folders for work, home and temporary files, and the files of others beside them; gives the first."""
    for name in ("work", "home", "temporary"):
        (sandbox / name).mkdir(parents=True, exist_ok=True)
    paths.lay_out_foreign(sandbox / "foreign")
    return sandbox / "work"


def environment(sandbox: Path) -> dict[str, str]:
    """Variables that lead a process into the sandbox."""
    home, temporary = str(sandbox / "home"), str(sandbox / "temporary")
    return {
        "HOME": home,
        "USERPROFILE": home,
        "XDG_CACHE_HOME": f"{home}/.cache",
        "TMPDIR": temporary,
        "TEMP": temporary,
        "TMP": temporary,
    }


def contents(folder: Path) -> dict[str, bytes]:
    """Regular files of a folder by their paths in it."""
    return {
        str(path.relative_to(folder)): path.read_bytes()
        for path in sorted(folder.rglob("*"))
        if path.is_file() and not path.is_symlink()
    }


def limit_memory() -> None:
    """Have memory end for this process before it ends for the computer."""
    with contextlib.suppress(ImportError):
        import resource

        resource.setrlimit(resource.RLIMIT_DATA, (LIMIT_BYTES, resource.getrlimit(resource.RLIMIT_DATA)[1]))


def peak_begins() -> None:
    """Count the largest memory from here on, where the system can (proc(5): clear_refs)."""
    with contextlib.suppress(OSError):
        Path("/proc/self/clear_refs").write_text("5")


def peak_bytes() -> int:
    """Largest memory of this process since `peak_begins`, or ever; 0 where the system does not tell."""
    with contextlib.suppress(OSError, StopIteration):
        status = Path("/proc/self/status").read_text()
        return int(next(line for line in status.splitlines() if line.startswith("VmHWM")).split()[1]) * 1024
    return 0
