"""Boards, programs and the lockstep job, for the tests of the core."""

import importlib.util
import sys
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest

from simkit.cpu.core.runtime import words


def _beside(name: str) -> ModuleType:
    """A module that lies beside the tests; known by its name, as when the job is run as a script."""
    if name not in sys.modules:
        spec = importlib.util.spec_from_file_location(name, Path(__file__).with_name(f"{name}.py"))
        assert spec is not None
        assert spec.loader is not None
        sys.modules[name] = importlib.util.module_from_spec(spec)
        spec.loader.exec_module(sys.modules[name])
    return sys.modules[name]


_beside("board_cards")  # first what others are made of
boards = _beside("boards")
programs_module = _beside("programs")


@pytest.fixture(scope="session")
def core() -> None:
    """Leaves a test out where the core cannot be had; whether it ought to be had, test_runtime.py says."""
    if (found := words()).startswith("none"):
        pytest.skip(f"core: {found}")


@pytest.fixture(scope="session")
def reached(core: None) -> None:
    """Leaves a test out where the memory that slots hand out is none that the core reaches."""
    board = boards.Board("6502", "core")
    ram = board.rams[0]._memory
    if board.room.arena.address(ram, 0) is None:
        pytest.skip("slots hand out memory here that the core does not reach; the reference engine runs everything")


@pytest.fixture(scope="session")
def pair(core: None) -> Any:
    """The class of pairs; call it with "6502" or "65C02"."""
    return boards.Pair


@pytest.fixture(scope="session")
def programs(core: None) -> Any:
    """The class of random programs."""
    return programs_module.Programs


@pytest.fixture(scope="session")
def compare() -> Any:
    """`differences`."""
    return boards.differences


@pytest.fixture(scope="session")
def lockstep(core: None) -> ModuleType:
    """The lockstep job."""
    return _beside("lockstep")
