"""Runs the modules of the core on the desktop, through the library of the package wasmtime."""

from __future__ import annotations

import ctypes
from collections.abc import Callable, Generator
from functools import cache
from typing import Any

from simkit.cpu.core import compiled
from simkit.cpu.core.instance import Instance
from simkit.cpu.core.wasmtime_library import WASM_PAGE, Callback, Library, Store


class Desktop:
    """The library, and the compiled modules of this process."""

    def __init__(self) -> None:
        self._library = Library()
        self.name = f"wasmtime {self._library.version}"

    def instance(self, part: str, size: int) -> Instance:
        """A module with a memory of its own."""
        return _DesktopInstance(self._library, self._module(part), size)

    @cache  # noqa: B019 - one desktop a process, which lives as long
    def _module(self, part: str) -> int:
        return compiled.module(self._library, part)


class _DesktopInstance(Instance):
    start = 0

    def __init__(self, library: Library, module: int, size: int) -> None:
        super().__init__()
        names = (b"read", b"write")
        answers = {name: self._answer(number) for number, name in enumerate(names)}
        self._store = store = Store(library, module, -(-size // WASM_PAGE), answers)
        view = (ctypes.c_uint8 * store.size).from_address(store.address)
        view.keeps = store  # the buffer that views look into holds the store that holds the memory
        self.base = store.address
        self.memory = memoryview(view).cast("B")
        self._call = library.functions["wasmtime_func_call_unchecked"]
        self._argument = (ctypes.c_uint64 * 2)()
        self.run = self._exported(b"run")
        self.run_recorded = self._exported(b"run_recorded")

    def _answer(self, number: int) -> Any:
        door = self._door(number)
        next(door)
        return Callback(door.send)

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
        exported = self._store.exported(name)
        call, context, argument = self._call, self._store.context, self._argument
        function, values, trap = ctypes.addressof(exported), ctypes.addressof(argument), ctypes.c_void_p()
        trap_at = ctypes.addressof(trap)
        keep = (exported, trap, self._store)

        def run(state: int, _keep: object = keep) -> None:
            argument[0] = state
            if call(context, function, values, 1, trap_at) or trap.value:
                raise RuntimeError("the core trapped")  # a fault of the kit

        return run
