"""Where Pyodide is for tests: the npm package, where somebody put it. Nothing is downloaded here."""

import os
from pathlib import Path

import pytest

from simkit.cpu.core.compiled import cache_folder


def pyodide_folder():
    """The folder of the package; a test that asks is skipped where there is none."""
    named = os.environ.get("SIMKIT_PYODIDE")
    folder = (Path(named) if named else cache_folder() / "pyodide") / "node_modules" / "pyodide"
    there = (folder / "pyodide.mjs").is_file()
    if named and not there:
        pytest.fail(
            f"SIMKIT_PYODIDE is {named}, and there is no {folder}: run `npm install --prefix {named} pyodide@314`."
        )
    if not there:
        pytest.skip(f"there is no Pyodide in {folder}: run `npm install --prefix {folder.parents[1]} pyodide@314`")
    return folder
