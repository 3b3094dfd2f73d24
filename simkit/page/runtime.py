"""Where Python for browsers is: the files of the npm package `pyodide` that a page needs.

Without a folder of one's own the package is fetched by npm into the user's cache folder, once.
"""

from __future__ import annotations

import json
import shutil
import subprocess
from collections.abc import Callable
from pathlib import Path

import attrs

from simkit.contract.errors import SimkitError
from simkit.cpu.core.compiled import cache_folder
from simkit.files.bounded import is_file, read_bounded

PACKAGE = "pyodide@314"
"""What npm is asked for: the first series whose memory the core can have (`simkit/cpu/core/browser.py`)."""
FILES = ("pyodide.mjs", "pyodide.asm.mjs", "pyodide.asm.wasm", "python_stdlib.zip", "pyodide-lock.json", "package.json")
"""Of the package; package.json says its version and licence."""
MAX_FILE_BYTES = 40_000_000
FETCH_SECONDS = 300
COMPILE_SECONDS = 120
COMPILER = Path(__file__).with_name("compile.mjs")


@attrs.frozen
class Runtime:
    """The runtime.

    Attributes:
        folder: where it lies.
        version: of the package.
        licence: as the package says it.
        files: content by name.
    """

    folder: Path
    version: str
    licence: str
    files: dict[str, bytes]


def read_runtime(folder: Path | None, say: Callable[[str], None]) -> Runtime:
    """The runtime from a folder, or from npm.

    Args:
        folder: with the files; None: the package in the user's cache folder, fetched where it is not there.
        say: is told before something is fetched.

    Raises:
        SimkitError: a file is missing or is none of the runtime's; or npm is not there, or does not get the package.
    """
    place = folder if folder is not None else _fetched(say)
    missing = [name for name in FILES if not is_file(place / name)]
    if missing:
        raise SimkitError(
            f"The folder {place} is no Python runtime for browsers: {', '.join(missing)} "
            f"{'is' if len(missing) == 1 else 'are'} not there.",
            remedy=f"Name the folder of the npm package {PACKAGE.partition('@')[0]}, which `npm install {PACKAGE}` "
            "makes in node_modules.",
        )
    files = {name: read_bounded(place / name, MAX_FILE_BYTES, "file of the runtime") for name in FILES}
    try:
        said = json.loads(files["package.json"])
        version, licence = str(said["version"]), str(said.get("license", ""))
    except (ValueError, RecursionError, KeyError, AttributeError, TypeError) as error:
        raise SimkitError(
            "The package.json of the runtime does not say its version.",
            file=str(place / "package.json"),
            remedy="Take the folder of the npm package as it is.",
        ) from error
    return Runtime(place, version, licence, files)


def compiled(packages: bytes, runtime: Runtime) -> bytes | None:
    """A zip of Python packages with each module compiled by the runtime itself, which a browser then need not do.

    Args:
        packages: the zip.
        runtime: that will run them.

    Returns:
        The zip; None where there is no node to have the runtime run in.

    Raises:
        SimkitError: the runtime does not run in node, or cannot compile a module.
    """
    node = shutil.which("node")
    if node is None:
        return None
    command = [node, str(COMPILER), str(runtime.folder.absolute())]
    try:
        done = subprocess.run(command, input=packages, capture_output=True, timeout=COMPILE_SECONDS, check=False)
    except subprocess.TimeoutExpired as error:
        raise SimkitError(f"The runtime did not compile the packages in {COMPILE_SECONDS} s.") from error
    if done.returncode:
        raise SimkitError(
            "The runtime could not compile the packages of the page.",
            lines=done.stderr.decode(errors="replace").strip().splitlines()[-5:],
            remedy=f"Take the npm package {PACKAGE} as it is, with node 20 or later.",
        )
    return done.stdout


def _fetched(say: Callable[[str], None]) -> Path:
    """The package in the user's cache folder."""
    home = cache_folder() / "pyodide"
    place = home / "node_modules" / "pyodide"
    if all(is_file(place / name) for name in FILES):
        return place
    npm = shutil.which("npm")
    if npm is None:
        raise SimkitError(
            "A page needs Python for browsers, and there is no npm here to get it with.",
            remedy=f"Install npm; or get the npm package {PACKAGE} elsewhere and name its folder with --runtime.",
        )
    say(f"Getting the npm package {PACKAGE} into {home}, once.")
    home.mkdir(parents=True, exist_ok=True)
    command = [npm, "install", "--silent", "--no-audit", "--no-fund", "--prefix", str(home), PACKAGE]
    try:
        done = subprocess.run(command, capture_output=True, text=True, timeout=FETCH_SECONDS, check=False)
    except subprocess.TimeoutExpired as error:
        raise SimkitError(f"npm did not get {PACKAGE} in {FETCH_SECONDS} s.", remedy="Try again.") from error
    if done.returncode:
        told = (done.stderr or done.stdout).strip().splitlines()
        raise SimkitError(
            f"npm could not get {PACKAGE}.",
            lines=told[-5:],
            remedy="Get the package elsewhere and name its folder with --runtime.",
        )
    return place
