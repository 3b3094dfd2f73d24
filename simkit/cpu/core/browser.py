"""Runs the modules of the core where Python itself is WebAssembly: Pyodide, in a browser or in node.

A module imports the interpreter's own memory, so that what Python holds is what the core addresses, and nothing is
copied. That memory may grow, which takes every view on it away from JavaScript: therefore none is kept here. The
memory itself is imported, and Python's own buffers stay at their addresses when it grows.

The memory has no documented name; Pyodide 314.0.0 to 315.0.0a2 show it as `_module.memory`, 0.29.3 does not.
"""

from __future__ import annotations

import ctypes
import weakref
from collections.abc import Callable
from functools import cache
from typing import Any

from simkit.cpu.core.instance import Instance, NoCoreError
from simkit.cpu.core.modules import module_file


class Browser:
    """Pyodide: its memory, and what it hands to JavaScript."""

    def __init__(self) -> None:
        import js
        import pyodide.ffi
        import pyodide_js

        self.ffi: Any = pyodide.ffi
        self.name = f"Pyodide {pyodide_js.version}"
        self._web_assembly = js.WebAssembly
        self._object = js.Object
        self._memory = getattr(pyodide_js._module, "memory", None)
        if self._memory is None:
            raise NoCoreError(f"{self.name} does not show its memory; 314.0.0 does")

    @cache  # noqa: B019 - one a process, which lives as long
    def _module(self, part: str) -> Any:
        return self._web_assembly.Module.new(self.ffi.to_js(module_file(part).read_bytes()))

    def instance(self, part: str, size: int) -> Instance:
        """A module that works in a buffer of Python's."""
        return _BrowserInstance(self, part, size)

    def exports(self, part: str, read: Any, write: Any) -> Any:
        """What a new instance of a module exports; `read` and `write` are what it asks."""
        imports = {"host": {"memory": self._memory, "read": read, "write": write}}
        return self._web_assembly.Instance.new(
            self._module(part), self.ffi.to_js(imports, dict_converter=self._object.fromEntries)
        ).exports


class _BrowserInstance(Instance):
    def __init__(self, browser: Browser, part: str, size: int) -> None:
        super().__init__()
        buffer = (ctypes.c_char * size)()
        self.memory = memoryview(buffer).cast("B")
        self.base = self.start = ctypes.addressof(buffer)
        # What JavaScript holds of Python is not collected by itself: it may not hold the machine, and goes with it.
        this = weakref.ref(self)
        asked = [browser.ffi.create_proxy(_asks(this, number)) for number in range(len(self.answers))]
        for proxy in asked:
            weakref.finalize(self, proxy.destroy).atexit = False
        exports = browser.exports(part, *asked)
        self.run = exports.run
        self.run_recorded = exports.run_recorded


def _asks(this: weakref.ref[_BrowserInstance], number: int) -> Callable[[], None]:
    def asked() -> None:
        instance = this()
        assert instance is not None, "who runs the core holds it"
        try:
            instance.answers[number]()
        except BaseException as error:  # noqa: BLE001 - raised again behind the core
            instance.failed(error)

    return asked
