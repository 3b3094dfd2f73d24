"""Compiled modules: made once, then kept in the user's cache folder, as compiling takes longer than a first picture.

A kept module is as trusted as code, so it lies in a folder that is the user's own and nobody else may write to. Its
name holds what it depends on: version of the package, processor, hash of the module. What cannot be read is made anew.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
import platform
import stat
import sys
from pathlib import Path

from simkit.contract.errors import SimkitError
from simkit.cpu.core.instance import NoCoreError
from simkit.cpu.core.modules import module_file
from simkit.cpu.core.wasmtime_library import Library
from simkit.files.bounded import read_bounded
from simkit.files.whole import write_whole

MAX_BYTES = 64_000_000
KEPT = 8
"""Compiled modules that stay in the folder, the last ones made; others are of kits that have gone."""


def module(library: Library, part: str) -> int:
    """The compiled module of a part (wasmtime_module_t), from the cache when it lies there."""
    source = module_file(part).read_bytes()
    kept = _kept(library.version, hashlib.sha256(source).hexdigest())
    if kept is not None:
        with contextlib.suppress(OSError, SimkitError, NoCoreError):
            content = read_bounded(kept, MAX_BYTES, "compiled core")
            digest, compiled = content[:32], content[32:]
            if hashlib.sha256(compiled).digest() == digest:
                return library.deserialize(compiled)
    made = library.compile(source)
    if kept is not None:
        with contextlib.suppress(OSError, SimkitError):
            compiled = library.serialize(made)
            write_whole(kept, hashlib.sha256(compiled).digest() + compiled, what="compiled core", force=True)
            older = sorted(kept.parent.glob("core-*"), key=lambda path: path.stat().st_mtime)[:-KEPT]
            for path in older:
                path.unlink(missing_ok=True)
    return made


def _kept(version: str, digest: str) -> Path | None:
    """Where the compiled module is kept; None when there is no folder of the user's own for it."""
    try:
        folder = cache_folder()
        folder.mkdir(parents=True, exist_ok=True, mode=0o700)
        if hasattr(os, "getuid"):
            found = folder.stat()
            if found.st_uid != os.getuid() or found.st_mode & (stat.S_IWGRP | stat.S_IWOTH):
                return None
    except (OSError, RuntimeError):  # RuntimeError: the user has no home folder
        return None
    name = f"core-{version}-{platform.machine()}-{_processor()}-{digest[:16]}"
    return folder / name


def cache_folder() -> Path:
    """The user's cache folder for the kit (XDG Base Directory Specification 0.8, and its like on other systems).

    Raises:
        RuntimeError: the user has no home folder.
    """
    if sys.platform == "win32":
        root = Path(os.environ.get("LOCALAPPDATA") or Path.home() / "AppData" / "Local")
    elif sys.platform == "darwin":
        root = Path.home() / "Library" / "Caches"
    else:
        named = Path(os.environ.get("XDG_CACHE_HOME", ""))
        root = named if named.is_absolute() else Path.home() / ".cache"  # "consider the path invalid and ignore it"
    return root / "backplane-simkit"


def _processor() -> str:
    """Short hash of what the processor says of itself: compiled code uses what it can do."""
    told = ""
    with contextlib.suppress(OSError):
        lines = Path("/proc/cpuinfo").read_text().splitlines()
        told = next((line for line in lines if line.startswith(("flags", "Features"))), "")
    text = (told or platform.processor()) + platform.version()  # `processor` may start a process to ask
    return hashlib.sha256(text.encode()).hexdigest()[:8]
