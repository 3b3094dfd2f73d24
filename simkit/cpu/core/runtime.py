"""What runs the modules of the core here: looked for once, tried, and told.

Whatever goes wrong before a first instruction has run means that the core is not to be had here.
"""

from __future__ import annotations

import sys
from functools import cache

from simkit.cpu.core.instance import Host, Instance, NoCoreError
from simkit.cpu.core.layout import OFFSET, STATE_BYTES, TABLES_AT, as_word


def instance(part: str, size: int) -> Instance:
    """The module of a part with `size` bytes of memory.

    Raises:
        NoCoreError: it cannot be had here.
    """
    found = _found(part)
    if isinstance(found, NoCoreError):
        raise NoCoreError(str(found))
    return found.instance(part, size)


@cache
def _loaded() -> Host:
    if sys.platform == "emscripten":
        from simkit.cpu.core.browser import Browser

        return Browser()
    from simkit.cpu.core.desktop import Desktop

    return Desktop()


@cache
def _found(part: str) -> Host | NoCoreError:
    """Looked for once: where it is missing, each machine would look again."""
    try:
        found = _loaded()
        _try(found, part)
    except NoCoreError as error:
        return error
    except Exception as error:  # noqa: BLE001 - whatever a foreign library, an old package or a full disk makes of it
        return NoCoreError(f"{type(error).__name__}: {str(error).strip().partition(chr(10))[0]}")
    return found


def _try(found: Host, part: str) -> None:
    """Run `LDA #$A5, STA $0000, LDX $0000` with everything but its own page asked for.

    Raises:
        NoCoreError: it does something else.
    """
    instance = found.instance(part, STATE_BYTES + 256)
    start = instance.start
    state = instance.memory[:STATE_BYTES]
    words, longs = state.cast("i"), state.cast("q")
    asked: list[tuple[str, int, int]] = []

    def word(name: str) -> int:
        return words[OFFSET[name] // 4]

    def answer(what: str, value: str) -> None:
        asked.append((what, word("address"), word(value)))
        words[OFFSET["last"] // 4] = 0x5A if what == "read" else word("value")
        longs[OFFSET["cycle"] // 8] += 1
        words[OFFSET["abandon"] // 4] = 0

    instance.answers[:] = lambda: answer("read", "kind"), lambda: answer("write", "value")
    instance.memory[STATE_BYTES : STATE_BYTES + 8] = bytes.fromhex("A9A58D0000AE0000")
    words[TABLES_AT // 4 + 0x80] = as_word(start + STATE_BYTES)
    words[OFFSET["tables"] // 4] = as_word(start + TABLES_AT)
    words[OFFSET["pc"] // 4] = 0x8000
    longs[OFFSET["stop"] // 8] = 10
    instance.run(start)
    after = word("pc"), word("a"), word("x"), longs[OFFSET["cycle"] // 8], asked
    if after != (0x8008, 0xA5, 0x5A, 10, [("write", 0, 0xA5), ("read", 0, 1)]):
        raise NoCoreError("the core does not do as it should in a trial")


def words() -> str:
    """What a person is told: which core there is, or why there is none."""
    found = _found("65C02")
    if isinstance(found, NoCoreError):
        return f"none ({found}); the reference engine runs everything"
    return found.name
