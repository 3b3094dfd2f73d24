"""What tests of rules share. The guide has this folder copied for whoever adds a rule: it needs none above it."""

import importlib.util
from pathlib import Path

import pytest


@pytest.fixture(scope="session")
def assemble():
    """Function that assembles a ROM's source: `assemble` of roms/build.py, which is no module of a package."""
    spec = importlib.util.spec_from_file_location("roms_build", Path(__file__).parents[2] / "roms" / "build.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module.assemble
