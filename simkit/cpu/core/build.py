"""Builds the modules of the core: `python -m simkit.cpu.core.build`. They are committed; a test builds them again."""

from __future__ import annotations

from simkit.cpu.core.generate import module_text
from simkit.cpu.core.modules import FILES, module_file
from simkit.files.whole import write_whole

_CUSTOM = 0
_HEADER_BYTES = 8


def module_bytes(part: str) -> bytes:
    """The module of a part, without the section that names its functions."""
    from wasmtime import wat2wasm

    return _without_names(bytes(wat2wasm(module_text(part))))


def _without_names(module: bytes) -> bytes:
    """Leave custom sections out. Source: WebAssembly Core Specification 2.0, 2022, section 5.5.2 (sections)."""
    kept, at = [module[:_HEADER_BYTES]], _HEADER_BYTES
    while at < len(module):
        start, section = at, module[at]
        size = shift = 0
        at += 1
        while True:  # LEB128, section 5.2.2
            byte = module[at]
            size |= (byte & 0x7F) << shift
            at, shift = at + 1, shift + 7
            if byte < 0x80:
                break
        at += size
        if section != _CUSTOM:
            kept.append(module[start:at])
    return b"".join(kept)


if __name__ == "__main__":
    for part in FILES:
        write_whole(module_file(part), module_bytes(part), what="core", force=True)
        print(module_file(part), module_file(part).stat().st_size)
