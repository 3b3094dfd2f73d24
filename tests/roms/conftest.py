"""What the tests of field cases share, as modules that lie beside them, and the bench machine on both engines."""

from __future__ import annotations

import importlib.util
import sys
from collections.abc import Callable
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest

from simkit import Machine


def _beside(name: str) -> ModuleType:
    """A module that lies beside the tests."""
    if name not in sys.modules:
        spec = importlib.util.spec_from_file_location(name, Path(__file__).with_name(f"{name}.py"))
        assert spec is not None
        assert spec.loader is not None
        sys.modules[name] = importlib.util.module_from_spec(spec)
        spec.loader.exec_module(sys.modules[name])
    return sys.modules[name]


field_bench = _beside("field_bench")


@pytest.fixture(params=["exact", "auto"])
def bench(request: pytest.FixtureRequest, tmp_path: Path) -> Callable[..., Machine]:
    """Builds a variant of the bench machine: bench(listing, extra TOML, wiring=[sentences], ...)."""

    def build(
        listing: str | bytes,
        extra: str = "",
        *,
        fill: int = 0xFF,
        cpu: str | None = None,
        wiring: tuple[str, ...] = (),
        backplane: dict[str, str] | None = None,
        **options: Any,
    ) -> Machine:
        file = tmp_path / "machine.toml"
        file.write_text(field_bench.machine_file(extra, cpu=cpu, wiring=wiring, **(backplane or {})))
        content = field_bench.image(listing, fill) if isinstance(listing, str) else listing
        return Machine.load(file, images={field_bench.ROM: content}, engine=request.param, **options)

    return build
