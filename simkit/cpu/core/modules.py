"""The built modules of the core."""

from __future__ import annotations

from pathlib import Path

FILES = {"6502": "nmos6502.wasm", "65C02": "w65c02s.wasm"}
"""Name of the module beside this file, by part."""


def module_file(part: str) -> Path:
    """Where the module of a part lies."""
    return Path(__file__).with_name(FILES[part])
