"""Runs the modules of the core on the desktop, through the package wasmtime.

The package's own calls into and out of WebAssembly cost ten times what the library's documented C interface does, so
the two that a machine makes all the time are bound here, with public names only (Wasmtime C API: linker.h, store.h,
func.h). Whatever goes wrong before a first instruction has run means that the core is not to be had here.
"""

from __future__ import annotations

import ctypes
from collections.abc import Callable, Generator
from functools import cache
from importlib.metadata import version
from pathlib import Path
from typing import Any

from simkit.cpu.core import compiled
from simkit.cpu.core.layout import OFFSET, STATE_BYTES, TABLES_AT

WASM_PAGE = 65_536


class NoCoreError(Exception):
    """The core cannot run here; says why."""


_Callback = ctypes.CFUNCTYPE(ctypes.c_void_p, ctypes.c_void_p)
"""Of the arguments only the first, which is NULL, is looked at; gives NULL: no trap."""


class Library:
    """The package wasmtime and the C functions bound beside it."""

    def __init__(self) -> None:
        import wasmtime

        self.wasmtime: Any = wasmtime
        folder = Path(wasmtime.__file__).parent
        name = next(iter(sorted(folder.glob("*/*wasmtime.*"))), None)
        if name is None:
            raise NoCoreError(f"the package wasmtime in {folder} holds no library")
        c = ctypes.CDLL(str(name))
        self.context = _bound(c.wasmtime_store_context, ctypes.c_void_p, ctypes.c_void_p)
        self.define = _bound(
            c.wasmtime_linker_define_func_unchecked, ctypes.c_void_p,
            ctypes.c_void_p, ctypes.c_char_p, ctypes.c_size_t, ctypes.c_char_p, ctypes.c_size_t, ctypes.c_void_p,
            _Callback, ctypes.c_void_p, ctypes.c_void_p,
        )  # fmt: skip
        self.find = _bound(
            c.wasmtime_linker_get, ctypes.c_bool,
            ctypes.c_void_p, ctypes.c_void_p, ctypes.c_char_p, ctypes.c_size_t, ctypes.c_char_p, ctypes.c_size_t,
            ctypes.c_void_p,
        )  # fmt: skip
        self.call = _bound(
            c.wasmtime_func_call_unchecked, ctypes.c_void_p,
            ctypes.c_void_p, ctypes.c_void_p, ctypes.c_void_p, ctypes.c_size_t, ctypes.c_void_p,
        )  # fmt: skip
        config = wasmtime.Config()
        config.memory_reservation = config.memory_reservation_for_growth = 0  # a memory takes what it holds, no more
        config.memory_guard_size = WASM_PAGE
        # The module is our own: nothing in it could be made to look where it should not, so its bounds checks need no
        # second line. With it instructions take twice as long.
        config.cranelift_flag_set("enable_heap_access_spectre_mitigation", "false")
        self.engine = wasmtime.Engine(config)

    @cache  # noqa: B019 - one library a process, which lives as long
    def module(self, part: str) -> Any:
        """The compiled module of a part."""
        return compiled.module(self.wasmtime, self.engine, part)


def _bound(function: Any, result: Any, *arguments: Any) -> Any:
    function.restype, function.argtypes = result, arguments
    return function


def library(part: str) -> Library:
    """The one library of the process, tried with the module of a part.

    Raises:
        NoCoreError: it cannot be loaded or used here.
    """
    found = _found(part)
    if isinstance(found, NoCoreError):
        raise NoCoreError(str(found))
    return found


_loaded = cache(Library)


@cache
def _found(part: str) -> Library | NoCoreError:
    """Looked for once: where it is missing, each machine would look again."""
    try:
        found = _loaded()
        _try(found, part)
    except NoCoreError as error:
        return error
    except Exception as error:  # noqa: BLE001 - whatever a foreign library, an old package or a full disk makes of it
        return NoCoreError(f"{type(error).__name__}: {str(error).strip().partition(chr(10))[0]}")
    return found


