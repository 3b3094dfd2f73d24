"""pytest plug-in of the mutation job: record which test runs which lines, or run chosen tests, quick ones first.

Loaded by `run.py` with `-p selection`, in a process of its own; SIMKIT_MUTATION names a JSON file that says what to do.

Recording measures lines with one context a test. What a fixture of a class, module or session runs is noted under the
fixture's own context and counts for every test that uses it, not only for the one that happened to come first; what
functions of the kit remember between calls (`functools.cache`) is forgotten before each test, for the same reason.
"""

from __future__ import annotations

import functools
import json
import math
import os
import sys
from collections.abc import Generator
from pathlib import Path
from typing import Any

import pytest
from coverage import Coverage

_ORDERS: dict[str, Any] = json.loads(Path(os.environ["SIMKIT_MUTATION"]).read_text())
FIXTURE = "fixture "
_FORGETFUL = ("simkit.contract", "simkit.backplane", "simkit.machine", "simkit_cards")


class Recorder:
    """Measures a whole run, from before the kit is imported."""

    def __init__(self) -> None:
        data = _ORDERS["data"]
        self.coverage = Coverage(data_file=data, config_file=False, branch=False, source=_ORDERS["sources"])
        self.coverage.start()
        self.tests: dict[str, dict[str, Any]] = {}
        self.context = ""

    @pytest.hookimpl(wrapper=True, tryfirst=True)
    def pytest_runtest_protocol(self, item: pytest.Item) -> Generator[None, object, object]:
        self.context = item.nodeid
        test = self.tests[item.nodeid] = {"seconds": 0.0, "passed": True, "fixtures": _shared_fixtures(item)}
        _forget()
        begun = _processor_seconds()
        self.coverage.switch_context(self.context)
        try:
            return (yield)
        finally:
            self.coverage.switch_context("")
            test["seconds"] = round(_processor_seconds() - begun, 3)

    @pytest.hookimpl(wrapper=True)
    def pytest_fixture_setup(self, fixturedef: pytest.FixtureDef[Any]) -> Generator[None, object, object]:
        outer = self.context
        if fixturedef.scope != "function":
            self.context = FIXTURE + _name(fixturedef)
            self.coverage.switch_context(self.context)
        try:
            return (yield)
        finally:
            self.context = outer
            self.coverage.switch_context(outer)

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        self.tests[report.nodeid]["passed"] &= report.passed

    def pytest_sessionfinish(self) -> None:
        self.coverage.stop()
        self.coverage.save()
        Path(_ORDERS["tests"]).write_text(json.dumps(self.tests))


class Chooser:
    """Leaves the chosen tests and those that the recording does not know, the quick ones first."""

    def pytest_collection_modifyitems(self, config: pytest.Config, items: list[pytest.Item]) -> None:
        chosen: dict[str, float] = _ORDERS["chosen"]
        known = set(_ORDERS["known"])
        wanted = [item for item in items if item.nodeid in chosen or item.nodeid not in known]
        if len(wanted) < len(items):
            config.hook.pytest_deselected(items=[item for item in items if item not in set(wanted)])
        # In steps of two, so that the tests of a file stay together and share its fixtures.
        wanted.sort(key=lambda item: math.floor(math.log2(max(chosen.get(item.nodeid, 0.0), 0.02))))
        items[:] = wanted


def _processor_seconds() -> float:
    """Seconds the processor worked for this process and those it has waited for, whatever else the machine does."""
    return sum(os.times()[:4])


def _name(fixture: pytest.FixtureDef[Any]) -> str:
    return f"{fixture.baseid}::{fixture.argname}"


def _shared_fixtures(item: pytest.Item) -> list[str]:
    """Contexts of the fixtures that a test shares with others."""
    info = getattr(item, "_fixtureinfo", None)
    found = [] if info is None else [fixture for defined in info.name2fixturedefs.values() for fixture in defined]
    return sorted({FIXTURE + _name(fixture) for fixture in found if fixture.scope != "function"})


def _forget() -> None:
    for name, module in list(sys.modules.items()):
        if name.startswith(_FORGETFUL):
            for value in vars(module).values():
                if isinstance(value, functools._lru_cache_wrapper):
                    value.cache_clear()


def pytest_configure(config: pytest.Config) -> None:
    """Hypothesis neither shrinks what it found nor stops at slow examples: a failure is a failure."""
    from hypothesis import HealthCheck, Phase, settings

    phases = (Phase.explicit, Phase.generate)
    unhurried = (HealthCheck.too_slow,)
    settings.register_profile("mutation", deadline=None, database=None, phases=phases, suppress_health_check=unhurried)
    settings.load_profile("mutation")
    config.pluginmanager.register(_RECORDER or Chooser())


_RECORDER = Recorder() if "data" in _ORDERS else None