def _try(found: Library, part: str) -> None:
    """Run `LDA #$A5, STA $0000, LDX $0000` with everything but its own page asked for.

    Raises:
        NoCoreError: it does something else.
    """
    instance = Instance(part, STATE_BYTES + 256, found)
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
    words[TABLES_AT // 4 + 0x80] = STATE_BYTES
    words[OFFSET["tables"] // 4] = TABLES_AT
    words[OFFSET["pc"] // 4] = 0x8000
    longs[OFFSET["stop"] // 8] = 10
    instance.run(0)
    after = word("pc"), word("a"), word("x"), longs[OFFSET["cycle"] // 8], asked
    if after != (0x8008, 0xA5, 0x5A, 10, [("write", 0, 0xA5), ("read", 0, 1)]):
        raise NoCoreError("the core does not do as it should in a trial")


def words() -> str:
    """What a person is told: which core there is, or why there is none."""
    found = _found("65C02")
    if isinstance(found, NoCoreError):
        return f"none ({found}); the reference engine runs everything"
    return f"wasmtime {version('wasmtime')}"


class Instance:
    """A module with a memory of its own.

    Attributes:
        answers: what is called when the core asks for a read, and for a write.
        failed: called with whatever an answer raised.
        memory: all of it; lives as long as anybody holds it or a part of it.
        base: address of its first byte in the process.
    """

    def __init__(self, part: str, size: int, found: Library | None = None) -> None:
        self.answers: list[Callable[[], None]] = [_nobody, _nobody]
        self.failed: Callable[[BaseException], None] = _unexpected
        found = self._library = library(part) if found is None else found
        wasm = found.wasmtime
        pages = -(-size // WASM_PAGE)
        self._store = wasm.Store(found.engine)
        self._memory = wasm.Memory(self._store, wasm.MemoryType(wasm.Limits(pages, pages)))
        self._linker = wasm.Linker(found.engine)
        self._linker.define(self._store, "host", "memory", self._memory)
        self._callbacks = [self._define(name, number) for number, name in enumerate((b"read", b"write"))]
        self._linker.define_instance(self._store, "core", self._linker.instantiate(self._store, found.module(part)))
        view = self._memory.get_buffer_ptr(self._store)
        view.keeps = self._store  # the buffer that views look into holds the store that holds the memory
        self.base = ctypes.addressof(view)
        self.memory = memoryview(view).cast("B")
        self._context = found.context(_pointer(self._store))
        self._argument = (ctypes.c_uint64 * 2)()
        self.run = self._exported(b"run")
        self.run_recorded = self._exported(b"run_recorded")

    def _define(self, name: bytes, number: int) -> Any:
        door = self._door(number)
        next(door)
        kept = _Callback(door.send)
        wasm = self._library.wasmtime
        kind = wasm.FuncType([], [])
        error = self._library.define(
            _pointer(self._linker), b"host", 4, name, len(name), _pointer(kind), kept, None, None
        )
        if error:
            raise NoCoreError("a function could not be handed to the core")
        return kept, kind

    def _door(self, number: int) -> Generator[None]:
        """What the core calls: goes on for ever, from one `yield` to the next.

        Nothing raised may come out of it: the library would take whatever lies where a result should be for a trap, and
        abort. Ctrl-C is raised where a function begins, a call ends or a loop goes back. A function cannot catch what
        is raised at its own beginning; a generator that goes on within `try` can.
        """
        while True:
            try:
                while True:
                    try:
                        yield
                        self.answers[number]()
                    except GeneratorExit:
                        return
                    except BaseException as error:  # noqa: BLE001 - raised again behind the core
                        self.failed(error)
            except BaseException as error:  # noqa: BLE001 - the same, where the loop goes back
                self.failed(error)

    def _exported(self, name: bytes) -> Callable[[int], None]:
        extern = (ctypes.c_uint64 * 8)()
        if not self._library.find(
            _pointer(self._linker), self._context, b"core", 4, name, len(name), ctypes.addressof(extern)
        ):
            raise NoCoreError(f"the core has no function {name.decode()}")
        call, context, argument = self._library.call, self._context, self._argument
        function = ctypes.addressof(extern) + 8  # behind the kind of the extern
        values, trap = ctypes.addressof(argument), ctypes.c_void_p()
        trap_at = ctypes.addressof(trap)
        keep = (extern, trap)

        def run(state: int, _keep: object = keep) -> None:
            argument[0] = state
            if call(context, function, values, 1, trap_at) or trap.value:
                raise RuntimeError("the core trapped")  # a fault of the kit

        return run


def _nobody() -> None:
    raise AssertionError("nobody answers the core yet")


def _unexpected(error: BaseException) -> None:
    """Nothing is made of it: the core stops at an answer that is not whole."""


def _pointer(managed: Any) -> int:
    return ctypes.cast(managed.ptr(), ctypes.c_void_p).value or 0
